//! The report contract: what is written for one tape, its JSON Schema, the writer and the reader.
//!
//! Conventions: field names and meanings are fixed per schema version; every number has its unit in its name; what cannot
//! be said is `null` with a reason. Keys are written in the order of the types, numbers rounded to their stated resolution.

pub mod check;
pub mod current;
pub mod error;
pub mod folder;
mod from_findings;
pub mod migrate;
pub mod out_folder;
mod pretty;
pub mod read;
pub mod resolution;
pub mod rounding;
pub mod schema;
pub mod target_file;
pub mod types;
pub mod write;

pub use check::contract_faults;
pub use current::{CLOSE_MARK, Expected, is_current, short_hash};
pub use error::ReportError;
pub use folder::{TapeKey, settle_folders};
pub use out_folder::OutFolder;
pub use read::{read_curves, read_report};
pub use schema::{curves_schema, report_schema, schema_of};
pub use target_file::{TargetFile, TargetRecording, TargetRow, read_target, target_path, write_target};
pub use types::*;
pub use write::{CURVES_FILE, CurvesFile, REPORT_FILE, as_stored, write_atomic, write_report};
