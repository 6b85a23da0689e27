//! Rules about the kit: the hi-hat on 2 and 4, and a heavy backbeat.

use super::super::thresholds as t;
use super::super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::super::words;
use super::{Said, certain, finding, middle, numbers, takes_with};
use crate::measure::time::{FeelFacts, TakeTime};
use crate::stats::Measured;

fn hat_of(time: &TakeTime) -> &Measured {
    &time.feel.hat_on_2_and_4_percent
}

pub(super) fn hat(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::HAT_LOW_PERCENT);
    let takes = takes_with(inputs, hat_of, |m| certain(m) && m.high.is_some_and(|h| h < least));
    let share = middle(&takes)?;
    let said = Said {
        id: "hat_not_on_2_and_4",
        player: Player::Drums,
        severity: Severity::Main,
        statement: format!(
            "The hi-hat closes on 2 and 4 in {share:.0} % of the bars of {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let the left foot close the hi-hat on 2 and 4 from the count-off on.",
        measure: "feel.hat_on_2_and_4_percent",
        threshold: least,
        above: false,
    };
    finding(inputs, &takes, said)
}

pub(super) fn hat_praised(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::HAT_HIGH_PERCENT);
    let known = takes_with(inputs, hat_of, certain);
    let takes = takes_with(inputs, hat_of, |m| certain(m) && m.value.is_some_and(|v| v > least));
    if takes.len() < known.len() {
        return None;
    }
    let share = middle(&takes)?;
    let said = Said {
        id: "hat_on_2_and_4",
        player: Player::Drums,
        severity: Severity::Note,
        statement: format!(
            "The hi-hat closed on 2 and 4 in {share:.0} % of the bars of {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "",
        measure: "feel.hat_on_2_and_4_percent",
        threshold: least,
        above: true,
    };
    finding(inputs, &takes, said)
}

pub(super) fn backbeat(inputs: &FindingInputs) -> Option<Finding> {
    let heavy = |f: &FeelFacts| {
        f.backbeat_heavy.value == Some(true) && !f.backbeat_heavy.warnings.iter().any(|w| w == "downbeat_uncertain")
    };
    let takes: Vec<usize> =
        (0..inputs.time.len().min(inputs.takes.len())).filter(|at| heavy(&inputs.time[*at].feel)).collect();
    if takes.is_empty() {
        return None;
    }
    Some(Finding {
        id: "backbeat_heavy",
        player: Player::Drums,
        severity: Severity::Main,
        statement: format!(
            "Kick on 1 and 3 and snare on 2 and 4 stand out against the cymbals in {}.",
            words::takes(&takes, inputs.takes.len())
        ),
        ask: "Try one chorus with the ride cymbal and the hi-hat alone, then add kick and snare softly.".into(),
        confidence: inputs.thresholds.of(t::YES_NO_CONFIDENCE),
        evidence: takes
            .iter()
            .map(|at| Evidence {
                start_s: inputs.takes[*at].start_s,
                end_s: inputs.takes[*at].end_s,
                measure: format!("takes[{at}].feel.backbeat_heavy"),
                value: Measured::plain(1.0, inputs.time[*at].feel.backbeat_heavy.n.unwrap_or(1)),
                threshold: 0.5,
            })
            .collect(),
    })
}
