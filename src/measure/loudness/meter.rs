//! The running loudness meter: K-weighting, channel weights, 20 ms mean squares, true peak.

use crate::dsp::filters::Biquad;
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

/// K-weighting of two channels side by side: the pair fills one vector register, and the filter is bound by the delay
/// of its own feedback, so two cost as much as one.
#[derive(Clone, Debug)]
struct PairFilter {
    shelf: Biquad,
    high_pass: Biquad,
    state: [[f64; 2]; 4],
}

impl PairFilter {
    fn new(sample_rate_hz: u32) -> Self {
        let [shelf, high_pass] = k_weighting(f64::from(sample_rate_hz));
        Self { shelf, high_pass, state: [[0.0; 2]; 4] }
    }

    /// Adds the squares of the weighted samples to `sums`, in order.
    fn add_squares(&mut self, left: &[f32], right: &[f32], sums: &mut [f64; 2]) {
        let (p, q) = (self.shelf, self.high_pass);
        let [mut s0, mut s1, mut t0, mut t1] = self.state;
        let mut acc = *sums;
        for (l, r) in left.iter().zip(right) {
            let x = [f64::from(*l), f64::from(*r)];
            for c in 0..2 {
                let y = p.b[0] * x[c] + s0[c];
                s0[c] = p.b[1] * x[c] + s1[c] - p.a[0] * y;
                s1[c] = p.b[2] * x[c] - p.a[1] * y;
                let z = q.b[0] * y + t0[c];
                t0[c] = q.b[1] * y + t1[c] - q.a[0] * z;
                t1[c] = q.b[2] * y - q.a[1] * z;
                acc[c] += z * z;
            }
        }
        self.state = [s0, s1, t0, t1];
        *sums = acc;
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
    steps: Vec<f32>,
    peaks: Vec<f32>,
}

impl LoudnessMeter {
    /// A meter that takes rate and channels from the first block.
    pub fn new() -> Self {
        Self::default()
    }

    /// Squares of one block, step by step.
    fn weigh(running: &mut Running, frames: &mut u64, steps: &mut Vec<f32>, channels: &[Vec<f32>]) {
        let length = channels.iter().map(Vec::len).min().unwrap_or(0);
        let mut at = 0;
        while at < length {
            let step_start = steps.len() as u64 * running.sample_rate_hz / STEPS_PER_S as u64;
            let step_end = (steps.len() as u64 + 1) * running.sample_rate_hz / STEPS_PER_S as u64;
            let take = (step_end.saturating_sub(*frames) as usize).min(length - at);
            for ((pair, filter), sums) in channels.chunks(2).zip(&mut running.filters).zip(&mut running.sums) {
                let left = &pair[0][at..at + take];
                // A channel without a partner runs beside itself; its copy is not counted.
                filter.add_squares(left, pair.get(1).map_or(left, |r| &r[at..at + take]), sums);
            }
            at += take;
            *frames += take as u64;
            if *frames == step_end {
                steps.push(running.close_step(step_end - step_start));
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
