//! Every threshold that a finding compares with, in one table, each with its unit and its source.
//!
//! Conventions: "own choice" says that no published figure was found; the test beside each rule shows what it does.

/// A threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// Name, with the unit.
    pub name: &'static str,
    /// Value.
    pub value: f64,
    /// Where the value comes from.
    pub source: &'static str,
}

const fn threshold(name: &'static str, value: f64, source: &'static str) -> Threshold {
    Threshold { name, value, source }
}

/// Share of clipped frames from which the recorder is asked to be turned down.
pub const CLIPPED_PERCENT: Threshold =
    threshold("clipped_percent", 0.001, "own choice: about two full-scale runs a minute at 48 kHz");
/// Share of clipped frames from which loudness and balance suffer.
pub const CLIPPED_HEAVILY_PERCENT: Threshold =
    threshold("clipped_heavily_percent", 0.1, "own choice: clipping in most loud bars");
/// Highest true peak that leaves room.
pub const TRUE_PEAK_DBTP: Threshold =
    threshold("true_peak_dbtp", -1.0, "EBU R 128: maximum permitted true peak level of programme material");
/// Low cut of the recorder from which the low end is out of its reach.
pub const LOW_CUT_HZ: Threshold = threshold(
    "low_cut_hz",
    60.0,
    "own choice: above the lowest open string of a four-string bass (E1 = 41.2 Hz) by half an octave",
);
/// Shortest tape that counts as a period when its playing share is judged.
pub const PERIOD_S: Threshold = threshold("period_s", 300.0, "own choice: shorter tapes are excerpts");
/// Playing share below which the passages deserve a look.
pub const PLAYING_SHARE_LOW_PERCENT: Threshold = threshold(
    "playing_share_low_percent",
    25.0,
    "plausibility band around the filmed rehearsals of Goolsby 1996, JRME 44(4)",
);
/// Playing share above which the passages deserve a look.
pub const PLAYING_SHARE_HIGH_PERCENT: Threshold = threshold(
    "playing_share_high_percent",
    80.0,
    "plausibility band around the filmed rehearsals of Goolsby 1996, JRME 44(4)",
);
/// Playing share that experienced teachers pass.
pub const PLAYING_SHARE_EXPERIENCED_PERCENT: Threshold = threshold(
    "playing_share_experienced_percent",
    50.0,
    "Goolsby 1996, JRME 44(4), abstract: more than half of the period",
);
/// Spread of the low end among good recordings where the target does not state its own.
pub const LOW_END_SPREAD_DB: Threshold =
    threshold("low_end_spread_db", 3.0, "own choice: doubling of power; used only when the target states no spread");
/// How far beyond the spread the low end counts as swamping the room.
pub const LOW_END_SWAMPING_DB: Threshold =
    threshold("low_end_swamping_db", 3.0, "own choice: another doubling of power beyond the spread");
/// Lead-in before the first take from which a missing tuning passage means something.
pub const LEAD_IN_S: Threshold =
    threshold("lead_in_s", 20.0, "own choice: a shorter lead-in may have begun after the tuning");
/// Difference between takes that is worth a note.
pub const TAKES_APART_LU: Threshold =
    threshold("takes_apart_lu", 6.0, "own choice: a step that everyone in the room notices");
/// Confidence of a yes or no that carries no probability.
pub const YES_NO_CONFIDENCE: Threshold =
    threshold("yes_no_confidence", 0.9, "own choice, not calibrated: detectors state yes or no only");

/// All of them, for documents and tests.
pub const ALL: [Threshold; 13] = [
    CLIPPED_PERCENT,
    CLIPPED_HEAVILY_PERCENT,
    TRUE_PEAK_DBTP,
    LOW_CUT_HZ,
    PERIOD_S,
    PLAYING_SHARE_LOW_PERCENT,
    PLAYING_SHARE_HIGH_PERCENT,
    PLAYING_SHARE_EXPERIENCED_PERCENT,
    LOW_END_SPREAD_DB,
    LOW_END_SWAMPING_DB,
    LEAD_IN_S,
    TAKES_APART_LU,
    YES_NO_CONFIDENCE,
];
