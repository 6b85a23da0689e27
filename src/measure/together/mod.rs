//! Two recordings of one rehearsal: how far apart their clocks are, and whether they have anything in common.
//!
//! Conventions: a moment at `t` seconds of the other tape is at `offset_s + t * (1 + clock_ppm / 1e6)` of this tape. Curves of
//! onsets have a value every [`HOP_S`], in several bands; places and rooms of the recorders may differ, so that only the rises
//! of level are compared and not their sizes.
//!
//! Method: stretches of the other tape are looked for everywhere in this one (normalised cross-correlation at 20 ms); those
//! that agree on one offset, give or take a clock, are the start of a line. Along the line, short stretches are placed at 5 ms
//! with interpolation, and the line is fitted again without outliers. Accepted is only what holds along the whole stretch in
//! common: sharp, straight, with the slope of a clock, and nowhere within 4 s, a beat or a bar away, as good. Several recordings are
//! laid together ([`align_all`]): both ways of a pair must agree, and what a pair does not show, a third recording may.
//!
//! Limits: under half a minute in common is not found. Sound needs 3 ms a metre: recorders far apart hear the players up to
//! 20 ms apart, and the offset is that of the loudest onsets.

mod chain;
mod coarse;
mod fine;

use crate::stats::Measured;

pub use chain::align_all;

/// Seconds between values of a curve.
pub const HOP_S: f64 = 0.005;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "together-2";

/// Known error of an offset besides its scatter (95 %), ms: the grid of the curves, and rooms that answer differently.
const SYSTEMATIC_MS: f64 = 1.5;

/// Clocks of two recorders differ by no more than this 95 times in 100, parts in a million (common practice, no source).
const USUAL_CLOCK_PPM: f64 = 150.0;

/// Curves of onsets of one tape, one a band, all of one length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OnsetCurves {
    /// Rise of level, any unit, `[band][value]`.
    pub bands: Vec<Vec<f32>>,
}

impl OnsetCurves {
    /// Values a band.
    pub fn len(&self) -> usize {
        self.bands.first().map_or(0, Vec::len)
    }

    /// True without a value.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Where another tape lies on this one, or why that is not known.
pub type Laid = Result<Alignment, &'static str>;

/// Where another tape lies on this one.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Start of the other tape on this tape's clock, s; negative when it began before.
    pub offset_s: Measured,
    /// How much faster the other recorder counts seconds by this tape's clock, parts in a million: plus = its seconds are longer.
    pub clock_ppm: Measured,
    /// What both heard, on this tape's clock, s.
    pub common_s: (f64, f64),
}

impl Alignment {
    /// The moment of this tape at which the other is at `other_s`.
    pub fn here(&self, other_s: f64) -> f64 {
        let (offset, ppm) = self.values();
        offset + other_s * (1.0 + ppm * 1e-6)
    }

    /// The moment of the other tape at which this one is at `here_s`.
    pub fn there(&self, here_s: f64) -> f64 {
        let (offset, ppm) = self.values();
        (here_s - offset) / (1.0 + ppm * 1e-6)
    }

    /// What is to be added to a pitch read from the other tape, so that it is counted in this tape's seconds, cents.
    pub fn pitch_cents(&self) -> f64 {
        -crate::units::CENTS_PER_OCTAVE * (1.0 + self.values().1 * 1e-6).log2()
    }

    fn values(&self) -> (f64, f64) {
        (self.offset_s.value.unwrap_or(0.0), self.clock_ppm.value.unwrap_or(0.0))
    }
}

/// Where the tape with the curves `other` lies on the tape with the curves `own`.
///
/// # Output
/// Offset in s, clock in parts in a million, both with a 95 % interval: scatter of the single placements, and what is known of
/// the method.
///
/// # Errors
/// A reason: `too_short`, or `nothing_in_common`.
///
/// # Accuracy known
/// Synthesised hour with 80 ppm and 17 min of offset: within 1 ms everywhere; 100 unrelated pairs: none accepted (tests).
pub fn align(own: &OnsetCurves, other: &OnsetCurves) -> Laid {
    let line = coarse::first_line(own, other)?;
    fine::along(own, other, line).map(|fit| told(own, other, &fit)).ok_or("nothing_in_common")
}

/// The same where the line is known to some hundredths of a second; `None` where nothing lies along it.
fn align_near(own: &OnsetCurves, other: &OnsetCurves, near: &Alignment) -> Option<Alignment> {
    let at_s = near.there((near.common_s.0 + near.common_s.1) / 2.0);
    let line = coarse::Line { lag_s: near.here(at_s) - at_s, at_s, slope: near.values().1 * 1e-6 };
    fine::along(own, other, line).map(|fit| told(own, other, &fit))
}

fn told(own: &OnsetCurves, other: &OnsetCurves, fit: &fine::Fit) -> Alignment {
    let systematic_s = SYSTEMATIC_MS / 1000.0;
    let n = fit.places as u64;
    let span_s = (fit.last_s - fit.first_s).max(1.0);
    let common = |t: f64| fit.offset_s + t * (1.0 + fit.slope);
    let ends = (common(0.0).max(0.0), common(other.len() as f64 * HOP_S).min(own.len() as f64 * HOP_S));
    // The offset is told at the other tape's start, which the fitted stretch may not reach.
    let reach = (fit.middle_s / span_s).abs().max(1.0);
    Alignment {
        offset_s: Measured::symmetric(fit.offset_s, systematic_s.hypot(fit.sd_s * reach * 3.9 / (n as f64).sqrt()), n),
        clock_ppm: Measured::symmetric(
            1e6 * fit.slope,
            (1e6 * (systematic_s / 3.0).hypot(1.96 * fit.sd_s * (12.0 / n as f64).sqrt()) / span_s)
                .hypot(USUAL_CLOCK_PPM * fit.shrunk),
            n,
        ),
        common_s: ends,
    }
}
