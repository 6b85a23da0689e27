//! The walking bass: root or third on the first beat, chord and scale steps between, a half step into the next bar.

use super::super::rng::Rng;
use super::super::scenario::Instrument;
use super::harmony::nearest;
use super::take::{Bar, Stand};
use super::{Note, Score, Touch, cents};

const LOW: u8 = 28;
const HIGH: u8 = 50;
/// A walked note sounds until shortly before the next.
const HELD_SHARE: f64 = 0.92;
const SPREAD_MS: f64 = 8.0;

pub(super) fn play(score: &mut Score, stand: &Stand, bars: &[Bar]) {
    if stand.player(Instrument::Bass).is_none() {
        return;
    }
    let mut rng = stand.rng(Instrument::Bass);
    let mut last = 36u8;
    for bar in bars {
        let line = walk(bar, &mut last, &mut rng);
        if !bar.part.plays(Instrument::Bass) {
            continue;
        }
        for (k, midi) in line.into_iter().enumerate() {
            let beat = bar.beat + k as f64;
            let accent = if k % 2 == 1 { 0.03 } else { 0.0 };
            let length_s = stand.clock.beat_s(beat) * HELD_SHARE;
            let touch = Touch { force: 0.62 + accent, length_s };
            pluck(score, stand, bar, beat, midi, touch, &mut rng);
        }
    }
}

fn walk(bar: &Bar, last: &mut u8, rng: &mut Rng) -> [u8; 4] {
    let near = f64::from(*last) * 0.75 + 38.0 * 0.25;
    let first = nearest(bar.chord.tone(if rng.chance(0.85) { 0 } else { 1 }), near, LOW, HIGH);
    let goal = nearest(bar.next.root, f64::from(first), LOW, HIGH);
    let up = goal > first || (goal == first && rng.chance(0.5));
    let step = |from: u8, which: usize| {
        let aim = if up { f64::from(from) + 3.5 } else { f64::from(from) - 3.5 };
        nearest(bar.chord.tone(which), aim, LOW, HIGH)
    };
    let second = step(first, 1 + rng.below(2));
    let third = step(second, 2 + rng.below(2));
    let below = goal > LOW && rng.chance(0.5);
    let fourth = if below { goal - 1 } else { goal + 1 };
    *last = fourth;
    [first, second, third, fourth]
}

/// The string that the note is played on: the highest that lies not above it.
pub(super) fn string_of(midi: u8) -> usize {
    Instrument::Bass.open_strings().iter().rposition(|open| *open <= midi).unwrap_or(0)
}

fn pluck(score: &mut Score, stand: &Stand, bar: &Bar, beat: f64, midi: u8, touch: Touch, rng: &mut Rng) {
    let Some(player) = stand.player(Instrument::Bass) else { return };
    let at_s = stand.onset(beat, SPREAD_MS, rng) + 1e-3 * stand.take.bass_lag_ms;
    let string = string_of(midi);
    let cents = cents(stand.scenario, player, at_s, string, Some(rng));
    let velocity = touch.force + 0.04 * rng.human();
    let gain = stand.gain(bar, Instrument::Bass);
    score.note(Instrument::Bass, Note { at_s, length_s: touch.length_s, midi, velocity, string, cents, gain });
}

pub(super) fn last(score: &mut Score, stand: &Stand, bar: &Bar, length_s: f64) {
    if bar.part.plays(Instrument::Bass) && stand.player(Instrument::Bass).is_some() {
        let mut rng = stand.rng(Instrument::Bass);
        let midi = nearest(bar.chord.root, 35.0, LOW, HIGH);
        pluck(score, stand, bar, bar.beat, midi, Touch { force: 0.66, length_s }, &mut rng);
    }
}
