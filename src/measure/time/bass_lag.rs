//! Bass against drums: how long after the ride's stroke the bass sounds.
//!
//! Conventions: plus = bass late. The onset of a note is, by rule, where its sound has a tenth of its largest amplitude. A
//! profile holds mean onset curves around the ride's strokes; candidate lags are compared by how well a bass onset there,
//! beside whatever falls with the ride (kick, chords), explains it.
//!
//! Limits: one room recording hears kick, chords and bass on the same beat, and the room smears the low end: on mixes with
//! known onsets the 95 % interval is 10 to 25 ms to each side. Basses differ by 8.5 ms (standard deviation, fifteen sampled and
//! real ones) in how soon they sound after they are played, and how slowly they rise does not tell which is which. A lag is only
//! told within 5 ms, so from the room none is; what the sound leaves open is. What was tried stands in `benches/README.md`.

use super::grid::Grid;
use super::lag_weights::{CANDIDATE, FIXED, OFFSET, OUTPUT, SHIFTED};
use super::strength::{CHANNELS, Strengths};
use crate::stats::{Measured, mad_sigma, median};

/// What the sound says about bass and drums.
#[derive(Clone, Debug)]
pub struct BassToDrums {
    /// The largest distance, early or late, that the sound leaves open at 95 %, ms.
    pub at_most_ms: Measured,
    /// Standard deviation of single bass onsets against the drums, ms, onset error included.
    pub spread_ms: Measured,
}

impl BassToDrums {
    /// Nothing, and why.
    pub fn absent(reason: &str) -> Self {
        let no = || Measured::absent(reason);
        Self { at_most_ms: no(), spread_ms: no() }
    }
}

/// Frames before and after the ride's stroke that the profile spans.
const PROFILE_FRAMES: (usize, usize) = (12, 24);
const WIDTH: usize = PROFILE_FRAMES.0 + PROFILE_FRAMES.1 + 1;
/// Curves of the profile: the low flux, and the rise of amplitude in 35 to 95, 95 to 200 and 200 to 400 Hz.
const CURVES: usize = 4;
/// Values of a profile.
pub const PROFILE_LENGTH: usize = CURVES * WIDTH;
/// Candidate lags, ms: every fourth from the first to the last.
const CANDIDATES_MS: (i32, i32) = (-56, 56);
const CANDIDATE_STEP_MS: usize = 4;
/// Frames of the profile that are seen from a candidate lag, and those seen from the ride.
const SHIFTED_FRAMES: std::ops::RangeInclusive<i32> = -5..=12;
const FIXED_FRAMES: std::ops::Range<usize> = 8..20;
/// Median bass of the calibration: its sound starts this long after its nominal start, counted from the ride's, ms.
const USUAL_DELAY_MS: f64 = 2.0;
/// Error of the ride's own onset, standard deviation, ms.
const RIDE_SD_MS: f64 = 2.0;
/// Where single bass onsets are looked for around the beat, frames.
const SEARCH_FRAMES: (f64, f64) = (-8.0, 20.0);
/// Where the ride is looked for around the beat, frames to each side.
const RIDE_FRAMES: f64 = 6.0;
/// A single bass onset counts from this share of the strong ones.
const LEAST_RE_STRONG: f64 = 0.35;
/// Fewest beats.
const FEWEST: usize = 24;
const LOW_FLUX: usize = super::features::LOW_FLUX;
const FRAME_MS: f64 = 1000.0 * super::features::HOP_S;

/// Bass onsets against the ride's.
///
/// # Not measurable
/// `no_cymbals_heard`; `too_few_bass_onsets` under 24.
pub fn bass_to_drums(strengths: &Strengths, grid: &Grid) -> BassToDrums {
    let Some(stroke) = stroke_frames(strengths, grid) else { return BassToDrums::absent("no_cymbals_heard") };
    let Some(profile) = profile(strengths, grid, stroke) else { return BassToDrums::absent("too_few_bass_onsets") };
    let (mean, sd) = likely_lag_ms(&profile);
    let (value, half) = (mean - USUAL_DELAY_MS, 1.96 * sd.hypot(RIDE_SD_MS));
    BassToDrums {
        at_most_ms: Measured::plain(value.abs() + half, grid.beats.len() as u64),
        spread_ms: spread_ms(strengths, grid),
    }
}

/// Mean onset curves around the ride's strokes, each curve above its own floor and with a sum of 10.
pub fn profile(strengths: &Strengths, grid: &Grid, stroke_frames: f64) -> Option<[f64; PROFILE_LENGTH]> {
    let n = strengths.len();
    let mut out = [0.0; PROFILE_LENGTH];
    let mut count = 0;
    for beat in &grid.beats {
        let first = beat.frame + stroke_frames - PROFILE_FRAMES.0 as f64;
        if first < 3.0 || first + WIDTH as f64 + 4.0 > n as f64 {
            continue;
        }
        count += 1;
        let (whole, part) = (first.floor() as usize, first.fract());
        for (curve, sums) in out.chunks_exact_mut(WIDTH).enumerate() {
            let at = |frame: usize| curve_value(strengths, curve, frame);
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum += (1.0 - part) * at(whole + k) + part * at(whole + k + 1);
            }
        }
    }
    if count < FEWEST {
        return None;
    }
    for curve in out.chunks_exact_mut(WIDTH) {
        let floor = crate::stats::quantile(curve, 0.1)?;
        curve.iter_mut().for_each(|x| *x = (*x - floor).max(0.0));
        let sum: f64 = curve.iter().sum();
        if sum <= 0.0 {
            return None;
        }
        curve.iter_mut().for_each(|x| *x *= 10.0 / sum);
    }
    Some(out)
}

fn curve_value(strengths: &Strengths, curve: usize, frame: usize) -> f64 {
    if curve == 0 {
        return f64::from(strengths.row(frame)[LOW_FLUX]);
    }
    let amplitude = |t: usize| 10f64.powf(f64::from(strengths.level_db(t, curve - 1)) / 20.0);
    (amplitude(frame + 2) - amplitude(frame - 2)).max(0.0)
}

/// Mean and standard deviation of the lag of the bass's sound that a profile speaks for, ms.
fn likely_lag_ms(profile: &[f64; PROFILE_LENGTH]) -> (f64, f64) {
    let candidates: Vec<f64> = (CANDIDATES_MS.0..=CANDIDATES_MS.1).step_by(CANDIDATE_STEP_MS).map(f64::from).collect();
    let scores: Vec<f64> = candidates.iter().map(|lag| score(profile, *lag)).collect();
    let top = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = scores.iter().map(|s| (s - top).exp()).collect();
    let sum: f64 = weights.iter().sum();
    let mean = weights.iter().zip(&candidates).map(|(w, l)| w * l).sum::<f64>() / sum;
    let square = weights.iter().zip(&candidates).map(|(w, l)| w * (l - mean).powi(2)).sum::<f64>() / sum;
    (mean, square.sqrt())
}

/// Log-odds of one candidate lag.
fn score(profile: &[f64; PROFILE_LENGTH], lag_ms: f64) -> f64 {
    let shifted: Vec<f64> = profile
        .chunks_exact(WIDTH)
        .flat_map(|curve| {
            SHIFTED_FRAMES.map(move |k| {
                let place = f64::from(k) + lag_ms / FRAME_MS + PROFILE_FRAMES.0 as f64;
                let i = (place.floor().max(0.0) as usize).min(WIDTH - 2);
                let part = (place - i as f64).clamp(0.0, 1.0);
                (1.0 - part) * curve[i] + part * curve[i + 1]
            })
        })
        .collect();
    let fixed: Vec<f64> = profile.chunks_exact(WIDTH).flat_map(|curve| curve[FIXED_FRAMES].to_vec()).collect();
    let candidate = [lag_ms / 40.0, (lag_ms / 40.0).powi(2)];
    let dot = |weights: &[f64], values: &[f64]| -> f64 { weights.iter().zip(values).map(|(w, x)| w * x).sum() };
    (0..OUTPUT.len())
        .map(|unit| {
            let part = |weights: &[f64], values: &[f64]| dot(&weights[unit * values.len()..], values);
            let input = OFFSET[unit] + part(&SHIFTED, &shifted) + part(&FIXED, &fixed) + part(&CANDIDATE, &candidate);
            OUTPUT[unit] * input.tanh()
        })
        .sum()
}

/// Median place of the ride's strokes against the beats, frames.
pub fn stroke_frames(strengths: &Strengths, grid: &Grid) -> Option<f64> {
    let ride = one_channel(strengths, 7);
    let strokes: Vec<f64> = grid
        .beats
        .iter()
        .filter_map(|b| top(&ride, b.frame - RIDE_FRAMES, b.frame + RIDE_FRAMES).map(|t| t.0 - b.frame))
        .collect();
    median(&strokes)
}

/// Spread of the places at which the low flux is largest around the beats.
fn spread_ms(strengths: &Strengths, grid: &Grid) -> Measured {
    let bass = one_channel(strengths, LOW_FLUX);
    let notes: Vec<(f64, f64)> = grid
        .beats
        .iter()
        .filter_map(|b| {
            let (at, height) = top(&bass, b.frame + SEARCH_FRAMES.0, b.frame + SEARCH_FRAMES.1)?;
            Some(((at - b.frame) * FRAME_MS, height))
        })
        .collect();
    let heights: Vec<f64> = notes.iter().map(|n| n.1).collect();
    let strong = crate::stats::quantile(&heights, 0.9).unwrap_or(0.0);
    let times: Vec<f64> = notes.iter().filter(|n| n.1 > LEAST_RE_STRONG * strong).map(|n| n.0).collect();
    match mad_sigma(&times).filter(|_| times.len() >= FEWEST) {
        // Two standard errors of a spread of n values.
        Some(spread) => {
            Measured::symmetric(spread, 2.0 * spread / (2.0 * times.len() as f64).sqrt(), times.len() as u64)
        }
        None => Measured::absent("too_few_bass_onsets"),
    }
}

fn one_channel(strengths: &Strengths, channel: usize) -> Vec<f32> {
    let weights: [f32; CHANNELS] = std::array::from_fn(|c| f32::from(c == channel));
    strengths.plain_curve(&weights)
}

/// Largest value of the curve between two frames, with its place by a parabola.
fn top(curve: &[f32], from: f64, to: f64) -> Option<(f64, f64)> {
    let a = from.round().max(1.0) as usize;
    let b = (to.round().max(0.0) as usize).min(curve.len().saturating_sub(2));
    let i = (a..=b).max_by(|x, y| curve[*x].total_cmp(&curve[*y]))?;
    let (l, m, r) = (f64::from(curve[i - 1]), f64::from(curve[i]), f64::from(curve[i + 1]));
    let bend = l - 2.0 * m + r;
    let shift = if bend < -1e-9 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some((i as f64 + shift, m))
}
