//! Loudness by ITU-R BS.1770-5, EBU R 128, Tech 3341 and Tech 3342: integrated loudness, loudness range, momentary and
//! short-term curves, true peak, over the tape or any stretch of it.
//!
//! Conventions: levels are LUFS, ranges LU, peaks dBTP; spans are seconds from the start of the tape, half-open, and are
//! rounded to 20 ms (peaks: outwards to 100 ms). Mono is one channel: a mono tape reads 3.01 LU lower than the same
//! signal on both channels of a stereo tape. Kept: 240 bytes a second of tape.
//! Limits: K-weighting hears little below 100 Hz (an E1 at 41 Hz counts 5.5 dB less than a middle C): a heavy bass is
//! under-reported, see the balance family. A recorder that rides its gain makes every level over time meaningless.

mod gating;
mod meter;
#[cfg(test)]
mod tests;

use crate::dsp::column::Column;
use crate::dsp::jackknife;
use crate::dsp::true_peak::PEAK_HOP_S;
use crate::stats::Measured;

use gating::{GATE_ABSOLUTE_LUFS, GATING_HOP_STEPS, MOMENTARY_STEPS, SHORT_TERM_STEPS, STEP_S, STEPS_PER_S};

pub use meter::{LoudnessMeter, channel_weights};

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "loudness-1";
/// Hop of the curves, seconds.
pub const CURVE_HOP_S: f64 = 1.0;
/// Error allowed to a loudness meter, LU (EBU Tech 3341 table 1: +-0.1).
const METER_TOLERANCE_LU: f64 = 0.1;
/// Error allowed to a range meter, LU (EBU Tech 3342: +-1); seen in our own cases: below 0.05.
const RANGE_METER_TOLERANCE_LU: f64 = 0.1;
/// How far the waveform's true peak may lie below and above a reading, dB (EBU Tech 3341 cases 15 to 23: a meter reads
/// within +0.2 and -0.4 dB of the truth).
const TRUE_PEAK_BELOW_ABOVE_DB: [f64; 2] = [0.2, 0.4];
/// A loudness range is not stable before this, seconds (EBU Tech 3342).
const RANGE_STABLE_S: f64 = 60.0;

/// Curves over the whole tape, one entry a hop of [`CURVE_HOP_S`]; the last hop may be cut by the end of the tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LoudnessCurves {
    /// Loudness of the 3 s that end with the hop; null before 3 s and below the absolute gate.
    pub short_term_lufs: Vec<Option<f64>>,
    /// Largest momentary loudness of the 400 ms windows that end within the hop; null below the absolute gate.
    pub momentary_max_lufs: Vec<Option<f64>>,
}

/// All that is kept of the loudness of a tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LoudnessReading {
    duration_s: f64,
    /// Channel-weighted mean squares of 20 ms of the K-weighted signal.
    steps: Column<f32>,
    /// True peak of each 100 ms, the largest of the channels, full scale = 1.0.
    peaks: Vec<f32>,
}

impl LoudnessReading {
    /// Length of what was measured, seconds.
    pub fn duration_s(&self) -> f64 {
        self.duration_s
    }

    /// Channel-weighted mean squares of the K-weighted recording, and the seconds that each covers: power to share out.
    pub fn powers(&self) -> (Vec<f32>, f64) {
        (self.steps.to_vec(), STEP_S)
    }

    /// K-weighted power summed over the seconds of a stretch: mean square times seconds.
    pub fn energy(&self, start_s: f64, end_s: f64) -> f64 {
        let at = |s: f64| ((s / STEP_S).round().max(0.0) as usize).min(self.steps.len());
        let (first, end) = (at(start_s), at(end_s).max(at(start_s)));
        self.steps.range(first..end).filter(|p| p.is_finite()).map(f64::from).sum::<f64>() * STEP_S
    }

    /// How loud a stretch of playing is, pauses left out: integrated loudness, LUFS.
    ///
    /// # Output
    /// LUFS, about -70..0. Interval: the level that this playing has in the long run, by leaving out block after block of at
    /// least 4 s (delete-a-group jackknife), joined with the meter's own +-0.1 LU. Under 3 s of sound only the
    /// meter's part is known: warning `interval_of_the_meter_only`. n = gating blocks of 400 ms above both gates.
    ///
    /// # Not measurable
    /// `too_short` (under 400 ms), `silence` (nothing above -70 LUFS).
    ///
    /// # Method and source
    /// ITU-R BS.1770-5 annex 1: 400 ms blocks every 100 ms from the start of the span, gates -70 LUFS and -10 LU.
    ///
    /// # Accuracy known
    /// EBU Tech 3341 cases 1 to 6 within 0.03 LU; another library within 0.01 LU on noise and music-like signals
    /// (tests reference_loudness, cross_check). Intervals hold the long-run level in 91 to 98 of 100 simulated
    /// takes of 12 to 180 s (unit tests).
    pub fn integrated_lufs(&self, start_s: f64, end_s: f64) -> Measured {
        let steps = self.span(start_s, end_s);
        let blocks = gating::windows(&steps, MOMENTARY_STEPS, GATING_HOP_STEPS);
        if blocks.is_empty() {
            return Measured::absent("too_short");
        }
        let Some((value, gated)) = integrated(blocks.iter().copied()) else { return Measured::absent("silence") };
        let sampling = jackknife::half_width_95(blocks.len(), steps.len() as f64 * STEP_S, |cut| {
            integrated(without(&blocks, cut)).map(|(lufs, _)| lufs)
        });
        gating::warn_of_holes(with_interval(value, METER_TOLERANCE_LU, sampling, gated), &steps)
    }

    /// How far soft and loud playing lie apart: loudness range, LU.
    ///
    /// # Output
    /// LU, 0 upwards. Interval as for [`Self::integrated_lufs`]; n = short-term values (3 s, every 100 ms) above both gates.
    /// Under 60 s: warning `range_short`.
    ///
    /// # Not measurable
    /// `too_short` (under 3 s), `silence`.
    ///
    /// # Method and source
    /// EBU Tech 3342: gates -70 LUFS and -20 LU, 95th minus 10th percentile (nearest rank).
    ///
    /// # Accuracy known
    /// Tech 3342 cases 1 to 4 within 0.1 LU (tolerance of the standard 1 LU), test reference_loudness.
    pub fn range_lu(&self, start_s: f64, end_s: f64) -> Measured {
        let steps = self.span(start_s, end_s);
        let short_term = gating::windows(&steps, SHORT_TERM_STEPS, GATING_HOP_STEPS);
        if short_term.is_empty() {
            return Measured::absent("too_short");
        }
        let Some((value, kept)) = gating::range_lu(short_term.iter().copied()) else {
            return Measured::absent("silence");
        };
        let span_s = steps.len() as f64 * STEP_S;
        let sampling = jackknife::half_width_95(short_term.len(), span_s, |cut| {
            gating::range_lu(without(&short_term, cut)).map(|(lu, _)| lu)
        });
        let mut measured = with_interval(value, RANGE_METER_TOLERANCE_LU, sampling, kept);
        measured.low = measured.low.map(|low| low.max(0.0));
        if span_s < RANGE_STABLE_S {
            measured = measured.with_warning("range_short");
        }
        gating::warn_of_holes(measured, &steps)
    }

    /// The highest level that the waveform reaches, also between the samples: true peak, dBTP.
    ///
    /// # Output
    /// dB against full scale, the largest of the channels. Interval: what a meter of this kind may miss or add by EBU Tech
    /// 3341 (-0.2..+0.4 dB around the reading). The span is widened to whole tenths of a second. n = tenths of a second.
    ///
    /// # Not measurable
    /// `too_short` (empty span), `silence` (digital zero), `samples_not_finite` (an infinite sample).
    ///
    /// # Method and source
    /// ITU-R BS.1770-5 annex 2, see [`crate::dsp::true_peak`]; exact for every span, nothing is estimated.
    ///
    /// # Accuracy known
    /// EBU Tech 3341 cases 15 to 23 (tolerance +0.2 and -0.4 dB); another library within 0.001 dB (tests).
    pub fn true_peak_dbtp(&self, start_s: f64, end_s: f64) -> Measured {
        let first = (start_s.max(0.0) / PEAK_HOP_S + 1e-9).floor() as usize;
        let last = ((end_s.max(0.0) / PEAK_HOP_S - 1e-9).ceil().max(0.0) as usize).min(self.peaks.len());
        let Some(peaks) = self.peaks.get(first..last).filter(|p| !p.is_empty()) else {
            return Measured::absent("too_short");
        };
        let largest = peaks.iter().fold(0.0f32, |m, p| m.max(*p));
        if !largest.is_finite() {
            return Measured::absent("samples_not_finite");
        }
        let Some(value) = crate::units::power_to_db(f64::from(largest).powi(2)) else {
            return Measured::absent("silence");
        };
        let [below, above] = TRUE_PEAK_BELOW_ABOVE_DB;
        Measured::new(value, value - below, value + above, peaks.len() as u64)
    }

    /// Loudness of the 400 ms that end at `end_s` (rounded to 20 ms), LUFS; `None` before 400 ms and below the absolute gate.
    pub fn momentary_lufs(&self, end_s: f64) -> Option<f64> {
        self.window_lufs(end_s, MOMENTARY_STEPS)
    }

    /// Loudness of the 3 s that end at `end_s` (rounded to 20 ms), LUFS; `None` before 3 s and below the absolute gate.
    pub fn short_term_lufs(&self, end_s: f64) -> Option<f64> {
        self.window_lufs(end_s, SHORT_TERM_STEPS)
    }

    /// The curves of the whole tape.
    pub fn curves(&self) -> LoudnessCurves {
        let steps = self.steps.to_vec();
        let hops = (self.duration_s / CURVE_HOP_S).ceil() as usize;
        let hop_end = |hop: usize| ((hop + 1) * STEPS_PER_S).min(steps.len());
        let loudest = |hop: usize| {
            let ends = (hop * STEPS_PER_S + 1).min(steps.len() + 1)..=hop_end(hop);
            let powers = ends.filter_map(|end| window_power_before(&steps, end, MOMENTARY_STEPS));
            powers.filter(|p| p.is_finite()).max_by(f64::total_cmp)
        };
        LoudnessCurves {
            short_term_lufs: (0..hops)
                .map(|h| audible(window_power_before(&steps, hop_end(h), SHORT_TERM_STEPS)))
                .collect(),
            momentary_max_lufs: (0..hops).map(|h| audible(loudest(h))).collect(),
        }
    }

    /// Loudness of the `length` steps before `end_s`.
    fn window_lufs(&self, end_s: f64, length: usize) -> Option<f64> {
        let end = self.step_at(end_s);
        let steps: Vec<f32> = self.steps.range(end.saturating_sub(length)..end).collect();
        audible(window_power_before(&steps, steps.len(), length))
    }

    fn step_at(&self, s: f64) -> usize {
        ((s.max(0.0) / STEP_S).round() as usize).min(self.steps.len())
    }

    fn span(&self, start_s: f64, end_s: f64) -> Vec<f32> {
        let start = self.step_at(start_s);
        self.steps.range(start..self.step_at(end_s)).collect()
    }
}

/// LUFS and number of blocks after gating.
fn integrated(blocks: impl Iterator<Item = f64> + Clone) -> Option<(f64, usize)> {
    let gated = gating::gated_mean(blocks)?;
    Some((gating::power_to_lufs(gated.power)?, gated.blocks))
}

/// `values` with a stretch left out.
fn without(values: &[f64], cut: std::ops::Range<usize>) -> impl Iterator<Item = f64> + Clone {
    values[..cut.start].iter().chain(&values[cut.end..]).copied()
}

/// Joins what the meter and what the playing contribute.
fn with_interval(value: f64, meter: f64, sampling: Option<f64>, n: usize) -> Measured {
    match sampling {
        Some(half) => Measured::symmetric(value, half.hypot(meter), n as u64),
        None => Measured::symmetric(value, meter, n as u64).with_warning("interval_of_the_meter_only"),
    }
}

/// Mean square of the `length` steps before step `end`.
fn window_power_before(steps: &[f32], end: usize, length: usize) -> Option<f64> {
    steps.get(end.checked_sub(length)?..end).map(gating::window_power)
}

/// LUFS of a window, unless it lies below the absolute gate.
fn audible(power: Option<f64>) -> Option<f64> {
    power.and_then(gating::power_to_lufs).filter(|lufs| *lufs >= GATE_ABSOLUTE_LUFS)
}
