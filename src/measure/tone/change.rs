//! What the controls of an amplifier would change in the low end of the whole band.
//!
//! Conventions: a usual three-control amplifier: low shelf, mid peak, high shelf, and level; responses by the audio EQ
//! cookbook (W3C Group Note, 8 June 2021), slope 1, quality 0.7.

use super::share::sum;
use super::{LOW_BANDS, ToneReading, narrow_edges_hz};
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

impl ToneReading {
    /// Change of the band's power in 40-160 Hz against 400-2500 Hz when the bass alone is changed, dB; `None` in silence.
    pub fn low_re_mid_change_db(&self, spans: &[(f64, f64)], changes: &[ControlChange]) -> Option<f64> {
        let seconds = self.weighted(spans);
        let (mut low, mut middle) = (sum(&seconds, |s| f64::from(s.low)), sum(&seconds, |s| f64::from(s.middle)));
        if low <= 0.0 || middle <= 0.0 {
            return None;
        }
        let before = power_to_db(low / middle)?;
        for (band, (from, to)) in narrow_edges_hz().into_iter().enumerate() {
            let db: f64 = changes.iter().map(|c| c.response_db((from * to).sqrt())).sum();
            let gained = sum(&seconds, |s| f64::from(s.bass[band])) * (db_to_power(db) - 1.0);
            *(if band < LOW_BANDS { &mut low } else { &mut middle }) += gained;
        }
        Some(power_to_db(low.max(1e-12) / middle.max(1e-12))? - before)
    }
}
