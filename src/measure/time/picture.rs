//! One picture of the bar: how often each voice of the rhythm section sounds at each place of it.
//!
//! Conventions: [`PLACES`] places a beat, the first centred on the beat; a value is the share of the bars in which an onset
//! falls there, 0 to 1.
//!
//! Limits: voices are frequency bands. The kick's also holds the bass; the snare's also holds chords. The hi-hat's closing
//! is told by the cymbals dying away sooner than on beats 1 and 3: hats that are struck on every beat are cymbals only.

use super::features::LOW_FLUX;
use super::grid::{Grid, GridBeat};
use super::strength::{CHANNELS, Strengths};
use crate::stats::{median, quantile};

/// Places in a beat.
pub const PLACES: usize = 12;
/// An onset counts from this share of the strong ones of its voice.
const LEAST_RE_STRONG: f64 = 0.35;
/// Frames of the cymbals' body and of their ring after the stroke.
const BODY_FRAMES: std::ops::Range<usize> = 3..9;
const RING_FRAMES: std::ops::Range<usize> = 16..26;
/// Faster decay at a place than on beats 1 and 3 that makes its strokes closing hi-hats, dB.
const HAT_DECAY_DB: f64 = 1.2;
/// Fewest strokes at a place to judge by.
const FEWEST_STROKES: usize = 8;

/// Shares of the bars with an onset at each place, one row a voice.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BarPicture {
    /// Bars that were looked at.
    pub bars: usize,
    /// Beats in a bar; a row has [`PLACES`] values a beat.
    pub beats: usize,
    /// 35 to 95 Hz.
    pub kick: Vec<f64>,
    /// 0.8 to 4 kHz.
    pub snare: Vec<f64>,
    /// 4 to 16 kHz: strokes of ride and hi-hat.
    pub cymbals: Vec<f64>,
    /// Those of `cymbals` that the hi-hat closes on.
    pub hi_hat_closing: Vec<f64>,
    /// Rising partials, 47 to 375 Hz.
    pub bass: Vec<f64>,
}

/// The picture of a take; empty without a whole bar.
pub fn bar_picture(strengths: &Strengths, grid: &Grid) -> BarPicture {
    let bars: Vec<&[GridBeat]> = grid.bars().collect();
    let row = |channels: &[usize]| -> Vec<f64> {
        shares(&onsets(strengths, &bars, channels), bars.len(), grid.meter, |_| true)
    };
    let cymbals = onsets(strengths, &bars, &[6, 7]);
    let closing = closing_places(strengths, &cymbals, grid.meter);
    BarPicture {
        bars: bars.len(),
        beats: grid.meter,
        kick: row(&[0]),
        snare: row(&[4, 5]),
        bass: row(&[LOW_FLUX]),
        hi_hat_closing: shares(&cymbals, bars.len(), grid.meter, |place| closing[place]),
        cymbals: shares(&cymbals, bars.len(), grid.meter, |_| true),
    }
}

/// An onset of one voice.
struct Onset {
    place: usize,
    frame: usize,
}

/// The onsets of some channels in the bars: local peaks of the curve, at most one a place.
fn onsets(strengths: &Strengths, bars: &[&[GridBeat]], channels: &[usize]) -> Vec<Onset> {
    let weights: [f32; CHANNELS] = std::array::from_fn(|c| f32::from(channels.contains(&c)));
    let curve = strengths.plain_curve(&weights);
    let mut found: Vec<(Onset, f64)> = Vec::new();
    for beat in bars.iter().copied().flatten() {
        let Some(length) = beat.length else { continue };
        for place in 0..PLACES {
            let edge = |k: f64| beat.frame + length * k / PLACES as f64;
            let a = edge(place as f64 - 0.5).ceil().max(1.0) as usize;
            let b = (edge(place as f64 + 0.5).ceil().max(1.0) as usize).min(curve.len().saturating_sub(1));
            let peak = (a..b)
                .filter(|t| curve[*t] >= curve[t - 1] && curve[*t] > curve[t + 1])
                .max_by(|x, y| curve[*x].total_cmp(&curve[*y]));
            if let Some(frame) = peak {
                found.push((Onset { place: beat.place * PLACES + place, frame }, f64::from(curve[frame])));
            }
        }
    }
    let heights: Vec<f64> = found.iter().map(|f| f.1).collect();
    let least = LEAST_RE_STRONG * quantile(&heights, 0.9).unwrap_or(0.0);
    found.into_iter().filter(|f| f.1 >= least).map(|f| f.0).collect()
}

fn shares(onsets: &[Onset], bars: usize, beats: usize, counts: impl Fn(usize) -> bool) -> Vec<f64> {
    let mut out = vec![0.0; beats * PLACES];
    for onset in onsets {
        if counts(onset.place) {
            out[onset.place] += 1.0 / bars.max(1) as f64;
        }
    }
    out
}

/// Places at which the cymbals die away sooner than on beats 1 and 3.
fn closing_places(strengths: &Strengths, cymbals: &[Onset], beats: usize) -> Vec<bool> {
    let mut decays = vec![Vec::new(); beats * PLACES];
    cymbals.iter().for_each(|o| decays[o.place].push(decay_db(strengths, o.frame)));
    let plain: Vec<f64> = (0..beats).step_by(2).flat_map(|beat| decays[beat * PLACES].iter().copied()).collect();
    let Some(usual) = median(&plain).filter(|_| plain.len() >= FEWEST_STROKES) else {
        return vec![false; beats * PLACES];
    };
    let sooner = |d: &Vec<f64>| median(d).is_some_and(|m| m > usual + HAT_DECAY_DB);
    decays.iter().map(|d| d.len() >= FEWEST_STROKES && sooner(d)).collect()
}

/// How far the top band falls from a stroke's body to its ring, dB.
fn decay_db(strengths: &Strengths, frame: usize) -> f64 {
    let mean = |range: std::ops::Range<usize>| {
        let n = range.len() as f64;
        let last = strengths.len() - 1;
        let power =
            range.map(|k| 10f64.powf(f64::from(strengths.level_db((frame + k).min(last), 7)) / 10.0)).sum::<f64>();
        10.0 * (power / n + 1.0).log10()
    };
    mean(BODY_FRAMES) - mean(RING_FRAMES)
}
