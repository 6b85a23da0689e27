//! One channel from any rate to [`ANALYSIS_RATE_HZ`], delay removed, streaming.
//!
//! Conventions: output sample `k` lies at `k / 48000` s of the input; the total is `input * 48000 / rate`, rounded.
//! Limits: the FFT resampler rolls off above about 0.95 of the lower Nyquist frequency.

use audioadapter_buffers::direct::SequentialSlice;
use rubato::{Fft, FixedSync, Resampler as _, WindowFunction};

use super::block::ANALYSIS_RATE_HZ;

/// Input frames of one FFT step, about; the step is a multiple of what the two rates allow.
const STEP_FRAMES: usize = 1024;

/// Input frames of a step: an even multiple of the shortest one that is whole at both rates. An odd one would put the
/// middle of the filter between two samples, and the delay could not be removed exactly.
fn step_frames(rate_hz: u32) -> usize {
    let (mut a, mut b) = (rate_hz, ANALYSIS_RATE_HZ);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    let shortest = (rate_hz / a) as usize;
    let even = shortest * (1 + shortest % 2);
    even * STEP_FRAMES.div_ceil(even)
}

/// The rate cannot be converted.
#[derive(Debug, thiserror::Error)]
#[error("no resampler from {rate_hz} Hz: {cause}")]
pub struct ResampleError {
    /// The rate asked for.
    pub rate_hz: u32,
    /// What the library said.
    pub cause: String,
}

/// Streaming resampler of one channel.
pub struct Resampler {
    rate_hz: u32,
    fft: Option<Box<Fft<f32>>>,
    pending: Vec<f32>,
    output: Vec<f32>,
    /// Output frames still to drop: the filter's delay.
    skip: usize,
    taken: u64,
    given: u64,
}

impl Resampler {
    /// From `rate_hz` to the analysis rate.
    pub fn new(rate_hz: u32) -> Result<Self, ResampleError> {
        let mut new = Self { rate_hz, fft: None, pending: Vec::new(), output: Vec::new(), skip: 0, taken: 0, given: 0 };
        if rate_hz != ANALYSIS_RATE_HZ {
            let fft = Fft::<f32>::new_custom(
                rate_hz as usize,
                ANALYSIS_RATE_HZ as usize,
                step_frames(rate_hz),
                1,
                1,
                WindowFunction::BlackmanHarris2,
                FixedSync::Both,
            )
            .map_err(|e| ResampleError { rate_hz, cause: e.to_string() })?;
            new.skip = fft.output_delay();
            new.output = vec![0.0; fft.output_frames_max()];
            new.fft = Some(Box::new(fft));
        }
        Ok(new)
    }

    /// Takes samples and appends what they complete to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.taken += samples.len() as u64;
        if self.fft.is_none() {
            self.given += samples.len() as u64;
            out.extend_from_slice(samples);
            return;
        }
        self.pending.extend_from_slice(samples);
        self.drain(out, u64::MAX);
    }

    /// Appends the rest, so that the total is the input's length at the new rate.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let Some(step) = self.fft.as_ref().map(|f| f.input_frames_next()) else { return };
        let rate = u128::from(self.rate_hz);
        let total = ((u128::from(self.taken) * u128::from(ANALYSIS_RATE_HZ) + rate / 2) / rate) as u64;
        while self.given < total {
            let short = step - self.pending.len() % step;
            self.pending.resize(self.pending.len() + short, 0.0);
            self.drain(out, total);
        }
    }

    fn drain(&mut self, out: &mut Vec<f32>, total: u64) {
        let Some(fft) = self.fft.as_mut() else { return };
        let mut start = 0;
        while self.pending.len() >= start + fft.input_frames_next() {
            let n = fft.input_frames_next();
            let capacity = self.output.len();
            // Sizes come from the resampler itself, so neither adapter nor step can refuse them.
            let (Ok(input), Ok(mut output)) = (
                SequentialSlice::new(&self.pending[start..start + n], 1, n),
                SequentialSlice::new_mut(&mut self.output, 1, capacity),
            ) else {
                debug_assert!(false, "adapter refused its own sizes");
                return;
            };
            let written = fft.process_into_buffer(&input, &mut output, None).map_or(0, |(_, w)| w);
            start += n;
            let dropped = self.skip.min(written);
            self.skip -= dropped;
            let left = usize::try_from(total - self.given).unwrap_or(usize::MAX);
            let keep = (written - dropped).min(left);
            out.extend_from_slice(&self.output[dropped..dropped + keep]);
            self.given += keep as u64;
        }
        self.pending.drain(..start);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn resampled(rate: u32, frames: usize, cut: usize, f: impl Fn(f64) -> f64) -> Vec<f32> {
        let x: Vec<f32> = (0..frames).map(|i| f(i as f64 / f64::from(rate)) as f32).collect();
        let mut r = Resampler::new(rate).unwrap();
        let mut out = Vec::new();
        x.chunks(cut).for_each(|c| r.push(c, &mut out));
        r.finish(&mut out);
        out
    }

    #[test]
    fn a_sine_keeps_its_phase_and_the_total_length_is_right_at_every_usual_rate() {
        for rate in [8000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 88_200, 96_000, 176_400, 192_000] {
            let frames = rate as usize + 77;
            let sine = |t: f64| 0.5 * (2.0 * std::f64::consts::PI * 997.0 * t).sin();
            let out = resampled(rate, frames, 1000, sine);
            assert_eq!(out.len() as f64, (frames as f64 * 48_000.0 / f64::from(rate)).round(), "{rate}");
            let worst = (2000..out.len() - 2000)
                .map(|i| (f64::from(out[i]) - sine(i as f64 / 48_000.0)).abs())
                .fold(0.0, f64::max);
            // One sample of delay would be an error of 0.065.
            assert!(worst < 1e-3, "{rate}: {worst}");
        }
    }

    #[test]
    fn block_size_changes_nothing() {
        let noise = |t: f64| (t * 1e5).sin() * (t * 777.0).cos();
        assert_eq!(resampled(44_100, 30_011, 1, noise), resampled(44_100, 30_011, 7919, noise));
    }

    #[test]
    fn the_own_rate_passes_through() {
        let out = resampled(48_000, 5000, 333, |t| t);
        assert_eq!(out.len(), 5000);
        assert_eq!(out[4999], (4999.0 / 48_000.0) as f32);
    }
}
