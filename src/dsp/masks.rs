//! Shares of single layers in the spectrum, as one family finds them and others use them.
//!
//! Conventions: step `k` lies in the middle between the short frames `2k` and `2k + 1`, [`MASK_STEP_SAMPLES`] apart at the
//! analysis rate; shares are 0..=1 of the power of a band; bands lie between neighbouring edges.

use super::spectrum::SHORT_FRAMING;

/// Samples between steps.
pub const MASK_STEP_SAMPLES: u64 = 2 * SHORT_FRAMING.hop as u64;

/// Shares of one step, band by band.
#[derive(Clone, Debug, PartialEq)]
pub struct MaskStep {
    /// The bass.
    pub bass: Vec<f32>,
    /// The drums.
    pub drums: Vec<f32>,
    /// The guitar.
    pub guitar: Vec<f32>,
}

/// For every bin of a spectrum the two bands between whose middles it lies, and the weight of the upper one.
#[derive(Clone, Debug)]
pub struct MaskGrid {
    places: Vec<(u16, f32)>,
    /// The bins that share their lower band.
    runs: Vec<(usize, std::ops::Range<usize>)>,
}

impl MaskGrid {
    /// The grid of the first `bins` bins of `bin_hz`; `edges_hz` are the edges of the bands in rising order.
    pub fn new(edges_hz: &[f64], bin_hz: f64, bins: usize) -> Self {
        let middles: Vec<f64> = edges_hz.windows(2).map(|e| (e[0] + e[1]) / 2.0).collect();
        let place = |bin: usize| {
            let hz = bin as f64 * bin_hz;
            let above = middles.partition_point(|m| *m <= hz).clamp(1, middles.len().saturating_sub(1).max(1));
            let (low, high) = (middles[above - 1], middles.get(above).copied().unwrap_or(middles[above - 1] + 1.0));
            ((above - 1) as u16, ((hz - low) / (high - low)).clamp(0.0, 1.0) as f32)
        };
        let places: Vec<(u16, f32)> = if middles.is_empty() { Vec::new() } else { (0..bins).map(place).collect() };
        let mut end = 0;
        let run = |run: &[(u16, f32)]| {
            let start = end;
            end += run.len();
            (usize::from(run[0].0), start..end)
        };
        let runs = places.chunk_by(|a, b| a.0 == b.0).map(run).collect();
        Self { places, runs }
    }

    /// `spectrum` with every bin times its share, as far as the grid reaches.
    pub fn masked(&self, bands: &[f32], spectrum: &[f32]) -> Vec<f32> {
        let mut out: Vec<f32> = spectrum.iter().take(self.places.len()).copied().collect();
        let at = |band: usize| bands.get(band).copied().unwrap_or(0.0);
        // Between two middles the line is one and the same, which the compiler can run on several bins.
        for (band, bins) in &self.runs {
            let (from, slope) = (at(*band), at(band + 1) - at(*band));
            let bins = bins.start.min(out.len())..bins.end.min(out.len());
            for (p, (_, weight)) in out[bins.clone()].iter_mut().zip(&self.places[bins]) {
                *p *= from + weight * slope;
            }
        }
        out
    }

    /// Share in a bin, on a straight line between the bands; 0 beyond the grid.
    pub fn share(&self, bands: &[f32], bin: usize) -> f32 {
        let Some(&(below, weight)) = self.places.get(bin) else { return 0.0 };
        let at = |b: usize| bands.get(b).copied().unwrap_or(0.0);
        let below = usize::from(below);
        at(below) + weight * (at(below + 1) - at(below))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_run_straight_between_the_middles_and_level_beyond() {
        let grid = MaskGrid::new(&[0.0, 20.0, 40.0, 60.0], 5.0, 20);
        let bands = [0.0, 1.0, 0.5];
        let got: Vec<f32> = [0, 2, 4, 6, 8, 10, 15].map(|bin| grid.share(&bands, bin)).to_vec();
        assert_eq!(got, [0.0, 0.0, 0.5, 1.0, 0.75, 0.5, 0.5]);
        assert_eq!(grid.share(&bands, 20), 0.0);
        let ones = grid.masked(&bands, &[1.0; 20]);
        assert!(ones.iter().enumerate().all(|(bin, s)| *s == grid.share(&bands, bin)), "{ones:?}");
    }
}
