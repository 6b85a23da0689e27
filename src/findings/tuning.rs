//! Rules about tuning: flat or sharp of the band, open strings as tuned, pitch that moves over the tape; and praise.
//!
//! Limits: nothing is said of a player whose own interval reaches back to what nobody hears.

use super::confidence::{probability_above, probability_below};
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use crate::measure::tuning::{InstrumentTuning, PlayerTuning, StringPlayer, TakeTuning};
use crate::passages::PassageKind;
use crate::stats::{Measured, median};
use crate::units::{TUNING_A4_HZ, seconds_to_clock};

/// Fewest strings whose middle stands for the instrument.
const STRINGS_MIN: usize = 3;

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
        [off, tuned, string_off(inputs, part), moves(inputs, part), praise].into_iter().flatten().collect::<Vec<_>>()
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

/// What the band's own pitch is against A4 = 440 Hz, cents; 0 where it is not known.
fn band_cents(inputs: &FindingInputs) -> f64 {
    inputs.tuning.concert_pitch_hz.value.filter(|hz| *hz > 0.0).map_or(0.0, |hz| 1200.0 * (hz / TUNING_A4_HZ).log2())
}

/// Open strings of a player in the tuning passages before the first take: passage, MIDI, offset from the band.
fn strings_before(inputs: &FindingInputs, part: &Part) -> Vec<(usize, u8, Measured)> {
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
fn tuned_off(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
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
fn string_off(inputs: &FindingInputs, part: &Part) -> Option<Finding> {
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
            "The {} was in tune with the band in {}.",
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
