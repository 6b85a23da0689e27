//! The spectrum that a band is compared with.
//!
//! Conventions: third-octave band levels in dB against their own mean over 400-2500 Hz, as the measured ones.

use serde::{Deserialize, Serialize};

use crate::dsp::bands::{ThirdOctaveBand, third_octaves};
use crate::units::{db_to_power, power_to_db};

use super::{LOW_END_HZ, MIDDLE_HZ};

/// One band of a target.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TargetBand {
    /// Exact mid-band frequency, Hz.
    pub mid_hz: f64,
    /// Lower end of the spread, dB.
    pub low_db: f64,
    /// Level, dB.
    pub level_db: f64,
    /// Upper end of the spread, dB.
    pub high_db: f64,
}

/// A target balance: the published average that ships, or one learnt from recordings that the director admires.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// Name for reports.
    pub name: String,
    /// Where it comes from and how far to trust it.
    pub source: String,
    /// Power in 40-160 Hz against 400-2500 Hz, dB.
    pub low_re_mid_db: f64,
    /// How far recordings spread around it to either side, dB; `None` takes the mean half-width of its bands.
    pub low_re_mid_spread_db: Option<f64>,
    /// The bands from 25 Hz to 16 kHz.
    pub bands: Vec<TargetBand>,
    /// Levels of the band's own bass, semitone by semitone as the tone family counts them; empty when the target is not
    /// learnt from the same players.
    #[serde(default)]
    pub own_bass_db: Vec<Option<f64>>,
    /// Levels of all that sounds while the band's own bass plays them, in the same order.
    #[serde(default)]
    pub own_all_db: Vec<Option<f64>>,
    /// Share of that bass in the low end of its recordings, 0..=1, median; `None` where it is not known.
    #[serde(default)]
    pub own_bass_share: Option<f64>,
    /// The player to whom the recordings were close ("bass", "guitar"); `None` for recordings of the whole band.
    #[serde(default)]
    pub close_to: Option<String>,
}

/// Slope of the published average in band levels, dB an octave: 4.5 dB an octave in power a hertz, of which a band that
/// grows with frequency gives back 3.01. Published: about 4 to 5 dB an octave between 100 Hz and 4 kHz.
const SLOPE_DB_PER_OCTAVE: f64 = -4.5 + 3.010_3;
/// Below this the published averages bend down; older recordings more than recent ones.
const LOW_CORNER_HZ: f64 = 80.0;
/// Fall below the corner, dB an octave; our choice between old and recent recordings.
const LOW_FALL_DB_PER_OCTAVE: f64 = 6.0;
/// Above this they fall faster.
const HIGH_CORNER_HZ: f64 = 4000.0;
/// Slope above the corner in band levels, dB an octave; our choice, the sources say "steeper".
const HIGH_SLOPE_DB_PER_OCTAVE: f64 = -4.0;
/// Half of the spread inside 100 Hz to 4 kHz, dB; our estimate of the spread between recordings.
const SPREAD_DB: f64 = 3.0;
/// Least half of a learnt spread, dB: what two takes of one band on one evening differ by (common practice, no source).
pub const LEAST_SPREAD_DB: f64 = 1.0;
/// Growth of the spread below 100 Hz, dB an octave.
const SPREAD_GROWTH_LOW_DB: f64 = 2.0;
/// Growth of the spread above 4 kHz, dB an octave.
const SPREAD_GROWTH_HIGH_DB: f64 = 1.0;

/// How far the low end of takes lies around the published average, standard deviation, dB: 40 rendered takes of ten basses in
/// other rooms, charts and balances (3.7, their mean 0.2 dB below it). Their own balance varied by about 3 dB on purpose.
const PUBLISHED_LOW_END_SD_DB: f64 = 3.7;
/// Half of the spread of a learnt target in standard deviations: nine in ten lie inside.
pub const SPREAD_SIGMAS: f64 = 1.645;

const PUBLISHED_NAME: &str = "published average of popular recordings";
const PUBLISHED_SOURCE: &str = "crude, not a big-band norm: a straight fall of 4.5 dB an octave (power a hertz) from 80 Hz \
to 4 kHz, after long-term average spectra of popular recordings (Elowsson and Friberg, AES 142nd Convention, 2017, paper \
9762; Pestana et al., AES 135th Convention, 2013; figures recalled, not re-read); spread +-3 dB and more is our estimate; learn a target \
from recordings you admire, or compare with your own earlier takes";

impl Target {
    /// The target of last resort, from published long-term average spectra; its `source` says how crude it is.
    pub fn published_average() -> Self {
        let bands = third_octaves().map(|b| TargetBand {
            mid_hz: b.mid_hz,
            low_db: published_level_db(b.mid_hz) - published_spread_db(b.mid_hz),
            level_db: published_level_db(b.mid_hz),
            high_db: published_level_db(b.mid_hz) + published_spread_db(b.mid_hz),
        });
        Self {
            name: PUBLISHED_NAME.to_owned(),
            source: PUBLISHED_SOURCE.to_owned(),
            low_re_mid_db: published_low_re_mid_db(),
            low_re_mid_spread_db: None,
            bands: bands.to_vec(),
            own_bass_db: Vec::new(),
            own_all_db: Vec::new(),
            own_bass_share: None,
            close_to: None,
        }
    }

    /// A short mark of the target's numbers, for method ids: equal numbers, equal mark (FNV-1a, 32 bits).
    pub fn mark(&self) -> String {
        let low = [self.low_re_mid_db, self.low_re_mid_spread_db.unwrap_or(0.0)];
        let bands = self.bands.iter().flat_map(|b| [b.mid_hz, b.low_db, b.level_db, b.high_db]);
        let bass = self.own_bass_db.iter().map(|l| l.unwrap_or(0.0));
        let bytes = low.into_iter().chain(bands).chain(bass).flat_map(|x| ((x * 100.0).round() as i64).to_le_bytes());
        let hash = bytes.fold(0x811c_9dc5_u32, |h, b| (h ^ u32::from(b)).wrapping_mul(0x0100_0193));
        format!("target-{hash:08x}")
    }

    /// How far recordings spread around the target's low end, dB to either side: as learnt, else the mean half-width of the
    /// bands inside [`LOW_END_HZ`](super::LOW_END_HZ); `None` when the target has no band there.
    pub fn low_end_spread_db(&self) -> Option<f64> {
        if self.low_re_mid_spread_db.is_some() {
            return self.low_re_mid_spread_db;
        }
        let inside = |b: &&TargetBand| (super::LOW_END_HZ.0..=super::LOW_END_HZ.1).contains(&b.mid_hz);
        let halves: Vec<f64> = self.bands.iter().filter(inside).map(|b| (b.high_db - b.low_db) / 2.0).collect();
        crate::stats::mean(&halves)
    }

    /// How far the low end of recordings that nothing is wrong with lies from the target, standard deviation, dB: as the
    /// admired recordings spread, else as takes spread around the published average.
    pub fn low_end_sd_db(&self) -> f64 {
        self.low_re_mid_spread_db.map_or(PUBLISHED_LOW_END_SD_DB, |spread| spread.abs() / SPREAD_SIGMAS)
    }

    /// The target's row for a band.
    pub fn band(&self, band: &ThirdOctaveBand) -> Option<&TargetBand> {
        self.bands.iter().find(|t| (t.mid_hz / band.mid_hz - 1.0).abs() < 0.01)
    }
}

/// Band level of the published average, dB re 1 kHz; the mean over 400-2500 Hz is 0 by symmetry.
fn published_level_db(hz: f64) -> f64 {
    let straight = SLOPE_DB_PER_OCTAVE * (hz.clamp(LOW_CORNER_HZ, HIGH_CORNER_HZ) / 1000.0).log2();
    let low = -LOW_FALL_DB_PER_OCTAVE * (LOW_CORNER_HZ / hz).log2().max(0.0);
    let high = HIGH_SLOPE_DB_PER_OCTAVE * (hz / HIGH_CORNER_HZ).log2().max(0.0);
    straight + low + high
}

/// Half of the spread of the published average at a frequency, dB.
pub fn published_spread_db(hz: f64) -> f64 {
    SPREAD_DB
        + SPREAD_GROWTH_LOW_DB * (100.0 / hz).log2().max(0.0)
        + SPREAD_GROWTH_HIGH_DB * (hz / HIGH_CORNER_HZ).log2().max(0.0)
}

/// Power in the low end against the middle: the band level is power per step of log frequency, summed in fine steps.
fn published_low_re_mid_db() -> f64 {
    let power = |(low, high): (f64, f64)| {
        let steps = 1000;
        let octaves = (high / low).log2();
        let sum: f64 = (0..steps)
            .map(|i| {
                db_to_power(published_level_db(low * 2f64.powf(octaves * (f64::from(i) + 0.5) / f64::from(steps))))
            })
            .sum();
        sum * octaves / f64::from(steps)
    };
    power_to_db(power(LOW_END_HZ) / power(MIDDLE_HZ)).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_average_is_referred_to_its_own_middle() {
        let target = Target::published_average();
        let middle: Vec<f64> =
            target.bands.iter().filter(|b| (390.0..2600.0).contains(&b.mid_hz)).map(|b| b.level_db).collect();
        assert_eq!(middle.len(), 9);
        assert!(middle.iter().sum::<f64>().abs() < 1e-9);
    }

    /// The ratio must agree with the one that the band levels give, up to what the edges of whole bands can tell.
    #[test]
    fn low_against_middle_agrees_with_the_bands() {
        let target = Target::published_average();
        let sum = |low: f64, high: f64| -> f64 {
            target.bands.iter().filter(|b| (low..high).contains(&b.mid_hz)).map(|b| db_to_power(b.level_db)).sum()
        };
        // 40..160 Hz is 6.02 bands wide (44.7 to 177.8 Hz: 6 bands), 400..2500 Hz 7.96 bands (446.7 to 2238.7 Hz: 7).
        let bands = 10.0 * (sum(48.0, 170.0) / 6.0 * 6.02 / (sum(450.0, 2200.0) / 7.0 * 7.96)).log10();
        assert!((bands - target.low_re_mid_db).abs() < 0.5, "{bands} {}", target.low_re_mid_db);
    }
}
