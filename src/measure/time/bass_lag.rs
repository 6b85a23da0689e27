//! Bass against drums: when the bass speaks, counted from the ride's stroke.
//!
//! Conventions: plus = bass late. The onset of a bass note is, by rule, the place where its low partials rise fastest (the
//! peak of the low flux, 47 to 375 Hz) less `ATTACK_BIAS_MS`; that of the drums is where the cymbals rise fastest.
//!
//! Limits: plucked basses differ by more than 10 ms in how soon they speak, and a chord on the same beat adds to the flux.
//! Calibrated on 86 mixes with known note times (nine basses, sampled and real): the error that is left with a bass that
//! was not in the calibration has a standard deviation of 10 ms. Nothing smaller than that is claimed.

use super::grid::Grid;
use super::strength::{CHANNELS, Strengths};
use crate::stats::{Measured, mad_sigma, median};

/// Delay of the fastest rise after the note's nominal start, median of the calibration, ms.
const ATTACK_BIAS_MS: f64 = 12.4;
/// Standard deviation of that delay between basses, ms (calibration, each bass left out in turn).
const ATTACK_SD_MS: f64 = 10.2;
/// Where the bass is looked for around the beat, frames.
const SEARCH_FRAMES: (f64, f64) = (-8.0, 20.0);
/// Where the ride is looked for around the beat, frames to each side.
const RIDE_FRAMES: f64 = 6.0;
/// A bass onset counts from this share of the strong ones.
const LEAST_RE_STRONG: f64 = 0.35;
/// Fewest bass onsets.
const FEWEST: usize = 24;
/// Place of the low flux among the channels.
const LOW_FLUX: usize = super::features::LOW_FLUX;

/// Median of bass onset minus ride onset.
///
/// # Not measurable
/// `too_few_bass_onsets`; `no_cymbals_heard`; `within_onset_error` where the offset is no larger than what the onset of an
/// unknown bass leaves open (then bass and drums agree as far as this can tell).
pub fn bass_to_drums_ms(strengths: &Strengths, grid: &Grid) -> Measured {
    let only = |channels: &[usize]| -> Vec<f32> {
        let weights: [f32; CHANNELS] = std::array::from_fn(|c| f32::from(channels.contains(&c)));
        strengths.plain_curve(&weights)
    };
    let (bass, ride) = (only(&[LOW_FLUX]), only(&[7]));
    let frame_ms = 1000.0 * super::features::HOP_S;
    let strokes: Vec<f64> = grid
        .beats
        .iter()
        .filter_map(|b| top(&ride, b.frame - RIDE_FRAMES, b.frame + RIDE_FRAMES).map(|t| (t.0 - b.frame) * frame_ms))
        .collect();
    let Some(stroke_ms) = median(&strokes) else { return Measured::absent("no_cymbals_heard") };
    let notes: Vec<(f64, f64)> = grid
        .beats
        .iter()
        .filter_map(|b| {
            let (at, height) = top(&bass, b.frame + SEARCH_FRAMES.0, b.frame + SEARCH_FRAMES.1)?;
            Some(((at - b.frame) * frame_ms, height))
        })
        .collect();
    let heights: Vec<f64> = notes.iter().map(|n| n.1).collect();
    let strong = crate::stats::quantile(&heights, 0.9).unwrap_or(0.0);
    let times: Vec<f64> = notes.iter().filter(|n| n.1 > LEAST_RE_STRONG * strong).map(|n| n.0).collect();
    if times.len() < FEWEST {
        return Measured::absent("too_few_bass_onsets");
    }
    let (Some(middle), Some(spread)) = (median(&times), mad_sigma(&times)) else {
        return Measured::absent("too_few_bass_onsets");
    };
    let value = middle - stroke_ms - ATTACK_BIAS_MS;
    let half = 1.96 * ATTACK_SD_MS.hypot(1.25 * spread / (times.len() as f64).sqrt());
    if value.abs() <= half {
        return Measured::absent("within_onset_error");
    }
    Measured::symmetric(value, half, times.len() as u64)
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
