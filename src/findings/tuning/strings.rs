//! Rules about strings: as they were tuned before the first take, all to one side or one apart from the others; and the notes of one
//! string of the bass apart from its other notes while it plays.

use super::super::confidence::{probability_above, probability_below};
use super::super::thresholds as t;
use super::super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::Part;
use crate::measure::tuning::OPEN_STRINGS;
use crate::passages::PassageKind;
use crate::stats::{Measured, median};
use crate::units::{TUNING_A4_HZ, seconds_to_clock};

/// Id of what is found about the notes of one string, which the tuning picture says too.
pub const STRING_APART: &str = "bass_string_apart";
/// Fewest strings whose middle stands for the instrument.
const STRINGS_MIN: usize = 3;

/// What the band's own pitch is against A4 = 440 Hz, cents; 0 where it is not known.
fn band_cents(inputs: &FindingInputs) -> f64 {
    inputs.tuning.concert_pitch_hz.value.filter(|hz| *hz > 0.0).map_or(0.0, |hz| 1200.0 * (hz / TUNING_A4_HZ).log2())
}

/// Open strings of a player in the tuning passages before the first take: passage, MIDI, offset from the band.
pub(super) fn strings_before(inputs: &FindingInputs, part: &Part) -> Vec<(usize, u8, Measured)> {
    let first = inputs.takes.first().map_or(f64::INFINITY, |k| k.start_s);
    let band = band_cents(inputs);
    let mut found: Vec<(usize, u8, Measured)> = Vec::new();
    for (at, passage) in inputs.passages.iter().enumerate() {
        if passage.kind != PassageKind::Tuning || passage.start_s >= first {
            continue;
        }
        for s in inputs.tuning.strings.get(at).into_iter().flatten().filter(|s| s.player == part.strings) {
            found.retain(|(_, midi, _)| *midi != s.string_midi);
            found.push((at, s.string_midi, shifted(&s.offset_from_a440_cents, -band)));
        }
    }
    found.retain(|(_, _, m)| m.value.is_some());
    found.sort_by_key(|(_, midi, _)| *midi);
    found
}

fn shifted(m: &Measured, by: f64) -> Measured {
    let moved = |v: Option<f64>| v.map(|v| v + by);
    Measured { value: moved(m.value), low: moved(m.low), high: moved(m.high), ..m.clone() }
}

/// Middle of a player's strings with an interval: that of a median of as many strings, errors shared by half of it.
fn middle(strings: &[(usize, u8, Measured)]) -> Option<Measured> {
    if strings.len() < STRINGS_MIN {
        return None;
    }
    let values: Vec<f64> = strings.iter().filter_map(|(_, _, m)| m.value).collect();
    let halves: Vec<f64> = strings.iter().filter_map(|(_, _, m)| Some((m.high? - m.low?) / 2.0)).collect();
    let (value, half) = (median(&values)?, median(&halves)?);
    Some(Measured::symmetric(value, half, values.len() as u64))
}

/// The whole instrument was tuned to one side before the first take.
pub(super) fn tuned_off(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    let strings = strings_before(inputs, part);
    let measured = middle(&strings)?;
    let (least, sure) = (inputs.thresholds.of(t::TUNED_OFF_CENTS), inputs.thresholds.of(t::TUNING_SURE_CENTS));
    let value = measured.value.filter(|v| v.abs() >= least)?;
    let near = if value > 0.0 { measured.low? } else { -measured.high? };
    if near < sure.min(least) {
        return None;
    }
    let (id, side, threshold) =
        if value > 0.0 { (part.ids.tuned_sharp, "sharp", least) } else { (part.ids.tuned_flat, "flat", -least) };
    let who = part.player.as_str();
    let confidence =
        if value > 0.0 { probability_above(&measured, threshold)? } else { probability_below(&measured, threshold)? };
    Some(Finding {
        id,
        player: part.player,
        severity: Severity::Main,
        statement: format!("The {who} was tuned {:.0} cents {side} of the band before the first take.", value.abs()),
        ask: format!("Let the {who} tune to a note of the piano."),
        evidence: evidence_of_strings(inputs, part, &strings, threshold),
        confidence: confidence.min(0.99),
    })
}

fn evidence_of_strings(
    inputs: &FindingInputs,
    part: &Part,
    strings: &[(usize, u8, Measured)],
    threshold: f64,
) -> Vec<Evidence> {
    let passage = |at: usize| inputs.passages.get(at);
    strings
        .iter()
        .filter_map(|(at, midi, m)| {
            Some(Evidence {
                start_s: passage(*at)?.start_s,
                end_s: passage(*at)?.end_s,
                measure: format!("{}_string_{midi}_as_tuned_from_band_cents", part.key),
                value: m.clone(),
                threshold,
            })
        })
        .collect()
}

/// Letter of an open string by its sounding MIDI number (standard tunings, common practice).
fn letter(player: Player, midi: u8) -> &'static str {
    match (player, midi) {
        (Player::Bass, 23) | (_, 59) => "B",
        (Player::Bass, 48) => "high C",
        (Player::Guitar, 40) => "low E",
        (Player::Guitar, 64) => "high E",
        (_, 28) => "E",
        (_, 33 | 45) => "A",
        (_, 38 | 50) => "D",
        _ => "G",
    }
}

/// One string stands apart from the player's others.
pub(super) fn string_off(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    let strings = strings_before(inputs, part);
    let rest = middle(&strings)?.value?;
    let least = inputs.thresholds.of(t::STRING_OFF_CENTS);
    let apart = |m: &Measured| m.value.map_or(0.0, |v| (v - rest).abs());
    let worst = strings.iter().max_by(|a, b| apart(&a.2).total_cmp(&apart(&b.2)))?;
    let value = worst.2.value? - rest;
    let near = if value > 0.0 { worst.2.low? - rest } else { rest - worst.2.high? };
    if value.abs() < least || near <= inputs.thresholds.of(t::TUNING_SURE_CENTS) {
        return None;
    }
    let (who, name) = (part.player.as_str(), letter(part.player, worst.1));
    let side = if value > 0.0 { "sharp" } else { "flat" };
    let at = inputs.passages.get(worst.0)?.start_s;
    Some(Finding {
        id: part.ids.string_off,
        player: part.player,
        severity: Severity::Main,
        statement: format!(
            "The {who}'s {name} string was left {:.0} cents {side} of its other strings when it was tuned at {}.",
            value.abs(),
            seconds_to_clock(at)
        ),
        ask: format!("Let the {who} tune the {name} string again, and play it against the piano."),
        evidence: evidence_of_strings(inputs, part, std::slice::from_ref(worst), rest + least.copysign(value)),
        confidence: probability_above(&Measured::symmetric(value.abs(), value.abs() - near, 1), least)?.min(0.99),
    })
}

/// The notes on one string of the bass stand apart from its other notes, to the same side in every take that tells.
pub(super) fn string_apart(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    if part.player != Player::Bass {
        return None;
    }
    let (least, sure) = (inputs.thresholds.of(t::STRING_OFF_CENTS), inputs.thresholds.of(t::TUNING_SURE_CENTS));
    let (midi, told, value, near) = OPEN_STRINGS
        .iter()
        .filter(|(player, _)| *player == part.strings)
        .filter_map(|(_, midi)| {
            let told = string_in_takes(inputs, *midi);
            let values: Vec<f64> = told.iter().filter_map(|t| t.2.value).collect();
            let value = values.iter().sum::<f64>() / values.len().max(1) as f64;
            // What takes share in their error more takes do not take away.
            let half = told.iter().map(|t| t.2.half_width()).fold(0.0, f64::max);
            let one_side = values.iter().all(|v| v.signum() == value.signum());
            (one_side && value.abs() >= least && value.abs() - half > sure).then_some((
                *midi,
                told,
                value,
                value.abs() - half,
            ))
        })
        .max_by(|a, b| a.2.abs().total_cmp(&b.2.abs()))?;
    let (who, name) = (part.player.as_str(), letter(part.player, midi));
    let side = if value > 0.0 { "sharp" } else { "flat" };
    let numbers: Vec<usize> = told.iter().map(|t| t.0).collect();
    let takes = super::super::words::takes(&numbers, inputs.takes.len());
    Some(Finding {
        id: STRING_APART,
        player: part.player,
        severity: Severity::Minor,
        statement: format!(
            "The notes on the {who}'s {name} string are {:.0} cents {side} of its other notes in {takes}.",
            value.abs()
        ),
        ask: format!("Let the {who} tune the {name} string again, then play a stopped note on it against the piano."),
        confidence: probability_above(&Measured::symmetric(value.abs(), value.abs() - near, 1), least)?.min(0.99),
        evidence: told
            .into_iter()
            .map(|(at, place, m)| Evidence {
                start_s: inputs.takes[at].start_s,
                end_s: inputs.takes[at].end_s,
                measure: format!("takes[{at}].tuning.bass_strings[{place}].offset_from_player_cents"),
                value: m.clone(),
                threshold: least.copysign(value),
            })
            .collect(),
    })
}

/// A string of the bass in the takes that tell of it: take and place among its strings, from 0; offset from its other notes.
fn string_in_takes<'a>(inputs: &FindingInputs<'a>, midi: u8) -> Vec<(usize, usize, &'a Measured)> {
    let takes = inputs.tuning.takes.iter().enumerate().take(inputs.takes.len());
    takes
        .flat_map(|(at, take)| take.bass_strings.iter().enumerate().map(move |(place, s)| (at, place, s)))
        .filter(|(_, _, s)| s.string_midi == midi)
        .map(|(at, place, s)| (at, place, &s.offset_from_player_cents))
        .filter(|(_, _, m)| m.value.is_some_and(f64::is_finite))
        .collect()
}
