//! Along a first line: short stretches placed to a fraction of a value, and the line fitted without outliers.

use crate::stats::{mad_sigma, median};

use super::coarse::{FASTEST, Line};
use super::{HOP_S, OnsetCurves};

/// Length of a stretch, values (8 s).
const STRETCH: usize = 1600;
/// Distance between stretches, values; more where the tape is long.
const STEP: usize = 1600;
/// Stretches that are placed, at most.
const MOST: usize = 300;
/// How far from the line a stretch is looked for at first, and in the end, values.
const REACH: [usize; 2] = [14, 5];
/// A fit under this is no placement.
const LEAST_FIT: f64 = 0.2;
/// Placements further than this from the line are outliers, s.
const OUTLIER_S: f64 = 0.006;
/// Placements that make a line, at least.
const FEWEST: usize = 4;
/// Share of the lively stretches in common that must lie on the line.
const LEAST_SHARE: f64 = 0.6;
/// Scatter of the placements about the line, at most, s, where the fit is such as two playings of one chart can have, and where
/// it is better. Synthesised pairs: 0.2 to 1.4 ms at a fit above 0.6 for one playing, 0.8 ms and more at a fit under 0.4 for two.
const MOST_SCATTER_S: [f64; 2] = [0.001, 0.0025];
/// A fit that two playings do not have.
const CLOSE_FIT: f64 = 0.45;
/// Middle fit of the placements, at least.
const LEAST_MIDDLE_FIT: f64 = 0.28;
/// How much better than anywhere else within reach a placement is in the middle, at least.
const LEAST_CONTRAST: f64 = 0.12;

/// Beside the line the stretches fit at most this well, as a share of how well they fit on it. Fourteen mixes (`benches/close`): lines
/// that were right 0.43 to 0.96 (three of 281 more), lines a beat or a bar off 0.98 to 1.5.
const MOST_BESIDE: f64 = 0.97;
/// How far around the line is looked whether the stretches fit there as well, what is near, and the steps, values (4 s, 0.1 s).
const AROUND: usize = 800;
const NEAR: usize = 20;
const AROUND_STEP: usize = 2;
/// Stretches that are looked for around the line, at most.
const MOST_AROUND: usize = 12;

/// Spread of placements in time, squared, at which half of a slope is believed, s^2.
const SHORT_S2: f64 = 400.0;

/// The fitted line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// This tape's time at the other's start, s.
    pub offset_s: f64,
    /// Change of the lag, s a second.
    pub slope: f64,
    /// Share of the slope that the shortness of the stretch has shrunk away, 0..=1.
    pub shrunk: f64,
    /// Scatter of one placement, s.
    pub sd_s: f64,
    /// Placements on the line.
    pub places: usize,
    /// First, last and middle of them on the other tape, s.
    pub first_s: f64,
    /// See above.
    pub last_s: f64,
    /// See above.
    pub middle_s: f64,
}

struct Placement {
    at_s: f64,
    lag_s: f64,
    fit: f64,
    contrast: f64,
}

/// Fits the line; `None` when what lies along it is not the same playing. Where the stretches fit better beside the line, a beat or
/// a bar away, the line is fitted there instead, once.
pub fn along(own: &OnsetCurves, other: &OnsetCurves, line: Line) -> Option<Fit> {
    let first = refined(own, other, line)?;
    let (beside_s, share) = beside(own, other, &first);
    if share <= MOST_BESIDE {
        return first.holds.then_some(first.fit);
    }
    let fit = first.fit;
    let moved =
        Line { lag_s: fit.offset_s + fit.slope * fit.middle_s + beside_s, at_s: fit.middle_s, slope: line.slope };
    let second = refined(own, other, moved)?;
    (second.holds && beside(own, other, &second).1 <= MOST_BESIDE).then_some(second.fit)
}

/// A line that has been fitted.
struct Refined {
    fit: Fit,
    /// Where the stretches on the line begin, s.
    starts_s: Vec<f64>,
    /// True when it is sharp, straight and holds for enough of them.
    holds: bool,
}

fn refined(own: &OnsetCurves, other: &OnsetCurves, line: Line) -> Option<Refined> {
    let mut line = line;
    let mut last = None;
    for reach in REACH {
        let (placed, lively) = placements(own, other, &line, reach);
        let fit = fitted(&placed, &line)?;
        last = Some((fit, placed, lively));
        line = Line { lag_s: fit.offset_s + fit.slope * fit.middle_s, at_s: fit.middle_s, slope: fit.slope };
    }
    let (fit, placed, lively) = last?;
    let on: Vec<&Placement> =
        placed.iter().filter(|p| (p.lag_s - fit.offset_s - fit.slope * p.at_s).abs() <= OUTLIER_S).collect();
    let middle = |of: &dyn Fn(&Placement) -> f64| median(&on.iter().map(|p| of(p)).collect::<Vec<_>>());
    let usual_fit = middle(&|p| p.fit)?;
    let scatter_s = MOST_SCATTER_S[usize::from(usual_fit >= CLOSE_FIT)];
    let sharp = usual_fit >= LEAST_MIDDLE_FIT && middle(&|p| p.contrast)? >= LEAST_CONTRAST && fit.sd_s <= scatter_s;
    let enough = on.len() >= FEWEST && on.len() as f64 >= LEAST_SHARE * lively as f64;
    let starts_s = on.iter().map(|p| p.at_s - 0.5 * STRETCH as f64 * HOP_S).collect();
    Some(Refined { fit, starts_s, holds: sharp && enough && fit.slope.abs() <= FASTEST })
}

/// The best place beside the line up to [`AROUND`] away, s, and how well the stretches fit there, as a share of how well they fit on
/// the line.
fn beside(own: &OnsetCurves, other: &OnsetCurves, of: &Refined) -> (f64, f64) {
    let step = of.starts_s.len().div_ceil(MOST_AROUND).max(1);
    let mut sums = vec![0.0; 2 * AROUND / AROUND_STEP + 1];
    for start_s in of.starts_s.iter().step_by(step) {
        let start = (start_s / HOP_S).round();
        let lag = of.fit.offset_s + of.fit.slope * (start_s + 0.5 * STRETCH as f64 * HOP_S);
        for (i, sum) in sums.iter_mut().enumerate() {
            let at = (start + lag / HOP_S).round() + (i * AROUND_STEP) as f64 - AROUND as f64;
            if at >= 0.0 && at as usize + STRETCH <= own.len() {
                *sum += fit_at(own, other, start as usize, at as usize);
            }
        }
    }
    let (middle, near) = (sums.len() / 2, NEAR / AROUND_STEP);
    let here = sums[middle - 1].max(sums[middle]).max(sums[middle + 1]);
    let far = sums.iter().enumerate().filter(|(i, _)| i.abs_diff(middle) > near);
    match far.max_by(|a, b| a.1.total_cmp(b.1)) {
        Some((i, best)) if here > 0.0 => ((i as f64 - middle as f64) * AROUND_STEP as f64 * HOP_S, best / here),
        _ => (0.0, f64::INFINITY),
    }
}

/// Where each stretch lies, and how many stretches were lively enough to be looked for.
fn placements(own: &OnsetCurves, other: &OnsetCurves, line: &Line, reach: usize) -> (Vec<Placement>, usize) {
    let n = other.len();
    let step = STEP.max(n / MOST);
    let energy = |start: usize| -> f64 {
        other.bands.iter().flat_map(|b| &b[start..start + STRETCH]).map(|v| f64::from(*v).powi(2)).sum()
    };
    let starts: Vec<(usize, usize, f64)> = (0..n.saturating_sub(STRETCH))
        .step_by(step)
        .filter_map(|start| {
            let middle_s = (start + STRETCH / 2) as f64 * HOP_S;
            let lag = (line.lag_s + line.slope * (middle_s - line.at_s)) / HOP_S;
            let place = (start as f64 + lag).round();
            let inside = place >= reach as f64 && place + (STRETCH + reach) as f64 <= own.len() as f64;
            inside.then(|| (start, place as usize, energy(start)))
        })
        .collect();
    let usual = median(&starts.iter().map(|s| s.2).collect::<Vec<_>>()).unwrap_or(0.0);
    let lively: Vec<_> = starts.into_iter().filter(|s| s.2 > 0.5 * usual && s.2 > 0.0).collect();
    let placed = lively.iter().filter_map(|&(start, place, _)| placement(own, other, start, place, reach)).collect();
    (placed, lively.len())
}

fn placement(own: &OnsetCurves, other: &OnsetCurves, start: usize, place: usize, reach: usize) -> Option<Placement> {
    let fits: Vec<f64> = (place - reach..=place + reach).map(|at| fit_at(own, other, start, at)).collect();
    let best = (1..fits.len() - 1).max_by(|a, b| fits[*a].total_cmp(&fits[*b]))?;
    let (before, top, after) = (fits[best - 1], fits[best], fits[best + 1]);
    let bend = before - 2.0 * top + after;
    if top < LEAST_FIT || bend >= 0.0 {
        return None;
    }
    let part = (0.5 * (before - after) / bend).clamp(-0.5, 0.5);
    let lag = (place + best) as f64 - reach as f64 + part - start as f64;
    let contrast = top - median(&fits)?;
    Some(Placement { at_s: (start + STRETCH / 2) as f64 * HOP_S, lag_s: lag * HOP_S, fit: top, contrast })
}

/// Mean over the bands of the correlation of a stretch with what lies at `at`.
fn fit_at(own: &OnsetCurves, other: &OnsetCurves, start: usize, at: usize) -> f64 {
    let mut sum = 0.0;
    for (a, b) in own.bands.iter().zip(&other.bands) {
        let (a, b) = (&a[at..at + STRETCH], &b[start..start + STRETCH]);
        let (mut sa, mut sb, mut saa, mut sbb, mut sab) = (0.0f32, 0.0f32, 0.0f32, 0.0f32, 0.0f32);
        for (x, y) in a.iter().zip(b) {
            sa += x;
            sb += y;
            saa += x * x;
            sbb += y * y;
            sab += x * y;
        }
        let n = STRETCH as f32;
        let size = ((saa - sa * sa / n).max(0.0) * (sbb - sb * sb / n).max(0.0)).sqrt();
        if size > 0.0 {
            sum += f64::from((sab - sa * sb / n) / size);
        }
    }
    sum / own.bands.len().max(1) as f64
}

/// A robust straight line: weights of placements far from it fall to nothing.
fn fitted(placed: &[Placement], start: &Line) -> Option<Fit> {
    if placed.len() < FEWEST.min(3) {
        return None;
    }
    let (mut offset, mut slope) = (start.lag_s - start.slope * start.at_s, start.slope);
    let first = placed.iter().map(|p| p.lag_s - slope * p.at_s).collect::<Vec<_>>();
    offset = median(&first).unwrap_or(offset);
    let mut sd = 0.02;
    let mut shrunk = 0.0;
    for _ in 0..12 {
        let weight = |p: &Placement| {
            let u = (p.lag_s - offset - slope * p.at_s) / (4.0 * f64::max(sd, 0.0004));
            if u.abs() < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
        };
        let sum = |of: &dyn Fn(&Placement) -> f64| placed.iter().map(|p| weight(p) * of(p)).sum::<f64>();
        let w = sum(&|_| 1.0);
        if w < 2.0 {
            return None;
        }
        let (x, y) = (sum(&|p| p.at_s) / w, sum(&|p| p.lag_s) / w);
        let xx = sum(&|p| (p.at_s - x).powi(2));
        let xy = sum(&|p| (p.at_s - x) * (p.lag_s - y));
        // A clock cannot be told from less than a minute: what a millisecond would make of it is shrunk away.
        shrunk = w * SHORT_S2 / (xx + w * SHORT_S2);
        slope = xy / (xx + w * SHORT_S2);
        slope = slope.clamp(-2.0 * FASTEST, 2.0 * FASTEST);
        offset = y - slope * x;
        let off: Vec<f64> = placed.iter().map(|p| p.lag_s - offset - slope * p.at_s).collect();
        sd = mad_sigma(&off)?;
    }
    let on: Vec<&Placement> =
        placed.iter().filter(|p| (p.lag_s - offset - slope * p.at_s).abs() <= OUTLIER_S).collect();
    let times: Vec<f64> = on.iter().map(|p| p.at_s).collect();
    let off: Vec<f64> = on.iter().map(|p| p.lag_s - offset - slope * p.at_s).collect();
    Some(Fit {
        offset_s: offset,
        slope,
        shrunk,
        sd_s: mad_sigma(&off)?.max(0.0002),
        places: on.len(),
        first_s: *times.first()?,
        last_s: *times.last()?,
        middle_s: times.iter().sum::<f64>() / times.len() as f64,
    })
}
