//! What a finding is, and what the rules look at.

use super::thresholds::Thresholds;
use crate::health::Health;
use crate::measure::time::TakeTime;
use crate::measure::tuning::TapeTuning;
use crate::passages::Passage;
use crate::stats::Measured;

/// Who a finding is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Player {
    /// Whoever sets up the recorder.
    Recording,
    /// Everybody.
    Band,
    /// Bass.
    Bass,
    /// Drums.
    Drums,
    /// Guitar.
    Guitar,
    /// Piano.
    Piano,
    /// Horns.
    Horns,
}

impl Player {
    /// The word in the report.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Recording => "recording",
            Self::Band => "band",
            Self::Bass => "bass",
            Self::Drums => "drums",
            Self::Guitar => "guitar",
            Self::Piano => "piano",
            Self::Horns => "horns",
        }
    }
}

/// How much it matters; written as 0 to 3.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Praise, or a fact without an ask.
    Note = 0,
    /// Good to know.
    Minor = 1,
    /// Work on it.
    Main = 2,
    /// First of all.
    First = 3,
}

/// Where and how much.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Measure, as its path in the report. A yes counts as 1, a no as 0.
    pub measure: String,
    /// Its value.
    pub value: Measured,
    /// The threshold it passed, in the unit of the measure.
    pub threshold: f64,
}

/// A statement in the director's words.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Code of the kind of finding.
    pub id: &'static str,
    /// Who it is for.
    pub player: Player,
    /// How much it matters.
    pub severity: Severity,
    /// What was found.
    pub statement: String,
    /// One thing to do; empty when there is nothing to do.
    pub ask: String,
    /// Where and how much.
    pub evidence: Vec<Evidence>,
    /// Probability that it is so, 0..=1.
    pub confidence: f64,
}

/// What the rules know of a take.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeInput {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Integrated loudness, LUFS.
    pub integrated_lufs: Measured,
    /// Maximum true peak, dBTP.
    pub true_peak_dbtp: Measured,
}

/// What the rules know of a part of a take.
#[derive(Clone, Debug, PartialEq)]
pub struct PartInput {
    /// Its name.
    pub label: String,
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Loudness of bass, drums, comping and horns against the whole band, LU.
    pub layers_re_band_lu: [Measured; 4],
}

/// What the rules look at: results of the rooms before, as plain values.
#[derive(Clone, Copy, Debug)]
pub struct FindingInputs<'a> {
    /// Length of the tape, seconds.
    pub duration_s: f64,
    /// The recording chain.
    pub health: &'a Health,
    /// The whole tape, in time order.
    pub passages: &'a [Passage],
    /// The takes, in time order, as they stand in the report.
    pub takes: &'a [TakeInput],
    /// Low end over the takes against the target, dB, plus = too much.
    pub low_end_excess_db: &'a Measured,
    /// How far good recordings spread around the target's low end, dB to either side; `None` when the target is silent on it.
    pub low_end_spread_db: Option<f64>,
    /// Share of the low end's power that is the bass, 0..=1; absent while nobody measures it.
    pub low_end_share_bass: &'a Measured,
    /// Tuning of the players.
    pub tuning: &'a TapeTuning,
    /// Time and feel, one a take.
    pub time: &'a [TakeTime],
    /// The parts, one list a take.
    pub parts: &'a [Vec<PartInput>],
    /// The thresholds in use.
    pub thresholds: &'a Thresholds,
}
