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
