//! Balance: third-octave levels, tilt, and the low end against the middle, over any set of takes and second by second.
//!
//! Conventions: power is the mean square of the mono mix; loud and quiet moments are weighted by their power; levels are
//! dB against the mean level of the 400-2500 Hz bands; plus = more than the target. Spans are seconds, half-open.
//! Limits: a spectrum covers 341 ms, so the ends of a span are blurred by about that; a microphone's own response and the
//! place it stands in (a corner adds up to 6 dB a boundary at low frequencies, common practice, no source) count in full.

mod learnt;
mod meter;
mod mic;
mod target;

use crate::dsp::bands::{BAND_COUNT, ThirdOctaveBand, third_octaves};
use crate::dsp::column::Column;
use crate::dsp::jackknife;
use crate::stats::Measured;
use crate::units::power_to_db;

pub use learnt::{Admired, LearnError, Learnt, learn};
pub use meter::BalanceMeter;
use meter::Second;
pub use mic::MicCurve;
pub use target::{Target, TargetBand};

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "balance-1";
/// The low end, Hz: fundamentals of the bass from E1 and the body of the kick.
pub const LOW_END_HZ: (f64, f64) = (40.0, 160.0);
/// The middle that it is held against, Hz.
pub const MIDDLE_HZ: (f64, f64) = (400.0, 2500.0);
/// Hop of the curve, seconds.
pub const CURVE_HOP_S: f64 = 1.0;
/// Bands of the straight line, Hz: where published average spectra are straight.
const TILT_HZ: (f64, f64) = (100.0, 4000.0);
/// Fewest bands that a line is drawn through.
const TILT_MIN_BANDS: usize = 8;
/// The middle of the low end on the log scale: a recorder that hears nothing below this has lost half of it.
const LOW_END_LOST_HZ: f64 = 80.0;
/// Below this power in low end and middle together (-70 dBFS) a second has nothing to say.
const SILENCE_POWER: f64 = 1e-7;
/// Difference seen between this bank and an ordinary Welch estimate of the same take, dB.
const METHOD_TOLERANCE_DB: f64 = 0.1;

/// Where the recorder stops hearing (from the health family); `None` = it hears all.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HearingLimits {
    /// No bass below this, Hz.
    pub low_cut_hz: Option<f64>,
    /// No treble above this, Hz.
    pub high_cut_hz: Option<f64>,
}

/// One band beside its target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandLevel {
    /// Exact mid-band frequency, Hz.
    pub mid_hz: f64,
    /// Level against the mean of the 400-2500 Hz bands, dB; `None` where the recorder hears nothing.
    pub level_db: Option<f64>,
    /// Lower end of the target's spread, dB.
    pub target_low_db: Option<f64>,
    /// Target, dB.
    pub target_db: Option<f64>,
    /// Upper end of the target's spread, dB.
    pub target_high_db: Option<f64>,
}

/// The balance over a set of takes.
#[derive(Clone, Debug, PartialEq)]
pub struct Balance {
    /// The bands from 25 Hz to 16 kHz.
    pub third_octave: Vec<BandLevel>,
    /// Straight line through the band levels of 100-4000 Hz, dB an octave, plus = brighter (pink noise = 0).
    pub tilt_db_per_octave: Measured,
    /// Power in 40-160 Hz against 400-2500 Hz, dB.
    pub low_re_mid_db: Measured,
    /// The same minus the target's, plus = too much low end.
    pub low_end_excess_db: Measured,
}

/// All that is kept of the balance of a tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BalanceReading {
    seconds: Column<Second>,
    sample_rate_hz: u32,
}

/// Powers summed over some seconds, a weight each.
#[derive(Clone, Debug)]
struct Sums {
    bands: [f64; BAND_COUNT],
    low: f64,
    middle: f64,
}

impl Sums {
    fn of<'a>(seconds: impl Iterator<Item = &'a (f64, Second)>) -> Self {
        let mut sums = Self { bands: [0.0; BAND_COUNT], low: 0.0, middle: 0.0 };
        for (weight, second) in seconds {
            for (sum, power) in sums.bands.iter_mut().zip(&second.bands) {
                *sum += weight * f64::from(*power);
            }
            sums.low += weight * f64::from(second.low);
            sums.middle += weight * f64::from(second.middle);
        }
        sums
    }

    fn low_re_mid_db(&self) -> Option<f64> {
        if self.middle > 0.0 { power_to_db(self.low / self.middle) } else { None }
    }

    /// Levels against the mean level of the middle bands; `None` for a band that is not heard.
    fn levels_db(&self, heard: &[bool; BAND_COUNT]) -> Option<[Option<f64>; BAND_COUNT]> {
        let raw: [Option<f64>; BAND_COUNT] =
            std::array::from_fn(|i| if heard[i] { power_to_db(self.bands[i]) } else { None });
        let mut middle = Vec::with_capacity(BAND_COUNT);
        for (level, _) in raw.iter().zip(third_octaves()).filter(|(_, b)| is_within(b, MIDDLE_HZ)) {
            middle.push((*level)?);
        }
        let reference = crate::stats::mean(&middle)?;
        Some(raw.map(|level| level.map(|db| db - reference)))
    }

    fn tilt_db_per_octave(&self, heard: &[bool; BAND_COUNT]) -> Option<f64> {
        let points: Vec<(f64, f64)> = third_octaves()
            .iter()
            .enumerate()
            .filter(|(i, b)| heard[*i] && is_within(b, TILT_HZ))
            .filter_map(|(i, b)| power_to_db(self.bands[i]).map(|db| (b.mid_hz.log2(), db)))
            .collect();
        if points.len() < TILT_MIN_BANDS { None } else { slope(&points) }
    }
}

/// Does the band's middle lie in the range, its ends included (nominal frequencies are off the exact ones by up to 2 %)?
fn is_within(band: &ThirdOctaveBand, (low, high): (f64, f64)) -> bool {
    band.mid_hz > low * 0.98 && band.mid_hz < high * 1.02
}

/// Least-squares slope of `(x, y)`.
fn slope(points: &[(f64, f64)]) -> Option<f64> {
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
    let (sxy, sxx) =
        points.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + (x - mx) * (y - my), b + (x - mx) * (x - mx)));
    (sxx > 0.0).then(|| sxy / sxx)
}

impl BalanceReading {
    /// How the band's sound is spread from low to high over the takes, and whether there is too much low end.
    ///
    /// # Input
    /// `takes`: spans that do not overlap; `target`: what to compare with; `limits`: where the recorder stops hearing.
    ///
    /// # Output
    /// See [`Balance`]. Intervals: the balance that this playing has in the long run, by leaving out block after block of
    /// at least 4 s (delete-a-group jackknife), joined with 0.1 dB for the method; the target counts as exact. n = seconds.
    ///
    /// # Not measurable
    /// `no_takes`, `silence`, `recorder_hears_no_low_end` (low cut above 80 Hz), `recorder_hears_no_middle` (high cut or half
    /// the sample rate below 2.5 kHz), `too_few_bands` (tilt). Warning `low_cut_inside_low_end` for a low cut of 40-80 Hz.
    ///
    /// # Method and source
    /// Exact base-10 third-octave bands (IEC 61260-1) as sums of FFT bins of 341 ms Hann windows; low end and middle are
    /// summed over their exact bins, not over whole bands. Least squares for the tilt.
    ///
    /// # Accuracy known
    /// White, pink and -4.5 dB an octave noise within 0.1 dB an octave (tests reference_bands). Low end against middle on
    /// three rendered tapes with known truth (Welch estimate of the take before encoding): within 0.04 dB, and the change
    /// between two of them within 0.01 dB (November 2026, by hand).
    pub fn over(&self, takes: &[(f64, f64)], target: &Target, limits: HearingLimits) -> Balance {
        let seconds = self.weighted(takes);
        let heard = self.heard(limits);
        let sums = Sums::of(seconds.iter());
        let levels = sums.levels_db(&heard).unwrap_or([None; BAND_COUNT]);
        let low_re_mid = match low_end_lost(seconds.is_empty(), &sums, &heard, limits) {
            Some(reason) => Measured::absent(reason),
            None => low_end_warned(measured(&seconds, "silence", Sums::low_re_mid_db), limits),
        };
        let tilt = if seconds.is_empty() {
            Measured::absent("no_takes")
        } else {
            let reason = if sums.middle > 0.0 { "too_few_bands" } else { "silence" };
            measured(&seconds, reason, |s| s.tilt_db_per_octave(&heard))
        };
        Balance {
            third_octave: third_octaves()
                .iter()
                .zip(levels)
                .map(|(b, level)| beside_target(b, level, target))
                .collect(),
            tilt_db_per_octave: tilt,
            low_end_excess_db: shifted(&low_re_mid, -target.low_re_mid_db),
            low_re_mid_db: low_re_mid,
        }
    }

    /// Low end excess of every second of the tape, dB; `None` in silence or when the recorder cannot tell.
    pub fn low_end_excess_curve_db(&self, target: &Target, limits: HearingLimits) -> Vec<Option<f64>> {
        let heard = self.heard(limits);
        let one = |second: Second| {
            let frames = f64::from(second.frames);
            let sums = Sums::of([(1.0, second)].iter());
            let audible = sums.low + sums.middle > SILENCE_POWER * frames;
            if !audible || low_end_lost(false, &sums, &heard, limits).is_some() {
                return None;
            }
            sums.low_re_mid_db().map(|db| db - target.low_re_mid_db)
        };
        self.seconds.iter().map(one).collect()
    }

    /// The seconds that the spans touch, each with the share of it that they cover.
    fn weighted(&self, spans: &[(f64, f64)]) -> Vec<(f64, Second)> {
        let mut touched = self.seconds.seconds(spans);
        touched.retain(|(_, second)| second.frames > 0.0);
        touched
    }

    /// Which bands the recorder hears.
    fn heard(&self, limits: HearingLimits) -> [bool; BAND_COUNT] {
        let nyquist_hz = f64::from(self.sample_rate_hz) / 2.0;
        third_octaves().map(|b| {
            b.high_hz <= nyquist_hz
                && limits.low_cut_hz.is_none_or(|cut| b.mid_hz >= cut)
                && limits.high_cut_hz.is_none_or(|cut| b.mid_hz <= cut)
        })
    }
}

/// Why the low end cannot be held against the middle, if so.
fn low_end_lost(
    no_takes: bool,
    sums: &Sums,
    heard: &[bool; BAND_COUNT],
    limits: HearingLimits,
) -> Option<&'static str> {
    let middle_heard = third_octaves().iter().zip(heard).all(|(b, h)| *h || !is_within(b, MIDDLE_HZ));
    if no_takes {
        Some("no_takes")
    } else if !middle_heard {
        Some("recorder_hears_no_middle")
    } else if limits.low_cut_hz.is_some_and(|cut| cut > LOW_END_LOST_HZ) {
        Some("recorder_hears_no_low_end")
    } else if sums.middle <= 0.0 || sums.low <= 0.0 {
        Some("silence")
    } else {
        None
    }
}

fn low_end_warned(measured: Measured, limits: HearingLimits) -> Measured {
    if limits.low_cut_hz.is_some_and(|cut| cut > LOW_END_HZ.0) {
        return measured.with_warning("low_cut_inside_low_end");
    }
    measured
}

/// A statistic of the summed powers with its interval.
fn measured(seconds: &[(f64, Second)], reason: &str, statistic: impl Fn(&Sums) -> Option<f64>) -> Measured {
    let Some(value) = statistic(&Sums::of(seconds.iter())) else { return Measured::absent(reason) };
    let span_s: f64 = seconds.iter().map(|(weight, _)| weight).sum();
    let sampling = jackknife::half_width_95(seconds.len(), span_s, |cut| {
        statistic(&Sums::of(seconds[..cut.start].iter().chain(&seconds[cut.end..])))
    });
    match sampling {
        Some(half) => Measured::symmetric(value, half.hypot(METHOD_TOLERANCE_DB), seconds.len() as u64),
        None => Measured::symmetric(value, METHOD_TOLERANCE_DB, seconds.len() as u64)
            .with_warning("interval_of_the_meter_only"),
    }
}

/// The same reading with its scale moved.
fn shifted(measured: &Measured, by: f64) -> Measured {
    let mut out = measured.clone();
    for x in [&mut out.value, &mut out.low, &mut out.high] {
        *x = x.map(|v| v + by);
    }
    out
}

fn beside_target(band: &ThirdOctaveBand, level_db: Option<f64>, target: &Target) -> BandLevel {
    let row = target.band(band);
    BandLevel {
        mid_hz: band.mid_hz,
        level_db,
        target_low_db: row.map(|t| t.low_db),
        target_db: row.map(|t| t.level_db),
        target_high_db: row.map(|t| t.high_db),
    }
}
