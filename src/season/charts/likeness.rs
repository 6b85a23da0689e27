//! How likely two takes are the same chart.
//!
//! Conventions: natural logarithm of the odds, held within [`MOST_SURE`]. Tempi further apart than [`FAR_OCTAVES`] are two charts;
//! where half or double the tempo is possible, the faster take is read with every second beat.

use super::align::{Alignment, align};
use super::fingerprint::{FEWEST_BEATS, Fingerprint};
use super::weights::ODDS;

/// Tempi further apart are not one chart, octaves: 19 %. Twelve bars of blues in the commonest keys are many charts.
pub const FAR_OCTAVES: f64 = 0.25;
/// No pair is surer than this, log odds.
pub const MOST_SURE: f64 = 6.0;
/// Takes whose classes are spread over the octave in opposite ways are in different keys.
const LEAST_PROFILE: f64 = -0.2;

/// How like two takes are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Likeness {
    /// How one lies along the other.
    pub alignment: Alignment,
    /// Correlation of their classes over the whole takes, -1..=1.
    pub profile: f64,
    /// Distance of their tempi, octaves.
    pub tempo_octaves: f64,
    /// Logarithm of the odds that they are one chart.
    pub log_odds: f64,
}

/// How like two takes are; `None` where their tempi rule it out or one is too short at that tempo.
pub fn likeness(a: &Fingerprint, b: &Fingerprint) -> Option<Likeness> {
    let (slow, fast) = if b.bpm < a.bpm { (b, a) } else { (a, b) };
    let octaves = (fast.bpm / slow.bpm).log2();
    let (rows, tempo_octaves) = match octaves {
        near if near <= FAR_OCTAVES => (&fast.rows, near),
        _ if (octaves - 1.0).abs() <= FAR_OCTAVES && (slow.level_unsure || fast.level_unsure) => {
            (&fast.halved, (octaves - 1.0).abs())
        }
        _ => return None,
    };
    if rows.len() < FEWEST_BEATS {
        return None;
    }
    let profile = profile_correlation(a, b);
    let alignment = if profile < LEAST_PROFILE {
        Alignment { correlation: 0.0, worst: 0.0, jumps: 0, beats: 0 }
    } else {
        align(&slow.rows, rows)
    };
    let log_odds = log_odds(&alignment, profile, tempo_octaves);
    Some(Likeness { alignment, profile, tempo_octaves, log_odds })
}

/// Fitted by `benches/charts_fit/fit.py`.
fn log_odds(found: &Alignment, profile: f64, tempo_octaves: f64) -> f64 {
    let score = ODDS.constant
        + ODDS.correlation * (found.correlation + found.worst)
        + ODDS.profile * profile
        + ODDS.tempo * tempo_octaves * tempo_octaves
        + ODDS.jumps * found.jumps_in_a_stretch();
    score.clamp(-MOST_SURE, MOST_SURE)
}

fn profile_correlation(a: &Fingerprint, b: &Fingerprint) -> f64 {
    let sum = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
    let scale = (sum(&a.profile, &a.profile) * sum(&b.profile, &b.profile)).sqrt();
    if scale > 0.0 { sum(&a.profile, &b.profile) / scale } else { 0.0 }
}
