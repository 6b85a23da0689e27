//! Mean power of a recording over its takes, K-weighted: what makes recorders of unlike gain comparable.

use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::filters::BiquadFilter;
use crate::dsp::weighting::k_weighting;

/// Adds up the K-weighted power of one recording.
pub struct PowerMeter {
    filters: [BiquadFilter; 2],
    sum: f64,
    count: u64,
}

impl Default for PowerMeter {
    fn default() -> Self {
        let filters = k_weighting(f64::from(ANALYSIS_RATE_HZ)).map(BiquadFilter::new);
        Self { filters, sum: 0.0, count: 0 }
    }
}

impl PowerMeter {
    /// Takes samples at the analysis rate; `playing` is false outside takes.
    pub fn push(&mut self, samples: &[f32], playing: bool) {
        let [shelf, high_pass] = &mut self.filters;
        for x in samples {
            let y = high_pass.step(shelf.step(f64::from(*x)));
            if playing {
                self.sum += y * y;
            }
        }
        self.count += if playing { samples.len() as u64 } else { 0 };
    }

    /// Mean square over the takes; 0 without one.
    pub fn mean(&self) -> f64 {
        if self.count > 0 { self.sum / self.count as f64 } else { 0.0 }
    }
}
