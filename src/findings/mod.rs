//! Measures become ranked statements with evidence.
//!
//! Conventions: one rule a kind of finding; a rule looks at results only, never at samples. A statement says what was heard
//! in plain words; an ask is one thing to do; nobody is blamed. All thresholds stand in [`thresholds`] with their source.
//! Order: severity, then the order of the rules below, then time.
//!
//! Limits: confidence comes from the interval of the value or of the passages; it is no better calibrated than those are.

mod amp;
mod amp_rows;
pub mod confidence;
mod layers;
mod low_end;
mod period;
mod recording;
mod sound;
pub mod thresholds;
mod time;
mod tone_stack;
mod tuning;
mod types;
mod words;

pub use amp::{Advice, AmpCorners, AmpInputs, BASS_SHARE, advise, why_untold};
pub use amp_rows::{AmpRow, rows_of_band, rows_of_close};
pub use low_end::{LowEndInputs, advice_words, with_low_end};
pub use period::playing_share_percent;
pub use thresholds::{ThresholdError, Thresholds};
pub use tone_stack::{StackAdvice, StackBand, low_of_bass, mid_and_high};
pub use tuning::STRING_APART;
pub use types::{Evidence, Finding, FindingInputs, PartInput, Player, Severity, TakeInput};

/// Ids of the notes that praise, in the order in which they are told.
pub const PRAISE: [&str; 5] =
    ["tempo_held", "hat_on_2_and_4", "bass_in_tune", "guitar_in_tune", "tuned_before_first_take"];

/// Everything that this round's measures can honestly say about a tape, the most important first.
///
/// The order depends on the findings alone: severity downwards, inside a severity topic by topic, then recording, sound, layers,
/// tuning, time, period as the rules list them.
pub fn find(inputs: &FindingInputs) -> Vec<Finding> {
    let mut findings = recording::recording_findings(inputs);
    findings.extend(sound::sound_findings(inputs));
    findings.extend(layers::layer_findings(inputs));
    findings.extend(tuning::tuning_findings(inputs));
    findings.extend(time::time_findings(inputs));
    findings.extend(period::period_findings(inputs));
    rank(&mut findings);
    findings
}

/// Severity first. Inside a severity, what has not been spoken of yet comes before more of the same, so that the first three are
/// three things; then the order of the rules.
fn rank(findings: &mut [Finding]) {
    let mut spoken: Vec<(Severity, &str)> = Vec::new();
    let mut order: Vec<(std::cmp::Reverse<Severity>, usize)> = Vec::new();
    for f in findings.iter() {
        let topic = (f.severity, topic(f.id));
        order.push((std::cmp::Reverse(f.severity), spoken.iter().filter(|t| **t == topic).count()));
        spoken.push(topic);
    }
    let mut order: Vec<_> = order.into_iter().enumerate().map(|(at, key)| (key, at)).collect();
    order.sort_unstable();
    let sorted: Vec<Finding> = order.iter().map(|(_, at)| findings[*at].clone()).collect();
    findings.clone_from_slice(&sorted);
}

/// What a finding is about; one that no row knows is a topic of its own.
fn topic(id: &'static str) -> &'static str {
    const TOPICS: [(&str, &[&str]); 6] = [
        ("recording", &["recording_"]),
        ("balance", &["low_end", "bass_cover", "drums_cover", "comping_cover", "takes_apart", "amp_"]),
        (
            "tuning",
            &[
                "bass_flat",
                "bass_sharp",
                "bass_tuned",
                "bass_string",
                "bass_falls",
                "bass_rises",
                "guitar_",
                "no_tuning",
            ],
        ),
        ("tempo", &["band_", "bars_slipped"]),
        ("kit", &["hat_", "backbeat_"]),
        ("period", &["talk_", "playing_"]),
    ];
    TOPICS.iter().find(|(_, starts)| starts.iter().any(|s| id.starts_with(s))).map_or(id, |(name, _)| name)
}
