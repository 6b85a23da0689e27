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

/// Fits the line; `None` when what lies along it is not the same playing.
pub fn along(own: &OnsetCurves, other: &OnsetCurves, line: Line) -> Option<Fit> {
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
    (sharp && enough && fit.slope.abs() <= FASTEST).then_some(fit)
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
