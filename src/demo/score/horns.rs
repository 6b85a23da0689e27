//! The horns: the chart's tune, soft chords behind a soloist, and the shout.
//!
//! The tune is drawn from the title alone, so that the band plays the same chart every week.

use super::super::rng::{Rng, text_key};
use super::super::scenario::{HornLine, Instrument};
use super::harmony::nearest;
use super::take::{Bar, Stand};
use super::{Note, Score, cents};

const HORNS: [Instrument; 4] = [Instrument::Trumpet, Instrument::Alto, Instrument::Tenor, Instrument::Trombone];
const SPREAD_MS: f64 = 11.0;

/// Rhythms of a bar as (eighth, length in eighths).
const MELODY: [&[(usize, f64)]; 5] = [
    &[(0, 1.6), (3, 1.0), (5, 2.6)],
    &[(1, 1.0), (2, 1.8), (6, 1.5)],
    &[(0, 2.8), (4, 0.9), (5, 0.9), (6, 1.6)],
    &[(3, 4.0)],
    &[(0, 0.9), (1, 0.9), (2, 1.8), (5, 2.4)],
];
const SHOUT: [&[(usize, f64)]; 4] = [
    &[(0, 0.9), (3, 2.2), (6, 1.0)],
    &[(1, 0.8), (4, 0.9), (5, 2.6)],
    &[(0, 0.8), (1, 0.8), (3, 0.9), (5, 2.4)],
    &[(3, 0.9), (5, 0.9), (7, 0.9)],
];

/// Comfortable range and where it sits on average.
fn range(instrument: Instrument) -> (u8, u8, f64) {
    match instrument {
        Instrument::Trumpet => (58, 80, 69.0),
        Instrument::Alto => (53, 77, 65.0),
        Instrument::Tenor => (47, 70, 58.0),
        _ => (43, 67, 54.0),
    }
}

/// One attack of the section: where, how long, which notes.
struct Attack {
    eighth: usize,
    length_eighths: f64,
    force: f64,
    /// Pitch a horn, in the order of [`HORNS`].
    keys: [u8; 4],
}

pub(super) fn play(score: &mut Score, stand: &Stand, bars: &[Bar]) {
    let mut rngs: Vec<Rng> = HORNS.iter().map(|i| stand.rng(*i)).collect();
    let mut lead = 67.0;
    for bar in bars {
        // The tune of the bar: from title, bar number and kind of line only.
        let mut chart = Rng::keyed(text_key(&stand.take.title), &[bar.index as u64, bar.part.horns as u64]);
        for attack in line(bar, &mut lead, &mut chart) {
            for (voice, instrument) in HORNS.iter().enumerate() {
                if bar.part.plays(*instrument) {
                    blow(score, stand, bar, &attack, voice, &mut rngs[voice]);
                }
            }
        }
    }
}

fn line(bar: &Bar, lead: &mut f64, chart: &mut Rng) -> Vec<Attack> {
    if bar.index == 0 {
        *lead = 67.0;
    }
    match bar.part.horns {
        HornLine::Tacet => Vec::new(),
        HornLine::Melody => {
            let rhythm = MELODY[chart.below(MELODY.len())];
            rhythm
                .iter()
                .map(|(eighth, length)| {
                    *lead = step(bar, *lead, chart);
                    let keys = HORNS.map(|h| nearest(*lead as u8 % 12, range(h).2, range(h).0, range(h).1));
                    Attack { eighth: *eighth, length_eighths: *length, force: 0.58, keys }
                })
                .collect()
        }
        HornLine::Backing => {
            *lead = 64.0 + 3.0 * chart.unit();
            vec![Attack { eighth: 0, length_eighths: 7.2, force: 0.36, keys: block(bar, *lead) }]
        }
        HornLine::Shout => {
            let rhythm = SHOUT[chart.below(SHOUT.len())];
            rhythm
                .iter()
                .map(|(eighth, length)| {
                    *lead = step(bar, lead.max(70.0), chart);
                    Attack { eighth: *eighth, length_eighths: *length, force: 0.86, keys: block(bar, *lead) }
                })
                .collect()
        }
    }
}

/// Next note of the lead: a step or a small leap to a note that fits the chord.
fn step(bar: &Bar, from: f64, chart: &mut Rng) -> f64 {
    let pull = (70.0 - from) * 0.2;
    let aim = from + pull + chart.between(-4.0, 4.0);
    let midi = (58..=79u8)
        .filter(|k| bar.chord.holds(*k))
        .min_by(|a, b| (f64::from(*a) - aim).abs().total_cmp(&(f64::from(*b) - aim).abs()));
    midi.map_or(from, f64::from)
}

/// Block chord under the lead: each horn the next chord tone down, trombone an octave below the third.
fn block(bar: &Bar, lead: f64) -> [u8; 4] {
    let top = nearest_in_chord(bar, lead, 80);
    let second = nearest_in_chord(bar, f64::from(top) - 4.0, top.saturating_sub(2));
    let third = nearest_in_chord(bar, f64::from(second) - 4.0, second.saturating_sub(2));
    let low = nearest_in_chord(bar, f64::from(top) - 14.0, third.saturating_sub(2));
    [top, second, third, low]
}

fn nearest_in_chord(bar: &Bar, near: f64, at_most: u8) -> u8 {
    (43..=at_most)
        .filter(|k| bar.chord.holds(*k))
        .min_by(|a, b| (f64::from(*a) - near).abs().total_cmp(&(f64::from(*b) - near).abs()))
        .unwrap_or(48)
}

fn blow(score: &mut Score, stand: &Stand, bar: &Bar, attack: &Attack, voice: usize, rng: &mut Rng) {
    let instrument = HORNS[voice];
    let Some(player) = stand.player(instrument) else { return };
    let beat = stand.eighth(bar.beat, attack.eighth);
    let at_s = stand.onset(beat, SPREAD_MS, rng);
    let length_s = (0.5 * attack.length_eighths * stand.clock.beat_s(beat)).max(0.09);
    let cents = cents(stand.scenario, player, at_s, 0, Some(rng));
    let gain = stand.gain(bar, instrument);
    let velocity = attack.force + 0.03 * rng.human();
    score.note(instrument, Note { at_s, length_s, midi: attack.keys[voice], velocity, string: 0, cents, gain });
}

pub(super) fn last(score: &mut Score, stand: &Stand, bar: &Bar, length_s: f64) {
    if bar.part.horns == HornLine::Tacet {
        return;
    }
    let eighths = 2.0 * length_s / stand.clock.beat_s(bar.beat);
    let attack = Attack { eighth: 0, length_eighths: eighths, force: 0.6, keys: block(bar, 70.0) };
    for (voice, instrument) in HORNS.iter().enumerate() {
        if bar.part.plays(*instrument) {
            blow(score, stand, bar, &attack, voice, &mut stand.rng(*instrument));
        }
    }
}
