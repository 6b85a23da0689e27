//! The first line: stretches of the other tape looked for everywhere in this one.

use crate::dsp::correlate::Searched;

use super::{HOP_S, OnsetCurves};

/// Values of the fine curves in one of the coarse.
const FACTOR: usize = 4;
/// Seconds of a coarse value.
const COARSE_S: f64 = HOP_S * FACTOR as f64;
/// Length of a stretch, coarse values (24 s).
const STRETCH: usize = 1200;
/// Stretches that are looked for, at most.
const MOST_STRETCHES: usize = 24;
/// A fit under this is chance.
const LEAST_FIT: f32 = 0.2;
/// Places of one stretch that are kept.
const KEPT: usize = 3;
/// Places nearer than this to a kept one are the same, coarse values.
const APART: usize = 10;
/// Clocks of recorders differ by no more than this (crystal clocks: some 100 ppm; common practice, no source).
pub const FASTEST: f64 = 400e-6;
/// Two stretches agree when their offsets differ by no more than this and what clocks may do, s.
const AGREE_S: f64 = 0.045;
/// Stretches that must agree.
const FEWEST: usize = 2;

/// A line to begin with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// This tape's time minus the other's, s, at `at_s`.
    pub lag_s: f64,
    /// Where on the other tape, s.
    pub at_s: f64,
    /// Change of the lag, s a second.
    pub slope: f64,
}

/// Where a stretch was found.
#[derive(Clone, Copy, Debug)]
struct Found {
    at_s: f64,
    lag_s: f64,
    fit: f32,
    stretch: usize,
}

/// The line that most stretches agree on.
pub fn first_line(own: &OnsetCurves, other: &OnsetCurves) -> Result<Line, &'static str> {
    let (here, there) = (coarse(own), coarse(other));
    if here.len() < STRETCH || there.len() < STRETCH {
        return Err("too_short");
    }
    let searched = Searched::new(&here, STRETCH);
    let mut found = Vec::new();
    for (stretch, start) in starts(&there).into_iter().enumerate() {
        let fits = searched.fits(&there[start..start + STRETCH]);
        found.extend(best_places(&fits).into_iter().map(|place| Found {
            at_s: (start + STRETCH / 2) as f64 * COARSE_S,
            lag_s: (place as f64 - start as f64) * COARSE_S,
            fit: fits[place],
            stretch,
        }));
    }
    agreed(&found).ok_or("nothing_in_common")
}

/// All bands together, each levelled by its own spread, at the coarse rate.
fn coarse(curves: &OnsetCurves) -> Vec<f32> {
    let mut out = vec![0.0f32; curves.len() / FACTOR];
    for band in &curves.bands {
        let rms = (band.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / band.len().max(1) as f64).sqrt();
        let scale = if rms > 0.0 { (1.0 / rms) as f32 } else { 0.0 };
        for (sum, values) in out.iter_mut().zip(band.chunks_exact(FACTOR)) {
            *sum += scale * values.iter().sum::<f32>();
        }
    }
    out
}

/// Starts of the stretches: spread over the tape, each the liveliest of its share.
fn starts(there: &[f32]) -> Vec<usize> {
    let room = there.len() - STRETCH + 1;
    let shares = (room / (STRETCH / 2)).clamp(1, MOST_STRETCHES);
    let mut sums = vec![0.0f64];
    for v in there {
        sums.push(sums[sums.len() - 1] + f64::from(*v).powi(2));
    }
    (0..shares)
        .filter_map(|share| {
            let places = share * room / shares..(share + 1) * room / shares;
            let lively = |start: &usize| sums[start + STRETCH] - sums[*start];
            places.step_by(25).max_by(|a, b| lively(a).total_cmp(&lively(b))).filter(|s| lively(s) > 0.0)
        })
        .collect()
}

fn best_places(fits: &[f32]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..fits.len()).filter(|i| fits[*i] >= LEAST_FIT).collect();
    order.sort_by(|a, b| fits[*b].total_cmp(&fits[*a]));
    let mut kept: Vec<usize> = Vec::new();
    for place in order {
        if kept.iter().all(|k| k.abs_diff(place) >= APART) {
            kept.push(place);
        }
        if kept.len() == KEPT {
            break;
        }
    }
    kept
}

/// The largest company of stretches, by the sum of their fits.
fn agreed(found: &[Found]) -> Option<Line> {
    let agrees = |a: &Found, b: &Found| {
        let allowed = AGREE_S + FASTEST * (a.at_s - b.at_s).abs();
        (a.lag_s - b.lag_s).abs() <= allowed
    };
    let company = |a: &Found| -> Vec<Found> {
        let mut best: std::collections::BTreeMap<usize, Found> = std::collections::BTreeMap::new();
        for b in found.iter().filter(|b| agrees(a, b)) {
            let kept = best.entry(b.stretch).or_insert(*b);
            if b.fit > kept.fit {
                *kept = *b;
            }
        }
        best.into_values().collect()
    };
    let weight = |c: &[Found]| c.iter().map(|f| f64::from(f.fit)).sum::<f64>();
    let best = found.iter().map(company).max_by(|a, b| weight(a).total_cmp(&weight(b)))?;
    // One stretch alone is believed only where there is hardly room for two.
    let stretches = found.iter().map(|f| f.stretch).collect::<std::collections::BTreeSet<_>>().len();
    if best.len() < FEWEST.min(stretches) {
        return None;
    }
    Some(line_through(&best))
}

/// The middle slope of all pairs that lie apart, and the middle offset.
fn line_through(found: &[Found]) -> Line {
    let mut slopes = Vec::new();
    for (i, a) in found.iter().enumerate() {
        slopes.extend(
            found[i + 1..]
                .iter()
                .filter(|b| (b.at_s - a.at_s).abs() > 300.0)
                .map(|b| (b.lag_s - a.lag_s) / (b.at_s - a.at_s)),
        );
    }
    let slope = crate::stats::median(&slopes).unwrap_or(0.0).clamp(-FASTEST, FASTEST);
    let at_s = found.iter().map(|f| f.at_s).sum::<f64>() / found.len() as f64;
    let lags: Vec<f64> = found.iter().map(|f| f.lag_s - slope * (f.at_s - at_s)).collect();
    Line { lag_s: crate::stats::median(&lags).unwrap_or(0.0), at_s, slope }
}
