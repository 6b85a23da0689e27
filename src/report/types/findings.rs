//! Findings and their evidence.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

/// Evidence behind a finding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Evidence {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Measure: its path in this report, or its name with unit when it is computed from several fields. A yes counts as 1.
    pub measure: String,
    /// Its value.
    pub value: Measured,
    /// The threshold it passed.
    pub threshold: f64,
}

/// A statement in the director's words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Code of the kind of finding.
    pub id: String,
    /// Who it is for: "bass", "guitar", "piano", "drums", "horns", "band", "recording".
    pub player: String,
    /// 0 (praise or note) to 3 (fix first).
    pub severity: u8,
    /// What was found.
    pub statement: String,
    /// What to do at the next rehearsal; may be empty.
    pub ask: String,
    /// Where and how much.
    pub evidence: Vec<Evidence>,
    /// Probability that it is so, 0..=1.
    pub confidence: f64,
}
