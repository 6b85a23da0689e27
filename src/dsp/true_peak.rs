//! True peak: the largest value of the waveform between the samples, by oversampling (ITU-R BS.1770-5 annex 2).
//!
//! Conventions: amplitudes, full scale = 1.0; one reading a stretch of [`PEAK_HOP_S`]; a stretch owns the intervals from
//! each of its samples to the next.
//! Method: 4 times oversampling below 96 kHz, 2 times below 192 kHz, none from there on, by a windowed-sinc interpolator
//! of 48 taps in all; its first phase is the sample itself, so no reading lies below the sample peak. Not every interval
//! is interpolated: see [`Interpolator::bound`], which proves for most of them that they cannot hold the largest value.
//! Limits: a peak may fall between the points: at most 0.69 dB are missed at half the sample rate, 0.17 dB at a quarter.

/// Length of a stretch, seconds.
pub const PEAK_HOP_S: f64 = 0.1;
/// Stretches a second.
const STRETCHES_PER_S: u64 = 10;
/// Taps of the whole interpolator, all phases together.
const TAPS: usize = 48;
/// Samples that share one bound; must not be shorter than the reach of a tap.
const GROUP: usize = 16;

/// Interpolates between neighbouring samples and bounds what the interpolation can give.
#[derive(Clone, Debug)]
struct Interpolator {
    /// `[phase][tap]`: weights of the samples `before` ahead of the interval's left end onwards; phase 0 is left out.
    phases: Vec<Vec<f32>>,
    /// Samples needed before the interval's left end.
    before: usize,
    /// Samples needed after it (the right end included).
    after: usize,
    /// Largest sum of the two weights' sizes on the interval's ends (`|A| + |B|` below).
    ends_gain: f32,
    /// Largest sum of the weights' sizes on the second differences.
    bend_gain: f32,
}

/// Oversampling that BS.1770-5 annex 2 asks for at `sample_rate_hz`.
fn oversampling(sample_rate_hz: u32) -> usize {
    match sample_rate_hz {
        0..96_000 => 4,
        96_000..192_000 => 2,
        _ => 1,
    }
}

impl Interpolator {
    fn new(factor: usize) -> Self {
        let half = TAPS / factor / 2;
        let (before, after) = (half - 1, half);
        let phases: Vec<Vec<f64>> = (1..factor)
            .map(|phase| {
                let at = phase as f64 / factor as f64;
                (0..2 * half).map(|tap| windowed_sinc(at - (tap as f64 - before as f64), half as f64)).collect()
            })
            .collect();
        let gains: Vec<(f64, f64)> = phases.iter().map(|h| bound_gains(h, before)).collect();
        // Rounding of the f32 weights and sums stays below this share of the ends.
        let margin = 1.0 + 1e-5;
        Self {
            ends_gain: (gains.iter().map(|g| g.0).fold(1.0, f64::max) * margin) as f32,
            bend_gain: (gains.iter().map(|g| g.1).fold(0.0, f64::max) * margin) as f32,
            phases: phases.into_iter().map(|h| h.into_iter().map(|x| x as f32).collect()).collect(),
            before,
            after,
        }
    }

    /// No interpolated value of an interval is larger than this.
    ///
    /// Proof: every sample is the straight line through the interval's ends plus second differences:
    /// `x[i] = (1 - i) x[0] + i x[1] + sum over k of c[i][k] d[k]` with `d[k] = x[k-1] - 2 x[k] + x[k+1]`, `c[i][k] = i - k`
    /// for `0 < k < i` and `k - i` for `i < k <= 0`. Put into `y = sum h[i] x[i]` this gives `y = A x[0] + B x[1] +
    /// sum G[k] d[k]`, so `|y| <= (|A| + |B|) max(|x[0]|, |x[1]|) + (sum |G[k]|) max |d|`. No approximation is made.
    fn bound(&self, largest_sample: f32, largest_bend: f32) -> f32 {
        self.ends_gain * largest_sample + self.bend_gain * largest_bend
    }

    /// Largest interpolated value of the interval that starts at `samples[at]`.
    fn peak(&self, samples: &[f32], at: usize) -> f32 {
        let window = &samples[at - self.before..=at + self.after];
        let mut largest = 0.0f32;
        for weights in &self.phases {
            let y: f32 = weights.iter().zip(window).map(|(h, x)| h * x).sum();
            largest = largest.max(y.abs());
        }
        largest
    }
}

/// Sinc at `t` samples under a Hann window that ends at `half`.
fn windowed_sinc(t: f64, half: f64) -> f64 {
    use std::f64::consts::PI;
    if t.abs() < 1e-12 {
        return 1.0;
    }
    (PI * t).sin() / (PI * t) * 0.5 * (1.0 + (PI * t / half).cos())
}

/// `(|A| + |B|, sum |G[k]|)` of a phase; see [`Interpolator::bound`].
fn bound_gains(weights: &[f64], before: usize) -> (f64, f64) {
    let place = |tap: usize| tap as i64 - before as i64;
    let (mut a, mut b) = (0.0, 0.0);
    for (tap, h) in weights.iter().enumerate() {
        a += h * (1 - place(tap)) as f64;
        b += h * place(tap) as f64;
    }
    let bends = (0..weights.len()).map(|at| {
        let k = place(at);
        let terms = weights.iter().enumerate().map(|(tap, h)| {
            let i = place(tap);
            let c = if k > 0 { (i - k).max(0) } else { (k - i).max(0) };
            h * c as f64
        });
        terms.sum::<f64>().abs()
    });
    (a.abs() + b.abs(), bends.sum())
}

/// Follows the true peak of one channel, one reading a stretch of [`PEAK_HOP_S`].
#[derive(Clone, Debug)]
pub struct TruePeak {
    interpolator: Interpolator,
    sample_rate_hz: u64,
    /// Samples from `before` ahead of the current stretch onwards.
    pending: Vec<f32>,
    /// Stretches finished.
    done: u64,
    samples_seen: u64,
    group_peaks: Vec<f32>,
    group_bends: Vec<f32>,
}

impl TruePeak {
    /// A follower for one channel at `sample_rate_hz`.
    pub fn new(sample_rate_hz: u32) -> Self {
        let interpolator = Interpolator::new(oversampling(sample_rate_hz));
        let pending = vec![0.0; interpolator.before];
        Self {
            interpolator,
            sample_rate_hz: u64::from(sample_rate_hz.max(1)),
            pending,
            done: 0,
            samples_seen: 0,
            group_peaks: Vec::new(),
            group_bends: Vec::new(),
        }
    }

    /// Takes the next samples; raises `out[stretch]` to this channel's true peak for every stretch that is complete.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.samples_seen += samples.len() as u64;
        self.pending.extend_from_slice(samples);
        self.drain(out);
    }

    /// The tape is over: the last stretches, which may be shorter.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        self.pending.extend(std::iter::repeat_n(0.0, self.interpolator.after));
        self.drain(out);
        let left = self.samples_seen.saturating_sub(self.start_of(self.done)) as usize;
        if left > 0 {
            self.stretch(left, out);
        }
    }

    fn start_of(&self, stretch: u64) -> u64 {
        stretch * self.sample_rate_hz / STRETCHES_PER_S
    }

    fn drain(&mut self, out: &mut Vec<f32>) {
        loop {
            let length = (self.start_of(self.done + 1) - self.start_of(self.done)) as usize;
            if length == 0 || self.pending.len() < self.interpolator.before + length + self.interpolator.after {
                return;
            }
            self.stretch(length, out);
            self.pending.drain(..length);
        }
    }

    /// Reads the stretch at the head of `pending`.
    fn stretch(&mut self, length: usize, out: &mut Vec<f32>) {
        let at = self.done as usize;
        self.done += 1;
        if out.len() <= at {
            out.resize(at + 1, 0.0);
        }
        let first = self.interpolator.before;
        let own = &self.pending[first..first + length];
        let mut largest = own.iter().fold(out[at], |m, x| m.max(x.abs()));
        if !self.interpolator.phases.is_empty() {
            self.survey(first, length);
            for group in 0..self.group_peaks.len() {
                let (from, to) = (group.saturating_sub(1), (group + 2).min(self.group_bends.len()));
                let bend = self.group_bends[from..to].iter().fold(0.0f32, |m, d| m.max(*d));
                if self.interpolator.bound(self.group_peaks[group], bend) <= largest {
                    continue;
                }
                let start = first + group * GROUP;
                for i in start..(start + GROUP).min(first + length) {
                    largest = largest.max(self.interpolator.peak(&self.pending, i));
                }
            }
        }
        out[at] = largest;
    }

    /// Largest sample and largest second difference of each group of intervals of the stretch.
    fn survey(&mut self, first: usize, length: usize) {
        let (before, after) = (self.interpolator.before, self.interpolator.after);
        self.group_peaks.clear();
        self.group_bends.clear();
        let end = first + length;
        for start in (first..end).step_by(GROUP) {
            let stop = (start + GROUP).min(end);
            let peak = self.pending[start..=stop].iter().fold(0.0f32, |m, x| m.max(x.abs()));
            // The first and last group also answer for the taps that reach out of the stretch.
            let from = if start == first { first + 1 - before } else { start };
            let to = if stop == end { end + after - 1 } else { stop };
            self.group_peaks.push(peak);
            self.group_bends.push(largest_bend(&self.pending[from - 1..=to]));
        }
    }
}

/// Largest `|x[k-1] - 2 x[k] + x[k+1]|`.
fn largest_bend(samples: &[f32]) -> f32 {
    let mut largest = 0.0f32;
    for w in samples.windows(3) {
        largest = largest.max((w[0] - 2.0 * w[1] + w[2]).abs());
    }
    largest
}
