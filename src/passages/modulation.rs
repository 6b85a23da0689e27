//! How strongly the level swings, and how fast: talk swings at the rate of its syllables, about 4 Hz.
//!
//! Conventions: envelope = amplitude of the short spectra, 46.9 a second; depth = amplitude of the swing over the mean, so
//! that a sinusoidal swing of 100 % reads 1. The window is 64 values (1.37 s), Hann, starting half a window before the frame.

use super::features::{Frame, SUBFRAMES};

/// Rates of the swing that are read, Hz.
pub const MODULATION_HZ: [f64; 7] = [1.0, 2.0, 3.0, 4.5, 6.5, 9.0, 14.0];
const WINDOW: usize = 64;
const ENVELOPE_RATE_HZ: f64 = 48_000.0 / 1024.0;

/// Tables for reading swings.
pub struct Modulation {
    window: [f64; WINDOW],
    kernels: Vec<[(f64, f64); WINDOW]>,
    amplitude: [f64; 256],
}

impl Default for Modulation {
    fn default() -> Self {
        Self::new()
    }
}

impl Modulation {
    /// Prepares the tables.
    pub fn new() -> Self {
        let mut window = [0.0; WINDOW];
        for (i, w) in window.iter_mut().enumerate() {
            *w = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / WINDOW as f64).cos();
        }
        let sum: f64 = window.iter().sum();
        window = window.map(|w| w / sum);
        let kernels = MODULATION_HZ
            .iter()
            .map(|hz| {
                let mut kernel = [(0.0, 0.0); WINDOW];
                for (i, k) in kernel.iter_mut().enumerate() {
                    let phase = std::f64::consts::TAU * hz * i as f64 / ENVELOPE_RATE_HZ;
                    *k = (2.0 * window[i] * phase.cos(), 2.0 * window[i] * phase.sin());
                }
                kernel
            })
            .collect();
        let mut amplitude = [0.0; 256];
        for (code, a) in amplitude.iter_mut().enumerate() {
            *a = 10f64.powf(Frame::level_dbfs(code as u8) / 20.0);
        }
        Self { window, kernels, amplitude }
    }

    /// Depths of the swing at [`MODULATION_HZ`] around frame `at` of the envelope that `levels` picks.
    pub fn read(
        &self,
        frames: &[Frame],
        at: usize,
        levels: impl Fn(&Frame) -> [u8; SUBFRAMES],
    ) -> [f64; MODULATION_HZ.len()] {
        let mut envelope = [0.0; WINDOW];
        let first = at as isize - (WINDOW / 2 / SUBFRAMES) as isize;
        for (i, values) in envelope.chunks_mut(SUBFRAMES).enumerate() {
            let frame = usize::try_from(first + i as isize).ok().and_then(|k| frames.get(k));
            if let Some(frame) = frame {
                for (value, code) in values.iter_mut().zip(levels(frame)) {
                    *value = self.amplitude[usize::from(code)];
                }
            }
        }
        let mean: f64 = envelope.iter().zip(self.window).map(|(e, w)| e * w).sum();
        let mut depths = [0.0; MODULATION_HZ.len()];
        for (depth, kernel) in depths.iter_mut().zip(&self.kernels) {
            let (re, im) = envelope
                .iter()
                .zip(kernel)
                .fold((0.0, 0.0), |(re, im), (e, k)| (re + (e - mean) * k.0, im + (e - mean) * k.1));
            *depth = (re * re + im * im).sqrt() / mean.max(1e-9);
        }
        depths
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames whose level swings sinusoidally by `depth` of its mean at `hz`, as noise with such an envelope has it.
    fn swinging(hz: f64, depth: f64) -> Vec<Frame> {
        let level = |sub: usize| {
            let turn = std::f64::consts::TAU * hz * sub as f64 / ENVELOPE_RATE_HZ;
            let dbfs = 20.0 * (0.01 * (1.0 + depth * turn.sin()).max(1e-3)).log10();
            (2.0 * (dbfs + 120.0)).round() as u8
        };
        (0..60).map(|f| Frame { wide: std::array::from_fn(|s| level(f * SUBFRAMES + s)), ..Frame::default() }).collect()
    }

    /// Scheirer and Slaney 1997: speech has its modulation energy near 4 Hz; noise swinging fully at 4 Hz is the test signal.
    #[test]
    fn noise_that_swings_at_4_hz_peaks_at_the_4_hz_place_and_steady_noise_reads_next_to_nothing() {
        let swings = Modulation::new().read(&swinging(4.0, 1.0), 30, |f| f.wide);
        let strongest = (0..swings.len()).max_by(|a, b| swings[*a].total_cmp(&swings[*b]));
        assert_eq!(strongest.map(|i| MODULATION_HZ[i]), Some(4.5), "{swings:?}");
        let steady = Modulation::new().read(&swinging(4.0, 0.0), 30, |f| f.wide);
        assert!(steady.iter().all(|m| *m < 0.01), "{steady:?}");
    }

    #[test]
    fn the_depth_of_a_swing_at_a_read_rate_is_its_share_of_the_mean() {
        for depth in [0.2, 0.5, 0.9] {
            let read = Modulation::new().read(&swinging(6.5, depth), 30, |f| f.wide)[4];
            assert!((read - depth).abs() < 0.04, "{read} for {depth}");
        }
    }
}
