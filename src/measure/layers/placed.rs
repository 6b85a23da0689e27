//! Parts whose place is known beforehand: by bars, or by the clock.
//!
//! Conventions: bars count from 1, which begins with the first downbeat after a count-off; the clock runs from the take's
//! start. Bars are those of the beats that were found, so that a band that rushes moves its parts with it.
//! Limits: those of [`start`](super::start) for bar 1. Where the beat is lost, the bars cannot be counted any further.

use crate::stats::median;

use super::parts::FoundPart;
use super::reading::LayerPowers;
use super::start::first_bar;

/// A part that ends this far beyond the take is as long as the take, s.
const SLACK_S: f64 = 1.5;

/// Where a part should lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    /// From the start of a bar on, this many bars.
    Bars {
        /// First bar, from 1.
        first: u32,
        /// Number of bars.
        count: u32,
    },
    /// By the clock, seconds from the start of the take.
    Clock {
        /// Start.
        from_s: f64,
        /// End.
        to_s: f64,
    },
}

/// A part that was placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Where it lies.
    pub span: FoundPart,
    /// The take ends before the part should.
    pub cut_short: bool,
}

/// Why a part was not placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NotPlaced {
    /// The take has only so many bars.
    FewerBars(u32),
    /// The take is only so long, s.
    ShorterTake(f64),
    /// No bars were found in the take.
    NoBars,
    /// The beat is lost before the part ends, at this time of the tape, s.
    BeatLost(f64),
}

/// Places the parts of a take `[start_s, end_s)`, in their order. `bars_s` are the downbeats that were found and
/// `without_beat` the stretches without a steady beat.
pub fn place_parts(
    powers: &LayerPowers,
    (start_s, end_s): (f64, f64),
    bars_s: &[f64],
    without_beat: &[(f64, f64)],
    wanted: &[Wanted],
) -> Vec<Result<Placed, NotPlaced>> {
    let first = first_bar(powers, bars_s);
    let bars = Bars { starts_s: bars_s.get(first..).unwrap_or(&[]), end_s, without_beat };
    let clock = |from_s: f64, to_s: f64| {
        if start_s + from_s >= end_s - SLACK_S.min(0.5 * (to_s - from_s)) {
            return Err(NotPlaced::ShorterTake(end_s - start_s));
        }
        let span = FoundPart { start_s: start_s + from_s, end_s: (start_s + to_s).min(end_s) };
        Ok(Placed { span, cut_short: start_s + to_s > end_s + SLACK_S })
    };
    let one = |w: &Wanted| match *w {
        Wanted::Clock { from_s, to_s } => clock(from_s, to_s),
        Wanted::Bars { first, count } => bars.place(first, count),
    };
    wanted.iter().map(one).collect()
}

struct Bars<'a> {
    starts_s: &'a [f64],
    end_s: f64,
    without_beat: &'a [(f64, f64)],
}

impl Bars<'_> {
    fn place(&self, first: u32, count: u32) -> Result<Placed, NotPlaced> {
        let lengths: Vec<f64> = self.starts_s.windows(2).map(|w| w[1] - w[0]).collect();
        let (Some(usual_s), Some(last_s)) = (median(&lengths), self.starts_s.last().copied()) else {
            return Err(NotPlaced::NoBars);
        };
        let start_s = *self.starts_s.get(first as usize - 1).ok_or(NotPlaced::FewerBars(self.starts_s.len() as u32))?;
        let end_bar = first as usize - 1 + count as usize;
        // The last downbeat that was found begins a bar of the usual length.
        let (end_s, cut_short) = match self.starts_s.get(end_bar) {
            Some(end_s) => (*end_s, false),
            None => ((last_s + usual_s).min(self.end_s), end_bar > self.starts_s.len() + 1),
        };
        let begin_s = self.starts_s[0];
        match self.without_beat.iter().find(|(from, to)| *to > begin_s + usual_s && *from < end_s - usual_s) {
            Some((from, _)) => Err(NotPlaced::BeatLost(*from)),
            None => Ok(Placed { span: FoundPart { start_s, end_s }, cut_short }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::reading::{CELL_S, LayerReading};
    use super::*;

    /// Bars of two seconds from 1 s on; the first `soft` of them 12 dB under the rest.
    fn powers(soft: f64) -> LayerPowers {
        let cells = LayerReading::of_silence((60.0 / CELL_S) as usize);
        let values: Vec<f32> = (0..600).map(|i| if f64::from(i) * 0.1 < soft { 0.01 } else { 0.16 }).collect();
        cells.with_power(&values, 0.1)
    }

    fn bars() -> Vec<f64> {
        (0..25).map(|i| 1.0 + 2.0 * f64::from(i)).collect()
    }

    fn placed(soft: f64, without: &[(f64, f64)], wanted: Wanted) -> Result<Placed, NotPlaced> {
        place_parts(&powers(soft), (0.5, 52.0), &bars(), without, &[wanted])[0]
    }

    fn span(start_s: f64, end_s: f64) -> FoundPart {
        FoundPart { start_s, end_s }
    }

    #[test]
    fn bar_1_is_the_first_after_the_count_off() {
        let wanted = Wanted::Bars { first: 1, count: 4 };
        assert_eq!(placed(0.0, &[], wanted).unwrap().span, span(1.0, 9.0));
        assert_eq!(placed(3.0, &[], wanted).unwrap().span, span(3.0, 11.0));
        assert_eq!(placed(5.0, &[], wanted).unwrap().span, span(5.0, 13.0));
    }

    #[test]
    fn the_last_bar_ends_a_bar_after_its_downbeat_and_what_lies_beyond_is_said() {
        let wanted = Wanted::Bars { first: 20, count: 6 };
        assert_eq!(placed(0.0, &[], wanted), Ok(Placed { span: span(39.0, 51.0), cut_short: false }));
        let long = placed(0.0, &[], Wanted::Bars { first: 20, count: 12 }).unwrap();
        assert!(long.cut_short && long.span == span(39.0, 51.0));
        assert_eq!(placed(0.0, &[], Wanted::Bars { first: 26, count: 1 }), Err(NotPlaced::FewerBars(25)));
        assert_eq!(place_parts(&powers(0.0), (0.5, 52.0), &[], &[], &[wanted])[0], Err(NotPlaced::NoBars));
    }

    #[test]
    fn bars_are_not_counted_over_a_stretch_without_beat() {
        let lost = [(20.0, 27.0)];
        assert!(placed(0.0, &lost, Wanted::Bars { first: 1, count: 8 }).is_ok());
        assert_eq!(placed(0.0, &lost, Wanted::Bars { first: 9, count: 8 }), Err(NotPlaced::BeatLost(20.0)));
    }

    #[test]
    fn the_clock_runs_from_the_start_of_the_take() {
        let at = |from_s, to_s| placed(0.0, &[], Wanted::Clock { from_s, to_s });
        assert_eq!(at(10.0, 20.0), Ok(Placed { span: span(10.5, 20.5), cut_short: false }));
        assert_eq!(at(40.0, 70.0), Ok(Placed { span: span(40.5, 52.0), cut_short: true }));
        assert_eq!(at(60.0, 70.0), Err(NotPlaced::ShorterTake(51.5)));
    }
}
