//! The report contract: what is written for one tape, its JSON Schema, and the writer.
//!
//! Conventions: field names and meanings are fixed per schema version; every number has its unit in its name; what cannot
//! be said is `null` with a reason. Keys are written in the order of the types, numbers rounded to their stated resolution.

pub mod types;

pub use types::*;
