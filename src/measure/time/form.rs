//! Where in the form the tempo moves: at the changes of the parts, and in the bars that lead into them.
//!
//! Conventions: plus = faster. A change of part compares up to [`SIDE_BARS`] whole bars after it with as many before it; a bar that
//! leads in is the last one before a part begins, where drummers fill (common practice, no source), against the bars around it.
//!
//! Limits: whether there is a fill in that bar is not known: told by the strokes of sticks, toms and cymbals in the bar, 4 in 100
//! bars that looked like a fill were one (`benches/README.md`).

use super::beats::BeatTrack;
use super::slips::{Bar, SMOOTHED_SHARE, bars, changes_percent};
use crate::stats::{Measured, mad_sigma, median};

/// Bars to each side of a change of part.
pub const SIDE_BARS: usize = 4;
/// Fewest bars to each side.
const FEWEST_BARS: usize = 2;
/// Error of a ratio of tempi that stays however even the onsets are, standard deviation, percent.
const FLOOR_PERCENT: f64 = 0.2;
/// A change stands out from this many standard deviations of the same at all other bars.
const SIGMAS: f64 = 2.5;
/// Fewest other bars to know what is usual.
const FEWEST_OTHERS: usize = 8;
/// Fewest bars that lead into a part.
const FEWEST_LEAD_INS: usize = 2;

/// How the tempo moved where a part begins.
#[derive(Clone, Debug)]
pub struct PartChange {
    /// Which of the starts that were asked for, from 0.
    pub start: usize,
    /// Number of the bar that begins the part, from 1.
    pub bar: u32,
    /// Its start on the tape, s.
    pub at_s: f64,
    /// Tempo of the bars after against that of the bars before, percent, plus = faster.
    pub change_percent: Measured,
    /// True when it is larger than the tempo moves elsewhere in the take.
    pub stands_out: bool,
}

/// The changes of tempo at the starts of parts (seconds on the tape) that lie at a bar line inside a stretch of playing.
pub fn part_changes(track: &BeatTrack, starts_s: &[f64]) -> Vec<PartChange> {
    let bars = bars(track);
    let all: Vec<Option<f64>> = (0..bars.len()).map(|at| step_percent(&bars, at)).collect();
    let begins = |bar: &Bar| {
        let half = 0.5 * (bar.end_s - bar.start_s);
        starts_s.iter().position(|s| (s - bar.start_s).abs() < half)
    };
    let (at_parts, others): (Vec<usize>, Vec<usize>) = (0..bars.len()).partition(|at| begins(&bars[*at]).is_some());
    let usual: Vec<f64> = others.iter().filter_map(|at| all[*at]).collect();
    let usual = mad_sigma(&usual).filter(|_| usual.len() >= FEWEST_OTHERS);
    let change = |at: usize| {
        let (change, bar) = (all[at]?, &bars[at]);
        let side_s = SIDE_BARS as f64 * (bar.end_s - bar.start_s);
        // Two sides with two ends each, one of them shared.
        let onset = 100.0 * SMOOTHED_SHARE * track.onset_sd_s * 6f64.sqrt() / side_s;
        let half = 1.96 * onset.hypot(FLOOR_PERCENT);
        Some(PartChange {
            start: begins(bar)?,
            bar: bar.number,
            at_s: bar.start_s,
            change_percent: Measured::symmetric(change, half, 1),
            stands_out: usual.is_some_and(|u| change.abs() > SIGMAS * u && change.abs() > half),
        })
    };
    at_parts.into_iter().filter_map(change).collect()
}

/// Tempo of the bars from `at` on against that of the bars before it, percent.
fn step_percent(bars: &[Bar], at: usize) -> Option<f64> {
    let joined = |a: &Bar, b: &Bar| a.stretch == b.stretch && b.number == a.number + 1;
    let mut first = at;
    while first > 0 && at - first < SIDE_BARS && joined(&bars[first - 1], &bars[first]) {
        first -= 1;
    }
    let mut end = at + 1;
    while end < bars.len() && end - at < SIDE_BARS && joined(&bars[end - 1], &bars[end]) {
        end += 1;
    }
    let enough = at - first >= FEWEST_BARS && end - at >= FEWEST_BARS;
    let bar_s = |a: usize, b: usize| (bars[b - 1].end_s - bars[a].start_s) / (b - a) as f64;
    enough.then(|| 100.0 * (bar_s(first, at) / bar_s(at, end) - 1.0))
}

/// Tempo of the bars that lead into parts (which begin at `starts_s`) against that of the bars around each, median, percent.
///
/// # Not measurable
/// `too_few_part_changes` under two such bars.
pub fn lead_in_percent(track: &BeatTrack, starts_s: &[f64]) -> Measured {
    let bars = bars(track);
    let leads_in = |bar: &Bar| starts_s.iter().any(|s| (s - bar.end_s).abs() < 0.5 * (bar.end_s - bar.start_s));
    let moved = changes_percent(&bars);
    let found: Vec<f64> = bars.iter().zip(&moved).filter(|(b, _)| leads_in(b)).filter_map(|(_, m)| *m).collect();
    let n = found.len();
    let Some(middle) = median(&found).filter(|_| n >= FEWEST_LEAD_INS) else {
        return Measured::absent("too_few_part_changes");
    };
    let bar_s = median(&bars.iter().map(|b| b.end_s - b.start_s).collect::<Vec<_>>()).unwrap_or(1.0);
    let onset = 100.0 * SMOOTHED_SHARE * track.onset_sd_s * 2f64.sqrt() / bar_s;
    let spread = mad_sigma(&found).unwrap_or(0.0).max(onset);
    Measured::symmetric(middle, 1.96 * (1.25 * spread / (n as f64).sqrt()).hypot(FLOOR_PERCENT), n as u64)
}

#[cfg(test)]
mod tests {
    use super::super::beats::tests::track_of;
    use super::*;

    /// 32 bars of four at 120; bars for which `change` says so are faster by that share.
    fn beats(change: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut t = 1.0;
        (0..=128)
            .map(|i| {
                let now = t;
                t += 0.5 / (1.0 + change(i / 4 + 1));
                now
            })
            .collect()
    }

    #[test]
    fn a_part_that_begins_faster_stands_out_with_its_size_and_an_even_one_does_not() {
        let times = beats(|bar| if bar >= 17 { 0.04 } else { 0.0 });
        let track = track_of(times.clone(), vec![0]);
        let found = part_changes(&track, &[times[0], times[32], times[64] + 0.1]);
        let said: Vec<(u32, bool)> = found.iter().map(|c| (c.bar, c.stands_out)).collect();
        assert_eq!(said, [(9, false), (17, true)], "the first part of a take begins no change");
        assert!((found[1].change_percent.value.unwrap() - 4.0).abs() < 1e-6, "{found:?}");
        assert!(found[0].change_percent.value.unwrap().abs() < 1e-9);
    }

    #[test]
    fn rushed_bars_before_parts_are_told_against_the_bars_around_them() {
        let rushed = [8, 16, 24];
        let times = beats(|bar| if rushed.contains(&bar) { 0.03 } else { 0.0 });
        let track = track_of(times.clone(), vec![0]);
        let starts: Vec<f64> = rushed.iter().map(|bar| times[4 * bar]).collect();
        let told = lead_in_percent(&track, &starts);
        assert!((told.value.unwrap() - 3.0).abs() < 0.1, "{told:?}");
        assert!(lead_in_percent(&track, &[times[40], times[72]]).value.unwrap().abs() < 0.5);
        assert_eq!(lead_in_percent(&track, &starts[..1]).reason.as_deref(), Some("too_few_part_changes"));
    }
}
