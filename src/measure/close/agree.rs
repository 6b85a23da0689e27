//! What onsets of close recordings say: bass against drums, note lengths of the bass, who leads the comping.
//!
//! Conventions: ms, plus = the first named comes later; moments on the room's clock, as heard where the room's recorder stands.

use super::envelope::Envelope;
use super::onsets::Onset;
use crate::stats::{Measured, mad_sigma, median, quantile};

/// Bass and drums belong together within this, s.
const PAIR_S: f64 = 0.07;
/// Fewest pairs.
const FEWEST_PAIRS: usize = 24;
/// Known error of the onset rule besides the scatter (95 %), ms: 24 mixes with known onsets (`benches/README.md`).
const ONSET_ERROR_MS: f64 = 3.0;
/// The same where the drums are heard in the room.
const ONSET_ERROR_IN_ROOM_MS: f64 = 5.0;
/// A median of normal scatter is this much more uncertain than a mean.
const MEDIAN_FACTOR: f64 = 1.2533;
/// A bass note has ended when it is this far under its top: a quarter, -12 dB; leakage hides what comes after.
const ENDED: f32 = 0.25;
/// Longest period of the bass, ms.
const PERIOD_MS: usize = 25;
/// A note longer than this to the next one is followed by a rest, s.
const LONGEST_S: f64 = 1.5;
/// Chords of guitar and piano within this are one hit of both, s.
const TOGETHER_S: f64 = 0.05;
/// A hit is at least this share of the player's strong ones: leakage is softer.
const LEAST_HIT: f64 = 0.35;
/// The same for the bass, whose player leaves fewer soft notes than neighbours leave leakage.
pub const LEAST_BASS: f64 = 0.5;
/// Fewest hits of each player, and of both together, for a statement.
const FEWEST_HITS: usize = 12;
/// Known error of who is first besides the scatter (95 %), ms.
const FIRST_ERROR_MS: f64 = 5.0;

/// Bass against drums.
#[derive(Clone, Debug, PartialEq)]
pub struct BassDrums {
    /// Median of bass onset minus drum onset, ms.
    pub lag_ms: Measured,
    /// Standard deviation of single notes, ms.
    pub spread_ms: Measured,
}

impl BassDrums {
    /// Nothing, and why.
    pub fn absent(reason: &str) -> Self {
        Self { lag_ms: Measured::absent(reason), spread_ms: Measured::absent(reason) }
    }
}

/// Bass against drums. `line_sd_s`: what the laying of the recordings upon each other leaves open.
///
/// # Not measurable
/// `too_few_bass_onsets` under 24 pairs.
pub fn bass_to_drums(bass: &[Onset], drums: &[Onset], drums_close: bool, line_sd_s: f64) -> BassDrums {
    let lags: Vec<f64> = pairs(bass, drums, PAIR_S).map(|(a, b)| 1000.0 * (a - b)).collect();
    let n = lags.len() as u64;
    match (median(&lags), mad_sigma(&lags)) {
        (Some(lag), Some(spread)) if lags.len() >= FEWEST_PAIRS => {
            let root = (n as f64).sqrt();
            let known = if drums_close { ONSET_ERROR_MS } else { ONSET_ERROR_IN_ROOM_MS };
            let half = known.hypot(1.96 * MEDIAN_FACTOR * spread / root).hypot(1.96e3 * line_sd_s);
            BassDrums {
                lag_ms: Measured::symmetric(lag, half, n),
                spread_ms: Measured::symmetric(spread, 2.0 * spread / (2.0 * n as f64).sqrt(), n),
            }
        }
        _ => BassDrums::absent("too_few_bass_onsets"),
    }
}

/// Each onset of the first with the nearest of the second.
fn pairs<'a>(first: &'a [Onset], second: &'a [Onset], within_s: f64) -> impl Iterator<Item = (f64, f64)> + 'a {
    first.iter().filter_map(move |a| {
        let after = second.partition_point(|b| b.at_s < a.at_s);
        let near = second[after.saturating_sub(1)..(after + 1).min(second.len())].iter();
        let nearest = near.min_by(|x, y| (x.at_s - a.at_s).abs().total_cmp(&(y.at_s - a.at_s).abs()))?;
        ((nearest.at_s - a.at_s).abs() < within_s).then_some((a.at_s, nearest.at_s))
    })
}

/// How long the bass lets its notes sound.
#[derive(Clone, Debug, PartialEq)]
pub struct NoteLengths {
    /// Median length, ms.
    pub length_ms: Measured,
    /// Median share of the time to the next note, percent.
    pub of_gap_percent: Measured,
}

/// Lengths of the bass's notes: from the onset until the sound has fallen to a quarter of its top, or the next note begins.
///
/// # Not measurable
/// `too_few_bass_onsets` under 24 notes.
pub fn note_lengths(envelope: &Envelope, bass: &[Onset]) -> NoteLengths {
    let (mut lengths, mut shares) = (Vec::new(), Vec::new());
    for both in bass.windows(2) {
        let gap_s = both[1].at_s - both[0].at_s;
        if gap_s > LONGEST_S {
            continue;
        }
        let (peaks, _) = envelope.peaks(both[0].at_s, both[1].at_s);
        let ended =
            |at: &usize| peaks[*at..(*at + PERIOD_MS).min(peaks.len())].iter().all(|p| *p < ENDED * both[0].top);
        let top_at = peaks.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |p| p.0);
        let last = (top_at..peaks.len()).find(ended).unwrap_or(peaks.len());
        lengths.push(last as f64);
        shares.push((last as f64 / (10.0 * gap_s)).min(100.0));
    }
    NoteLengths { length_ms: middle(&lengths, FEWEST_PAIRS), of_gap_percent: middle(&shares, FEWEST_PAIRS) }
}

/// Median with the interval of its rank (binomial, normal approximation).
fn middle(values: &[f64], fewest: usize) -> Measured {
    let n = values.len();
    if n < fewest {
        return Measured::absent("too_few_bass_onsets");
    }
    let half = 0.98 / (n as f64).sqrt();
    let at = |q: f64| quantile(values, q).unwrap_or(0.0);
    Measured::new(at(0.5), at(0.5 - half), at(0.5 + half), n as u64)
}

/// Guitar and piano against each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Comping {
    /// Chords of the guitar in a bar.
    pub guitar_hits_per_bar: Measured,
    /// Chords of the piano in a bar.
    pub piano_hits_per_bar: Measured,
    /// Hits that both play at once, of all hits, percent.
    pub together_percent: Measured,
    /// Guitar minus piano where both play at once, median, ms, plus = the piano is first.
    pub guitar_after_piano_ms: Measured,
    /// Chords of both together in a bar, one that both play counted once.
    pub onsets_per_bar: Measured,
    /// The same in every bar of the take that was asked for.
    pub in_bars: Vec<u32>,
}

impl Comping {
    /// Without who is first, and why: that is a matter of milliseconds, the rest is not.
    pub fn without_order(self, reason: &str) -> Self {
        Self { guitar_after_piano_ms: Measured::absent(reason), ..self }
    }
}

/// Who comps how much, and who is first. `bars`: how many the take has, if known; `spans`: starts and ends of single bars, s.
///
/// # Not measurable
/// `too_few_hits`; `no_bars` where no bars were found.
pub fn comping(guitar: &[Onset], piano: &[Onset], bars: Option<f64>, spans: &[(f64, f64)]) -> Comping {
    let (guitar, piano) = (own_hits(guitar, LEAST_HIT), own_hits(piano, LEAST_HIT));
    let both: Vec<f64> = pairs(&guitar, &piano, TOGETHER_S).map(|(g, p)| 1000.0 * (g - p)).collect();
    let together = union(&guitar, &piano);
    let a_bar = |hits: usize| match bars.filter(|b| *b >= 4.0) {
        Some(bars) => {
            // Counts scatter as their root; a tenth of the hits may be missed or invented.
            let (n, value) = (hits as f64, hits as f64 / bars);
            Measured::symmetric(value, (1.96 * n.sqrt() / bars).hypot(0.1 * value), hits as u64)
        }
        None => Measured::absent("no_bars"),
    };
    let (few, all) = (guitar.len().min(piano.len()), guitar.len() + piano.len() - both.len().min(piano.len()));
    let few_hits = || Measured::absent("too_few_hits");
    let share = both.len() as f64 / all.max(1) as f64;
    let share_half = 100.0 * (1.96 * (share * (1.0 - share) / all.max(1) as f64).sqrt()).hypot(0.1 * share);
    Comping {
        guitar_hits_per_bar: a_bar(guitar.len()),
        piano_hits_per_bar: a_bar(piano.len()),
        onsets_per_bar: a_bar(together.len()),
        in_bars: spans.iter().map(|span| inside(&together, *span)).collect(),
        together_percent: if few >= FEWEST_HITS {
            let m = Measured::symmetric(100.0 * share, share_half, all as u64);
            Measured { low: m.low.map(|v| v.max(0.0)), high: m.high.map(|v| v.min(100.0)), ..m }
        } else {
            few_hits()
        },
        guitar_after_piano_ms: match (median(&both), mad_sigma(&both)) {
            (Some(lag), Some(spread)) if both.len() >= FEWEST_HITS => {
                let half = FIRST_ERROR_MS.hypot(1.96 * MEDIAN_FACTOR * spread / (both.len() as f64).sqrt());
                Measured::symmetric(lag, half, both.len() as u64)
            }
            _ => few_hits(),
        },
    }
}

/// Moments of the hits of both, s, in time order; one that both play counts once, at the first of the two.
fn union(guitar: &[Onset], piano: &[Onset]) -> Vec<f64> {
    let mut all: Vec<(f64, bool)> = guitar.iter().map(|o| (o.at_s, true)).collect();
    all.extend(piano.iter().map(|o| (o.at_s, false)));
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(f64, bool)> = Vec::new();
    let mut open = false;
    for (at_s, guitar) in all {
        let pair = open && out.last().is_some_and(|(first, by)| at_s - first < TOGETHER_S && *by != guitar);
        open = !pair;
        if !pair {
            out.push((at_s, guitar));
        }
    }
    out.into_iter().map(|(at_s, _)| at_s).collect()
}

/// How many of the moments lie in a span; a chord on the bar line may come a little early.
fn inside(moments: &[f64], (start_s, end_s): (f64, f64)) -> u32 {
    let count = moments.iter().filter(|at| **at >= start_s - TOGETHER_S && **at < end_s - TOGETHER_S).count();
    u32::try_from(count).unwrap_or(u32::MAX)
}

/// The hits that are the player's own: leakage is softer.
pub fn own_hits(onsets: &[Onset], least: f64) -> Vec<Onset> {
    let tops: Vec<f64> = onsets.iter().map(|o| f64::from(o.top)).collect();
    let strong = quantile(&tops, 0.8).unwrap_or(0.0);
    onsets.iter().filter(|o| f64::from(o.top) >= least * strong).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(times: impl Iterator<Item = f64>) -> Vec<Onset> {
        times.map(|at_s| Onset { at_s, top: 0.5 }).collect()
    }

    #[test]
    fn a_late_bass_is_read_with_its_sign_and_strays_do_not_count() {
        let drums = at((0..120).map(|i| 0.25 * f64::from(i)));
        let bass =
            at((0..60).map(|i| 0.5 * f64::from(i) + if i % 10 == 0 { 0.2 } else { 0.018 + 0.002 * f64::from(i % 3) }));
        let found = bass_to_drums(&bass, &drums, true, 1e-4);
        assert!((found.lag_ms.value.unwrap() - 20.0).abs() < 0.6, "{found:?}");
        assert!(found.spread_ms.value.unwrap() < 4.0);
        assert_eq!(bass_to_drums(&bass[..20], &drums, true, 0.0).lag_ms.reason.as_deref(), Some("too_few_bass_onsets"));
    }

    #[test]
    fn hits_of_both_and_the_first_of_them_are_told() {
        // Piano on 1 and 3, guitar on all four beats and 12 ms later, with soft leakage of a neighbour between.
        let piano = at((0..40).map(f64::from));
        let mut guitar = at((0..80).map(|i| 0.5 * f64::from(i) + 0.012));
        guitar.extend((0..40).map(|i| Onset { at_s: f64::from(i) + 0.25, top: 0.05 }));
        guitar.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let found = comping(&guitar, &piano, Some(20.0), &[(0.0, 2.0), (2.0, 4.0)]);
        assert_eq!((found.guitar_hits_per_bar.value, found.piano_hits_per_bar.value), (Some(4.0), Some(2.0)));
        assert!((found.together_percent.value.unwrap() - 50.0).abs() < 1e-6, "{found:?}");
        assert!((found.guitar_after_piano_ms.value.unwrap() - 12.0).abs() < 1e-6);
        // Four of the guitar, two of them with the piano's: four in all, in the bars that were asked for too.
        assert_eq!((found.onsets_per_bar.value, &found.in_bars[..]), (Some(4.0), &[4, 4][..]));
        let without = found.clone().without_order("not_laid_exactly");
        assert_eq!(without.guitar_after_piano_ms.reason.as_deref(), Some("not_laid_exactly"));
        assert_eq!(without.together_percent, found.together_percent);
        assert_eq!(comping(&guitar, &[], None, &[]).together_percent.reason.as_deref(), Some("too_few_hits"));
    }
}
