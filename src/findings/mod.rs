//! Measures become ranked statements with evidence.
//!
//! Conventions: one rule a kind of finding; a rule looks at results only, never at samples. A statement says what was heard
//! in plain words; an ask is one thing to do; nobody is blamed. All thresholds stand in [`thresholds`] with their source.
//! Order: severity, then the order of the rules below, then time.
//!
//! Limits: confidence comes from the interval of the value or of the passages; it is no better calibrated than those are.

pub mod confidence;
mod layers;
mod period;
mod recording;
mod sound;
pub mod thresholds;
mod time;
mod tuning;
mod types;
mod words;

pub use period::playing_share_percent;
pub use thresholds::{ThresholdError, Thresholds};
pub use types::{Evidence, Finding, FindingInputs, PartInput, Player, Severity, TakeInput};

/// Ids of the notes that praise, in the order in which they are told.
pub const PRAISE: [&str; 5] =
    ["tempo_held", "hat_on_2_and_4", "bass_in_tune", "guitar_in_tune", "tuned_before_first_take"];

/// Everything that this round's measures can honestly say about a tape, the most important first.
///
/// The order depends on the findings alone: severity downwards, then recording, sound, layers, tuning, time, period as the
/// rules list them.
pub fn find(inputs: &FindingInputs) -> Vec<Finding> {
    let mut findings = recording::recording_findings(inputs);
    findings.extend(sound::sound_findings(inputs));
    findings.extend(layers::layer_findings(inputs));
    findings.extend(tuning::tuning_findings(inputs));
    findings.extend(time::time_findings(inputs));
    findings.extend(period::period_findings(inputs));
    // A stable sort keeps the order of the rules inside a severity.
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    findings
}
