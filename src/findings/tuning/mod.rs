//! Rules about tuning: flat or sharp of the band, open strings as tuned, pitch that moves over the tape; and praise.
//!
//! Limits: nothing is said of a player whose own interval reaches back to what nobody hears.

mod strings;

pub use strings::STRING_APART;
use strings::{string_apart, string_off, strings_before, tuned_off};

use super::confidence::{probability_above, probability_below};
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use crate::measure::tuning::{InstrumentTuning, PlayerTuning, StringPlayer, TakeTuning};
use crate::stats::{Measured, median};

/// A player whose tuning is judged.
struct Part {
    player: Player,
    strings: StringPlayer,
    key: &'static str,
    take: fn(&TakeTuning) -> &PlayerTuning,
    ids: Ids,
}

struct Ids {
    flat: &'static str,
    sharp: &'static str,
    tuned_flat: &'static str,
    tuned_sharp: &'static str,
    string_off: &'static str,
    falls: &'static str,
    rises: &'static str,
    in_tune: &'static str,
}

const PARTS: [Part; 2] = [
    Part {
        player: Player::Bass,
        strings: StringPlayer::Bass,
        key: "bass",
        take: |t| &t.bass,
        ids: Ids {
            flat: "bass_flat_of_band",
            sharp: "bass_sharp_of_band",
            tuned_flat: "bass_tuned_flat",
            tuned_sharp: "bass_tuned_sharp",
            string_off: "bass_string_off",
            falls: "bass_falls",
            rises: "bass_rises",
            in_tune: "bass_in_tune",
        },
    },
    Part {
        player: Player::Guitar,
        strings: StringPlayer::Guitar,
        key: "guitar",
        take: |t| &t.guitar,
        ids: Ids {
            flat: "guitar_flat_of_band",
            sharp: "guitar_sharp_of_band",
            tuned_flat: "guitar_tuned_flat",
            tuned_sharp: "guitar_tuned_sharp",
            string_off: "guitar_string_off",
            falls: "guitar_falls",
            rises: "guitar_rises",
            in_tune: "guitar_in_tune",
        },
    },
];

/// All findings about tuning.
pub fn tuning_findings(inputs: &FindingInputs) -> Vec<Finding> {
    if !inputs.health.tuning.ok {
        return Vec::new();
    }
    let of = |part: &Part| {
        let off = off_band(inputs, part);
        let tuned = if off.is_some() { None } else { tuned_off(inputs, part) };
        let praise = if off.is_some() || tuned.is_some() { None } else { in_tune(inputs, part) };
        let string = string_off(inputs, part).or_else(|| string_apart(inputs, part));
        [off, tuned, string, moves(inputs, part), praise].into_iter().flatten().collect::<Vec<_>>()
    };
    PARTS.iter().flat_map(of).collect()
}

/// Takes with a value: number from 0, and the offset from the band.
fn told<'a>(inputs: &FindingInputs<'a>, part: &Part) -> Vec<(usize, &'a Measured)> {
    let takes = inputs.tuning.takes.iter().enumerate().take(inputs.takes.len());
    takes
        .map(|(at, take)| (at, &(part.take)(take).offset_from_band_cents))
        .filter(|(_, m)| m.value.is_some_and(f64::is_finite))
        .collect()
}

/// Takes in which the whole player is off to one side, beyond what is noticed and beyond the own error.
fn off_band(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::OUT_OF_TUNE_CENTS), inputs.thresholds.of(t::TUNING_SURE_CENTS));
    let all = told(inputs, part);
    let flat: Vec<_> = all
        .iter()
        .filter(|(_, m)| m.value.is_some_and(|v| v <= -least) && m.high.is_some_and(|h| h <= -sure))
        .collect();
    let sharp: Vec<_> =
        all.iter().filter(|(_, m)| m.value.is_some_and(|v| v >= least) && m.low.is_some_and(|l| l >= sure)).collect();
    let (is_flat, takes) = if flat.len() >= sharp.len() { (true, flat) } else { (false, sharp) };
    let values: Vec<f64> = takes.iter().filter_map(|(_, m)| m.value).collect();
    let middle = median(&values)?;
    let side = if is_flat { "flat" } else { "sharp" };
    let numbers: Vec<usize> = takes.iter().map(|(at, _)| *at).collect();
    let statement = format!(
        "The {} is {:.0} cents {side} of the band in {}.",
        part.player.as_str(),
        middle.abs(),
        super::words::takes(&numbers, inputs.takes.len())
    );
    let threshold = if is_flat { -least } else { least };
    let sure_of = |m: &Measured| {
        if is_flat { probability_below(m, threshold) } else { probability_above(m, threshold) }
    };
    let far = middle.abs() >= inputs.thresholds.of(t::FAR_OUT_OF_TUNE_CENTS);
    Some(Finding {
        id: if is_flat { part.ids.flat } else { part.ids.sharp },
        player: part.player,
        severity: if far { Severity::First } else { Severity::Main },
        statement,
        ask: ask_to_tune(inputs, part, numbers.first().copied()),
        confidence: takes.iter().filter_map(|(_, m)| sure_of(m)).reduce(f64::max)?.min(0.99),
        evidence: takes
            .iter()
            .map(|(at, m)| Evidence {
                start_s: inputs.takes[*at].start_s,
                end_s: inputs.takes[*at].end_s,
                measure: format!("takes[{at}].tuning.{}.offset_from_band_cents", part.key),
                value: (*m).clone(),
                threshold,
            })
            .collect(),
    })
}

/// Tune before the first note when it starts off, else after the take before the first that is off.
fn ask_to_tune(inputs: &FindingInputs, part: &Part, first_off: Option<usize>) -> String {
    let who = part.player.as_str();
    match first_off {
        Some(at) if at > 0 => format!("Let the {who} tune again after take {at}, before it is noticed."),
        _ if strings_before(inputs, part).is_empty() => {
            format!("Let the {who} tune to the piano before the first note.")
        }
        _ => format!(
            "Let the {who} check each string against the piano before the first note, then once more after the first chart."
        ),
    }
}

/// Seconds from the first take's start to the last one's end.
fn played_span(inputs: &FindingInputs) -> Option<(f64, f64)> {
    Some((inputs.takes.first()?.start_s, inputs.takes.last()?.end_s))
}

/// Pitch that moves over the tape while nobody tunes.
fn moves(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    let tuning: &InstrumentTuning = match part.player {
        Player::Bass => &inputs.tuning.bass,
        _ => &inputs.tuning.guitar,
    };
    let (start_s, end_s) = played_span(inputs)?;
    let minutes = (end_s - start_s) / 60.0;
    let drift = &tuning.drift_cents_per_min;
    let whole =
        Measured::new(drift.value? * minutes, drift.low? * minutes, drift.high? * minutes, drift.n.unwrap_or(1));
    let least = inputs.thresholds.of(t::PITCH_CHANGE_CENTS);
    let value = whole.value.filter(|v| v.abs() >= least && tuning.retuned_at_s.is_empty())?;
    if whole.low? <= 0.0 && whole.high? >= 0.0 {
        return None;
    }
    let who = part.player.as_str();
    let (id, way, threshold) =
        if value < 0.0 { (part.ids.falls, "falls", -least) } else { (part.ids.rises, "rises", least) };
    let confidence =
        if value < 0.0 { probability_below(&whole, threshold)? } else { probability_above(&whole, threshold)? };
    let again = if inputs.takes.len() > 1 { "after the first chart" } else { "halfway through the period" };
    Some(Finding {
        id,
        player: part.player,
        severity: Severity::Minor,
        statement: format!("The {who} {way} by {:.0} cents from the first take to the last.", value.abs()),
        ask: format!("Let the {who} tune again {again}."),
        evidence: vec![Evidence {
            start_s,
            end_s,
            measure: format!("{}_change_over_the_takes_cents", part.key),
            value: whole,
            threshold,
        }],
        confidence: confidence.min(0.99),
    })
}

/// Praise: every take that could be judged lies close to the band, and surely within what listeners forgive.
fn in_tune(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
    let all = told(inputs, part);
    let (close, forgiven) = (inputs.thresholds.of(t::IN_TUNE_CENTS), inputs.thresholds.of(t::OUT_OF_TUNE_CENTS));
    let is_close = |m: &Measured| {
        m.value.is_some_and(|v| v.abs() < close)
            && m.low.is_some_and(|l| l > -forgiven)
            && m.high.is_some_and(|h| h < forgiven)
    };
    if all.is_empty() || !all.iter().all(|(_, m)| is_close(m)) {
        return None;
    }
    let inside = |m: &Measured| Some(probability_above(m, -forgiven)? + probability_below(m, forgiven)? - 1.0);
    let numbers: Vec<usize> = all.iter().map(|(at, _)| *at).collect();
    Some(Finding {
        id: part.ids.in_tune,
        player: part.player,
        severity: Severity::Note,
        statement: format!(
            "The {} stood within {close} cents of the band in {}.",
            part.player.as_str(),
            super::words::takes(&numbers, inputs.takes.len())
        ),
        ask: String::new(),
        confidence: all.iter().filter_map(|(_, m)| inside(m)).reduce(f64::min)?.clamp(0.0, 0.99),
        evidence: all
            .iter()
            .map(|(at, m)| Evidence {
                start_s: inputs.takes[*at].start_s,
                end_s: inputs.takes[*at].end_s,
                measure: format!("takes[{at}].tuning.{}.offset_from_band_cents", part.key),
                value: (*m).clone(),
                threshold: close,
            })
            .collect(),
    })
}
