//! What to turn on the bass amplifier: the least change that brings the low end back.
//!
//! Conventions: changes in dB of a usual three-control amplifier, plus = turn up; expected values are the low end excess of
//! the band after the change. Two cases. With a target learnt from the same player (`own`), the notes of the bass are held
//! against the target's own: other tunes and softer playing do not look like a knob, and the change goes either way. With
//! any other target natural basses differ too much (standard deviation 10 dB on rendered takes) to read a knob off one
//! tape; then the low control is only turned down, only by what lies beyond the joint interval of the measure and of the
//! recordings behind the target, and only when the low end belongs to the bass.
//! Limits: from a recording of the whole band mid and high controls are not advised: above about 400 Hz the bass is not told
//! from the rest of a band. A recording close to the player is read by `tone_stack`.

use super::types::Player;
use crate::measure::tone::{Control, ControlChange, LowEndShares, ToneDifference, ToneKind};
use crate::stats::Measured;

/// Corners of a usual amplifier, Hz (common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AmpCorners {
    /// Low shelf.
    pub low_hz: f64,
    /// Mid peak.
    pub mid_hz: f64,
    /// High shelf.
    pub high_hz: f64,
}

impl Default for AmpCorners {
    fn default() -> Self {
        Self { low_hz: 100.0, mid_hz: 500.0, high_hz: 2500.0 }
    }
}

/// Steps in which a change is stated, dB.
const STEP_DB: f64 = 0.5;
/// Smaller changes are not worth a walk to the amplifier, dB.
const LEAST_DB: f64 = 1.0;
/// Most that is asked of the low control, dB: the range of usual tone controls (common practice, no source).
const MOST_LOW_DB: f64 = 12.0;
/// Most that is asked of the low control without a target of the same player, dB.
const MOST_CUT_DB: f64 = 6.0;
/// Most that the level is turned down after it, dB.
const MOST_LEVEL_DB: f64 = 6.0;
/// Share of the low end that must be the bass. With `KNOB_HALF_WIDTH_DB` the low control was within 1.5 dB on all 174 of 772
/// rendered twins that are told; from 0.7 on, however wide, on 242 of 249.
pub const BASS_SHARE: f64 = 0.75;
/// A control that may be off by more is not told, dB.
const KNOB_HALF_WIDTH_DB: f64 = 3.6;
/// Half-width that the layers add to a change of the low end: a fixed part, dB.
const PROMISE_DB: f64 = 0.5;
/// And a part of its size.
const PROMISE_SHARE: f64 = 0.15;
/// Standard deviations to either side of a 95 % interval.
const SIGMAS_95: f64 = 1.96;

/// What the solver looks at.
pub struct AmpInputs<'a> {
    /// Does the recorder hear the low end?
    pub low_end_ok: bool,
    /// Low end over the takes against the target.
    pub excess_db: &'a Measured,
    /// How far recordings that nothing is wrong with lie from the target, standard deviation, dB.
    pub target_sd_db: f64,
    /// Whose the low end is.
    pub shares: &'a LowEndShares,
    /// The bass against the target's own; absent value when the target is another player's.
    pub own: &'a ToneDifference,
    /// Change of the low end when the bass is changed, dB.
    pub low_end_change_db: &'a dyn Fn(&[ControlChange]) -> Option<f64>,
    /// Corners of the controls.
    pub corners: AmpCorners,
}

/// One control to turn.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// Whose amplifier.
    pub player: Player,
    /// Which control, by how much.
    pub change: ControlChange,
    /// The change with its interval, dB.
    pub change_db: Measured,
    /// Low end excess that is expected after this change and those before it.
    pub expected_db: Measured,
}

/// The advice for the bass; empty when nothing is wrong or nothing can be told.
pub fn advise(inputs: &AmpInputs) -> Vec<Advice> {
    let bass_share = inputs.shares.bass.value.unwrap_or(0.0);
    if !inputs.low_end_ok || inputs.excess_db.value.is_none() || bass_share < BASS_SHARE {
        return Vec::new();
    }
    let low = match (inputs.own.kind, &inputs.own.low_db) {
        // A room's note is no knob.
        (ToneKind::OneNote { .. }, _) => None,
        (_, m) if m.value.is_some() => from_own(inputs, m),
        _ => from_balance(inputs),
    };
    let mut advice: Vec<Advice> = low.into_iter().collect();
    let level = level(inputs, &advice);
    advice.extend(level);
    advice
}

/// Why a gain `found` between two takes of one player is no number for the low control, if so; `share` is that of the bass in
/// the low end, on the side on which it has less.
pub fn why_untold(found: &Measured, share: Option<f64>) -> Option<&'static str> {
    if share.is_none_or(|share| share < BASS_SHARE) {
        return Some("low_end_is_not_mostly_bass");
    }
    (found.half_width() > KNOB_HALF_WIDTH_DB).then_some("too_uncertain")
}

fn from_own(inputs: &AmpInputs, found: &Measured) -> Option<Advice> {
    let value = found.value?;
    let change = stepped(-value).clamp(-MOST_LOW_DB, MOST_LOW_DB);
    if change.abs() < LEAST_DB {
        return None;
    }
    why_untold(found, inputs.shares.bass.value)
        .is_none()
        .then(|| stated(inputs, &[], Control::Low, change, found.half_width()))
}

/// What lies within this of the target may be nobody's fault: the interval of the measure and that of the recordings behind
/// the target, joined, dB.
pub fn allowed_db(inputs: &AmpInputs) -> f64 {
    inputs.excess_db.half_width().hypot(SIGMAS_95 * inputs.target_sd_db)
}

fn from_balance(inputs: &AmpInputs) -> Option<Advice> {
    if inputs.excess_db.value? <= allowed_db(inputs) {
        return None;
    }
    let change = least_cut(inputs, &[], Control::Low, MOST_CUT_DB)?;
    Some(cut(inputs, &[], Control::Low, change))
}

/// Whatever lies beyond what is allowed after the low control.
fn level(inputs: &AmpInputs, before: &[Advice]) -> Option<Advice> {
    let done: Vec<ControlChange> = before.iter().map(|a| a.change).collect();
    let left = inputs.excess_db.value? + (inputs.low_end_change_db)(&done)?;
    if left <= allowed_db(inputs) + LEAST_DB {
        return None;
    }
    let change = least_cut(inputs, &done, Control::Level, MOST_LEVEL_DB)?;
    // Where nearly all that sounds is the bass, its level moves the low end and the middle alike.
    let mut all = done.clone();
    all.push(turned(inputs, Control::Level, change));
    if (inputs.low_end_change_db)(&all)? > (inputs.low_end_change_db)(&done)? - LEAST_DB {
        return None;
    }
    Some(cut(inputs, &done, Control::Level, change))
}

/// The smallest cut after which the low end lies inside what is allowed, or the most that is asked.
fn least_cut(inputs: &AmpInputs, done: &[ControlChange], control: Control, most_db: f64) -> Option<f64> {
    let excess = inputs.excess_db.value?;
    let steps = (most_db / STEP_DB) as usize;
    let after = |db: f64| {
        let mut all = done.to_vec();
        all.push(turned(inputs, control, db));
        Some(excess + (inputs.low_end_change_db)(&all)?)
    };
    for step in 1..=steps {
        let db = -(step as f64) * STEP_DB;
        if after(db)? <= allowed_db(inputs) {
            return (db <= -LEAST_DB).then_some(db);
        }
    }
    Some(-most_db)
}

/// A cut against a target of others is the least that is surely too much. Its interval reaches from there to what would lie at
/// the far end of what is allowed below the target.
fn cut(inputs: &AmpInputs, done: &[ControlChange], control: Control, db: f64) -> Advice {
    let mut advice = stated(inputs, done, control, db, 0.0);
    let with = |db: f64| {
        let mut all = done.to_vec();
        all.push(turned(inputs, control, db));
        (inputs.low_end_change_db)(&all)
    };
    let moved = with(db).zip(with(0.0)).map_or(db, |(after, before)| after - before);
    let asked_a_db = (db / moved.min(-1e-3)).clamp(1.0, 3.0);
    advice.change_db.low = Some(db - 2.0 * allowed_db(inputs) * asked_a_db);
    advice.change_db.high = Some(db + STEP_DB / 2.0);
    advice.change_db.warnings = vec!["at_least".to_owned()];
    advice
}

fn turned(inputs: &AmpInputs, control: Control, change_db: f64) -> ControlChange {
    let corner_hz = match control {
        Control::Low => inputs.corners.low_hz,
        Control::Mid => inputs.corners.mid_hz,
        Control::High => inputs.corners.high_hz,
        Control::Level => 0.0,
    };
    ControlChange { control, corner_hz, change_db }
}

fn stated(inputs: &AmpInputs, done: &[ControlChange], control: Control, db: f64, half: f64) -> Advice {
    let change = turned(inputs, control, db);
    let mut all = done.to_vec();
    all.push(change);
    let moved = (inputs.low_end_change_db)(&all);
    let n = inputs.excess_db.n.unwrap_or(0);
    let expected_db = match (inputs.excess_db.value, moved) {
        (Some(excess), Some(moved)) => {
            let promise = PROMISE_DB + PROMISE_SHARE * moved.abs();
            Measured::symmetric(excess + moved, inputs.excess_db.half_width().hypot(promise), n)
        }
        _ => Measured::absent("silence"),
    };
    let mut change_db = Measured::symmetric(db, half, n);
    if db.abs() < half {
        change_db = change_db.with_warning("inside_the_noise");
    }
    Advice { player: Player::Bass, change, change_db, expected_db }
}

fn stepped(db: f64) -> f64 {
    (db / STEP_DB).round() * STEP_DB
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    struct Case {
        excess: Measured,
        shares: LowEndShares,
        own: ToneDifference,
        ok: bool,
    }

    fn case(excess_db: f64, own_low_db: Option<f64>) -> Case {
        let m = |v: f64| Measured::symmetric(v, 0.1, 60);
        let low_db =
            own_low_db.map_or_else(|| Measured::absent("target_of_other_players"), |v| Measured::symmetric(v, 2.0, 20));
        Case {
            excess: Measured::symmetric(excess_db, 0.5, 60),
            shares: LowEndShares { bass: m(0.85), kick: m(0.1), other: m(0.05) },
            own: ToneDifference { kind: ToneKind::EveryNote, low_db, note_db: None, note_is_sure: false },
            ok: true,
        }
    }

    fn solve(case: &Case) -> Vec<Advice> {
        // A band whose low end is the bass: a low shelf moves it by nine tenths of its gain, the level by all of it.
        let change = |all: &[ControlChange]| {
            Some(all.iter().map(|c| if c.control == Control::Low { 0.9 * c.change_db } else { c.change_db }).sum())
        };
        advise(&AmpInputs {
            low_end_ok: case.ok,
            excess_db: &case.excess,
            target_sd_db: 1.5,
            shares: &case.shares,
            own: &case.own,
            low_end_change_db: &change,
            corners: AmpCorners::default(),
        })
    }

    #[test]
    fn a_control_that_may_be_off_by_much_is_not_told() {
        let mut wide = case(0.3, Some(-4.0));
        let low = |c: &Case| solve(c).iter().any(|a| a.change.control == Control::Low);
        assert!(low(&wide));
        wide.own.low_db = Measured::symmetric(-4.0, KNOB_HALF_WIDTH_DB + 0.1, 20);
        assert!(!low(&wide));
        assert_eq!(why_untold(&wide.own.low_db, Some(0.9)), Some("too_uncertain"));
        assert_eq!(why_untold(&Measured::symmetric(-4.0, 2.0, 20), Some(0.7)), Some("low_end_is_not_mostly_bass"));
    }

    #[test]
    fn a_balanced_band_and_a_deaf_recorder_get_no_advice() {
        for excess in [-9.0, -2.0, 0.0, 2.9] {
            assert!(solve(&case(excess, None)).is_empty(), "{excess}");
        }
        assert!(solve(&case(1.0, Some(0.6))).is_empty());
        let mut deaf = case(9.0, Some(6.0));
        deaf.ok = false;
        assert!(solve(&deaf).is_empty());
        let mut kick = case(9.0, Some(6.0));
        kick.shares.bass = Measured::symmetric(0.4, 0.1, 60);
        assert!(solve(&kick).is_empty());
    }

    #[test]
    fn the_low_control_is_turned_down_just_as_far_as_the_spread() {
        let advice = solve(&case(6.0, None));
        assert_eq!(advice.len(), 1);
        assert_eq!((advice[0].change.control, advice[0].change_db.value), (Control::Low, Some(-3.5)));
        let expected = advice[0].expected_db.value.unwrap();
        assert!((expected - (6.0 - 0.9 * 3.5)).abs() < 1e-9 && expected <= 3.0);
    }

    #[test]
    fn what_six_decibels_of_low_do_not_mend_is_asked_of_the_level() {
        let advice = solve(&case(12.0, None));
        let turned: Vec<_> = advice.iter().map(|a| (a.change.control, a.change.change_db)).collect();
        assert_eq!(turned, [(Control::Low, -6.0), (Control::Level, -4.0)]);
        assert!((advice[1].expected_db.value.unwrap() - (12.0 - 5.4 - 4.0)).abs() < 1e-9);
    }

    #[test]
    fn a_target_of_the_same_player_turns_the_low_control_either_way() {
        for own in [-7.8, -3.1, 2.2, 7.9] {
            let advice = solve(&case(0.0, Some(own)));
            assert_eq!(advice[0].change_db.value, Some(stepped(-own)));
        }
        assert_eq!(solve(&case(0.0, Some(1.4)))[0].change_db.warnings, ["inside_the_noise"]);
    }

    #[test]
    fn a_note_that_the_room_lifts_is_no_knob() {
        let mut room = case(0.0, Some(3.0));
        room.own.kind = ToneKind::OneNote { midi: 33 };
        assert!(solve(&room).is_empty());
    }
}
