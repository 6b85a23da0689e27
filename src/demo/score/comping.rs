//! Guitar and piano: chords that keep time, chords that answer, and the piano's solo chorus.

use super::super::rng::Rng;
use super::super::scenario::{GuitarComping, Instrument};
use super::harmony::nearest;
use super::take::{Bar, Stand};
use super::{Note, Score, Touch, cents};

const GUITAR_SPREAD_MS: f64 = 7.0;
const PIANO_SPREAD_MS: f64 = 9.0;
/// Time that the pick takes from string to string.
const STRUM_STEP_S: f64 = 0.004;

/// Frets of a three-note shell on the D, G and B strings: seventh, third, fifth or ninth, whichever lies well.
fn shell(bar: &Bar, rng: &mut Rng) -> [(usize, u8); 3] {
    let strings = Instrument::Guitar.open_strings();
    let on = |string: usize, class: u8| {
        (string, nearest(class, f64::from(strings[string]) + 4.5, strings[string] + 1, strings[string] + 12))
    };
    let (low, mid) = if rng.chance(0.5) { (1, 3) } else { (3, 1) };
    [on(2, bar.chord.tone(low)), on(3, bar.chord.tone(mid)), on(4, bar.chord.tone(if rng.chance(0.6) { 2 } else { 4 }))]
}

fn strum(
    score: &mut Score,
    stand: &Stand,
    bar: &Bar,
    beat: f64,
    chord: &[(usize, u8); 3],
    touch: Touch,
    rng: &mut Rng,
) {
    let Some(player) = stand.player(Instrument::Guitar) else { return };
    let at_s = stand.onset(beat, GUITAR_SPREAD_MS, rng);
    let gain = stand.gain(bar, Instrument::Guitar);
    for (order, (string, midi)) in chord.iter().enumerate() {
        let at_s = at_s + STRUM_STEP_S * order as f64;
        let cents = cents(stand.scenario, player, at_s, *string, Some(rng));
        let velocity = touch.force + 0.04 * rng.human();
        let length_s = touch.length_s;
        score.note(Instrument::Guitar, Note { at_s, length_s, midi: *midi, velocity, string: *string, cents, gain });
    }
}

pub(super) fn guitar(score: &mut Score, stand: &Stand, bars: &[Bar]) {
    let mut rng = stand.rng(Instrument::Guitar);
    for bar in bars {
        let chord = shell(bar, &mut rng);
        let pattern = rng.below(3);
        if !bar.part.plays(Instrument::Guitar) {
            continue;
        }
        match stand.take.guitar {
            GuitarComping::Four => {
                for k in 0..4 {
                    let force = if k % 2 == 1 { 0.66 } else { 0.58 };
                    let beat = bar.beat + f64::from(k);
                    let touch = Touch { force, length_s: 0.62 * stand.clock.beat_s(beat) };
                    strum(score, stand, bar, beat, &chord, touch, &mut rng);
                }
            }
            GuitarComping::Sparse => {
                let eighths: &[(usize, f64)] =
                    [&[(0, 0.9), (3, 0.6)][..], &[(2, 0.6), (5, 0.9)], &[(1, 0.5), (6, 0.7)]][pattern];
                for (eighth, share) in eighths {
                    let beat = stand.eighth(bar.beat, *eighth);
                    let touch = Touch { force: 0.62, length_s: share * stand.clock.beat_s(beat) };
                    strum(score, stand, bar, beat, &chord, touch, &mut rng);
                }
            }
        }
    }
}

/// Rootless four-note voicing near middle C.
fn voicing(bar: &Bar, centre: f64) -> Vec<u8> {
    let mut keys: Vec<u8> = [1, 2, 3, 4].iter().map(|k| nearest(bar.chord.tone(*k), centre, 50, 76)).collect();
    keys.sort_unstable();
    keys.dedup();
    keys
}

fn strike(score: &mut Score, stand: &Stand, bar: &Bar, beat: f64, keys: &[u8], touch: Touch, rng: &mut Rng) {
    let Some(player) = stand.player(Instrument::Piano) else { return };
    let at_s = stand.onset(beat, PIANO_SPREAD_MS, rng);
    let gain = stand.gain(bar, Instrument::Piano);
    for midi in keys {
        let at_s = at_s + 0.002 * rng.unit();
        let cents = cents(stand.scenario, player, at_s, 0, None) + super::super::voice::piano::stretch_cents(*midi);
        let velocity = touch.force + 0.04 * rng.human();
        score.note(
            Instrument::Piano,
            Note { at_s, length_s: touch.length_s, midi: *midi, velocity, string: 0, cents, gain },
        );
    }
}

pub(super) fn piano(score: &mut Score, stand: &Stand, bars: &[Bar]) {
    let mut rng = stand.rng(Instrument::Piano);
    let mut line = 74.0;
    for bar in bars {
        let keys = voicing(bar, 62.0);
        let pattern = rng.below(4);
        if !bar.part.plays(Instrument::Piano) {
            continue;
        }
        let solo = bar.part.piano_solo;
        let eighths: &[usize] = match (stand.take.piano_busy, solo) {
            (true, _) => &[0, 1, 2, 3, 5, 6],
            (false, true) => &[3],
            (false, false) => [&[0, 3][..], &[1, 4], &[2, 7], &[3, 6]][pattern],
        };
        for eighth in eighths {
            let beat = stand.eighth(bar.beat, *eighth);
            let touch = Touch { force: if solo { 0.42 } else { 0.55 }, length_s: 0.7 * stand.clock.beat_s(beat) };
            strike(score, stand, bar, beat, &keys, touch, &mut rng);
        }
        if solo {
            improvise(score, stand, bar, &mut line, &mut rng);
        }
    }
}

/// Swung eighths up and down the scale, with rests to breathe.
fn improvise(score: &mut Score, stand: &Stand, bar: &Bar, line: &mut f64, rng: &mut Rng) {
    let mut direction = if *line > 78.0 { -1.0 } else { 1.0 };
    let mut eighth = if rng.chance(0.3) { 1 } else { 0 };
    while eighth < 8 {
        if rng.chance(0.18) {
            eighth += 1;
            continue;
        }
        if rng.chance(0.2) {
            direction = -direction;
        }
        if !(64.0..=86.0).contains(line) {
            direction = if *line > 75.0 { -1.0 } else { 1.0 };
        }
        let aim = *line + direction * 2.0;
        let class = if eighth % 4 == 0 {
            bar.chord.tone(rng.below(4))
        } else {
            (bar.chord.root + bar.chord.scale[rng.below(7)]) % 12
        };
        let midi = nearest(class, aim, 62, 88);
        *line = f64::from(midi);
        let long = rng.chance(0.15);
        let beat = stand.eighth(bar.beat, eighth);
        let length_s = stand.clock.beat_s(beat) * if long { 0.95 } else { 0.48 };
        let force = 0.72 + if eighth % 2 == 1 { 0.04 } else { 0.0 };
        strike(score, stand, bar, beat, &[midi], Touch { force, length_s }, rng);
        eighth += if long { 2 } else { 1 };
    }
}

pub(super) fn last(score: &mut Score, stand: &Stand, bar: &Bar, length_s: f64) {
    let mut rng = stand.rng(Instrument::Piano);
    if bar.part.plays(Instrument::Piano) {
        strike(score, stand, bar, bar.beat, &voicing(bar, 62.0), Touch { force: 0.6, length_s }, &mut rng);
    }
    if bar.part.plays(Instrument::Guitar) {
        let chord = shell(bar, &mut rng);
        strum(score, stand, bar, bar.beat, &chord, Touch { force: 0.62, length_s }, &mut rng);
    }
}
