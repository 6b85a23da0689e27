//! Candidate pulses of a span: every beat sequence that could be the beat, at several levels.
//!
//! Conventions: beat positions are fractional frames of the span; periods are frames.

use rayon::prelude::*;

use super::features::HOP_S;
use super::strength::{CHANNELS, Strengths};
use crate::dsp::pulse::{BeatPathParams, autocorrelation, best_beat_path};

/// Slowest and fastest beat that is looked for, beats a minute.
pub const TEMPO_RANGE_BPM: (f64, f64) = (57.0, 335.0);
/// Share by which the period may move away from the candidate's within the span.
const PERIOD_REACH: f64 = 0.25;
/// Periods longer than this are tracked on every second frame, s.
const COARSE_FROM_S: f64 = 0.35;
const CHANGE_COST: f32 = 40.0;
const RESTART_COST: f32 = 14.0;
/// A quarter away from the usual period costs about half of what a clear beat is worth.
const DISTANCE_COST: f32 = 13.0;
/// Longest lag of the autocorrelation, s.
const LONGEST_LAG_S: f64 = 2.2;
/// Weights of the channels in the pulse curve: bands from low to high, low flux, middle flux.
pub const PULSE_WEIGHTS: [f32; CHANNELS] = [1.0, 1.0, 0.5, 0.5, 0.6, 0.8, 1.0, 1.2, 1.2, 1.0];

/// A sequence of beats.
#[derive(Clone, Debug)]
pub struct Pulse {
    /// Beats in fractional frames of the span, rising.
    pub beats: Vec<f64>,
    /// Places in `beats` at which the pulse starts afresh; the first is 0.
    pub restarts: Vec<usize>,
}

impl Pulse {
    /// Median period in frames; `None` with fewer than two beats.
    pub fn period(&self) -> Option<f64> {
        let gaps: Vec<f64> = self.beats.windows(2).map(|w| w[1] - w[0]).collect();
        crate::stats::median(&gaps)
    }

    /// Every `step`-th beat from the `offset`-th on.
    pub fn every(&self, step: usize, offset: usize) -> Self {
        let mut out = Self { beats: Vec::new(), restarts: Vec::new() };
        let mut since = offset;
        for (i, beat) in self.beats.iter().enumerate() {
            if self.restarts.contains(&i) {
                since = offset;
                out.restarts.push(out.beats.len());
            }
            if since == 0 {
                out.beats.push(*beat);
                since = step;
            }
            since -= 1;
        }
        out.restarts.retain(|r| *r < out.beats.len());
        out
    }
}

/// All candidate pulses of the span.
pub fn candidate_pulses(strengths: &Strengths) -> Vec<Pulse> {
    let curve = strengths.pulse_curve(&PULSE_WEIGHTS);
    let periods = candidate_periods(&curve);
    let tracked = periods.par_iter().map(|period| track(&curve, *period));
    let mut pulses: Vec<Pulse> = tracked.filter(|pulse| pulse.beats.len() >= 8).collect();
    let slower: Vec<Pulse> = pulses
        .iter()
        .filter(|p| p.period().is_some_and(|f| 2.0 * f * HOP_S <= 60.0 / TEMPO_RANGE_BPM.0))
        .flat_map(|p| [p.every(2, 0), p.every(2, 1)])
        .filter(|p| p.beats.len() >= 8)
        .collect();
    pulses.extend(slower);
    pulses
}

/// Periods worth tracking, frames: the clearest lags and their simple multiples, none twice.
fn candidate_periods(curve: &[f32]) -> Vec<f64> {
    let r = autocorrelation(curve, (LONGEST_LAG_S / HOP_S) as usize);
    let (shortest, longest) = (60.0 / TEMPO_RANGE_BPM.1 / HOP_S, 60.0 / TEMPO_RANGE_BPM.0 / HOP_S);
    let mut peaks: Vec<(f32, f64)> = (shortest as usize..r.len().saturating_sub(1))
        .filter(|l| r[*l] > r[l - 1] && r[*l] >= r[l + 1] && r[*l] > 0.0)
        .map(|l| (r[l], l as f64))
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut out: Vec<f64> = Vec::new();
    for (_, lag) in peaks.iter().take(3) {
        for ratio in [1.0, 0.5, 2.0, 0.25, 4.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5] {
            let period = lag * ratio;
            let inside = period >= shortest && period <= longest;
            if inside && out.iter().all(|p| (p / period).ln().abs() > 0.06) {
                out.push(period);
            }
        }
    }
    out
}

/// The best path of beats around one period.
fn track(curve: &[f32], period: f64) -> Pulse {
    let stride = if period * HOP_S > COARSE_FROM_S { 2 } else { 1 };
    let coarse: Vec<f32> = if stride == 1 {
        curve.to_vec()
    } else {
        curve.chunks(2).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect()
    };
    let centre = period / stride as f64;
    let params = BeatPathParams {
        shortest: (centre * (1.0 - PERIOD_REACH)).round() as usize,
        longest: (centre * (1.0 + PERIOD_REACH)).round() as usize,
        change_cost: CHANGE_COST,
        restart_cost: RESTART_COST,
        distance_cost: DISTANCE_COST,
        usual: centre as f32,
    };
    let path = best_beat_path(&coarse, &params);
    let shift = if stride == 2 { 0.5 } else { 0.0 };
    Pulse {
        beats: path.iter().map(|b| (b.frame * stride) as f64 + shift).collect(),
        restarts: path.iter().enumerate().filter(|(_, b)| b.restarts).map(|(i, _)| i).collect(),
    }
}
