//! What is kept of one recording for onsets: the peak of every millisecond in one range of frequencies, a byte each.
//!
//! Conventions: value `i` covers the millisecond from `i / 1000` s on; steps of [`STEP_DB`] above [`FLOOR_DBFS`].

use std::f64::consts::FRAC_1_SQRT_2;

use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::filters::{Biquad, BiquadFilter};

/// Samples of a value.
const VALUE: usize = ANALYSIS_RATE_HZ as usize / 1000;
/// Level of byte 0.
const FLOOR_DBFS: f64 = -100.0;
/// Level a step.
const STEP_DB: f64 = 0.4;

/// Which frequencies are listened to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Range {
    /// Below, Hz.
    Below(f64),
    /// Above, Hz.
    Above(f64),
}

impl Range {
    /// Second-order Butterworth section. The low-pass comes late by sqrt(2) / (2 pi f) = 0.2 ms at 1 kHz.
    fn section(self) -> Biquad {
        let rate = f64::from(ANALYSIS_RATE_HZ);
        match self {
            Self::Below(hz) => Biquad::low_pass(rate, hz, FRAC_1_SQRT_2),
            Self::Above(hz) => Biquad::high_pass(rate, hz, FRAC_1_SQRT_2),
        }
    }
}

/// Peaks of a recording, millisecond by millisecond.
pub struct Envelope {
    filter: BiquadFilter,
    peak: f32,
    filled: usize,
    values: Vec<u8>,
}

impl Envelope {
    /// At the start of a recording.
    pub fn new(range: Range) -> Self {
        Self { filter: BiquadFilter::new(range.section()), peak: 0.0, filled: 0, values: Vec::new() }
    }

    /// Takes samples at the analysis rate.
    pub fn push(&mut self, samples: &[f32]) {
        for x in samples {
            let y = self.filter.step(f64::from(*x));
            self.peak = self.peak.max(y.abs() as f32);
            self.filled += 1;
            if self.filled == VALUE {
                self.close();
            }
        }
    }

    fn close(&mut self) {
        let db = 20.0 * f64::from(self.peak.max(1e-9)).log10();
        self.values.push(((db - FLOOR_DBFS) / STEP_DB).round().clamp(0.0, 255.0) as u8);
        (self.peak, self.filled) = (0.0, 0);
        self.filter.settle();
    }

    /// Peaks (full scale = 1) of the milliseconds from `start_s` to `end_s`, and the moment of the first one, s.
    pub fn peaks(&self, start_s: f64, end_s: f64) -> (Vec<f32>, f64) {
        let at = |s: f64| ((s * 1000.0).round().max(0.0) as usize).min(self.values.len());
        let (first, end) = (at(start_s), at(end_s).max(at(start_s)));
        let peak = |byte: &u8| 10f32.powf(((f64::from(*byte) * STEP_DB + FLOOR_DBFS) / 20.0) as f32);
        (self.values[first..end].iter().map(peak).collect(), first as f64 / 1000.0)
    }
}
