//! The running loudness meter: K-weighting, channel weights, 20 ms mean squares, true peak.

use std::sync::Arc;

use multiversion::multiversion;

use crate::dsp::column::Column;
use crate::dsp::filters::Biquad;
use crate::dsp::shelf::Shelf;
use crate::dsp::true_peak::TruePeak;
use crate::dsp::weighting::k_weighting;
use crate::dsp::{Block, Meter};

use super::LoudnessReading;
use super::gating::STEPS_PER_S;

/// Weight of a surround channel at 60 to 120 degrees to the side, +1.5 dB (BS.1770-5 annex 1, table 3).
const SURROUND_WEIGHT: f64 = 1.41;
/// States below this are set to zero: denormal numbers would make silence slow.
const STATE_FLOOR: f64 = 1e-30;

/// Weights of the channels by their number (BS.1770-5 annex 1, table 3).
///
/// One to four channels weigh 1 each: mono is one channel (so it reads 3.01 LU lower than the same signal on left and
/// right), and four are taken for four microphones. From five on the usual file order is assumed: 5 = L R C Ls Rs;
/// 6 = L R C LFE Ls Rs; 7 = L R C LFE Cs Ls Rs; 8 = L R C LFE Lb Rb Ls Rs. LFE is left out.
pub fn channel_weights(channels: usize) -> Vec<f64> {
    let s = SURROUND_WEIGHT;
    match channels {
        5 => vec![1.0, 1.0, 1.0, s, s],
        6 => vec![1.0, 1.0, 1.0, 0.0, s, s],
        7 => vec![1.0, 1.0, 1.0, 0.0, 1.0, s, s],
        8 => vec![1.0, 1.0, 1.0, 0.0, 1.0, 1.0, s, s],
        n => vec![1.0; n],
    }
}

/// K-weighting of two channels side by side, both filters at once: the first filter works on a sample while the second works on
/// the one before. A filter is bound by the delay of its own feedback, so four cost little more than one.
///
/// Lanes: first filter left and right, second filter left and right.
#[derive(Clone, Debug)]
struct PairFilter {
    b0: [f64; 4],
    /// What the input adds to the two states, what comes back of the output through the input put in beforehand: each state
    /// then waits for one product only.
    feed: [[f64; 4]; 2],
    back: [[f64; 4]; 2],
    state: [[f64; 4]; 2],
}

impl PairFilter {
    fn new(sample_rate_hz: u32) -> Self {
        let [shelf, high_pass] = k_weighting(f64::from(sample_rate_hz));
        let both = |f: &dyn Fn(&Biquad) -> f64| [f(&shelf), f(&shelf), f(&high_pass), f(&high_pass)];
        Self {
            b0: both(&|f| f.b[0]),
            feed: [0, 1].map(|k| both(&|f| f.b[k + 1] - f.a[k] * f.b[0])),
            back: [0, 1].map(|k| both(&|f| f.a[k])),
            state: [[0.0; 4]; 2],
        }
    }

    #[inline(always)]
    fn step(&mut self, x: [f64; 4]) -> [f64; 4] {
        let (mut out, [first, second]) = ([0.0; 4], &mut self.state);
        for k in 0..4 {
            let before = first[k];
            out[k] = self.b0[k] * x[k] + before;
            first[k] = self.feed[0][k] * x[k] + second[k] - self.back[0][k] * before;
            second[k] = self.feed[1][k] * x[k] - self.back[1][k] * before;
        }
        out
    }

    /// Adds the squares of the weighted samples to `sums`, in order.
    #[inline(always)]
    fn add(&mut self, left: &[f32], right: &[f32], sums: &mut [f64; 2]) {
        let mut samples = left.iter().zip(right).map(|(l, r)| [f64::from(*l), f64::from(*r)]);
        let Some([l, r]) = samples.next() else { return };
        // A copy stays in registers.
        let mut filter = self.clone();
        // The second filter has nothing to work on yet.
        let second = filter.state.map(|s| [s[2], s[3]]);
        let mut weighted = filter.step([l, r, 0.0, 0.0]);
        filter.state.iter_mut().zip(second).for_each(|(s, second)| [s[2], s[3]] = second);
        let mut squares = [0.0, 0.0, sums[0], sums[1]];
        let mut count = |out: &[f64; 4]| squares.iter_mut().zip(out).for_each(|(sum, y)| *sum += y * y);
        for [l, r] in samples {
            weighted = filter.step([l, r, weighted[0], weighted[1]]);
            count(&weighted);
        }
        // The first filter has nothing to work on any more.
        let first = filter.state.map(|s| [s[0], s[1]]);
        count(&filter.step([0.0, 0.0, weighted[0], weighted[1]]));
        filter.state.iter_mut().zip(first).for_each(|(s, first)| [s[0], s[1]] = first);
        (self.state, *sums) = (filter.state, [squares[2], squares[3]]);
    }

    /// At the end of a step: tiny states become zero, and a filter that swallowed a NaN starts afresh.
    fn settle(&mut self) {
        for x in self.state.iter_mut().flatten() {
            if !x.is_finite() || x.abs() < STATE_FLOOR {
                *x = 0.0;
            }
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_squares(filter: &mut PairFilter, left: &[f32], right: &[f32], sums: &mut [f64; 2]) {
    filter.add(left, right, sums);
}

/// What the meter knows once it has seen its first block.
#[derive(Clone, Debug)]
struct Running {
    sample_rate_hz: u64,
    weights: Vec<f64>,
    filters: Vec<PairFilter>,
    sums: Vec<[f64; 2]>,
    peaks: Vec<TruePeak>,
}

/// Measures loudness and true peak of the native channels.
#[derive(Clone, Debug, Default)]
pub struct LoudnessMeter {
    running: Option<Running>,
    frames: u64,
    steps: Column<f32>,
    peaks: Vec<f32>,
}

impl LoudnessMeter {
    /// A meter that takes rate and channels from the first block.
    pub fn new() -> Self {
        Self::default()
    }

    /// The same, keeping what it can on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { steps: Column::on(shelf), ..Self::default() }
    }

    /// Squares of one block, step by step.
    fn weigh(running: &mut Running, frames: &mut u64, steps: &mut Column<f32>, channels: &[Vec<f32>]) {
        let length = channels.iter().map(Vec::len).min().unwrap_or(0);
        let mut at = 0;
        while at < length {
            let step_start = steps.len() as u64 * running.sample_rate_hz / STEPS_PER_S as u64;
            let step_end = (steps.len() as u64 + 1) * running.sample_rate_hz / STEPS_PER_S as u64;
            let take = (step_end.saturating_sub(*frames) as usize).min(length - at);
            for ((pair, filter), sums) in channels.chunks(2).zip(&mut running.filters).zip(&mut running.sums) {
                let left = &pair[0][at..at + take];
                // A channel without a partner runs beside itself; its copy is not counted.
                add_squares(filter, left, pair.get(1).map_or(left, |r| &r[at..at + take]), sums);
            }
            at += take;
            *frames += take as u64;
            if *frames == step_end {
                steps.push(&running.close_step(step_end - step_start));
            }
        }
    }
}

impl Running {
    fn new(block: &Block) -> Self {
        let pairs = block.channels.len().div_ceil(2);
        Self {
            sample_rate_hz: u64::from(block.sample_rate_hz),
            weights: channel_weights(block.channels.len()),
            filters: vec![PairFilter::new(block.sample_rate_hz); pairs],
            sums: vec![[0.0; 2]; pairs],
            peaks: vec![TruePeak::new(block.sample_rate_hz); block.channels.len()],
        }
    }

    /// Weighted mean square of the step that just ended.
    fn close_step(&mut self, frames: u64) -> f32 {
        let sum: f64 =
            self.weights.iter().zip(self.sums.as_flattened()).map(|(g, s)| if *g > 0.0 { g * s } else { 0.0 }).sum();
        self.sums.fill([0.0; 2]);
        self.filters.iter_mut().for_each(PairFilter::settle);
        let power = (sum / frames.max(1) as f64) as f32;
        if power.is_finite() { power } else { f32::NAN }
    }
}

impl Meter for LoudnessMeter {
    type Reading = LoudnessReading;

    fn push(&mut self, block: &Block) {
        if block.channels.is_empty() || block.sample_rate_hz < STEPS_PER_S as u32 {
            return;
        }
        let running = self.running.get_or_insert_with(|| Running::new(block));
        Self::weigh(running, &mut self.frames, &mut self.steps, &block.channels);
        for (follower, samples) in running.peaks.iter_mut().zip(&block.channels) {
            follower.push(samples, &mut self.peaks);
        }
    }

    fn finish(mut self) -> LoudnessReading {
        let Some(mut running) = self.running.take() else { return LoudnessReading::default() };
        for follower in &mut running.peaks {
            follower.finish(&mut self.peaks);
        }
        LoudnessReading {
            duration_s: self.frames as f64 / running.sample_rate_hz as f64,
            steps: self.steps,
            peaks: self.peaks,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both filters at once, cut anywhere, are the two filters one after the other.
    #[test]
    fn the_pair_is_its_two_filters_in_turn_however_the_samples_are_cut() {
        let noise = |i: u32| (i.wrapping_mul(2_654_435_761) >> 8) as f32 / (1 << 23) as f32 - 1.0;
        let (left, right): (Vec<f32>, Vec<f32>) = (0..3000).map(|i| (noise(2 * i), 0.1 * noise(2 * i + 1))).unzip();
        let plain = |samples: &[f32]| {
            let filters = k_weighting(48_000.0);
            let mut state = [[0.0f64; 2]; 2];
            let weighted = samples.iter().map(|x| {
                filters.iter().zip(&mut state).fold(f64::from(*x), |x, (f, s)| {
                    let y = f.b[0] * x + s[0];
                    *s = [f.b[1] * x + s[1] - f.a[0] * y, f.b[2] * x - f.a[1] * y];
                    y
                })
            });
            weighted.map(|y| y * y).sum::<f64>()
        };
        let want = [plain(&left), plain(&right)];
        for cut in [1, 2, 7, 1000, 3000] {
            let (mut filter, mut sums) = (PairFilter::new(48_000), [0.0; 2]);
            for (l, r) in left.chunks(cut).zip(right.chunks(cut)) {
                add_squares(&mut filter, l, r, &mut sums);
            }
            for (got, want) in sums.iter().zip(want) {
                assert!((got / want - 1.0).abs() < 1e-9, "blocks of {cut}: {got} {want}");
            }
        }
    }
}
