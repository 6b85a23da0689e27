//! True peak: the largest value of the waveform between the samples, by oversampling (ITU-R BS.1770-5 annex 2).
//!
//! Conventions: amplitudes, full scale = 1.0; one reading a stretch of [`PEAK_HOP_S`]; a stretch owns the intervals from
//! each of its samples to the next.
//! Method: 4 times oversampling below 96 kHz, 2 times below 192 kHz, none from there on, by a windowed-sinc interpolator
//! of 48 taps in all; its first phase is the sample itself, so no reading lies below the sample peak. Not every interval
//! is interpolated: see `Interpolator::bound`, which proves for most of them that they cannot hold the largest value.
//! Limits: a peak may fall between the points: at most 0.69 dB are missed at half the sample rate, 0.17 dB at a quarter.

use multiversion::multiversion;

/// Length of a stretch, seconds.
pub const PEAK_HOP_S: f64 = 0.1;
/// Stretches a second.
const STRETCHES_PER_S: u64 = 10;
/// Taps of the whole interpolator, all phases together.
const TAPS: usize = 48;
/// Samples that share one bound; must not be shorter than the reach of a tap.
const GROUP: usize = 16;
/// Width in which sums and maxima run side by side; must divide [`GROUP`] and hold all phases but the first.
const LANES: usize = 4;
/// Width in which extremes are looked for.
const WIDE: usize = 8;

/// Interpolates between neighbouring samples and bounds what the interpolation can give.
#[derive(Clone, Debug)]
struct Interpolator {
    /// `[tap][phase - 1]`: weights of the samples `before` ahead of the interval's left end onwards; phase 0 is the sample
    /// itself and left out, phases that do not exist are zero.
    taps: Vec<[f32; LANES]>,
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
        let weight = |phase: usize, tap: usize| {
            let at = phase as f64 / factor as f64;
            windowed_sinc(at - (tap as f64 - before as f64), half as f64)
        };
        let gains = (1..factor).map(|phase| {
            let weights: Vec<f64> = (0..2 * half).map(|tap| weight(phase, tap)).collect();
            bound_gains(&weights, before)
        });
        let (ends, bend) = gains.fold((1.0, 0.0), |(a, b), (e, d)| (f64::max(a, e), f64::max(b, d)));
        // Rounding of the f32 weights and sums stays below this share of the ends.
        let margin = 1.0 + 1e-5;
        let lane = |tap, lane: usize| if lane + 1 < factor { weight(lane + 1, tap) as f32 } else { 0.0 };
        Self {
            taps: (0..2 * half).map(|tap| std::array::from_fn(|l| lane(tap, l))).collect(),
            before,
            after,
            ends_gain: (ends * margin) as f32,
            bend_gain: (bend * margin) as f32,
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
        let mut sums = [0.0f32; LANES];
        for (weights, x) in self.taps.iter().zip(&samples[at - self.before..=at + self.after]) {
            for (sum, h) in sums.iter_mut().zip(weights) {
                *sum += h * x;
            }
        }
        sums.iter().fold(0.0f32, |m, y| m.max(y.abs()))
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

/// `(|A| + |B|, sum |G[k]|)` of a phase; see `Interpolator::bound`.
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

/// Largest sample and largest second difference of a group of intervals.
#[derive(Clone, Copy, Debug, Default)]
struct Group {
    /// Over the group's own samples, the interval ends that it shares with the next group left out.
    sample: f32,
    /// Around the group's own samples.
    bend: f32,
    /// Nothing inside the group's intervals is larger than this.
    bound: f32,
}

/// Follows the true peak of one channel, one reading a stretch of [`PEAK_HOP_S`].
#[derive(Clone, Debug)]
pub struct TruePeak {
    interpolator: Interpolator,
    /// False where the sample peak is all that the standard asks for.
    oversampled: bool,
    sample_rate_hz: u64,
    /// Samples from `before` ahead of the current stretch onwards.
    pending: Vec<f32>,
    /// Stretches finished.
    done: u64,
    samples_seen: u64,
    groups: Vec<Group>,
}

impl TruePeak {
    /// A follower for one channel at `sample_rate_hz`.
    pub fn new(sample_rate_hz: u32) -> Self {
        let factor = oversampling(sample_rate_hz);
        let interpolator = Interpolator::new(factor);
        Self {
            pending: vec![0.0; interpolator.before],
            interpolator,
            oversampled: factor > 1,
            sample_rate_hz: u64::from(sample_rate_hz.max(1)),
            done: 0,
            samples_seen: 0,
            groups: Vec::new(),
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
            self.stretch(0, left, out);
        }
    }

    fn start_of(&self, stretch: u64) -> u64 {
        stretch * self.sample_rate_hz / STRETCHES_PER_S
    }

    fn drain(&mut self, out: &mut Vec<f32>) {
        // What is done with goes once, at the end: each time the rest has to move up.
        let mut from = 0;
        loop {
            let length = (self.start_of(self.done + 1) - self.start_of(self.done)) as usize;
            if length == 0 || self.pending.len() < from + self.interpolator.before + length + self.interpolator.after {
                break;
            }
            self.stretch(from, length, out);
            from += length;
        }
        self.pending.drain(..from);
    }

    /// Reads the stretch that begins at `from` in `pending`.
    fn stretch(&mut self, from: usize, length: usize, out: &mut Vec<f32>) {
        let at = self.done as usize;
        self.done += 1;
        if out.len() <= at {
            out.resize(at + 1, 0.0);
        }
        self.survey(from, length);
        let mut largest = self.groups.iter().fold(out[at], |m, g| m.max(g.sample));
        if self.oversampled {
            self.bound_groups(from, length);
            // The most promising group first: what it holds rules out most of the others.
            let most = |best: usize, g: usize| if self.groups[g].bound > self.groups[best].bound { g } else { best };
            let first = (1..self.groups.len()).fold(0, most);
            largest = self.read_group(first, from, length, largest);
            for group in (0..self.groups.len()).filter(|g| *g != first) {
                if self.groups[group].bound > largest {
                    largest = self.read_group(group, from, length, largest);
                }
            }
        }
        out[at] = largest;
    }

    /// Largest second difference that a tap of the group's intervals can touch.
    fn bend_around(&self, group: usize) -> f32 {
        let near = group.saturating_sub(1)..(group + 2).min(self.groups.len());
        self.groups[near].iter().fold(0.0f32, |m, g| m.max(g.bend))
    }

    /// Bounds what lies inside the intervals of every group.
    fn bound_groups(&mut self, from: usize, length: usize) {
        for group in 0..self.groups.len() {
            let end = self.pending[from + self.interpolator.before + ((group + 1) * GROUP).min(length)].abs();
            let largest = self.groups[group].sample.max(end);
            self.groups[group].bound = self.interpolator.bound(largest, self.bend_around(group));
        }
    }

    /// Interpolates the intervals of a group that could exceed `largest`, and returns the larger.
    fn read_group(&self, group: usize, from: usize, length: usize, mut largest: f32) -> f32 {
        let bend = self.bend_around(group);
        let first = from + self.interpolator.before;
        let start = first + group * GROUP;
        for i in start..(start + GROUP).min(first + length) {
            let ends = self.pending[i].abs().max(self.pending[i + 1].abs());
            if self.interpolator.bound(ends, bend) > largest {
                largest = largest.max(self.interpolator.peak(&self.pending, i));
            }
        }
        largest
    }

    /// Largest sample and second difference of each group of the stretch.
    fn survey(&mut self, from: usize, length: usize) {
        let (before, after) = (self.interpolator.before, self.interpolator.after);
        let samples = &self.pending[from..];
        self.groups.clear();
        groups_of(&samples[before - 1..=before + length], &mut self.groups);
        // The first and last group also answer for the taps that reach out of the stretch.
        let ahead = extremes(&samples[..=before]).bend;
        let behind = extremes(&samples[before + length - 1..before + length + after]).bend;
        if let Some(first) = self.groups.first_mut() {
            first.bend = first.bend.max(ahead);
        }
        if let Some(last) = self.groups.last_mut() {
            last.bend = last.bend.max(behind);
        }
    }
}

/// Extremes of every group of the samples but the first and last.
#[multiversion(targets("x86_64+avx2"))]
fn groups_of(samples: &[f32], groups: &mut Vec<Group>) {
    let length = samples.len() - 2;
    let whole = length / GROUP;
    groups.extend((0..whole).map(|g| {
        let own: &[f32; GROUP + 2] = samples[g * GROUP..].first_chunk().unwrap_or(&[0.0; GROUP + 2]);
        extremes(own)
    }));
    if length > whole * GROUP {
        groups.push(extremes(&samples[whole * GROUP..]));
    }
}

/// Largest size of the samples but the first and last, and of their second differences.
#[inline(always)]
fn extremes(samples: &[f32]) -> Group {
    let larger = |a: f32, b: f32| if b > a { b } else { a };
    let (mut sample, mut bend) = ([0.0f32; WIDE], [0.0f32; WIDE]);
    let own = samples.len().saturating_sub(2);
    let (left, middle, right) = (&samples[..own], &samples[1..=own], &samples[samples.len() - own..]);
    let chunks = middle.chunks_exact(WIDE).zip(left.chunks_exact(WIDE).zip(right.chunks_exact(WIDE)));
    for (x, (l, r)) in chunks {
        for lane in 0..WIDE {
            sample[lane] = larger(sample[lane], x[lane].abs());
            bend[lane] = larger(bend[lane], (l[lane] - 2.0 * x[lane] + r[lane]).abs());
        }
    }
    for i in own / WIDE * WIDE..own {
        sample[0] = larger(sample[0], middle[i].abs());
        bend[0] = larger(bend[0], (left[i] - 2.0 * middle[i] + right[i]).abs());
    }
    let largest = |lanes: [f32; WIDE]| {
        let four: [f32; WIDE / 2] = std::array::from_fn(|k| larger(lanes[k], lanes[k + WIDE / 2]));
        larger(larger(four[0], four[2]), larger(four[1], four[3]))
    };
    Group { sample: largest(sample), bend: largest(bend), bound: 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(state: &mut u64) -> f32 {
        *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }

    /// White noise, sparse clicks, a tone near a quarter of the rate, a swelling tone, noise far from the peak.
    fn signals(frames: usize) -> Vec<Vec<f32>> {
        let mut state = 11;
        vec![
            (0..frames).map(|_| noise(&mut state)).collect(),
            (0..frames).map(|_| if noise(&mut state) > 0.999 { noise(&mut state) } else { 0.0 }).collect(),
            (0..frames).map(|n| (n as f32 * 1.5709 + 0.78).sin()).collect(),
            (0..frames).map(|n| (n as f32 * 0.05).sin() * (n as f32 * 3e-4).sin()).collect(),
            (0..frames).map(|n| 0.3 * noise(&mut state) + (n as f32 * 0.01).sin()).collect(),
        ]
    }

    fn followed(rate: u32, samples: &[f32], cut: usize) -> Vec<f32> {
        let (mut follower, mut out) = (TruePeak::new(rate), Vec::new());
        samples.chunks(cut).for_each(|part| follower.push(part, &mut out));
        follower.finish(&mut out);
        out
    }

    /// Every interval interpolated, stretch by stretch.
    fn slow(rate: u32, samples: &[f32]) -> Vec<f32> {
        let interpolator = Interpolator::new(oversampling(rate));
        let mut padded = vec![0.0; interpolator.before];
        padded.extend_from_slice(samples);
        padded.extend(vec![0.0; interpolator.after]);
        let stretch = |n: usize| n * rate as usize / 10;
        let count = (0..).take_while(|n| stretch(*n) < samples.len()).count();
        let one = |n: usize| {
            (stretch(n)..stretch(n + 1).min(samples.len()))
                .map(|i| samples[i].abs().max(interpolator.peak(&padded, i + interpolator.before)))
                .fold(0.0f32, f32::max)
        };
        (0..count).map(one).collect()
    }

    #[test]
    fn skipping_intervals_gives_what_interpolating_all_of_them_gives() {
        for rate in [8000, 11_025, 44_100, 48_000, 96_000, 192_000] {
            for samples in signals(rate as usize * 7 / 20 + 13) {
                let want = slow(rate, &samples);
                for cut in [1, 997, samples.len()] {
                    assert_eq!(followed(rate, &samples, cut), want, "rate {rate}, blocks of {cut}");
                }
            }
        }
    }

    #[test]
    fn no_interpolated_value_exceeds_its_bound() {
        for factor in [2, 4] {
            let interpolator = Interpolator::new(factor);
            for samples in signals(4000) {
                for at in interpolator.before..samples.len() - interpolator.after {
                    let ends = samples[at].abs().max(samples[at + 1].abs());
                    let bend = extremes(&samples[at - interpolator.before..=at + interpolator.after]).bend;
                    assert!(interpolator.peak(&samples, at) <= interpolator.bound(ends, bend), "{factor} at {at}");
                }
            }
        }
    }

    /// BS.1770-5 annex 2: a phase shift hides 3 dB of a tone at a quarter of the rate from the samples.
    #[test]
    fn a_quarter_rate_tone_at_45_degrees_reads_its_amplitude_and_not_its_samples() {
        let tone: Vec<f32> =
            (0..4800).map(|n| (n as f32 * std::f32::consts::FRAC_PI_2 + std::f32::consts::FRAC_PI_4).sin()).collect();
        let middle = followed(48_000, &[vec![0.0; 4800], tone, vec![0.0; 4800]].concat(), 500)[1];
        assert!((0.99..1.05).contains(&middle), "{middle}");
    }

    #[test]
    fn the_bound_is_tight_enough_to_be_worth_it() {
        let interpolator = Interpolator::new(4);
        assert!(interpolator.ends_gain < 1.02, "{}", interpolator.ends_gain);
        assert!(interpolator.bend_gain < 0.5, "{}", interpolator.bend_gain);
    }
}
