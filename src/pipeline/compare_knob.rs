//! What the bass's amplifier would have to do to turn the second side back into the first.
//!
//! Conventions: changes in dB, plus = turn up; only between recordings of one recorder, and only where the bass differs on
//! every note beyond the interval and has most of the low end on both sides.

use crate::findings::{AmpCorners, why_untold};
use crate::measure::tone::{BassBands, Control, ControlChange, ToneDifference, ToneKind, low_re_mid_change_of};
use crate::report::Report;
use crate::stats::Measured;

/// Steps in which a change is stated, dB.
const STEP_DB: f64 = 0.5;
/// Half-width of a promised change of the low end: a fixed part, dB, and a part of its size (rendered twins).
const PROMISE_DB: f64 = 0.5;
const PROMISE_SHARE: f64 = 0.15;

/// The low control of the bass, to be turned back.
#[derive(Clone, Debug, serde::Serialize, schemars::JsonSchema)]
pub struct KnobBack {
    /// Its corner, Hz.
    pub corner_hz: f64,
    /// Change of the low control that would bring the second side back to the first, dB; null with a reason when the bass
    /// does not surely differ on every note.
    pub change_db: Measured,
    /// Change of the second side's low end against its middle that is expected after it, dB.
    pub expected_low_end_change_db: Measured,
}

/// The low control, from what differs and from the reports of both sides.
pub fn knob_back(tone: &Result<ToneDifference, &str>, first: &[Report], second: &[Report]) -> KnobBack {
    let corner_hz = AmpCorners::default().low_hz;
    let none = |reason: &str| KnobBack {
        corner_hz,
        change_db: Measured::absent(reason),
        expected_low_end_change_db: Measured::absent("no_change_advised"),
    };
    let found = match tone {
        Ok(found) => found,
        Err(reason) => return none(reason),
    };
    let (Some(low), Some(from), Some(to)) = (found.low_db.value, found.low_db.low, found.low_db.high) else {
        return none(found.low_db.reason.as_deref().unwrap_or("too_few_notes"));
    };
    if matches!(found.kind, ToneKind::OneNote { .. }) {
        return none("one_note_stands_out");
    }
    if found.kind != ToneKind::EveryNote || (from <= 0.0 && to >= 0.0) {
        return none("no_more_than_noise");
    }
    let least = bass_share(first).zip(bass_share(second)).map(|(a, b)| a.min(b));
    if let Some(reason) = why_untold(&found.low_db, least) {
        return none(reason);
    }
    let change = -(low / STEP_DB).round() * STEP_DB;
    let turned = ControlChange { control: Control::Low, corner_hz, change_db: change };
    let moved = bass_bands(second).and_then(|bands| low_re_mid_change_of(&bands, &[turned]));
    let n = found.low_db.n.unwrap_or(0);
    KnobBack {
        corner_hz,
        change_db: Measured::symmetric(change, found.low_db.half_width(), n),
        expected_low_end_change_db: moved.map_or_else(
            || Measured::absent("not_in_the_report"),
            |db| Measured::symmetric(db, PROMISE_DB + PROMISE_SHARE * db.abs(), n),
        ),
    }
}

/// The advice in a sentence; `None` without one.
pub fn knob_words(knob: &KnobBack) -> Option<String> {
    let change = knob.change_db.value?;
    let way = if change < 0.0 { "down" } else { "up" };
    let (low, high) = (knob.change_db.low?, knob.change_db.high?);
    let then = knob
        .expected_low_end_change_db
        .value
        .map_or_else(String::new, |db| format!("; the low end of B would then move by {db:+.1} dB against its middle"));
    Some(format!(
        "to bring B back to A: the bass's low control (shelf at {:.0} Hz) {way} by about {:.1} dB (95 %: {:.1} to {:.1}){then}; \
         small steps, one knob at a time, by ear in the room",
        knob.corner_hz,
        change.abs(),
        low.abs().min(high.abs()),
        low.abs().max(high.abs()),
    ))
}

/// Mean share of the bass in the low end of a side.
pub fn bass_share(side: &[Report]) -> Option<f64> {
    let shares: Vec<f64> = side.iter().filter_map(|r| r.balance.low_end_share.bass.value).collect();
    crate::stats::mean(&shares)
}

/// Mean of what the bass has in every narrow band.
fn bass_bands(side: &[Report]) -> Option<BassBands> {
    let all: Vec<BassBands> =
        side.iter().filter_map(|r| r.tone.as_ref()?.bass_bands.as_slice().try_into().ok()).collect();
    let mean = |at: usize| all.iter().map(|b| b[at]).sum::<f64>() / all.len() as f64;
    (!all.is_empty()).then(|| std::array::from_fn(mean))
}
