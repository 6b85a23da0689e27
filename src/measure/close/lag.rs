//! Where the sound of one player lies in another recording, to a fraction of a sample, and how that moves over the tape.
//!
//! Conventions: both recordings on one clock, as an earlier alignment laid them; lag = seconds by which the sound comes later in
//! the room recording; slope in seconds a second.
//!
//! Method: in stretches of 2.7 s, the cross-correlation of the two in the player's own range of frequencies, each
//! frequency weighted by the root of its power; the squared correlograms of all stretches, summed along every slope, show the
//! lag and how it moves; then a robust straight line through the tops of the single ones. A cross-correlation hears where the
//! two agree, hence the direct sound.
//! Limits: lags up to [`REACH_S`]; a room without direct sound moves the low notes by a millisecond or more.

use std::f64::consts::PI;
use std::sync::Arc;

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::dsp::decimate::Decimator;
use crate::stats::{mad_sigma, median};

/// Rate at which the two are compared: 12 kHz.
const FACTOR: usize = 4;
const RATE_HZ: f64 = 12_000.0;
/// Length of a stretch, samples (2.73 s) and the transform with as many zeros.
const STRETCH: usize = 32_768;
/// Furthest lag, either way, s.
pub const REACH_S: f64 = 0.05;
const REACH: usize = (REACH_S * RATE_HZ) as usize;
/// A single stretch is looked for this near to the common lag, samples.
const NEAR: usize = 24;
/// Furthest that the lag moves from the middle of the stretches to the first or the last, samples (5 ms).
const MOST_DRIFT: i32 = 60;
/// How often the line is fitted, each time with the tops beside the line before.
const TIMES: usize = 3;
/// The direct sound comes first: a top this high against the highest is it, where it lies before it.
const FIRST_SHARE: f64 = 0.7;
/// A top this high before the chosen one leaves in doubt which is the direct sound. Both shares were chosen on 22 mixes; of 111 lines
/// of 32 (`benches/README.md`) two lie on a reflection, one of them in doubt.
const DOUBT_SHARE: f64 = 0.5;
/// Samples on either side from which a correlogram between samples is made, and the places looked at within half a sample.
const AROUND: usize = 12;
const BETWEEN: i32 = 4;
/// Fewest stretches.
const FEWEST: usize = 4;

/// The line of the lag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LagLine {
    /// Lag at time 0, s.
    pub lag_s: f64,
    /// Its change, s a second.
    pub slope: f64,
    /// Uncertainty of the lag in the middle of the stretches (standard deviation), s.
    pub sd_s: f64,
    /// False where it may be the line of a reflection: parallel to that of the direct sound, some milliseconds beside it.
    pub direct: bool,
}

/// Collects stretches of two recordings.
pub struct LagMeter {
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    range_hz: (f64, f64),
    reduce: [Decimator; 2],
    pending: [Vec<f32>; 2],
    /// Middle of each stretch, s, and its correlogram.
    stretches: Vec<(f64, Vec<f32>)>,
    taken: u64,
}

impl LagMeter {
    /// For a player who sounds in `range_hz`.
    pub fn new(range_hz: (f64, f64)) -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        let decimator = || Decimator::new(FACTOR, 0.45 / FACTOR as f64, 8 * FACTOR);
        Self {
            forward: planner.plan_fft_forward(2 * STRETCH),
            backward: planner.plan_fft_inverse(2 * STRETCH),
            range_hz,
            reduce: [decimator(), decimator()],
            pending: [Vec::new(), Vec::new()],
            stretches: Vec::new(),
            taken: 0,
        }
    }

    /// Takes the room and the close recording, equally many samples at the analysis rate; `playing` is false outside takes.
    pub fn push(&mut self, room: &[f32], close: &[f32], playing: bool) {
        self.reduce[0].push(room, &mut self.pending[0]);
        self.reduce[1].push(close, &mut self.pending[1]);
        while self.pending.iter().all(|p| p.len() >= STRETCH) {
            if playing {
                let middle_s = (self.taken as f64 + STRETCH as f64 / 2.0) / RATE_HZ;
                let fits = self.correlogram();
                self.stretches.push((middle_s, fits));
            }
            self.pending.iter_mut().for_each(|p| drop(p.drain(..STRETCH)));
            self.taken += STRETCH as u64;
        }
    }

    /// Fit at every lag from `-REACH` to `REACH`; largest possible value 1.
    fn correlogram(&mut self) -> Vec<f32> {
        let spectra: Vec<Vec<Complex32>> =
            self.pending.iter().map(|p| transformed(&*self.forward, &p[..STRETCH])).collect();
        let bin = |hz: f64| (hz / RATE_HZ * 2.0 * STRETCH as f64) as usize;
        let (low, high) = (bin(self.range_hz.0), bin(self.range_hz.1).min(STRETCH));
        let mut cross = vec![Complex32::default(); STRETCH + 1];
        let mut size = 0.0f32;
        for i in low..high {
            let both = spectra[0][i] * spectra[1][i].conj();
            let root = both.norm().sqrt();
            if root > 0.0 && root.is_finite() {
                cross[i] = both / root;
                size += 2.0 * root;
            }
        }
        let mut back = vec![0.0f32; 2 * STRETCH];
        let done = self.backward.process(&mut cross, &mut back);
        debug_assert!(done.is_ok());
        let scale = if size > 0.0 { 1.0 / size } else { 0.0 };
        (0..=2 * REACH).map(|i| back[(2 * STRETCH + i - REACH) % (2 * STRETCH)] * scale).collect()
    }

    /// The line; `None` where too little was heard or nothing agrees.
    pub fn finish(self) -> Option<LagLine> {
        if self.stretches.len() < FEWEST {
            return None;
        }
        let (sum, slope, middle_s) = self.along()?;
        let (common, doubt) = direct(&sum)?;
        let lag_s = (common as f64 - REACH as f64) / RATE_HZ - slope * middle_s;
        let mut line = LagLine { lag_s, slope, sd_s: 0.0, direct: !doubt };
        for _ in 0..TIMES {
            line = fitted(&self.placed(&line), line.direct)?;
        }
        Some(line)
    }

    /// The squared correlograms of all stretches, summed along the slope that makes the highest top; that slope, and the moment for which
    /// the sum's lags stand. Summed as they are, those of recorders whose clocks differ would be smeared.
    fn along(&self) -> Option<(Vec<f64>, f64, f64)> {
        let (first_s, last_s) = (self.stretches.first()?.0, self.stretches.last()?.0);
        let middle_s = (first_s + last_s) / 2.0;
        let half_s = ((last_s - first_s) / 2.0).max(STRETCH as f64 / RATE_HZ);
        let slopes = (-MOST_DRIFT..=MOST_DRIFT).map(|samples| f64::from(samples) / RATE_HZ / half_s);
        let sums = slopes.map(|slope| (self.sum_along(slope, middle_s), slope));
        let top = |sum: &[f64]| sum.iter().copied().fold(0.0, f64::max);
        let (sum, slope) = sums.max_by(|a, b| top(&a.0).total_cmp(&top(&b.0)))?;
        Some((sum, slope, middle_s))
    }

    fn sum_along(&self, slope: f64, middle_s: f64) -> Vec<f64> {
        let mut sum = vec![0.0; 2 * REACH + 1];
        for (at_s, fits) in &self.stretches {
            let moved = (slope * (at_s - middle_s) * RATE_HZ).round() as isize;
            let from = &fits[moved.max(0) as usize..];
            let to = &mut sum[(-moved).max(0) as usize..];
            to.iter_mut().zip(from).for_each(|(s, f)| *s += f64::from(*f).powi(2));
        }
        sum
    }

    /// Time, lag and fit of every stretch whose top lies near the line.
    fn placed(&self, line: &LagLine) -> Vec<(f64, f64, f64)> {
        let top = |(at_s, fits): &(f64, Vec<f32>)| {
            let expected = ((line.lag_s + line.slope * at_s) * RATE_HZ).round() + REACH as f64;
            let near = (expected as usize).checked_sub(NEAR)?..=expected as usize + NEAR;
            fits.get(near.clone())?;
            let top = near.clone().max_by(|a, b| fits[*a].total_cmp(&fits[*b]))?;
            let inside = top > *near.start() && top < *near.end();
            inside.then(|| (*at_s, (top as f64 + shift(fits, top) - REACH as f64) / RATE_HZ, f64::from(fits[top])))
        };
        self.stretches.iter().filter_map(top).collect()
    }
}

/// Place of the direct sound in the summed correlogram, and whether an earlier top leaves that in doubt.
fn direct(sum: &[f64]) -> Option<(usize, bool)> {
    let highest = |from: usize, to: usize| (from..to).max_by(|a, b| sum[*a].total_cmp(&sum[*b]));
    let top = highest(NEAR, sum.len().checked_sub(NEAR)?)?;
    let first = |before: usize, share: f64| {
        let is_top = |at: &usize| sum[*at] >= sum[at - 1] && sum[*at] > sum[at + 1] && sum[*at] >= share * sum[top];
        (NEAR..before.saturating_sub(NEAR)).find(is_top)
    };
    let chosen = first(top, FIRST_SHARE).and_then(|at| highest(at, at + NEAR)).unwrap_or(top);
    Some((chosen, first(chosen, DOUBT_SHARE).is_some()))
}

fn transformed(fft: &dyn RealToComplex<f32>, samples: &[f32]) -> Vec<Complex32> {
    let mut padded = samples.to_vec();
    padded.resize(2 * STRETCH, 0.0);
    let mut out = fft.make_output_vec();
    let done = fft.process(&mut padded, &mut out);
    debug_assert!(done.is_ok());
    out
}

/// How far beside the sample `at` the top of a correlogram lies, samples.
///
/// Between samples it is the sinc series of those around, Hann window: where a range of frequencies reaches near half the rate, a
/// parabola through three samples leans to the middle one and moves by half of what the sound does.
fn shift(values: &[f32], at: usize) -> f64 {
    let series = |place: f64| -> f64 {
        let term = |k: usize| {
            let x = k as f64 - at as f64 - place;
            let sinc = if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) };
            f64::from(values[k]) * sinc * (0.5 + 0.5 * (PI * x / (AROUND as f64 + 1.0)).cos())
        };
        (at.saturating_sub(AROUND)..=(at + AROUND).min(values.len() - 1)).map(term).sum()
    };
    let fine: Vec<f64> = (-BETWEEN - 1..=BETWEEN + 1).map(|k| series(f64::from(k) / f64::from(2 * BETWEEN))).collect();
    let inside = 1..fine.len() - 1;
    let top = inside.max_by(|a, b| fine[*a].total_cmp(&fine[*b])).unwrap_or(1);
    let bend = fine[top - 1] - 2.0 * fine[top] + fine[top + 1];
    let part = if bend < 0.0 { (0.5 * (fine[top - 1] - fine[top + 1]) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (top as f64 - f64::from(BETWEEN + 1) + part) / f64::from(2 * BETWEEN)
}

/// A line through (time, lag, fit), without outliers.
fn fitted(placed: &[(f64, f64, f64)], direct: bool) -> Option<LagLine> {
    if placed.len() < FEWEST {
        return None;
    }
    let (mut lag, mut slope) = (median(&placed.iter().map(|p| p.1).collect::<Vec<_>>())?, 0.0);
    let mut sd = 0.0005;
    for _ in 0..10 {
        let weight = |p: &(f64, f64, f64)| {
            let u = (p.1 - lag - slope * p.0) / (4.0 * f64::max(sd, 2e-5));
            if u.abs() < 1.0 { p.2.max(0.0) * (1.0 - u * u).powi(2) } else { 0.0 }
        };
        let sum = |of: &dyn Fn(&(f64, f64, f64)) -> f64| placed.iter().map(|p| weight(p) * of(p)).sum::<f64>();
        let w = sum(&|_| 1.0);
        if w <= 0.0 {
            return None;
        }
        let (x, y) = (sum(&|p| p.0) / w, sum(&|p| p.1) / w);
        let (xx, xy) = (sum(&|p| (p.0 - x).powi(2)), sum(&|p| (p.0 - x) * (p.1 - y)));
        slope = if xx > 0.0 { xy / xx } else { 0.0 };
        lag = y - slope * x;
        sd = mad_sigma(&placed.iter().map(|p| p.1 - lag - slope * p.0).collect::<Vec<_>>())?;
    }
    Some(LagLine { lag_s: lag, slope, sd_s: sd.max(2e-5) / (placed.len() as f64).sqrt(), direct })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_of_two_tops_is_the_direct_sound_and_a_soft_one_before_it_leaves_doubt() {
        let tops = |at: &[(usize, f64)]| {
            let mut sum = vec![0.01; 2 * REACH + 1];
            at.iter().for_each(|(place, height)| sum[*place] = *height);
            sum
        };
        assert_eq!(direct(&tops(&[(700, 1.0), (900, 0.9)])), Some((700, false)));
        assert_eq!(direct(&tops(&[(600, 0.8), (700, 1.0)])), Some((600, false)));
        assert_eq!(direct(&tops(&[(600, 0.6), (700, 1.0)])), Some((700, true)));
        // A side lobe is no top of its own.
        assert_eq!(direct(&tops(&[(690, 0.9), (700, 1.0)])), Some((700, false)));
    }

    fn noise(seed: u64, n: usize) -> Vec<f32> {
        let mut state = seed;
        (0..n)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                ((state >> 33) as f64 / (1u64 << 30) as f64 - 1.0) as f32
            })
            .collect()
    }

    /// The line found for noise that comes `lag_s` late, moving by `slope`, under other noise `others` times as loud; and by how much
    /// it is off in the middle, s.
    fn found(seconds: usize, (lag_s, slope): (f64, f64), others: f32, range_hz: (f64, f64)) -> (LagLine, f64) {
        let n = 48_000 * seconds;
        let (own, band) = (noise(1, n + 4000), noise(2, n + 4000));
        let room: Vec<f32> = (0..n)
            .map(|i| {
                let place = i as f64 + 2000.0 - 48_000.0 * (lag_s + slope * i as f64 / 48_000.0);
                let (k, part) = (place as usize, place.fract() as f32);
                own[k] * (1.0 - part) + own[k + 1] * part + others * band[i]
            })
            .collect();
        let mut meter = LagMeter::new(range_hz);
        for (a, b) in room.chunks(1000).zip(own[2000..].chunks(1000)) {
            meter.push(a, b, true);
        }
        let line = meter.finish().unwrap();
        let middle_s = seconds as f64 / 2.0;
        (line, line.lag_s - lag_s + (line.slope - slope) * middle_s)
    }

    #[test]
    fn a_lag_that_moves_by_two_millionths_is_read_to_a_hundredth_of_a_millisecond() {
        let (line, off) = found(40, (0.0123, 2e-6), 0.7, (200.0, 3000.0));
        assert!(off.abs() < 1e-5 && (line.slope - 2e-6).abs() < 1e-6, "{line:?} {off}");
    }

    #[test]
    fn a_lag_between_two_samples_is_read_where_it_is() {
        for eighth in 0..8 {
            let lag_s = (147.0 + f64::from(eighth) / 8.0) / RATE_HZ;
            let (line, off) = found(12, (lag_s, 0.0), 0.0, (1500.0, 5500.0));
            // By a parabola through three samples up to 8 us off.
            assert!(off.abs() < 1e-6, "{eighth}: {line:?} {off}");
        }
    }

    #[test]
    fn a_lag_that_moves_far_is_read_along_its_whole_length_under_a_louder_band_too() {
        for (slope, others, most) in [(60e-6, 1.0, 3e-7), (100e-6, 4.0, 1.2e-6)] {
            let (line, off) = found(60, (0.004, slope), others, (1500.0, 5500.0));
            assert!(off.abs() < 1e-5 && (line.slope - slope).abs() < most && line.direct, "{line:?} {off}");
        }
    }

    #[test]
    fn unrelated_noise_has_no_firm_line_and_silence_none() {
        let mut meter = LagMeter::new((200.0, 3000.0));
        let silent = vec![0.0; 48_000];
        (0..20).for_each(|_| meter.push(&silent, &silent, true));
        assert!(meter.finish().is_none_or(|l| l.lag_s.abs() <= REACH_S));
        let mut short = LagMeter::new((200.0, 3000.0));
        short.push(&noise(3, 48_000), &noise(3, 48_000), true);
        assert!(short.finish().is_none());
    }
}
