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

/// Standard deviation of the phrases' tempi about the take's drift, percent, less what the error of the onsets adds.
///
/// # Not measurable
/// `too_few_phrases` under four phrases.
///
/// # Accuracy known
/// Not measured on mixes with known tempi: made beats only, see the tests.
pub fn phrase_steadiness(track: &BeatTrack) -> Measured {
    let phrases = phrases(track);
    let n = phrases.len() as f64;
    let (x, y): (Vec<f64>, Vec<f64>) = phrases.iter().map(|p| ((p.0 + p.1) / 2.0, 1.0 / (p.1 - p.0))).unzip();
    let Some((start, slope)) = line(&x, &y).filter(|_| phrases.len() >= FEWEST) else {
        return Measured::absent("too_few_phrases");
    };
    let squares: f64 = x.iter().zip(&y).map(|(x, y)| (100.0 * (y / (start + slope * x) - 1.0)).powi(2)).sum();
    let length_s = phrases.iter().map(|p| p.1 - p.0).sum::<f64>() / n;
    let onset = 100.0 * SMOOTHED_SHARE * track.onset_sd_s * 2f64.sqrt() / length_s;
    let spread = (squares / (n - 2.0) - onset.powi(2)).max(0.0).sqrt();
    let half = FLOOR_PERCENT.hypot(2.0 * onset / n.sqrt());
    Measured::new(spread, (spread - half).max(0.0), spread + half, phrases.len() as u64)
}

/// Start and end of every phrase, s.
fn phrases(track: &BeatTrack) -> Vec<(f64, f64)> {
    let bars = bars(track);
    let go_on = |a: &Bar, b: &Bar| a.stretch == b.stretch && b.number == a.number + 1;
    let runs = bars.chunk_by(go_on);
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
    fn twelve_bars_in_two_stretches_are_too_few_phrases() {
        let times: Vec<f64> = (0..49).map(|i| f64::from(i) * 0.5 + if i < 24 { 0.0 } else { 5.0 }).collect();
        let few = phrase_steadiness(&track_of(times, vec![0, 24]));
        assert_eq!(few.reason.as_deref(), Some("too_few_phrases"));
    }
}
