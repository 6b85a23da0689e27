//! What a microphone adds of its own, and how it is taken away again.
//!
//! Conventions: the dB are the microphone's response: what it shows too much, plus, or too little, minus. Between the points
//! the response runs straight over the logarithm of frequency; beyond the first and the last one nothing is known and nothing
//! is corrected.

use super::{BAND_COUNT, BalanceReading, LOW_END_HZ, MIDDLE_HZ, Second, is_within};
use crate::dsp::bands::third_octaves;
use crate::units::db_to_power;

/// The response of a microphone.
#[derive(Clone, Debug, PartialEq)]
pub struct MicCurve {
    /// Frequency in Hz, rising, and response in dB.
    points: Vec<(f64, f64)>,
}

impl MicCurve {
    /// The curve through points: frequencies in Hz, rising, and dB; `None` with fewer than two.
    pub fn from_points(points: &[(f64, f64)]) -> Option<Self> {
        let rising = points.windows(2).all(|w| w[0].0 < w[1].0);
        (points.len() >= 2 && rising).then(|| Self { points: points.to_vec() })
    }

    /// The response at a frequency, dB; `None` beyond the curve.
    pub fn response_db(&self, hz: f64) -> Option<f64> {
        let above = self.points.iter().position(|p| p.0 >= hz)?;
        let (right_hz, right_db) = self.points[above];
        if right_hz == hz {
            return Some(right_db);
        }
        let (left_hz, left_db) = self.points[above.checked_sub(1)?];
        Some(left_db + (right_db - left_db) * (hz / left_hz).ln() / (right_hz / left_hz).ln())
    }

    /// First and last frequency, Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        (self.points.first().map_or(0.0, |p| p.0), self.points.last().map_or(0.0, |p| p.0))
    }

    /// A short mark of the curve's numbers, for method ids (FNV-1a, 32 bits).
    pub fn mark(&self) -> String {
        let bytes =
            self.points.iter().flat_map(|p| [p.0, p.1]).flat_map(|x| ((x * 100.0).round() as i64).to_le_bytes());
        let hash = bytes.fold(0x811c_9dc5_u32, |h, b| (h ^ u32::from(b)).wrapping_mul(0x0100_0193));
        format!("mic-{hash:08x}")
    }
}

impl BalanceReading {
    /// The reading with the microphone's response taken away in every band that the curve covers; low end and middle are
    /// corrected as their bands are, by their power.
    pub fn corrected(&self, curve: &MicCurve) -> Self {
        let gains: [f64; BAND_COUNT] =
            third_octaves().map(|b| curve.response_db(b.mid_hz).map_or(1.0, |db| db_to_power(-db)));
        let one = |second: Second| {
            let ratio = |range| {
                let (mut before, mut after) = (0.0, 0.0);
                for ((band, power), gain) in third_octaves().iter().zip(&second.bands).zip(&gains) {
                    if is_within(band, range) {
                        before += f64::from(*power);
                        after += f64::from(*power) * gain;
                    }
                }
                if before > 0.0 { after / before } else { 1.0 }
            };
            Second {
                bands: std::array::from_fn(|i| (f64::from(second.bands[i]) * gains[i]) as f32),
                low: (f64::from(second.low) * ratio(LOW_END_HZ)) as f32,
                middle: (f64::from(second.middle) * ratio(MIDDLE_HZ)) as f32,
                frames: second.frames,
            }
        };
        Self { seconds: self.seconds.iter().map(one).collect(), sample_rate_hz: self.sample_rate_hz }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_runs_straight_over_log_frequency_and_says_nothing_beyond() {
        let curve = MicCurve::from_points(&[(20.0, -12.0), (80.0, -6.0), (1000.0, 0.0)]).unwrap();
        assert_eq!(curve.response_db(40.0).map(|d| (d * 1e6).round() / 1e6), Some(-9.0));
        assert_eq!((curve.response_db(80.0), curve.response_db(1000.0)), (Some(-6.0), Some(0.0)));
        assert_eq!((curve.response_db(19.9), curve.response_db(1000.1)), (None, None));
        assert_eq!(curve.range_hz(), (20.0, 1000.0));
        assert_eq!(MicCurve::from_points(&[(20.0, 0.0)]), None);
        assert_eq!(MicCurve::from_points(&[(20.0, 0.0), (20.0, 1.0)]), None);
    }

    #[test]
    fn what_the_microphone_adds_is_taken_away_and_no_more() {
        let level = |hz: f64| -2.0 * (hz / 1000.0f64).log2();
        let second = |added: &dyn Fn(f64) -> f64| {
            let bands = third_octaves().map(|b| db_to_power(level(b.mid_hz) + added(b.mid_hz)) as f32);
            let sum =
                |range| third_octaves().iter().zip(&bands).filter(|(b, _)| is_within(b, range)).map(|(_, p)| p).sum();
            Second { bands, low: sum(LOW_END_HZ), middle: sum(MIDDLE_HZ), frames: 10.0 }
        };
        let curve = MicCurve::from_points(&[(30.0, -9.0), (200.0, 0.0), (5000.0, 4.0)]).unwrap();
        let reading = |added: &dyn Fn(f64) -> f64| BalanceReading {
            seconds: [second(added)].into_iter().collect(),
            sample_rate_hz: 48_000,
        };
        let heard = reading(&|hz| curve.response_db(hz).unwrap_or(0.0)).corrected(&curve);
        let flat = reading(&|_| 0.0);
        let [heard, flat] = [heard, flat].map(|r| r.seconds.iter().next().unwrap());
        for (a, b) in heard.bands.iter().zip(&flat.bands) {
            assert!((10.0 * (a / b).log10()).abs() < 1e-4);
        }
        assert!((10.0 * (heard.low / flat.low).log10()).abs() < 1e-4);
        assert_ne!(curve.mark(), MicCurve::from_points(&[(30.0, -9.0), (200.0, 0.0), (5000.0, 5.0)]).unwrap().mark());
    }
}
