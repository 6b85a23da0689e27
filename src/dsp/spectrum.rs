//! Streaming power spectra of the mono mix, computed once and shared by all meters.
//!
//! Conventions: Hann window (periodic); frame `i` is centred on sample `i * hop`, the tape being padded with zeros on
//! both sides, so the centre time of a frame is `i * hop / rate`. Power is normalised so that the sum over the bins is
//! the mean square of the windowed samples over the window's mean square (Parseval): band sums are mean squares.

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex32};

use super::block::ANALYSIS_RATE_HZ;

/// Length and hop of a stream of spectra.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framing {
    /// Window length in samples; bins run 0..=length/2.
    pub length: usize,
    /// Distance between frame centres in samples.
    pub hop: usize,
}

/// 85 ms windows every 21.3 ms: texture, activity, passages.
pub const SHORT_FRAMING: Framing = Framing { length: 4096, hop: 1024 };
/// 341 ms windows every 85.3 ms: third-octave bands down to 25 Hz, hum, steady partials.
pub const LONG_FRAMING: Framing = Framing { length: 16_384, hop: 4096 };

impl Framing {
    /// Width of a bin in Hz at the analysis rate.
    pub fn bin_hz(self) -> f64 {
        f64::from(ANALYSIS_RATE_HZ) / self.length as f64
    }

    /// Hop in seconds at the analysis rate.
    pub fn hop_s(self) -> f64 {
        self.hop as f64 / f64::from(ANALYSIS_RATE_HZ)
    }

    /// Number of bins of a frame.
    pub fn bins(self) -> usize {
        self.length / 2 + 1
    }
}

/// One power spectrum.
#[derive(Clone, Debug)]
pub struct PowerFrame {
    /// Index of the frame; its centre is `index * hop` samples from the start of the tape.
    pub index: u64,
    /// Power a bin, `[length / 2 + 1]`; the sum is the mean square.
    pub power: Vec<f32>,
}

/// Turns a stream of samples into power spectra.
pub struct SpectrumStream {
    framing: Framing,
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    scale: f32,
    /// Samples from `next_start` on; the first frame starts half a window before the tape.
    pending: Vec<f32>,
    next_index: u64,
    pushed_frames: u64,
    windowed: Vec<f32>,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl SpectrumStream {
    /// A stream with the given framing; `length` must be even.
    pub fn new(framing: Framing) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(framing.length);
        let window = hann_periodic(framing.length);
        let energy: f64 = window.iter().map(|w| f64::from(*w) * f64::from(*w)).sum();
        let scale = (2.0 / (framing.length as f64 * energy)) as f32;
        Self {
            framing,
            windowed: fft.make_input_vec(),
            bins: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
            window,
            scale,
            pending: vec![0.0; framing.length / 2],
            next_index: 0,
            pushed_frames: 0,
        }
    }

    /// Takes the next samples and appends every frame that they complete to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<PowerFrame>) {
        self.pushed_frames += samples.len() as u64;
        self.pending.extend_from_slice(samples);
        self.drain(out);
    }

    /// Pads with zeros so that every frame whose centre lies inside the tape comes out.
    pub fn finish(&mut self, out: &mut Vec<PowerFrame>) {
        let wanted = self.pushed_frames.div_ceil(self.framing.hop as u64);
        while self.next_index < wanted {
            self.pending.extend(std::iter::repeat_n(0.0, self.framing.hop));
            self.drain(out);
        }
    }

    fn drain(&mut self, out: &mut Vec<PowerFrame>) {
        let Framing { length, hop } = self.framing;
        let mut start = 0;
        while self.pending.len() >= start + length {
            for ((w, x), g) in self.windowed.iter_mut().zip(&self.pending[start..]).zip(&self.window) {
                *w = x * g;
            }
            // Lengths are fixed at construction, so the transform cannot refuse them.
            let done = self.fft.process_with_scratch(&mut self.windowed, &mut self.bins, &mut self.scratch);
            debug_assert!(done.is_ok());
            let mut power: Vec<f32> = self.bins.iter().map(|c| c.norm_sqr() * self.scale).collect();
            power[0] *= 0.5;
            power[length / 2] *= 0.5;
            out.push(PowerFrame { index: self.next_index, power });
            self.next_index += 1;
            start += hop;
        }
        self.pending.drain(..start);
    }
}

/// Periodic Hann window of `length` points.
pub fn hann_periodic(length: usize) -> Vec<f32> {
    (0..length).map(|i| (0.5 - 0.5 * (2.0 * std::f64::consts::PI * i as f64 / length as f64).cos()) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames(samples: &[f32], cut: usize) -> Vec<PowerFrame> {
        let mut stream = SpectrumStream::new(SHORT_FRAMING);
        let mut out = Vec::new();
        for part in samples.chunks(cut) {
            stream.push(part, &mut out);
        }
        stream.finish(&mut out);
        out
    }

    #[test]
    fn a_sine_has_its_mean_square_as_the_sum_over_the_bins() {
        let x: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.1).sin()).collect();
        let sum: f32 = frames(&x, 999)[20].power.iter().sum();
        assert!((sum - 0.5).abs() < 1e-3, "{sum}");
    }

    #[test]
    fn block_size_changes_nothing_and_every_centre_inside_the_tape_has_a_frame() {
        let x: Vec<f32> = (0..20_011).map(|i| ((i * i) as f32 * 0.37).sin()).collect();
        let (a, b) = (frames(&x, 1), frames(&x, 7919));
        assert_eq!(a.len(), 20_011usize.div_ceil(1024));
        assert_eq!(a.len(), b.len());
        for (fa, fb) in a.iter().zip(&b) {
            assert_eq!(fa.index, fb.index);
            assert_eq!(fa.power, fb.power);
        }
    }
}
