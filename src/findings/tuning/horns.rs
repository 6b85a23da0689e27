//! The horns, as a group, against the piano: the one in the room that cannot give way.
//!
//! Conventions: as in the module above; nothing is said of takes in which either of them is not told.

use super::super::confidence::{probability_above, probability_below};
use super::super::sound::difference;
use super::super::thresholds as t;
use super::super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::super::words;
use crate::stats::{Measured, median};

/// Takes in which the horns are off to one side, beyond what is noticed and beyond the own error.
pub fn horns_off_piano(inputs: &FindingInputs) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::OUT_OF_TUNE_CENTS), inputs.thresholds.of(t::TUNING_SURE_CENTS));
    let takes = inputs.tuning.takes.iter().enumerate().take(inputs.takes.len());
    let apart: Vec<(usize, Measured)> = takes
        .filter_map(|(at, take)| {
            let apart = difference(&take.horns.offset_from_a440_cents, &take.piano.offset_from_a440_cents)?;
            Some((at, nearest_semitone(&apart)))
        })
        .collect();
    let beyond = |side: f64| -> Vec<&(usize, Measured)> {
        let off = |m: &Measured| {
            let near = if side > 0.0 { m.low } else { m.high };
            m.value.is_some_and(|v| side * v >= least) && near.is_some_and(|end| side * end >= sure)
        };
        apart.iter().filter(|(_, m)| off(m)).collect()
    };
    let (flat, sharp) = (beyond(-1.0), beyond(1.0));
    let (is_flat, off) = if flat.len() >= sharp.len() { (true, flat) } else { (false, sharp) };
    let middle = median(&off.iter().filter_map(|(_, m)| m.value).collect::<Vec<_>>())?;
    let (id, side, threshold) =
        if is_flat { ("horns_flat_of_piano", "flat", -least) } else { ("horns_sharp_of_piano", "sharp", least) };
    let numbers: Vec<usize> = off.iter().map(|(at, _)| *at).collect();
    let sure_of =
        |m: &Measured| if is_flat { probability_below(m, threshold) } else { probability_above(m, threshold) };
    let far = middle.abs() >= inputs.thresholds.of(t::FAR_OUT_OF_TUNE_CENTS);
    Some(Finding {
        id,
        player: Player::Horns,
        severity: if far { Severity::First } else { Severity::Main },
        statement: format!(
            "The horns as a group are {:.0} cents {side} of the piano in {}.",
            middle.abs(),
            words::takes(&numbers, inputs.takes.len())
        ),
        ask: "Let the horns warm up, tune to the piano, and listen to it on long notes.".to_owned(),
        confidence: off.iter().filter_map(|(_, m)| sure_of(m)).reduce(f64::max)?.min(0.99),
        evidence: off
            .iter()
            .map(|(at, m)| Evidence {
                start_s: inputs.takes[*at].start_s,
                end_s: inputs.takes[*at].end_s,
                measure: format!("takes[{at}].horns_from_piano_cents"),
                value: m.clone(),
                threshold,
            })
            .collect(),
    })
}

/// A difference of two offsets that are known modulo a semitone, the short way round.
fn nearest_semitone(m: &Measured) -> Measured {
    let turn = m.value.map_or(0.0, |v| 100.0 * (v / 100.0).round());
    let less = |v: Option<f64>| v.map(|v| v - turn);
    Measured { value: less(m.value), low: less(m.low), high: less(m.high), ..m.clone() }
}
