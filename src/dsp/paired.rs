//! Power spectra of a stream of overlapping frames, two frames a transform.
//!
//! Conventions: Hann window (periodic); frame `i` is centred on sample `i * hop`, the signal being padded with half a window of
//! zeros in front. Frames `2 j` and `2 j + 1` are always worked on together, so cutting the signal into other blocks changes
//! nothing. A frame of digital silence has no power at all, whatever its neighbour holds.
//!
//! Method: one frame is the real part and the next the imaginary part of one complex transform; the symmetry of the transform
//! of real signals takes the two apart (Brigham, The Fast Fourier Transform, 1974, section 10-10; from memory). What one frame
//! leaves in the other is rounding, 130 dB or more below the louder of the two.

use std::sync::Arc;

use multiversion::multiversion;
use rustfft::{Fft, FftPlanner, num_complex::Complex32};

use super::spectrum::{Framing, hann_periodic};

/// Turns a stream of samples into power spectra, frame by frame.
pub struct FrameStream {
    framing: Framing,
    fft: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    scale: f32,
    /// Samples from the start of the next frame on.
    pending: Vec<f32>,
    both: Vec<Complex32>,
    scratch: Vec<Complex32>,
    powers: [Vec<f32>; 2],
    /// Samples taken so far.
    pushed: u64,
    /// Frames given out so far.
    made: u64,
}

impl FrameStream {
    /// A stream whose power in a bin is the squared magnitude of the transform times `scale`; `framing.length` must be even.
    pub fn new(framing: Framing, scale: f32) -> Self {
        let fft = FftPlanner::<f32>::new().plan_fft_forward(framing.length);
        Self {
            framing,
            window: hann_periodic(framing.length),
            scale,
            pending: vec![0.0; framing.length / 2],
            both: vec![Complex32::default(); framing.length],
            scratch: vec![Complex32::default(); fft.get_inplace_scratch_len()],
            powers: std::array::from_fn(|_| vec![0.0; framing.bins()]),
            fft,
            pushed: 0,
            made: 0,
        }
    }

    /// Samples taken so far.
    pub fn pushed(&self) -> u64 {
        self.pushed
    }

    /// Takes samples; `each` is called with the index and the power spectrum of every frame of the pairs that they complete. It
    /// may keep the spectrum and leave another vector of its length in its place.
    pub fn push(&mut self, samples: &[f32], mut each: impl FnMut(u64, &mut Vec<f32>)) {
        self.pushed += samples.len() as u64;
        self.pending.extend_from_slice(samples);
        let Framing { length, hop } = self.framing;
        let mut start = 0;
        while self.pending.len() >= start + hop + length {
            self.pair(start);
            for power in &mut self.powers {
                each(self.made, power);
                self.made += 1;
            }
            start += 2 * hop;
        }
        self.pending.drain(..start);
    }

    /// The signal is over: gives the frames up to number `end`, zeros following the signal.
    pub fn finish(&mut self, end: u64, mut each: impl FnMut(u64, &mut Vec<f32>)) {
        let Framing { length, hop } = self.framing;
        while self.made < end {
            self.pending.resize(self.pending.len().max(length + hop), 0.0);
            self.pair(0);
            let pair = (end - self.made).min(2) as usize;
            for power in &mut self.powers[..pair] {
                each(self.made, power);
                self.made += 1;
            }
            self.pending.drain(..2 * hop);
        }
    }

    fn pair(&mut self, start: usize) {
        let Framing { length, hop } = self.framing;
        let frames = [&self.pending[start..start + length], &self.pending[start + hop..start + hop + length]];
        let silent = frames.map(|frame| frame.iter().all(|x| *x == 0.0));
        window_both(&mut self.both, frames[0], frames[1], &self.window);
        self.fft.process_with_scratch(&mut self.both, &mut self.scratch);
        let [first, second] = &mut self.powers;
        take_apart(&self.both, self.scale, first, second);
        for (power, silent) in self.powers.iter_mut().zip(silent) {
            if silent {
                power.fill(0.0);
            }
        }
    }
}

// Without fused multiply-add the results are the same on every processor.
#[multiversion(targets("x86_64+avx2"))]
fn window_both(both: &mut [Complex32], first: &[f32], second: &[f32], window: &[f32]) {
    for (((z, a), b), w) in both.iter_mut().zip(first).zip(second).zip(window) {
        *z = Complex32::new(a * w, b * w);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn take_apart(both: &[Complex32], scale: f32, first: &mut [f32], second: &mut [f32]) {
    let half = both.len() / 2;
    let quarter = scale * 0.25;
    let mirrored = both[half + 1..].iter().rev();
    let bins = first[1..half].iter_mut().zip(second[1..half].iter_mut());
    for ((up, down), (a, b)) in both[1..half].iter().zip(mirrored).zip(bins) {
        let (sum_re, difference_re) = (up.re + down.re, up.re - down.re);
        let (sum_im, difference_im) = (up.im + down.im, up.im - down.im);
        *a = (sum_re * sum_re + difference_im * difference_im) * quarter;
        *b = (sum_im * sum_im + difference_re * difference_re) * quarter;
    }
    for edge in [0, half] {
        first[edge] = both[edge].re * both[edge].re * scale;
        second[edge] = both[edge].im * both[edge].im * scale;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAMING: Framing = Framing { length: 64, hop: 24 };

    fn signal(n: usize) -> Vec<f32> {
        (0..n).map(|i| ((i * i) as f32 * 0.37).sin() * if i < n / 2 { 1.0 } else { 0.01 }).collect()
    }

    fn frames(x: &[f32], cut: usize) -> Vec<Vec<f32>> {
        let mut stream = FrameStream::new(FRAMING, 0.5);
        let mut out = Vec::new();
        for part in x.chunks(cut) {
            stream.push(part, |_, power| out.push(power.to_vec()));
        }
        let end = stream.pushed().div_ceil(FRAMING.hop as u64);
        stream.finish(end, |_, power| out.push(power.to_vec()));
        out
    }

    /// The definition, in double precision.
    fn plain(x: &[f32], frame: usize) -> Vec<f64> {
        let Framing { length, hop } = FRAMING;
        let window = hann_periodic(length);
        let at = |i: usize| (frame * hop + i).checked_sub(length / 2).and_then(|at| x.get(at)).copied().unwrap_or(0.0);
        let bin = |k: usize| {
            let (mut re, mut im) = (0.0f64, 0.0f64);
            for (i, w) in window.iter().enumerate() {
                let angle = 2.0 * std::f64::consts::PI * (k * i) as f64 / length as f64;
                re += f64::from(at(i) * w) * angle.cos();
                im -= f64::from(at(i) * w) * angle.sin();
            }
            (re * re + im * im) * 0.5
        };
        (0..FRAMING.bins()).map(bin).collect()
    }

    #[test]
    fn every_frame_is_the_plain_transform_of_its_samples_for_even_and_odd_numbers_of_frames() {
        for n in [1, 23, 24, 25, 48, 49, 500, 524] {
            let x = signal(n);
            let made = frames(&x, 7);
            assert_eq!(made.len(), n.div_ceil(FRAMING.hop));
            for (index, power) in made.iter().enumerate() {
                let whole: f64 = plain(&x, index & !1).iter().chain(&plain(&x, index | 1)).sum();
                for (k, (got, expected)) in power.iter().zip(plain(&x, index)).enumerate() {
                    let off = (f64::from(*got) - expected).abs();
                    assert!(off <= 1e-5 * expected + 1e-11 * whole, "{n}, frame {index}, bin {k}: {got} {expected}");
                }
            }
        }
    }

    #[test]
    fn block_size_changes_nothing() {
        let x = signal(777);
        assert_eq!(frames(&x, 1), frames(&x, 777));
        assert_eq!(frames(&x, 100), frames(&x, 33));
    }

    #[test]
    fn a_silent_frame_beside_a_loud_one_has_no_power() {
        let mut x = vec![0.0; 24 + 32];
        x.extend(signal(500));
        let made = frames(&x, 1000);
        assert!(made[0].iter().all(|p| *p == 0.0));
        assert!(made[1].iter().sum::<f32>() > 0.0 || made[2].iter().sum::<f32>() > 0.0);
    }
}
