//! How the period was spent: takes, talk, tuning, quiet, other, over the whole tape.
//!
//! Conventions: spans are half-open `[start_s, end_s)`, in time order, without holes, from 0 to the end of the tape.
//! A take starts at the first note or count-off and ends when the last note has died.

mod classifier;
mod context;
mod decode;
mod edges;
pub mod features;
mod meter;
mod modulation;
mod spans;
mod tonal;
mod weights;

pub use meter::{PassageMeter, find_passages};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Changes whenever a passage may move.
pub const METHOD: &str = "passages-2";

/// What a passage is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PassageKind {
    /// The band plays.
    Take,
    /// Somebody speaks.
    Talk,
    /// One player tunes: open strings, a tuning note.
    Tuning,
    /// Nothing above the room.
    Quiet,
    /// Noodling, moving chairs, anything else.
    Other,
}

/// A stretch of one kind.
#[derive(Clone, Debug, PartialEq)]
pub struct Passage {
    /// What it is.
    pub kind: PassageKind,
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Probability that the kind is right, 0..=1.
    pub confidence: f64,
}

impl Passage {
    /// Start and end of the passages of a kind, s.
    pub fn spans(passages: &[Self], kind: PassageKind) -> Vec<(f64, f64)> {
        passages.iter().filter(|p| p.kind == kind).map(|p| (p.start_s, p.end_s)).collect()
    }
}
