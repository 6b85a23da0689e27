//! Streaming reduction of the sample rate by a whole factor, for the low end.
//!
//! Conventions: output sample `n` is centred on input sample `n * factor`; before and after the tape there is silence.

/// A windowed-sinc low-pass that computes only the samples that are kept.
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    pending: Vec<f32>,
    pushed: u64,
    emitted: u64,
}

/// Taps on each side of the centre, in output samples.
const HALF_LENGTH_OUTPUTS: usize = 5;
/// Cut-off as a share of the output's Nyquist frequency; the Blackman flanks reach it from below.
const CUTOFF_RE_NYQUIST: f64 = 0.75;

impl Decimator {
    /// Keeps one sample in `factor` (at least 1).
    pub fn new(factor: usize) -> Self {
        let factor = factor.max(1);
        let half = (HALF_LENGTH_OUTPUTS * factor) as isize;
        let cutoff = CUTOFF_RE_NYQUIST / factor as f64;
        let raw: Vec<f64> = (-half..=half).map(|i| windowed_sinc(i as f64, cutoff, half as f64 + 1.0)).collect();
        let sum: f64 = raw.iter().sum();
        let taps = raw.iter().map(|t| (t / sum) as f32).collect();
        Self { factor, taps, pending: vec![0.0; half as usize], pushed: 0, emitted: 0 }
    }

    /// Takes samples and appends those that are ready to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.pushed += samples.len() as u64;
        self.pending.extend_from_slice(samples);
        self.drain(out);
    }

    /// Pads with silence until every output centred inside the tape has come out.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let wanted = self.pushed.div_ceil(self.factor as u64);
        while self.emitted < wanted {
            self.pending.extend(std::iter::repeat_n(0.0, self.factor));
            self.drain(out);
        }
    }

    fn drain(&mut self, out: &mut Vec<f32>) {
        let mut start = 0;
        while self.pending.len() >= start + self.taps.len() {
            out.push(dot(&self.pending[start..start + self.taps.len()], &self.taps));
            self.emitted += 1;
            start += self.factor;
        }
        self.pending.drain(..start);
    }
}

fn windowed_sinc(i: f64, cutoff: f64, half: f64) -> f64 {
    use std::f64::consts::PI;
    let sinc = if i == 0.0 { cutoff } else { (PI * cutoff * i).sin() / (PI * i) };
    let x = PI * i / half;
    sinc * (0.42 + 0.5 * x.cos() + 0.08 * (2.0 * x).cos())
}

/// Dot product in eight lanes, always added in the same order.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; 8];
    let (ca, cb) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f32 = ca.remainder().iter().zip(cb.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in ca.zip(cb) {
        for k in 0..8 {
            lanes[k] += x[k] * y[k];
        }
    }
    lanes.iter().sum::<f32>() + tail
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(x: &[f32], cut: usize) -> Vec<f32> {
        let mut d = Decimator::new(16);
        let mut out = Vec::new();
        for part in x.chunks(cut) {
            d.push(part, &mut out);
        }
        d.finish(&mut out);
        out
    }

    #[test]
    fn a_low_sine_passes_in_place_and_a_high_one_is_gone() {
        let sine = |hz: f64| -> Vec<f32> {
            (0..48_000).map(|i| (2.0 * std::f64::consts::PI * hz * f64::from(i) / 48_000.0).sin() as f32).collect()
        };
        let (low, high) = (run(&sine(100.0), 1000), run(&sine(2_600.0), 1000));
        for n in 100..2900 {
            let expected = (2.0 * std::f64::consts::PI * 100.0 * n as f64 / 3_000.0).sin() as f32;
            assert!((low[n] - expected).abs() < 2e-3, "{n}: {} {expected}", low[n]);
            assert!(high[n].abs() < 2e-3, "{n}: {}", high[n]);
        }
    }

    #[test]
    fn block_size_changes_nothing() {
        let x: Vec<f32> = (0..10_007).map(|i| ((i * i) as f32 * 0.11).sin()).collect();
        assert_eq!(run(&x, 1), run(&x, 4099));
        assert_eq!(run(&x, 64).len(), 10_007usize.div_ceil(16));
    }
}
