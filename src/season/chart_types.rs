//! Types of the charts in season.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

/// A chart that was played in more than one take, or that the band sheet names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartPlayed {
    /// The title of the band sheet, or "chart A", "chart B" in the order in which charts became known.
    pub name: String,
    /// Does the name come from the band sheet?
    pub titled: bool,
    /// Its takes, in time order.
    pub takes: Vec<TakeOfChart>,
    /// One entry a rehearsal that played it, in date order.
    pub weeks: Vec<ChartWeek>,
}

/// A take of a chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TakeOfChart {
    /// Date of the rehearsal.
    pub date: String,
    /// Report folder.
    pub folder: String,
    /// Number of the take on its tape, from 1.
    pub take: usize,
    /// Its start on the tape, s.
    pub start_s: f64,
    /// What to call it: the title where the band sheet gives it to this take, "probably " and the title where another take has it,
    /// else the neutral name.
    pub called: String,
    /// How it is known: "sheet", or "harmony" (what sounds on each beat, and tempo).
    pub known_by: String,
    /// Probability that it is this chart, 0..=1; 1 where the band sheet says so.
    pub confidence: f64,
}

/// A chart at one rehearsal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartWeek {
    /// Date of the rehearsal.
    pub date: String,
    /// Takes of the chart at this rehearsal.
    pub takes: usize,
    /// Tempo, beats a minute, mean of the takes by their length; null where no beat was found.
    pub bpm: Measured,
    /// Change of tempo from the first to the last beat, percent, plus = rushing; mean of the takes by their length.
    pub drift_percent: Measured,
    /// Unsteadiness from beat to beat, percent of a beat; mean of the takes by their length.
    pub steadiness_percent: Measured,
    /// Long to short eighth; mean of the takes by their length.
    pub swing_ratio: Measured,
    /// Bass against the band, cents, plus = sharp; mean of the takes by their length.
    pub bass_offset_from_band_cents: Measured,
    /// Guitar against the band, cents, plus = sharp; mean of the takes by their length.
    pub guitar_offset_from_band_cents: Measured,
    /// Each take of the chart at this rehearsal against the one before it; from revision 3 on.
    #[serde(default)]
    pub repeats: Vec<Repeat>,
}

/// A take of a chart against the take before it at the same rehearsal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Repeat {
    /// Report folder of this take.
    pub folder: String,
    /// Number of this take on its tape, from 1.
    pub take: usize,
    /// Which time it is at this rehearsal, from 2.
    pub time: usize,
    /// Tempo of this take less that of the one before, beats a minute, plus = faster; null where either has no sure tempo.
    pub change_bpm: Measured,
    /// "faster" or "slower" beyond the error of both, "same" within it; absent where there is no change to tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<String>,
    /// The same in words; empty where there is nothing to say.
    pub said: String,
}

/// A take that is not known to belong to a chart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct UnnamedTake {
    /// Date of the rehearsal.
    pub date: String,
    /// Report folder.
    pub folder: String,
    /// Number of the take on its tape, from 1.
    pub take: usize,
    /// Why: "no_other_take_like_it", "undecided" (one chart is near, but not surely the same), "too_short" (fewer than eight bars),
    /// "no_steady_beat", or "no_harmony" (the report says nothing of what sounds, or it was made before this was measured).
    pub reason: String,
}
