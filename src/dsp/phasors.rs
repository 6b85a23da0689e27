//! Complex spectra of a stream of overlapping frames, and frames laid back into a stream.
//!
//! Conventions: Hann window (periodic), hop a quarter of the length; frame `i` covers samples `i * hop - length` to `i * hop`
//! of the signal, silence before its start. Values are the plain transform of the windowed samples.

use std::sync::Arc;

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::spectrum::hann_periodic;

/// Sum of the squared windows over all frames that cover a sample, at a hop of a quarter.
const OVERLAP: f32 = 1.5;

/// A signal as frames of complex spectra.
pub struct PhasorStream {
    length: usize,
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    pending: Vec<f32>,
    windowed: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl PhasorStream {
    /// Frames of `length` samples, a multiple of four.
    pub fn new(length: usize) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(length);
        Self {
            length,
            window: hann_periodic(length),
            pending: vec![0.0; length - length / 4],
            windowed: vec![0.0; length],
            scratch: fft.make_scratch_vec(),
            fft,
        }
    }

    /// Bins of a frame.
    pub fn bins(&self) -> usize {
        self.length / 2 + 1
    }

    /// Takes the samples of one hop (a quarter of the length) and writes the spectrum that they complete.
    pub fn hop(&mut self, samples: &[f32], out: &mut Vec<Complex32>) {
        self.pending.extend_from_slice(samples);
        for ((w, x), weight) in self.windowed.iter_mut().zip(&self.pending).zip(&self.window) {
            *w = x * weight;
        }
        out.resize(self.bins(), Complex32::default());
        // Lengths are the plan's own, so that it cannot refuse them.
        let done = self.fft.process_with_scratch(&mut self.windowed, out, &mut self.scratch);
        debug_assert!(done.is_ok());
        self.pending.drain(..self.length / 4);
    }
}

/// Frames of spectra back to a signal, delayed by three quarters of a frame against what [`PhasorStream`] took.
pub struct PhasorSink {
    length: usize,
    fft: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    sum: Vec<f32>,
    samples: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl PhasorSink {
    /// For frames of `length` samples.
    pub fn new(length: usize) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_inverse(length);
        Self {
            length,
            window: hann_periodic(length),
            sum: vec![0.0; length],
            samples: vec![0.0; length],
            scratch: fft.make_scratch_vec(),
            fft,
        }
    }

    /// Adds a frame and appends the hop of samples that is complete. The spectrum is used up.
    pub fn hop(&mut self, spectrum: &mut [Complex32], out: &mut Vec<f32>) {
        if let [first, .., last] = spectrum {
            (first.im, last.im) = (0.0, 0.0);
        }
        let done = self.fft.process_with_scratch(spectrum, &mut self.samples, &mut self.scratch);
        debug_assert!(done.is_ok());
        let scale = 1.0 / (OVERLAP * self.length as f32);
        for ((sum, x), weight) in self.sum.iter_mut().zip(&self.samples).zip(&self.window) {
            *sum += x * weight * scale;
        }
        let hop = self.length / 4;
        out.extend_from_slice(&self.sum[..hop]);
        self.sum.drain(..hop);
        self.sum.resize(self.length, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_laid_back_are_the_signal_three_quarters_of_a_frame_later() {
        let signal: Vec<f32> = (0..4000).map(|i| ((i * i) as f32 * 0.01).sin()).collect();
        let (mut forth, mut back) = (PhasorStream::new(256), PhasorSink::new(256));
        let (mut spectrum, mut out) = (Vec::new(), Vec::new());
        for hop in signal.chunks_exact(64) {
            forth.hop(hop, &mut spectrum);
            back.hop(&mut spectrum, &mut out);
        }
        let worst = (0..out.len() - 192).map(|i| (out[i + 192] - signal[i]).abs()).fold(0.0f32, f32::max);
        assert!(worst < 1e-5, "{worst}");
        assert!(out[..192].iter().all(|x| x.abs() < 1e-6));
    }
}
