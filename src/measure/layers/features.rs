//! What the layer network hears: one row of numbers a step, free of the tape's level.
//!
//! Conventions: step `k` joins the short frames `2k` and `2k + 1`, so steps are 2048 samples (42.7 ms) apart; beside them
//! stands the long frame nearest in time. All powers are against the running level: the K-weighted power smoothed over
//! [`LEVEL_TAU_S`], read [`LEVEL_AHEAD`] steps ahead. Row: log power of the mask bands, its change between the two short
//! frames, log power of the fine bands; all log10, floored at -60 dB.
//! Limits: the first steps of a tape have a running level over less than its time constant.

use std::collections::VecDeque;

use crate::dsp::PowerFrame;
use crate::dsp::logarithm::log2_fast;
use crate::dsp::spectrum::SHORT_FRAMING;

use super::bands::{BANDS, BandPlan, FINE_BANDS};

/// Numbers in a row.
pub const INPUTS: usize = 2 * BANDS + FINE_BANDS;
/// Seconds between steps.
pub const STEP_S: f64 = 2.0 * SHORT_FRAMING.hop as f64 / 48_000.0;
/// Time constant of the running level, seconds.
const LEVEL_TAU_S: f64 = 3.0;
/// Steps that the running level looks ahead.
const LEVEL_AHEAD: usize = 32;
/// Added to every power ratio before the logarithm: -60 dB.
const FLOOR: f32 = 1e-6;
/// Keeps digital silence finite.
const LEVEL_FLOOR: f32 = 1e-20;
/// log10 of 2.
const LOG10_2: f32 = std::f32::consts::LOG10_2;

/// One step, ready for the network.
pub struct Row {
    /// Inputs of the network.
    pub inputs: [f32; INPUTS],
    /// Power of the mask bands, mean of the two short frames; the last band with all that lies above it.
    pub power: [f32; BANDS],
}

/// A step whose running level is not known yet.
struct Waiting {
    halves: [[f32; BANDS]; 2],
    power: [f32; BANDS],
    above: f32,
}

/// Turns the two streams of spectra into rows.
pub struct FeatureStream {
    plan: BandPlan,
    /// The first short frame of a step, until the second comes.
    first_half: Option<([f32; BANDS], f32)>,
    waiting: VecDeque<Waiting>,
    /// Running level after each waiting step and those that are ahead of them.
    levels: VecDeque<f32>,
    smoothed: f64,
    steps_seen: u64,
    /// Fine bands of the long frames from `fine_start` on.
    fine: VecDeque<[f32; FINE_BANDS]>,
    fine_start: u64,
    next_row: u64,
}

impl FeatureStream {
    /// A stream at the start of a tape.
    pub fn new() -> Self {
        Self {
            plan: BandPlan::new(),
            first_half: None,
            waiting: VecDeque::new(),
            levels: VecDeque::new(),
            smoothed: 0.0,
            steps_seen: 0,
            fine: VecDeque::new(),
            fine_start: 0,
            next_row: 0,
        }
    }

    /// K weights of the mask bands.
    pub fn k_weights(&self) -> &[f32; BANDS] {
        &self.plan.k_weights
    }

    /// Edges of the mask bands, Hz.
    pub fn edges_hz(&self) -> Vec<f64> {
        self.plan.edges_hz()
    }

    /// Takes new spectra and appends every row that they complete.
    pub fn push(&mut self, short: &[PowerFrame], long: &[PowerFrame], out: &mut Vec<Row>) {
        self.fine.extend(long.iter().map(|frame| self.plan.fine(&frame.power)));
        for frame in short {
            self.take_short(&frame.power);
        }
        while self.levels.len() > LEVEL_AHEAD && self.has_long_for(self.next_row) {
            self.emit(self.levels[LEVEL_AHEAD], out);
        }
    }

    /// The tape is over: the last level and the last long frame serve for what is left.
    pub fn finish(&mut self, out: &mut Vec<Row>) {
        while let Some(&last) = self.levels.back() {
            let level = self.levels.get(LEVEL_AHEAD).copied().unwrap_or(last);
            self.emit(level, out);
        }
    }

    fn take_short(&mut self, spectrum: &[f32]) {
        let mut bands = [0.0; BANDS];
        self.plan.add_masks(spectrum, &mut bands);
        let above = self.plan.above(spectrum);
        let Some((first, first_above)) = self.first_half.take() else {
            self.first_half = Some((bands, above));
            return;
        };
        let power: [f32; BANDS] = std::array::from_fn(|b| (first[b] + bands[b]) / 2.0);
        let total: f32 = power.iter().zip(&self.plan.k_weights).map(|(p, k)| p * k).sum();
        self.steps_seen += 1;
        // Until a time constant has passed this is the plain mean of what has been heard.
        let gain = (1.0 - (-STEP_S / LEVEL_TAU_S).exp()).max(1.0 / self.steps_seen as f64);
        self.smoothed += gain * (f64::from(total) - self.smoothed);
        self.levels.push_back(self.smoothed as f32);
        self.waiting.push_back(Waiting { halves: [first, bands], power, above: (first_above + above) / 2.0 });
    }

    /// Index of the long frame nearest to the middle of a row (2048 k + 512 samples; long frames every 4096).
    fn long_of(row: u64) -> u64 {
        (4 * row + 5) / 8
    }

    fn has_long_for(&self, row: u64) -> bool {
        Self::long_of(row) < self.fine_start + self.fine.len() as u64
    }

    fn emit(&mut self, level: f32, out: &mut Vec<Row>) {
        let Some(step) = self.waiting.pop_front() else { return };
        self.levels.pop_front();
        let wanted = Self::long_of(self.next_row);
        while self.fine_start < wanted && self.fine.len() > 1 {
            self.fine.pop_front();
            self.fine_start += 1;
        }
        let scale = 1.0 / (level + LEVEL_FLOOR);
        let log = |p: f32| LOG10_2 * log2_fast(p * scale + FLOOR);
        let mut inputs = [0.0; INPUTS];
        let (masks, fine) = inputs.split_at_mut(2 * BANDS);
        let (levels, changes) = masks.split_at_mut(BANDS);
        for (b, (level, change)) in levels.iter_mut().zip(changes).enumerate() {
            *level = log(step.power[b]);
            *change = log(step.halves[1][b]) - log(step.halves[0][b]);
        }
        if let Some(bands) = self.fine.front() {
            for (x, p) in fine.iter_mut().zip(bands) {
                *x = log(*p);
            }
        }
        self.next_row += 1;
        let mut power = step.power;
        power[BANDS - 1] += step.above;
        out.push(Row { inputs, power });
    }
}
