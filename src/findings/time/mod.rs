//! Rules about time: rushing and dragging, bars that slipped, the hi-hat, a heavy backbeat, swing, bass against drums.
//!
//! Limits: what the measures mark as uncertain (where the bars begin, half or double the tempo) is not spoken of.

mod form;
mod kit;
mod tempo;

use form::{lead_ins, part_changes};
use kit::{backbeat, hat, hat_praised};
use tempo::{dragging, held, rushing, slips};

use super::confidence::{probability_above, probability_below};
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::words;
use crate::measure::time::{HALF_OR_DOUBLE, TakeTime};
use crate::stats::{Measured, median};

/// Swing ratio below which eighths are straight (a quarter of the way from even to 2 to 1 is hardly heard; own choice).
const STRAIGHT_RATIO: f64 = 1.15;

/// All findings about time.
pub fn time_findings(inputs: &FindingInputs) -> Vec<Finding> {
    if !inputs.health.time.ok {
        return Vec::new();
    }
    let mut found: Vec<Finding> = [rushing(inputs), dragging(inputs), slips(inputs)].into_iter().flatten().collect();
    found.extend([part_changes(inputs), lead_ins(inputs)].into_iter().flatten());
    found.extend([hat(inputs), backbeat(inputs), bass_to_drums(inputs), comping(inputs)].into_iter().flatten());
    found.extend([held(inputs), hat_praised(inputs), swing(inputs)].into_iter().flatten());
    found
}

/// Takes whose reading passes `test`: number from 0, and the reading.
fn takes_with<'a>(
    inputs: &FindingInputs<'a>,
    read: impl Fn(&'a TakeTime) -> &'a Measured,
    test: impl Fn(&Measured) -> bool,
) -> Vec<(usize, &'a Measured)> {
    let takes = inputs.time.iter().enumerate().take(inputs.takes.len());
    takes.map(|(at, time)| (at, read(time))).filter(|(_, m)| m.value.is_some() && test(m)).collect()
}

fn certain(m: &Measured) -> bool {
    !m.warnings.iter().any(|w| w == "downbeat_uncertain" || w == HALF_OR_DOUBLE)
}

/// What a rule says once its takes are known.
struct Said {
    id: &'static str,
    player: Player,
    severity: Severity,
    statement: String,
    ask: &'static str,
    measure: &'static str,
    threshold: f64,
    /// The readings lie above the threshold (else below it).
    above: bool,
}

fn finding(inputs: &FindingInputs, takes: &[(usize, &Measured)], said: Said) -> Option<Finding> {
    let sure = |m: &Measured| {
        if said.above { probability_above(m, said.threshold) } else { probability_below(m, said.threshold) }
    };
    let confidence = takes.iter().filter_map(|(_, m)| sure(m)).reduce(f64::max)?;
    let evidence = takes.iter().filter_map(|(at, m)| {
        let take = inputs.takes.get(*at)?;
        let measure = format!("takes[{at}].{}", said.measure);
        let value = (*m).clone();
        Some(Evidence { start_s: take.start_s, end_s: take.end_s, measure, value, threshold: said.threshold })
    });
    Some(Finding {
        id: said.id,
        player: said.player,
        severity: said.severity,
        statement: said.statement,
        ask: said.ask.to_owned(),
        evidence: evidence.collect(),
        confidence: confidence.clamp(0.0, 0.99),
    })
}

fn numbers(takes: &[(usize, &Measured)]) -> Vec<usize> {
    takes.iter().map(|(at, _)| *at).collect()
}

fn middle(takes: &[(usize, &Measured)]) -> Option<f64> {
    median(&takes.iter().filter_map(|(_, m)| m.value).collect::<Vec<_>>())
}

fn bass_to_drums(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::BASS_TO_DRUMS_MS);
    let of = |time| -> &Measured { bass_lag(time) };
    let widest = 2.0 * inputs.thresholds.of(t::BASS_TO_DRUMS_SURE_MS);
    let sure = |m: &Measured| m.low.zip(m.high).is_some_and(|(low, high)| high - low <= widest);
    let late = takes_with(inputs, of, |m| sure(m) && m.low.is_some_and(|l| l > least));
    let early = takes_with(inputs, of, |m| sure(m) && m.high.is_some_and(|h| h < -least));
    let behind = late.len() >= early.len();
    let takes = if behind { late } else { early };
    let lag = middle(&takes)?;
    let said = Said {
        id: if behind { "bass_behind_drums" } else { "bass_ahead_of_drums" },
        player: Player::Bass,
        severity: Severity::Main,
        statement: format!(
            "The bass plays {:.0} ms {} the drums in {}.",
            lag.abs(),
            if behind { "behind" } else { "ahead of" },
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let bass and ride cymbal play one chorus alone, side by side.",
        measure: "feel.bass_to_drums_ms",
        threshold: if behind { least } else { -least },
        above: behind,
    };
    finding(inputs, &takes, said)
}

fn bass_lag(time: &TakeTime) -> &Measured {
    &time.feel.bass_to_drums_ms
}

fn comping(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::COMPING_CROWDED_PER_BAR);
    let takes = takes_with(inputs, |t| &t.feel.comping_onsets_per_bar, |m| m.low.is_some_and(|l| l > least));
    let onsets = middle(&takes)?;
    let said = Said {
        id: "comping_crowded",
        player: Player::Piano,
        severity: Severity::Main,
        statement: format!(
            "Guitar and keys together play {onsets:.0} hits a bar in {}.",
            words::takes(&numbers(&takes), inputs.takes.len())
        ),
        ask: "Let the piano lead the comping and the guitar rest for one chorus, then change over.",
        measure: "feel.comping_onsets_per_bar",
        threshold: least,
        above: true,
    };
    finding(inputs, &takes, said)
}

/// A fact without an ask: how the eighths swing.
fn swing(inputs: &FindingInputs) -> Option<Finding> {
    let known = takes_with(inputs, |t| &t.feel.swing_ratio, |_| true);
    if known.is_empty() {
        return None;
    }
    let each = |(at, m): &(usize, &Measured)| {
        let ratio = m.value.unwrap_or_default();
        let said = if ratio < STRAIGHT_RATIO { "straight".to_owned() } else { format!("{ratio:.1} to 1") };
        format!("{said} in take {}", at + 1)
    };
    let statement = format!("Eighths: {}.", words::list(&known.iter().map(each).collect::<Vec<_>>()));
    let said = Said {
        id: "swing",
        player: Player::Band,
        severity: Severity::Note,
        statement,
        ask: "",
        measure: "feel.swing_ratio",
        threshold: 1.0,
        above: true,
    };
    finding(inputs, &known, said)
}
