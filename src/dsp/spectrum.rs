//! Streaming power spectra of the mono mix, computed once and shared by all meters.
//!
//! Conventions: Hann window (periodic); frame `i` is centred on sample `i * hop`, the tape being padded with zeros on
//! both sides, so the centre time of a frame is `i * hop / rate`. Power is normalised so that the sum over the bins is
//! the mean square of the windowed samples over the window's mean square (Parseval): band sums are mean squares.

use super::block::ANALYSIS_RATE_HZ;
use super::paired::FrameStream;

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
    frames: FrameStream,
    /// Frames whose memory may be used again.
    spare: Vec<PowerFrame>,
}

impl SpectrumStream {
    /// A stream with the given framing; `length` must be even.
    pub fn new(framing: Framing) -> Self {
        let energy: f64 = hann_periodic(framing.length).iter().map(|w| f64::from(*w) * f64::from(*w)).sum();
        let scale = (2.0 / (framing.length as f64 * energy)) as f32;
        Self { framing, frames: FrameStream::new(framing, scale), spare: Vec::new() }
    }

    /// Takes back frames that nobody needs any more, so that their memory serves again.
    pub fn recycle(&mut self, frames: &mut Vec<PowerFrame>) {
        self.spare.append(frames);
    }

    /// Takes the next samples and appends every frame that they complete to `out`; frames come in pairs.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<PowerFrame>) {
        let spare = &mut self.spare;
        self.frames.push(samples, |index, power| out.push(kept(index, power, spare)));
    }

    /// Pads with zeros so that every frame whose centre lies inside the tape comes out.
    pub fn finish(&mut self, out: &mut Vec<PowerFrame>) {
        let wanted = self.frames.pushed().div_ceil(self.framing.hop as u64);
        let spare = &mut self.spare;
        self.frames.finish(wanted, |index, power| out.push(kept(index, power, spare)));
    }
}

/// A frame of its own, with the constant and the highest bin counted once.
fn kept(index: u64, power: &mut Vec<f32>, spare: &mut Vec<PowerFrame>) -> PowerFrame {
    let mut frame = spare.pop().unwrap_or_else(|| PowerFrame { index, power: Vec::new() });
    frame.index = index;
    frame.power.resize(power.len(), 0.0);
    std::mem::swap(&mut frame.power, power);
    if let [first, .., last] = frame.power.as_mut_slice() {
        *first *= 0.5;
        *last *= 0.5;
    }
    frame
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
