//! Sums of decaying sines, as fast as they can be made without a table.
//!
//! Conventions: a partial is amp * sin(2 pi hz t + phase) * (exp(-t / decay) - exp(-t / rise')); all partials of a note share
//! one glide, hz(t) = hz * (1 + glide * exp(-t / glide_s)).
//! Stretch by stretch (128 samples while the pitch glides, 512 after) phase and level start anew from `f64` arithmetic; in
//! between a complex rotation in `f32` runs in eight lanes, so errors do not build up.

use std::f64::consts::TAU;

/// Samples a stretch while the pitch moves, and once it stands.
const STRETCH: [usize; 2] = [128, 512];
const LANES: usize = 8;
/// A partial that has fallen to this amplitude is let go (-96 dB).
const INAUDIBLE: f64 = 1.6e-5;

/// One decaying sine.
#[derive(Clone, Copy, Debug)]
pub(in crate::demo) struct Partial {
    pub hz: f64,
    pub amplitude: f64,
    pub decay_s: f64,
    /// Time constant of the rise; 0 = at once.
    pub rise_s: f64,
    pub phase: f64,
}

/// Pitch at the attack above the settled pitch.
#[derive(Clone, Copy, Debug)]
pub(in crate::demo) struct Glide {
    /// Share of the frequency; 0.003 is about 5 cents.
    pub share: f64,
    pub fall_s: f64,
}

impl Glide {
    pub const NONE: Self = Self { share: 0.0, fall_s: 1.0 };
}

/// Frequencies of a stiff string whose FIRST partial lies at `first_hz`: f_n = n f0 sqrt(1 + B n^2).
pub(in crate::demo) fn stiff_partial_hz(first_hz: f64, b: f64, n: usize) -> f64 {
    let n = n as f64;
    n * first_hz * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
}

/// A run of samples and the warped time at its start.
struct Stretch {
    start: usize,
    end: usize,
    warped_s: f64,
    warped_step_s: f64,
}

fn stretches(frames: usize, rate_hz: f64, glide: Glide) -> Vec<Stretch> {
    let warped = |frame: usize| {
        let t = frame as f64 / rate_hz;
        t + glide.share * glide.fall_s * (1.0 - (-t / glide.fall_s).exp())
    };
    let settled = if glide.share == 0.0 { 0 } else { (10.0 * glide.fall_s * rate_hz) as usize };
    let mut out = Vec::new();
    let mut start = 0;
    while start < frames {
        let length = STRETCH[usize::from(start >= settled)];
        let warped_s = warped(start);
        let warped_step_s = (warped(start + length) - warped_s) / length as f64;
        out.push(Stretch { start, end: (start + length).min(frames), warped_s, warped_step_s });
        start += length;
    }
    out
}

/// Adds the partials to `out`; partials above 0.45 of the rate are left out.
pub(in crate::demo) fn add(out: &mut [f32], rate_hz: f64, partials: &[Partial], glide: Glide) {
    let stretches = stretches(out.len(), rate_hz, glide);
    for partial in partials.iter().filter(|p| p.hz < 0.45 * rate_hz && p.hz > 0.0) {
        add_one(out, rate_hz, partial, &stretches, 1.0 / partial.decay_s, partial.amplitude);
        if partial.rise_s > 0.0 {
            // The rise is a second copy that cancels the first at the onset and dies at once.
            let rate = 1.0 / partial.decay_s + 1.0 / partial.rise_s;
            add_one(out, rate_hz, partial, &stretches, rate, -partial.amplitude);
        }
    }
}

fn add_one(out: &mut [f32], rate_hz: f64, partial: &Partial, stretches: &[Stretch], falls_per_s: f64, amplitude: f64) {
    let fall_sample = (-falls_per_s / rate_hz).exp();
    let mut level = amplitude;
    for stretch in stretches {
        if level.abs() < INAUDIBLE {
            return;
        }
        let start = TAU * (partial.hz * stretch.warped_s).fract() + partial.phase;
        let step = TAU * partial.hz * stretch.warped_step_s;
        rotate(&mut out[stretch.start..stretch.end], level, start, step, fall_sample);
        level *= fall_sample.powi((stretch.end - stretch.start) as i32);
    }
}

#[inline]
fn rotate(block: &mut [f32], level: f64, start: f64, step: f64, fall: f64) {
    let (w_im, w_re) = step.sin_cos();
    let (w_re, w_im) = (w_re * fall, w_im * fall);
    let (mut im, mut re) = start.sin_cos();
    let (mut res, mut ims) = ([0f32; LANES], [0f32; LANES]);
    let (mut power_re, mut power_im) = (1.0, 0.0);
    for lane in 0..LANES {
        res[lane] = (level * re) as f32;
        ims[lane] = (level * im) as f32;
        (re, im) = (re * w_re - im * w_im, re * w_im + im * w_re);
        (power_re, power_im) = (power_re * w_re - power_im * w_im, power_re * w_im + power_im * w_re);
    }
    let (p_re, p_im) = (power_re as f32, power_im as f32);
    let mut chunks = block.chunks_exact_mut(LANES);
    for chunk in &mut chunks {
        for lane in 0..LANES {
            chunk[lane] += ims[lane];
            let turned = res[lane] * p_re - ims[lane] * p_im;
            ims[lane] = res[lane] * p_im + ims[lane] * p_re;
            res[lane] = turned;
        }
    }
    for (slot, value) in chunks.into_remainder().iter_mut().zip(ims) {
        *slot += value;
    }
}

/// Fades `out` from `from_s` on with the time constant `release_s`; used when a note is let go.
pub(in crate::demo) fn let_go(out: &mut [f32], rate_hz: f64, from_s: f64, release_s: f64) {
    let start = ((from_s * rate_hz) as usize).min(out.len());
    let fall = (-1.0 / (release_s * rate_hz)).exp();
    let mut gain = 1.0;
    for x in &mut out[start..] {
        *x *= gain as f32;
        gain *= fall;
    }
}

/// Length in samples of a note with its release.
pub(in crate::demo) fn frames(rate_hz: f64, length_s: f64, release_s: f64) -> usize {
    ((length_s + 6.0 * release_s) * rate_hz) as usize + 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_partial_is_the_closed_form_to_minus_90_db() {
        let fs = 44_100.0;
        let p = Partial { hz: 441.7, amplitude: 0.8, decay_s: 0.3, rise_s: 0.004, phase: 0.4 };
        let glide = Glide { share: 0.003, fall_s: 0.05 };
        let mut out = vec![0f32; 30_001];
        add(&mut out, fs, &[p], glide);
        // Inside a stretch the glide moves in one straight step: compare on borders of stretches and once it has died away.
        for k in [0usize, 128, 256, 1280, 22_600, 23_111, 30_000] {
            let t = k as f64 / fs;
            let warped = t + glide.share * glide.fall_s * (1.0 - (-t / glide.fall_s).exp());
            let envelope = (-t / p.decay_s).exp() * (1.0 - (-t / p.rise_s).exp());
            let want = p.amplitude * envelope * (TAU * p.hz * warped + p.phase).sin();
            assert!((f64::from(out[k]) - want).abs() < 2e-5, "sample {k}: {} for {want}", out[k]);
        }
    }

    /// f_n = n f0 sqrt(1 + B n^2), offsets from n f_1 in cents: computed from the published formula.
    #[test]
    fn stiff_string_table_of_offsets_from_the_harmonic_series() {
        for (b, n, cents) in [(1e-4, 10, 8.53), (4e-4, 10, 33.60), (5e-5, 20, 17.10), (2e-4, 4, 2.59)] {
            let hz = stiff_partial_hz(100.0, b, n);
            let got = 1200.0 * (hz / (100.0 * n as f64)).log2();
            assert!((got - cents).abs() < 0.006, "B {b} n {n}: {got}");
        }
    }
}
