//! Whose the low end is.

use super::{LOW_BANDS, Second, ToneReading};
use crate::dsp::jackknife;
use crate::stats::Measured;

/// 95 % half-width of a share by how it lies between nobody and all: errors of rendered mixes with known stems.
const HALF_WIDTH: f64 = 0.06;
/// Its growth where bass and kick share the low end.
const HALF_WIDTH_MIDDLE: f64 = 0.30;

/// Shares of the power in 40-160 Hz, 0..=1.
#[derive(Clone, Debug, PartialEq)]
pub struct LowEndShares {
    /// Bass.
    pub bass: Measured,
    /// Kick: whatever of the drums is down there.
    pub kick: Measured,
    /// Everything else.
    pub other: Measured,
}

impl ToneReading {
    /// Whose the low end is over some spans.
    ///
    /// # Output
    /// Shares of power, 0..=1, that add up to 1. Interval: what this playing has in the long run (delete-a-group
    /// jackknife) joined with the error of the layers on rendered mixes. n = seconds.
    ///
    /// # Not measurable
    /// `no_takes`, `silence`.
    pub fn low_end_shares(&self, spans: &[(f64, f64)]) -> LowEndShares {
        let seconds = self.weighted(spans);
        let all = |reason: &str| LowEndShares {
            bass: Measured::absent(reason),
            kick: Measured::absent(reason),
            other: Measured::absent(reason),
        };
        if seconds.is_empty() {
            return all("no_takes");
        }
        if sum(&seconds, |s| f64::from(s.low)) <= 0.0 {
            return all("silence");
        }
        let share = |of: &dyn Fn(&Second) -> f64| measured(&seconds, of);
        LowEndShares {
            bass: share(&bass_low),
            kick: share(&|s| f64::from(s.drums_low)),
            other: share(&|s| (f64::from(s.low) - bass_low(s) - f64::from(s.drums_low)).max(0.0)),
        }
    }
}

/// Power of the bass in the low end.
pub(super) fn bass_low(second: &Second) -> f64 {
    second.bass[..LOW_BANDS].iter().map(|p| f64::from(*p)).sum()
}

/// Weighted sum over seconds.
pub(super) fn sum<'a>(seconds: impl IntoIterator<Item = &'a (f64, Second)>, of: impl Fn(&Second) -> f64) -> f64 {
    seconds.into_iter().map(|(w, s)| w * of(s)).sum()
}

/// Share of the low end over some seconds; `None` in silence.
fn share<'a>(seconds: impl Iterator<Item = &'a (f64, Second)> + Clone, of: &dyn Fn(&Second) -> f64) -> Option<f64> {
    let whole = sum(seconds.clone(), |s| f64::from(s.low));
    (whole > 0.0).then(|| (sum(seconds, of) / whole).clamp(0.0, 1.0))
}

fn measured(seconds: &[(f64, Second)], of: &dyn Fn(&Second) -> f64) -> Measured {
    let Some(value) = share(seconds.iter(), of) else { return Measured::absent("silence") };
    let span_s: f64 = seconds.iter().map(|s| s.0).sum();
    let sampling = jackknife::half_width_95(seconds.len(), span_s, |cut| {
        share(seconds[..cut.start].iter().chain(&seconds[cut.end..]), of)
    });
    let model = HALF_WIDTH + HALF_WIDTH_MIDDLE * 4.0 * value * (1.0 - value);
    let half = sampling.unwrap_or(0.0).hypot(model);
    let held = Measured::new(value, (value - half).max(0.0), (value + half).min(1.0), seconds.len() as u64);
    if sampling.is_none() { held.with_warning("interval_of_the_meter_only") } else { held }
}
