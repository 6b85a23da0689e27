//! Swing ratio: where between two beats the off-beat eighth falls.
//!
//! Conventions: phase 0 is the beat, 1 the next; ratio = phase / (1 - phase), long to short; 1.0 is straight.
//!
//! Limits: one ratio a take, that of the commonest off-beat; sixteenths and triplets in fills are left out by that.

use super::features::HOP_S;
use super::grid::Grid;
use super::strength::{CHANNELS, Strengths};
use crate::stats::{Measured, mad_sigma, median};

/// Phases at which an off-beat eighth may fall: ratios 0.7 to 6.
const PHASES: std::ops::Range<f64> = 0.41..0.86;
/// An off-beat counts from this share of the usual on-beat strength.
const LEAST_RE_BEAT: f32 = 0.2;
/// Width of the kernel for the commonest phase.
const KERNEL_PHASE: f64 = 0.02;
/// Off-beats this far from the commonest phase are something else.
const SAME_PHASE: f64 = 0.06;
/// Fewest off-beats that make a ratio.
const FEWEST: usize = 8;
/// Error of the mean place of an onset class that averaging does not remove, s.
const ONSET_FLOOR_S: f64 = 0.003;
/// Channels that carry eighths: the cymbals; failing those, sticks and chords.
const CHANNEL_SETS: [(&[usize], &str); 2] = [(&[6, 7], ""), (&[3, 4, 5, 9], "swing_from_comping")];

/// Swing ratio of a take from the off-beats of the ride or hi-hat.
///
/// # Method
/// The strongest rise of the cymbal bands between two beats, its phase counted from where the same bands rise on the beat;
/// the median about the commonest phase. Interval: spread over the root of the number, with a floor of 3 ms.
///
/// # Not measurable
/// `no_eighths_heard` with fewer than eight off-beats.
pub fn swing_ratio(strengths: &Strengths, grid: &Grid) -> Measured {
    for (channels, warning) in CHANNEL_SETS {
        if let Some(found) = ratio_of(strengths, grid, channels) {
            return if warning.is_empty() { found } else { found.with_warning(warning) };
        }
    }
    Measured::absent("no_eighths_heard")
}

fn ratio_of(strengths: &Strengths, grid: &Grid, channels: &[usize]) -> Option<Measured> {
    let weights: [f32; CHANNELS] = std::array::from_fn(|c| f32::from(channels.contains(&c)));
    let curve = strengths.plain_curve(&weights);
    let on: Vec<(f64, f32)> = grid
        .beats
        .iter()
        .filter_map(|b| {
            let reach = (0.08 * grid.period).min(6.0);
            peak(&curve, b.frame - reach, b.frame + reach).map(|(at, height)| (at - b.frame, height))
        })
        .collect();
    let late = median(&on.iter().map(|o| o.0).collect::<Vec<_>>())?;
    let usual = median(&on.iter().map(|o| f64::from(o.1)).collect::<Vec<_>>())? as f32;
    let phases: Vec<f64> = grid
        .beats
        .iter()
        .filter_map(|b| {
            let length = b.length?;
            let start = b.frame + late;
            let (at, height) = peak(&curve, start + PHASES.start * length, start + PHASES.end * length)?;
            (height > LEAST_RE_BEAT * usual).then_some((at - start) / length)
        })
        .collect();
    let centre = commonest(&phases)?;
    let same: Vec<f64> = phases.into_iter().filter(|p| (p - centre).abs() < SAME_PHASE).collect();
    if same.len() < FEWEST {
        return None;
    }
    let phase = median(&same)?;
    let spread = 1.25 * mad_sigma(&same)? / (same.len() as f64).sqrt();
    let floor = ONSET_FLOOR_S / (grid.period * HOP_S);
    let ratio = phase / (1.0 - phase);
    let half = 2.0 * spread.hypot(floor) / (1.0 - phase).powi(2);
    Some(Measured::new(ratio, (ratio - half).max(0.0), ratio + half, same.len() as u64))
}

/// The phase with the most off-beats around it.
fn commonest(phases: &[f64]) -> Option<f64> {
    let density = |x: f64| -> f64 { phases.iter().map(|p| (-0.5 * ((p - x) / KERNEL_PHASE).powi(2)).exp()).sum() };
    let grid = (0..=90).map(|i| PHASES.start + 0.005 * f64::from(i));
    grid.map(|x| (density(x), x)).filter(|d| d.0 > 0.0).max_by(|a, b| a.0.total_cmp(&b.0)).map(|d| d.1)
}

/// Largest local peak of the curve between two frames: fractional frame and height.
fn peak(curve: &[f32], from: f64, to: f64) -> Option<(f64, f32)> {
    let a = from.ceil().max(1.0) as usize;
    let b = (to.floor().max(0.0) as usize).min(curve.len().saturating_sub(2));
    let top = (a..=b)
        .filter(|i| curve[*i] >= curve[i - 1] && curve[*i] > curve[i + 1])
        .max_by(|x, y| curve[*x].total_cmp(&curve[*y]))?;
    let (l, m, r) = (f64::from(curve[top - 1]), f64::from(curve[top]), f64::from(curve[top + 1]));
    let shift = (0.5 * (l - r) / (l - 2.0 * m + r)).clamp(-0.5, 0.5);
    Some((top as f64 + shift, curve[top]))
}

/// Ratios of ride cymbals on recordings lie between these.
const PUBLISHED: (f64, f64) = (1.0, 3.5);
/// The short eighth of a ride cymbal at medium and fast tempi, ms.
const SHORT_EIGHTH_MS: f64 = 100.0;

/// What ride cymbals on published recordings swing at a tempo, long to short: a context, not a norm.
///
/// # Method and source
/// Friberg and Sundström, Music Perception 19(3), 2002: 3.5 to 1 at slow tempi falling to 1 to 1 at fast ones, the short eighth about 100 ms
/// long; so the beat in ms over 100, less one.
pub fn published_ratio(bpm: f64) -> f64 {
    (60_000.0 / bpm / SHORT_EIGHTH_MS - 1.0).clamp(PUBLISHED.0, PUBLISHED.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_ratio_falls_with_the_tempo() {
        // The identity of a short eighth of 100 ms (after Friberg and Sundström 2002), rounded as tabulated; slower than 133 and faster than
        // 300 the published range ends.
        for (bpm, ratio) in [
            (60.0, 3.5),
            (120.0, 3.5),
            (140.0, 3.29),
            (160.0, 2.75),
            (180.0, 2.33),
            (200.0, 2.0),
            (240.0, 1.5),
            (260.0, 1.31),
            (300.0, 1.0),
            (330.0, 1.0),
        ] {
            assert!((published_ratio(bpm) - ratio).abs() < 0.006, "{bpm}: {}", published_ratio(bpm));
        }
    }
}
