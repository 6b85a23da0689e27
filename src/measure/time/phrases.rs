//! Steadiness from phrase to phrase, apart from the error of the onsets.
//!
//! Conventions: a phrase is [`PHRASE_BARS`] whole bars in one stretch of playing, counted from the first downbeat of the stretch; a
//! steady drift over the take is no unsteadiness.

use super::beats::BeatTrack;
use super::slips::{Bar, SMOOTHED_SHARE, bars};
use super::tempo::line;
use crate::stats::Measured;

/// Bars of a phrase.
pub const PHRASE_BARS: usize = 4;
/// Fewest phrases.
const FEWEST: usize = 4;
/// Error that stays however even the onsets are, two standard errors, percent: the frame grid and the smoother.
const FLOOR_PERCENT: f64 = 0.12;

/// Share of the spread that the smoothing of the beats may take away where the tempo steps between phrases.
const SMOOTHED_AWAY: f64 = 0.15;

/// Standard deviation of the phrases' tempi about the take's drift, percent, less what the error of the onsets adds.
///
/// The interval holds what the same take gives with phrases that begin one, two or three bars later: where the first bar was not
/// found, they do.
///
/// # Not measurable
/// `too_few_phrases` under four phrases.
///
/// # Accuracy known
/// Rendered takes with known beats, 2026-11-26: 49 of tidy bands off by 0.02 points in the middle, 0.06 at worst, all inside; of bands that
/// stop, step and wander 63 seen while the interval was made, off by 0.05, nine in ten within 0.5, 90 in 100 inside, and 45 not seen
/// before, off by 0.07, nine in ten within 0.6, 93 in 100 inside (`benches/README.md`).
pub fn phrase_steadiness(track: &BeatTrack) -> Measured {
    let told = phrases(track, 0);
    let n = told.len() as f64;
    let Some(squares) = squares_percent(&told) else { return Measured::absent("too_few_phrases") };
    let length_s = told.iter().map(|p| p.1 - p.0).sum::<f64>() / n;
    let onset = 100.0 * SMOOTHED_SHARE * track.onset_sd_s * 2f64.sqrt() / length_s;
    let spread = |squares: f64| (squares - onset.powi(2)).max(0.0).sqrt();
    let value = spread(squares);
    let later = (1..PHRASE_BARS).filter_map(|bars| squares_percent(&phrases(track, bars))).map(spread);
    let (least, most) = later.fold((value, value), |(a, b), v| (a.min(v), b.max(v)));
    let half = FLOOR_PERCENT.hypot(2.0 * onset / n.sqrt());
    let upwards = half.hypot(SMOOTHED_AWAY * value);
    Measured::new(value, (least - half).max(0.0), most + upwards, told.len() as u64)
}

/// Mean square of the phrases' tempi about a line through them, percent squared; `None` with too few.
fn squares_percent(phrases: &[(f64, f64)]) -> Option<f64> {
    let (x, y): (Vec<f64>, Vec<f64>) = phrases.iter().map(|p| ((p.0 + p.1) / 2.0, 1.0 / (p.1 - p.0))).unzip();
    let (start, slope) = line(&x, &y).filter(|_| phrases.len() >= FEWEST)?;
    let squares: f64 = x.iter().zip(&y).map(|(x, y)| (100.0 * (y / (start + slope * x) - 1.0)).powi(2)).sum();
    Some(squares / (phrases.len() as f64 - 2.0))
}

/// Start and end of every phrase, s, if the first of each stretch began `later` bars later.
fn phrases(track: &BeatTrack, later: usize) -> Vec<(f64, f64)> {
    let bars = bars(track);
    let go_on = |a: &Bar, b: &Bar| a.stretch == b.stretch && b.number == a.number + 1;
    let runs = bars.chunk_by(go_on).map(|run| run.get(later..).unwrap_or(&[]));
    runs.flat_map(|run| run.chunks_exact(PHRASE_BARS)).map(|p| (p[0].start_s, p[PHRASE_BARS - 1].end_s)).collect()
}

#[cfg(test)]
mod tests {
    use super::super::beats::tests::track_of;
    use super::*;

    /// Beats of phrases that are `share` of a beat slower and faster by turns.
    fn phrases_apart(share: f64) -> Vec<f64> {
        let mut t = 0.0;
        (0..=128)
            .map(|i| {
                let now = t;
                t += 0.5 * (1.0 + if (i / 16) % 2 == 0 { share } else { -share });
                now
            })
            .collect()
    }

    #[test]
    fn phrases_by_turns_faster_and_slower_have_that_spread_and_an_even_take_has_none() {
        let apart = phrase_steadiness(&track_of(phrases_apart(0.02), vec![0]));
        // Eight values of 2 percent to either side about a line: sqrt(8 / 6) of 2 and a little less, as the line takes some.
        assert!((apart.value.unwrap() - 2.2).abs() < 0.15, "{apart:?}");
        assert_eq!(apart.n, Some(8));
        let even = phrase_steadiness(&track_of(phrases_apart(0.0), vec![0]));
        assert!(even.value.unwrap() < 0.05, "{even:?}");
        let drifting: Vec<f64> = (0..129).map(|i| 60.0 * (1.0 + 0.0005 * f64::from(i)).ln() / 0.0005 / 120.0).collect();
        assert!(phrase_steadiness(&track_of(drifting, vec![0])).value.unwrap() < 0.05);
    }

    #[test]
    fn the_interval_holds_what_phrases_that_begin_a_bar_later_give() {
        let (times, full) = (phrases_apart(0.02), 2.2);
        // Without its first two bars, the take's phrases lie half in a slow and half in a fast one: nothing is left.
        let cut = phrase_steadiness(&track_of(times[8..].to_vec(), vec![0]));
        assert!(cut.value.unwrap() < 0.3 && cut.high.unwrap() > full, "{cut:?}");
        let whole = phrase_steadiness(&track_of(times, vec![0]));
        assert!(whole.low.unwrap() < 0.3 && whole.high.unwrap() > 1.1 * full, "{whole:?}");
    }

    #[test]
    fn twelve_bars_in_two_stretches_are_too_few_phrases() {
        let times: Vec<f64> = (0..49).map(|i| f64::from(i) * 0.5 + if i < 24 { 0.0 } else { 5.0 }).collect();
        let few = phrase_steadiness(&track_of(times, vec![0, 24]));
        assert_eq!(few.reason.as_deref(), Some("too_few_phrases"));
    }
}
