//! The bands in which players are followed over time.
//!
//! Conventions: bins are those of the short frames ([`SHORT`] samples at the analysis rate); weights lead from squared magnitudes of
//! Hann spectra to K-weighted mean squares (BS.1770-5).

use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::erb::{erb_rate, erb_rate_hz};
use crate::dsp::weighting::k_weighting_db;
use crate::units::db_to_power;

/// Length of a short frame.
pub const SHORT: usize = 4096;
/// From the first of these bins on (35 Hz) and below the second (480 Hz) a band is one bin: single notes of a bass excite single
/// modes of the room.
const SINGLE_BINS: (usize, usize) = (3, 41);
/// Top of the bands, Hz; what lies higher goes with the last band.
const TOP_HZ: f64 = 16_000.0;
/// Width of the bands above the single bins, ERB-rate.
const WIDTH: f64 = 1.05;

/// The bands.
pub struct Bands {
    /// First bin of every band, and the end.
    pub edges: Vec<usize>,
    /// ERB-rate of the middle.
    pub places: Vec<f64>,
    /// True where the band is one bin.
    pub single: Vec<bool>,
    /// From the square of a spectrum to the K-weighted mean square.
    pub weights: Vec<f64>,
}

impl Default for Bands {
    fn default() -> Self {
        let edges = edges();
        let of = |f: fn(usize, usize) -> f64| edges.windows(2).map(|e| f(e[0], e[1])).collect();
        Self {
            places: of(|from, to| erb_rate((from + to - 1) as f64 / 2.0 * bin_hz())),
            single: edges.windows(2).map(|e| e[0] >= SINGLE_BINS.0 && e[1] <= SINGLE_BINS.1).collect(),
            weights: of(weight),
            edges,
        }
    }
}

impl Bands {
    /// How many.
    pub fn count(&self) -> usize {
        self.places.len()
    }

    /// Edges half way between bins, Hz.
    pub fn edges_hz(&self) -> Vec<f64> {
        let hz = |edge: &usize| ((*edge as f64 - 0.5) * bin_hz()).max(0.0);
        self.edges.iter().map(hz).collect()
    }
}

fn bin_hz() -> f64 {
    f64::from(ANALYSIS_RATE_HZ) / SHORT as f64
}

/// Mean over the bins of a band.
fn weight(from: usize, to: usize) -> f64 {
    let scale = 2.0 / (SHORT as f64 * 0.375 * SHORT as f64);
    let of = |bin: usize| db_to_power(k_weighting_db(f64::from(ANALYSIS_RATE_HZ), (bin as f64).max(0.5) * bin_hz()));
    scale * (from..to).map(of).sum::<f64>() / (to - from) as f64
}

/// Each band has a bin at least.
fn edges() -> Vec<usize> {
    let mut edges: Vec<usize> = [0].into_iter().chain(SINGLE_BINS.0..=SINGLE_BINS.1).collect();
    let low = erb_rate(SINGLE_BINS.1 as f64 * bin_hz());
    let wide = ((erb_rate(TOP_HZ) - low) / WIDTH).ceil();
    for band in 1..=wide as usize {
        let hz = erb_rate_hz(low + (erb_rate(TOP_HZ) - low) * band as f64 / wide);
        let last = edges[edges.len() - 1];
        edges.push(((hz / bin_hz()).round() as usize).max(last + 1));
    }
    if let Some(end) = edges.last_mut() {
        *end = SHORT / 2 + 1;
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_follow_each_other_without_a_gap_up_to_the_last_bin() {
        let Bands { edges, single, .. } = Bands::default();
        assert!(edges[0] == 0 && edges.windows(2).all(|e| e[0] < e[1]) && edges[edges.len() - 1] == SHORT / 2 + 1);
        assert_eq!(single.iter().filter(|s| **s).count(), SINGLE_BINS.1 - SINGLE_BINS.0);
    }
}
