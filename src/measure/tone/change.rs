//! What the controls of an amplifier would change in the low end of the whole band.
//!
//! Conventions: a usual three-control amplifier: low shelf, mid peak, high shelf, and level; responses by the audio EQ
//! cookbook (W3C Group Note, 8 June 2021), slope 1, quality 0.7.

use super::share::sum;
use super::{LOW_BANDS, NARROW, ToneReading, narrow_edges_hz};
use crate::dsp::filters::Biquad;
use crate::units::{db_to_power, power_to_db};

/// Quality of the mid control.
pub const MID_QUALITY: f64 = 0.7;
/// Rate at which the responses are worked out, Hz.
pub const RATE_HZ: f64 = 48_000.0;

/// A control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Control {
    /// Low shelf.
    Low,
    /// Mid peak.
    Mid,
    /// High shelf.
    High,
    /// Level.
    Level,
}

/// A control, turned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ControlChange {
    /// Which.
    pub control: Control,
    /// Its corner, Hz; without meaning for the level.
    pub corner_hz: f64,
    /// By how much, dB.
    pub change_db: f64,
}

impl ControlChange {
    /// Its response at a frequency, dB.
    pub fn response_db(&self, hz: f64) -> f64 {
        match self.control {
            Control::Low => Biquad::low_shelf(RATE_HZ, self.corner_hz, 1.0, self.change_db).magnitude_db(RATE_HZ, hz),
            Control::Mid => {
                Biquad::peak(RATE_HZ, self.corner_hz, MID_QUALITY, self.change_db).magnitude_db(RATE_HZ, hz)
            }
            Control::High => Biquad::high_shelf(RATE_HZ, self.corner_hz, 1.0, self.change_db).magnitude_db(RATE_HZ, hz),
            Control::Level => self.change_db,
        }
    }
}

/// Power of the bass in every narrow band, as a share of the band's power in the low end (the first bands) or in the middle.
pub type BassBands = [f64; NARROW];

/// Change of the power in 40-160 Hz against 400-2500 Hz when the bass alone is changed, dB.
pub fn low_re_mid_change_of(bass: &BassBands, changes: &[ControlChange]) -> Option<f64> {
    let (mut low, mut middle) = (1.0, 1.0);
    for ((from, to), (band, share)) in narrow_edges_hz().into_iter().zip(bass.iter().enumerate()) {
        let db: f64 = changes.iter().map(|c| c.response_db((from * to).sqrt())).sum();
        *(if band < LOW_BANDS { &mut low } else { &mut middle }) += share * (db_to_power(db) - 1.0);
    }
    power_to_db(low.max(1e-12) / middle.max(1e-12))
}

impl ToneReading {
    /// What the bass has in every narrow band over some spans; `None` in silence.
    pub fn bass_bands(&self, spans: &[(f64, f64)]) -> Option<BassBands> {
        let seconds = self.weighted(spans);
        let (low, middle) = (sum(&seconds, |s| f64::from(s.low)), sum(&seconds, |s| f64::from(s.middle)));
        if low <= 0.0 || middle <= 0.0 {
            return None;
        }
        let share =
            |band: usize| sum(&seconds, |s| f64::from(s.bass[band])) / if band < LOW_BANDS { low } else { middle };
        Some(std::array::from_fn(share))
    }

    /// Change of the band's power in 40-160 Hz against 400-2500 Hz when the bass alone is changed, dB; `None` in silence.
    pub fn low_re_mid_change_db(&self, spans: &[(f64, f64)], changes: &[ControlChange]) -> Option<f64> {
        low_re_mid_change_of(&self.bass_bands(spans)?, changes)
    }
}
