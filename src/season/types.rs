//! Types of season.json.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::chart_types::{ChartPlayed, UnnamedTake};
use super::festival_types::Festival;
use crate::report::Schema;
use crate::stats::Measured;

/// Name in the `schema` block of season.json.
pub const SEASON_SCHEMA_NAME: &str = "ledgerline.season";
/// Removing, renaming or re-meaning a field raises this.
pub const SEASON_SCHEMA_VERSION: u32 = 1;
/// Adding a field raises this.
pub const SEASON_SCHEMA_REVISION: u32 = 3;

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
    pub festival: Option<Festival>,
    /// Report folders that take no part, by folder name, and why.
    pub left_out: Vec<LeftOut>,
    /// The same chart in its takes, week by week, in the order in which charts became known; from revision 2 on.
    #[serde(default)]
    pub charts: Vec<ChartPlayed>,
    /// Takes that are not known to belong to a chart, in time order.
    #[serde(default)]
    pub takes_without_chart: Vec<UnnamedTake>,
    /// Method id of the recognition of charts; empty before revision 2.
    #[serde(default)]
    pub charts_method: String,
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
    /// The slope is above zero beyond the noise: so is its 98 % interval.
    Up,
    /// The slope is below zero beyond the noise: so is its 98 % interval.
    Down,
    /// The 98 % interval of the slope holds zero.
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
    /// The lines before it, each ended by a break, in date order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<TrendLine>,
}

/// How a measure went over one unbroken line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendLine {
    /// First date.
    pub from_date: String,
    /// Last date.
    pub to_date: String,
    /// Change a week, in the unit of the measure; null with fewer than three rehearsals.
    pub slope_per_week: Measured,
    /// What the slope says.
    pub verdict: TrendVerdict,
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
    /// Code of the habit, or of the finding that returns.
    #[serde(default)]
    pub id: String,
    /// Whose.
    pub player: String,
    /// What returns.
    pub statement: String,
    /// Rehearsals that show it.
    #[serde(default)]
    pub seen: u64,
    /// Rehearsals at which it could be judged.
    #[serde(default)]
    pub judged: u64,
    /// Median of its size over the rehearsals that show it, in `unit`; low and high are the smallest and the largest.
    #[serde(default = "counted_only")]
    pub size: Measured,
    /// Unit of the size; empty when it is only counted.
    #[serde(default)]
    pub unit: String,
    /// Where it was seen.
    pub evidence: Vec<HabitEvidence>,
}

fn counted_only() -> Measured {
    Measured::absent("counted_only")
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
    /// Why: "no_date", "same_bytes" (another folder holds the same tape), "same_recording" (another folder holds the same
    /// recording, stored otherwise), "no_report", "not_readable", "malformed",
    /// "wrong_schema", "version_too_high", "version_unknown".
    pub reason: String,
    /// The other folder, when there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_as: Option<String>,
}
