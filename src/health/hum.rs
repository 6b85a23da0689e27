//! Mains hum: a narrow, steady line at 50 or 60 Hz or their multiples that stays through quiet and talk.
//!
//! Conventions: levels are mean square in dBFS of the long spectra. Bass notes come and go; hum is what is left in the
//! quiet tenth of the time, bin by bin.
//! Limits: hum 8 dB or less over the room noise of its bin is not seen; a drone held for nine tenths of the tape is hum.

use crate::dsp::PowerFrame;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::stats::Measured;

/// Bins that are followed: up to 380 Hz.
const BINS: usize = 130;
/// Levels in 1 dB steps from -130 dBFS.
const LEVELS: usize = 136;
const LOWEST_DBFS: f64 = -130.0;
/// The quiet share of the time, in which only what is always there is left.
const QUIET_SHARE: f64 = 0.15;
/// A line must stand this far above its surroundings in the quiet share, dB.
const LEAST_EXCESS_DB: f64 = 8.0;
/// Spectra that a verdict needs.
const LEAST_FRAMES: u64 = 18;
/// Two weaker lines of one series count as well, dB.
const LEAST_PAIR_DB: f64 = 6.0;
/// A line may lie this far from its nominal place, Hz; B1 at 61.7 Hz is further away. Mains holds its frequency
/// within 0.5 Hz (common practice, no source).
const TOLERANCE_HZ: f64 = 0.9;

/// Histogram of the level of every low bin.
#[derive(Clone)]
pub struct HumMeter {
    counts: Vec<[u32; LEVELS]>,
    frames: u64,
}

impl Default for HumMeter {
    fn default() -> Self {
        Self { counts: vec![[0; LEVELS]; BINS], frames: 0 }
    }
}

/// A line near a multiple of the mains frequency.
#[derive(Clone, Copy, Debug)]
struct Line {
    excess_db: f64,
    off_hz: f64,
}

impl HumMeter {
    /// Takes a long spectrum.
    pub fn push(&mut self, spectrum: &PowerFrame) {
        self.frames += 1;
        for (count, power) in self.counts.iter_mut().zip(&spectrum.power) {
            let db = 10.0 * f64::from(power.max(1e-13)).log10() - LOWEST_DBFS;
            count[(db.round().max(0.0) as usize).min(LEVELS - 1)] += 1;
        }
    }

    /// Mains frequency whose lines stand out, 50 or 60 Hz.
    pub fn finish(&self) -> Measured {
        if self.frames < LEAST_FRAMES {
            return Measured::absent("too_short");
        }
        let quiet: Vec<f64> = self.counts.iter().map(|c| self.quiet_level(c)).collect();
        let read = |mains: f64| -> Vec<Option<Line>> { (1..=6).map(|k| line(&quiet, mains * f64::from(k))).collect() };
        let judge = |lines: &[Option<Line>]| -> Option<f64> {
            let excess: Vec<f64> = lines.iter().flatten().map(|l| l.excess_db).collect();
            let first = lines.first().copied().flatten().is_some_and(|l| l.excess_db >= LEAST_EXCESS_DB);
            let strong = excess.iter().filter(|e| **e >= LEAST_EXCESS_DB).count();
            let weak = excess.iter().filter(|e| **e >= LEAST_PAIR_DB).count();
            (first || strong >= 2 || (strong >= 1 && weak >= 3)).then(|| excess.iter().sum())
        };
        let (fifty, sixty) = (read(50.0), read(60.0));
        let (mains, lines) = match (judge(&fifty), judge(&sixty)) {
            (None, None) => return Measured::absent("no_hum_heard"),
            (Some(a), Some(b)) if a > b => (50.0, fifty),
            (Some(_), None) => (50.0, fifty),
            _ => (60.0, sixty),
        };
        let off = lines.iter().flatten().next().map_or(0.0, |l| l.off_hz.abs());
        Measured::symmetric(mains, off.max(0.3), self.frames)
    }

    fn quiet_level(&self, counts: &[u32; LEVELS]) -> f64 {
        let wanted = (self.frames as f64 * QUIET_SHARE).ceil();
        let mut seen = 0.0;
        for (level, n) in counts.iter().enumerate() {
            // Linear inside the step, so that neighbouring bins can be compared in fractions of a dB.
            let after = seen + f64::from(*n);
            if after >= wanted {
                return LOWEST_DBFS + level as f64 - 0.5 + (wanted - seen) / f64::from(*n);
            }
            seen = after;
        }
        LOWEST_DBFS + LEVELS as f64
    }
}

/// The line at `hz` in the quiet levels, when there is a narrow peak at that very place.
fn line(quiet: &[f64], hz: f64) -> Option<Line> {
    let place = hz / LONG_FRAMING.bin_hz();
    let k = (place.floor() as usize..=place.ceil() as usize).max_by(|a, b| quiet[*a].total_cmp(&quiet[*b]))?;
    if k < 6 || k + 6 >= quiet.len() {
        return None;
    }
    let around = [k - 6, k - 5, k - 4, k + 4, k + 5, k + 6].map(|b| 10f64.powf(quiet[b] / 10.0));
    let excess_db = quiet[k] - 10.0 * (around.iter().sum::<f64>() / 6.0).log10();
    // Offset of a steady line from the bin by the ratio of its neighbours in a Hann window.
    let amplitude = |b: usize| 10f64.powf(quiet[b] / 20.0);
    let (left, here, right) = (amplitude(k - 1), amplitude(k), amplitude(k + 1));
    let shift = if right > left {
        let r = right / here;
        (2.0 * r - 1.0) / (1.0 + r)
    } else {
        let r = left / here;
        -(2.0 * r - 1.0) / (1.0 + r)
    };
    let off_hz = (k as f64 + shift) * LONG_FRAMING.bin_hz() - hz;
    (off_hz.abs() <= TOLERANCE_HZ).then_some(Line { excess_db, off_hz })
}
