//! Measures become ranked statements with evidence.
//!
//! Conventions: one rule a kind of finding; a rule looks at results only, never at samples. A statement says what was heard
//! in plain words; an ask is one thing to do; nobody is blamed. All thresholds stand in [`thresholds`] with their source.
//! Order: severity, then the order of the rules below, then time.
//!
//! Limits: confidence comes from the interval of the value or of the passages; it is no better calibrated than those are.

mod amp;
pub mod confidence;
mod low_end;
mod period;
mod recording;
mod sound;
pub mod thresholds;
mod types;

pub use amp::{Advice, AmpCorners, AmpInputs, advise};
pub use low_end::{LowEndInputs, advice_words, with_low_end};
pub use period::playing_share_percent;
pub use types::{Evidence, Finding, FindingInputs, Player, Severity, TakeInput};

/// Everything that this round's measures can honestly say about a tape, the most important first.
///
/// The order depends on the findings alone: severity downwards, then recording, sound, period as the rules list them.
pub fn find(inputs: &FindingInputs) -> Vec<Finding> {
    let mut findings = recording::recording_findings(inputs);
    findings.extend(sound::sound_findings(inputs));
    findings.extend(period::period_findings(inputs));
    // A stable sort keeps the order of the rules inside a severity.
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    findings
}
