//! Streaming decimation of the mono mix for the low-frequency meters.
//!
//! Conventions: output sample `i` stands at the time of input sample `i * factor`; the filter's delay is taken out, the
//! input being padded with zeros on both sides. The block size changes nothing.

use multiversion::{multiversion, target::target_cfg_f};

use super::lanes;

/// Decimates by a whole factor with a linear-phase low-pass (Kaiser-windowed sinc).
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    pending: Vec<f32>,
    pushed: u64,
    made: u64,
}

/// Modified Bessel function I0 by its series, enough terms for `x` up to about 20.
fn bessel_i0(x: f64) -> f64 {
    let mut sum = 1.0;
    let mut term = 1.0;
    for k in 1..60 {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum += term;
    }
    sum
}

/// Kaiser window parameter for a stop band of about 80 dB (Kaiser 1974: 0.1102 (A - 8.7)).
const KAISER_BETA: f64 = 7.857;

impl Decimator {
    /// A decimator by `factor`, with the -6 dB point at `cutoff` times the input rate and `half_taps * 2 + 1` taps.
    pub fn new(factor: usize, cutoff: f64, half_taps: usize) -> Self {
        let half = half_taps as f64;
        let mut taps: Vec<f64> = (0..=2 * half_taps)
            .map(|i| {
                let x = i as f64 - half;
                let sinc = if x == 0.0 {
                    2.0 * cutoff
                } else {
                    (2.0 * std::f64::consts::PI * cutoff * x).sin() / (std::f64::consts::PI * x)
                };
                let r = x / (half + 1.0);
                sinc * bessel_i0(KAISER_BETA * (1.0 - r * r).sqrt()) / bessel_i0(KAISER_BETA)
            })
            .collect();
        let sum: f64 = taps.iter().sum();
        taps.iter_mut().for_each(|t| *t /= sum);
        // Zeros in front, so that no tap is left over beside what is worked on together.
        let padding = taps.len().next_multiple_of(lanes::DOT_WIDTH) - taps.len();
        Self {
            factor: factor.max(1),
            taps: std::iter::repeat_n(0.0, padding).chain(taps.into_iter().map(|t| t as f32)).collect(),
            pending: vec![0.0; padding + half_taps],
            pushed: 0,
            made: 0,
        }
    }

    /// Takes samples and appends every output sample that they complete to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.pushed += samples.len() as u64;
        // What begins before these samples ends within as many of them as there are taps; the rest need not be copied.
        let carried = self.pending.len();
        self.pending.extend_from_slice(&samples[..samples.len().min(self.taps.len())]);
        let bridged = every(self.factor, &self.taps, &self.pending, usize::MAX, out);
        self.made += bridged as u64;
        let next = bridged * self.factor;
        let Some(first) = next.checked_sub(carried) else {
            self.pending.drain(..next);
            return;
        };
        let made = every(self.factor, &self.taps, &samples[first..], usize::MAX, out);
        self.made += made as u64;
        self.pending.clear();
        self.pending.extend_from_slice(&samples[first + made * self.factor..]);
    }

    /// The input is over: appends what is left, `ceil(input / factor)` samples in all.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let wanted = self.pushed.div_ceil(self.factor as u64);
        while self.made < wanted {
            self.pending.extend(std::iter::repeat_n(0.0, self.factor));
            let before = self.made;
            self.drain_until(out, wanted);
            debug_assert!(self.made >= before);
        }
    }

    fn drain_until(&mut self, out: &mut Vec<f32>, wanted: u64) {
        let most = usize::try_from(wanted - self.made.min(wanted)).unwrap_or(usize::MAX);
        let made = every(self.factor, &self.taps, &self.pending, most, out);
        self.made += made as u64;
        let start = made * self.factor;
        self.pending.drain(..start.min(self.pending.len()));
    }
}

/// Appends up to `most` filtered samples, `factor` apart, to `out`; returns how many.
#[multiversion(targets("x86_64+avx2+fma"))]
fn every(factor: usize, taps: &[f32], samples: &[f32], most: usize, out: &mut Vec<f32>) -> usize {
    if target_cfg_f!(target_feature = "fma") {
        each_sum::<true>(factor, taps, samples, most, out)
    } else {
        each_sum::<false>(factor, taps, samples, most, out)
    }
}

#[inline(always)]
fn each_sum<const FUSED: bool>(factor: usize, taps: &[f32], samples: &[f32], most: usize, out: &mut Vec<f32>) -> usize {
    let ready = samples.len().checked_sub(taps.len()).map_or(0, |room| room / factor + 1).min(most);
    out.reserve(ready);
    // A plain loop: a closure handed to another function is not compiled for the processor that this one is.
    for at in 0..ready {
        out.push(lanes::dot::<FUSED>(&samples[at * factor..at * factor + taps.len()], taps));
    }
    ready
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimated(x: &[f32], cut: usize) -> Vec<f32> {
        let mut d = Decimator::new(8, 0.0625, 48);
        let mut out = Vec::new();
        x.chunks(cut).for_each(|c| d.push(c, &mut out));
        d.finish(&mut out);
        out
    }

    #[test]
    fn a_low_tone_keeps_its_time_and_level() {
        let tone = |t: f64| (2.0 * std::f64::consts::PI * 220.0 * t).sin();
        let x: Vec<f32> = (0..48_000).map(|i| tone(f64::from(i) / 48_000.0) as f32).collect();
        let y = decimated(&x, 1000);
        assert_eq!(y.len(), 6000);
        for (i, v) in y.iter().enumerate().skip(20).take(5900) {
            assert!((f64::from(*v) - tone(i as f64 / 6000.0)).abs() < 1e-3, "{i}");
        }
    }

    #[test]
    fn what_would_fold_below_1500_hz_is_at_least_70_db_down() {
        for hz in [4500.0, 5000.0, 7000.0, 12_000.0, 20_000.0] {
            // The phase is counted in f64: in f32 its rounding alone would be noise at -55 dB.
            let x: Vec<f32> =
                (0..48_000).map(|i| (2.0 * std::f64::consts::PI * hz * f64::from(i) / 48_000.0).sin() as f32).collect();
            let y = decimated(&x, 48_000);
            let worst = y[100..5900].iter().fold(0.0f32, |m, v| m.max(v.abs()));
            assert!(worst < 10f32.powf(-70.0 / 20.0), "{hz} Hz leaves {worst}");
        }
    }

    #[test]
    fn block_size_changes_nothing() {
        let x: Vec<f32> = (0..9_999).map(|i| ((i * i) as f32 * 0.01).sin()).collect();
        assert_eq!(decimated(&x, 1), decimated(&x, 7001));
        assert_eq!(decimated(&x, 1).len(), 9_999usize.div_ceil(8));
    }
}
