//! Types of season.json.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::Schema;
use crate::stats::Measured;

/// Name in the `schema` block of season.json.
pub const SEASON_SCHEMA_NAME: &str = "ledgerline.season";
/// Removing, renaming or re-meaning a field raises this.
pub const SEASON_SCHEMA_VERSION: u32 = 1;
/// Adding a field raises this.
pub const SEASON_SCHEMA_REVISION: u32 = 0;

/// season.json: all rehearsals of a band, and what changed over the weeks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Season {
    /// Which contract this file follows.
    pub schema: Schema,
    /// One entry a date, in date order.
    pub rehearsals: Vec<Rehearsal>,
    /// One entry a measure that any rehearsal carries, in the order of the measure table.
    pub trends: Vec<Trend>,
    /// What returns from rehearsal to rehearsal.
    pub habits: Vec<Habit>,
    /// Readiness for the festival; null while no festival is known.
    pub festival: Option<serde_json::Value>,
    /// Report folders that take no part, by folder name, and why.
    pub left_out: Vec<LeftOut>,
}

/// All tapes of one date.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rehearsal {
    /// Local date, ISO 8601.
    pub date: String,
    /// The tapes, by time, then folder name.
    pub tapes: Vec<TapeRef>,
    /// Values of the day by measure id, whose unit is in the id.
    pub values: BTreeMap<String, Measured>,
    /// Method id by measure id, for the measures that have a value.
    pub methods: BTreeMap<String, String>,
    /// The recorder that heard the most playing that day.
    pub recorder: Recorder,
    /// Codes of what to keep in mind about the day, sorted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
}

/// A tape of a rehearsal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TapeRef {
    /// Name of its report folder.
    pub folder: String,
    /// File name of the tape.
    pub file_name: String,
    /// BLAKE3 of the file's bytes, lower-case hex.
    pub content_hash: String,
    /// Where the date comes from: "bext", "tags", "name" or "file_time" (uncertain).
    pub recorded_at_source: Option<String>,
}

/// What tells one recorder from another in its files.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Recorder {
    /// Sample rate in Hz.
    pub sample_rate_hz: u32,
    /// Number of channels.
    pub channels: u16,
    /// Codec.
    pub codec: String,
    /// Where the recording stops hearing bass, Hz; null when it was not found.
    pub low_cut_hz: Option<f64>,
}

/// Which way a measure went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TrendVerdict {
    /// The whole interval of the slope is above zero.
    Up,
    /// The whole interval of the slope is below zero.
    Down,
    /// The interval of the slope holds zero.
    NoChangeBeyondNoise,
    /// Fewer than three comparable rehearsals.
    TooFew,
}

/// How a measure went since its line was last broken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trend {
    /// Measure id.
    pub measure: String,
    /// Change a week, in the unit of the measure; null with fewer than three comparable rehearsals.
    pub slope_per_week: Measured,
    /// What the slope says.
    pub verdict: TrendVerdict,
    /// Dates at which a new line begins because values before and after cannot be compared.
    pub broken_at: Vec<LineBreak>,
    /// First date of the line that the slope belongs to; null without any value.
    pub from_date: Option<String>,
    /// Last date of that line; null without any value.
    pub to_date: Option<String>,
}

/// A place where values before and after cannot be compared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LineBreak {
    /// First date of the new line.
    pub date: String,
    /// "method_changed" or "recorder_changed".
    pub reason: String,
}

/// Something that returns from rehearsal to rehearsal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Habit {
    /// Whose.
    pub player: String,
    /// What returns.
    pub statement: String,
    /// Where it was seen.
    pub evidence: Vec<HabitEvidence>,
}

/// A rehearsal in which a habit was seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HabitEvidence {
    /// Date of the rehearsal.
    pub date: String,
    /// Report folder.
    pub folder: String,
    /// Code of the finding.
    pub finding: String,
}

/// A report folder that takes no part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// Name of the folder.
    pub folder: String,
    /// File name of the tape, when the report could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file_name: Option<String>,
    /// Why: "no_date", "same_bytes" (another folder holds the same tape), "no_report", "not_readable", "malformed",
    /// "wrong_schema", "version_too_high", "version_unknown".
    pub reason: String,
    /// The other folder, when there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_as: Option<String>,
}
