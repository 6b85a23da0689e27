//! Which key the bass plays in a frame: a small network over all keys and the frames around.
//!
//! Conventions: rows of [`INPUTS`] numbers for every key of every frame ([`super::walk_rows`]); the answer of a frame is the natural
//! logarithm of the probability of each key, the last that no bass sounds.
//!
//! Method: two layers for each key by itself; then every unit is weighed over the frames around, and a key is judged by what it was itself,
//! what it is over time, what its neighbours a fourth, a fifth and an octave away are, and the most that any key is.
//! Source: weights fitted on mixes with known bass lines by `benches/tuning_fit/walk.py`.

use std::sync::LazyLock;

use crate::dsp::dense::{Dense, LANES};
use crate::dsp::fitted::WeightReader;

use super::walk_rows::{FrameRows, INPUTS, KEYS};

static WEIGHTS: &[u8] = include_bytes!("walk.f16");

/// Units of the first layer, and of all that follow.
const FIRST: usize = 32;
const UNITS: usize = 16;
/// Frames over which a unit is weighed.
const TAPS: usize = 17;
/// Frames that an answer reaches to before and after its own.
pub const REACH: usize = TAPS / 2;
/// Keys whose units a key is judged by besides its own, semitones away.
const NEIGHBOURS: [isize; 6] = [12, -12, 7, -7, 5, -5];
/// Numbers by which a key is judged.
const JUDGED: usize = (3 + NEIGHBOURS.len()) * UNITS;

/// Natural logarithm of the probability of each key, then of no bass.
pub type Answer = [f32; KEYS + 1];

type Units = [f32; UNITS];
/// Units of every key of a frame.
type KeyUnits = [Units; KEYS];

struct Network {
    enter: Dense,
    middle: Dense,
    /// Frame by frame, a weight for every unit.
    taps: [Units; TAPS],
    tap_bias: Units,
    judge: Dense,
    leave: Dense,
    silent: Dense,
}

static NETWORK: LazyLock<Network> = LazyLock::new(|| {
    let mut weights = WeightReader::new(WEIGHTS);
    Network {
        enter: weights.dense(INPUTS, FIRST),
        middle: weights.dense(FIRST, UNITS),
        taps: weights.rows(),
        tap_bias: weights.rows::<1, UNITS>()[0],
        judge: weights.dense(JUDGED, UNITS),
        leave: weights.dense(UNITS, LANES),
        silent: weights.dense(2 * UNITS, LANES),
    }
});

/// The answers for all of `frames` but [`REACH`] at either end, of which `missing.0` before them and `missing.1` after them lie outside
/// the take.
pub fn answers(frames: &[FrameRows], missing: (usize, usize)) -> Vec<Answer> {
    let net = &*NETWORK;
    let outside = |count: usize| vec![[[0.0; UNITS]; KEYS]; count];
    let alone = [outside(missing.0), net.alone(frames), outside(missing.1)].concat();
    let over_time: Vec<KeyUnits> = alone.windows(TAPS).map(|around| net.over_time(around)).collect();
    let mut judged = Vec::with_capacity(over_time.len() * KEYS * JUDGED);
    let mut pooled = Vec::with_capacity(over_time.len() * 2 * UNITS);
    for (own, over) in alone.iter().skip(REACH).zip(&over_time) {
        let (mean, most) = pool(over);
        pooled.extend_from_slice(&mean);
        pooled.extend_from_slice(&most);
        for key in 0..KEYS {
            judged.extend_from_slice(&own[key]);
            judged.extend_from_slice(&over[key]);
            for away in NEIGHBOURS {
                let neighbour = key.checked_add_signed(away).and_then(|k| over.get(k));
                judged.extend_from_slice(neighbour.unwrap_or(&[0.0; UNITS]));
            }
            judged.extend_from_slice(&most);
        }
    }
    let keys = net.leave.of(&rectified(net.judge.of(&judged)));
    let silent = net.silent.of(&pooled);
    let first = |row: &[f32; LANES]| row[0];
    let keys: Vec<f32> = keys.as_chunks::<LANES>().0.iter().map(first).collect();
    let silent = silent.as_chunks::<LANES>().0.iter().map(first);
    keys.as_chunks::<KEYS>().0.iter().zip(silent).map(|(keys, silent)| answer(keys, silent)).collect()
}

impl Network {
    /// Units of every key of every frame by itself.
    fn alone(&self, frames: &[FrameRows]) -> Vec<KeyUnits> {
        let rows = frames.as_flattened().as_flattened();
        let units = rectified(self.middle.of(&rectified(self.enter.of(rows))));
        units.as_chunks::<UNITS>().0.as_chunks::<KEYS>().0.to_vec()
    }

    fn over_time(&self, around: &[KeyUnits]) -> KeyUnits {
        let mut sums = [self.tap_bias; KEYS];
        for (weights, frame) in self.taps.iter().zip(around) {
            for (sum, units) in sums.iter_mut().zip(frame) {
                sum.iter_mut().zip(units).zip(weights).for_each(|((s, x), w)| *s += x * w);
            }
        }
        sums.as_flattened_mut().iter_mut().for_each(|x| *x = x.max(0.0));
        sums
    }
}

fn rectified(mut units: Vec<f32>) -> Vec<f32> {
    units.iter_mut().for_each(|x| *x = x.max(0.0));
    units
}

/// Mean and most of every unit over the keys.
fn pool(keys: &KeyUnits) -> (Units, Units) {
    let (mut sum, mut most) = ([0.0f32; UNITS], [0.0f32; UNITS]);
    for units in keys {
        sum.iter_mut().zip(units).for_each(|(s, x)| *s += x);
        most.iter_mut().zip(units).for_each(|(m, x)| *m = m.max(*x));
    }
    (sum.map(|s| s / KEYS as f32), most)
}

/// Logarithms of probabilities from what the network lets out.
fn answer(keys: &[f32; KEYS], silent: f32) -> Answer {
    let mut out = [silent; KEYS + 1];
    out[..KEYS].copy_from_slice(keys);
    let top = out.iter().copied().fold(f32::MIN, f32::max);
    let total: f32 = out.iter().map(|x| (x - top).exp()).sum();
    out.map(|x| x - top - total.ln())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_network_answers_as_another_program_says() {
        // Answers of torch in double precision (benches/tuning_fit/walk.py) on the same file of weights.
        let vector: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/fixtures/tuning/walk_net.json")).unwrap();
        let lowest = vector["lowest_midi"].as_f64().unwrap();
        let heard: Vec<Vec<Vec<f32>>> = serde_json::from_value(vector["hundredths"].clone()).unwrap();
        let wanted: Vec<Vec<f64>> = serde_json::from_value(vector["answers"].clone()).unwrap();
        let frame = |keys: &Vec<Vec<f32>>| -> FrameRows {
            std::array::from_fn(|key| {
                let octaves = (lowest + key as f64 - 36.0) / 12.0;
                let place = [octaves as f32, (octaves * octaves) as f32];
                let row: Vec<f32> = keys[key].iter().map(|x| x / 100.0).chain(place).collect();
                row.try_into().unwrap()
            })
        };
        let found = answers(&heard.iter().map(frame).collect::<Vec<_>>(), (0, 0));
        assert_eq!(found.len(), wanted.len());
        for (answer, wanted) in found.iter().zip(&wanted) {
            assert!(answer.iter().zip(wanted).all(|(a, b)| (f64::from(*a) - b).abs() < 2e-3), "{answer:?} {wanted:?}");
            let total: f32 = answer.iter().map(|a| a.exp()).sum();
            assert!((total - 1.0).abs() < 1e-4, "{total}");
        }
    }

    #[test]
    fn pieces_answer_as_the_whole_does() {
        // Two keys by turns, with gaps.
        let frame = |i: usize| -> FrameRows {
            let mut rows = [[0.0; INPUTS]; KEYS];
            rows[if (i / 9).is_multiple_of(2) { 6 } else { 13 }][..9].fill(if i % 9 < 7 { 0.6 } else { 0.0 });
            rows
        };
        let frames: Vec<FrameRows> = (0..60).map(frame).collect();
        let whole = answers(&frames, (REACH, REACH));
        let first = answers(&frames[..20 + REACH], (REACH, 0));
        let rest = answers(&frames[20 - REACH..], (0, REACH));
        assert_eq!(whole.len(), 60);
        assert_eq!(whole, [first, rest].concat());
    }

    #[test]
    fn the_file_holds_exactly_the_numbers_of_the_network() {
        let dense = |inputs: usize, outputs: usize| (inputs + 1) * outputs;
        let numbers = dense(INPUTS, FIRST)
            + dense(FIRST, UNITS)
            + dense(TAPS, UNITS)
            + dense(JUDGED, UNITS)
            + dense(UNITS, LANES)
            + dense(2 * UNITS, LANES);
        assert_eq!(WEIGHTS.len(), 2 * numbers);
        assert!(WeightReader::new(WEIGHTS).numbers(numbers).iter().all(|x| x.is_finite()));
    }
}
