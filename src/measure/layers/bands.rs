//! The frequency bands in which the layers are told apart, and their K weights.
//!
//! Conventions: bins are those of the shared power spectra at [`ANALYSIS_RATE_HZ`]. Mask bands are equally wide in
//! ERB-rate (Glasberg and Moore 1990, ERBs = 21.4 log10(1 + 0.00437 f)); fine bands are single bins at first, then 24 an
//! octave, so that the partials of low notes stand apart.
//! Limits: power under [`LOW_HZ`] belongs to no band; what lies over [`TOP_HZ`] is shared out as the last band is.

use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::erb::erb_rate;
use crate::dsp::lanes;
use crate::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING};
use crate::dsp::weighting::k_weighting_db;
use crate::units::db_to_power;

/// Mask bands.
pub const BANDS: usize = 64;
/// Fine bands of the long spectrum.
pub const FINE_BANDS: usize = 144;
/// Lower edge of the first mask band, Hz.
const LOW_HZ: f64 = 30.0;
/// Upper edge of the last mask band, Hz.
const TOP_HZ: f64 = 15_000.0;
/// Lower edge of the first fine band, Hz.
const FINE_LOW_HZ: f64 = 50.0;
/// Fine bands an octave where bins are narrower than that.
const FINE_AN_OCTAVE: f64 = 24.0;

/// Where the bins of the spectra go.
pub struct BandPlan {
    /// First bin of every mask band and the end of the last, of the short spectrum.
    edges: [usize; BANDS + 1],
    /// First bin of every fine band and the end of the last, of the long spectrum.
    fine_edges: [usize; FINE_BANDS + 1],
    /// Mean power weight of K-weighting over the bins of each mask band.
    pub k_weights: [f32; BANDS],
}

impl BandPlan {
    /// The plan for the shared spectra.
    pub fn new() -> Self {
        let edges = mask_edges();
        let rate = f64::from(ANALYSIS_RATE_HZ);
        let weight = |bin: usize| db_to_power(k_weighting_db(rate, bin as f64 * SHORT_FRAMING.bin_hz()));
        let mean = |bins: std::ops::Range<usize>| {
            let count = bins.len() as f64;
            (bins.map(weight).sum::<f64>() / count) as f32
        };
        let k_weights = std::array::from_fn(|band| mean(edges[band]..edges[band + 1]));
        Self { edges, fine_edges: fine_edges(), k_weights }
    }

    /// Edges of the mask bands, Hz: each half a bin below its first bin.
    pub fn edges_hz(&self) -> Vec<f64> {
        self.edges.iter().map(|bin| (*bin as f64 - 0.5) * SHORT_FRAMING.bin_hz()).collect()
    }

    /// Adds the power of every mask band of a short spectrum to `into`.
    pub fn add_masks(&self, spectrum: &[f32], into: &mut [f32; BANDS]) {
        for (sum, edge) in into.iter_mut().zip(self.edges.windows(2)) {
            *sum += lanes::sum(&spectrum[edge[0]..edge[1]]);
        }
    }

    /// Power of a short spectrum over the last mask band, up to half the rate.
    pub fn above(&self, spectrum: &[f32]) -> f32 {
        lanes::sum(&spectrum[self.edges[BANDS]..])
    }

    /// Power of every fine band of a long spectrum.
    pub fn fine(&self, spectrum: &[f32]) -> [f32; FINE_BANDS] {
        std::array::from_fn(|band| spectrum[self.fine_edges[band]..self.fine_edges[band + 1]].iter().sum())
    }
}

fn mask_edges() -> [usize; BANDS + 1] {
    let (low, top) = (erb_rate(LOW_HZ), erb_rate(TOP_HZ));
    let band_of = |bin: usize| (erb_rate(bin as f64 * SHORT_FRAMING.bin_hz()) - low) / (top - low) * BANDS as f64;
    let mut edges = [0; BANDS + 1];
    let mut bin = 0;
    for (band, edge) in edges.iter_mut().enumerate() {
        while band_of(bin) < band as f64 {
            bin += 1;
        }
        *edge = bin;
    }
    edges
}

fn fine_edges() -> [usize; FINE_BANDS + 1] {
    let ratio = 2f64.powf(1.0 / FINE_AN_OCTAVE);
    let mut edges = [(FINE_LOW_HZ / LONG_FRAMING.bin_hz()).round() as usize; FINE_BANDS + 1];
    for at in 1..edges.len() {
        let last = edges[at - 1];
        // Halves to even, as the script that made the training data rounds them.
        edges[at] = ((last as f64 * ratio).round_ties_even() as usize).max(last + 1);
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_band_has_a_bin_and_the_first_and_last_lie_where_stated() {
        let plan = BandPlan::new();
        assert!(plan.edges.windows(2).all(|e| e[1] > e[0]), "{:?}", plan.edges);
        assert!(plan.fine_edges.windows(2).all(|e| e[1] > e[0]));
        assert_eq!(plan.edges[0], 3); // 35.2 Hz is the first bin above 30 Hz
        assert!((plan.edges[BANDS] as f64 * SHORT_FRAMING.bin_hz() - TOP_HZ).abs() < SHORT_FRAMING.bin_hz());
        assert!(plan.fine_edges[FINE_BANDS] < LONG_FRAMING.bins());
    }

    #[test]
    fn k_weights_are_those_of_the_recommendation_at_one_kilohertz() {
        // BS.1770-5: a 997 Hz sine is raised by 0.691 dB.
        let plan = BandPlan::new();
        let band = plan.edges.windows(2).position(|e| (e[0]..e[1]).contains(&85)).unwrap_or(0);
        assert!((10.0 * plan.k_weights[band].log10() - 0.691).abs() < 0.1, "{}", plan.k_weights[band]);
    }
}
