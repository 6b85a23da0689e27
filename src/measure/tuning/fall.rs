//! How fast the notes of a bass fall in pitch while they are heard.
//!
//! Conventions: cents a second, minus = falling.
//!
//! Method: a straight line through the frames of every partial of every note between the attack and the next note; the
//! rates are brought together by Tukey's weights around their middle, each by how well its line fits.
//!
//! Limits: a comping instrument on the same partial bends single lines; their middle holds while most notes are clear.

use crate::dsp::partials::weighted_median;
use crate::stats::quantile;
use crate::units::midi_to_hz;

use super::compact::{HOP_S, PeakStore};
use super::line::Run;
use super::offset::strongest_near;
use super::readings::ATTACK;

/// Partials that are followed, and the frequency above which none is.
const PARTIALS: std::ops::RangeInclusive<usize> = 2..=5;
const HIGHEST_HZ: f64 = 330.0;
/// Frames left out at the end of a note; frames beyond this are not looked at; fewest frames of a line.
const TAIL: usize = 3;
const LAST: usize = 22;
const FEWEST_FRAMES: usize = 3;
const FEWEST_LINES: usize = 10;
/// Lines that fit too well count no more than the best fifth.
const BEST_SHARE: f64 = 0.8;
const ROUNDS: usize = 20;

/// Rate and its standard error; no fall, with an error beyond all use, where too few notes are long enough.
pub fn fall_rate(store: &PeakStore, runs: &[Run]) -> (f64, f64) {
    let mut lines: Vec<(f64, f64)> = runs.iter().flat_map(|run| lines_of(store, run)).collect();
    let weights: Vec<f64> = lines.iter().map(|l| l.1).collect();
    let (Some(most), true) = (quantile(&weights, BEST_SHARE), lines.len() >= FEWEST_LINES) else {
        return (0.0, f64::from(f32::MAX));
    };
    lines.iter_mut().for_each(|l| l.1 = l.1.min(most));
    let mut rate = 0.0;
    let mut error = f64::from(f32::MAX);
    for _ in 0..ROUNDS {
        let away: Vec<(f64, f64)> = lines.iter().map(|l| ((l.0 - rate).abs(), l.1)).collect();
        let scale = 3.0 * 1.4826 * weighted_median(&away).unwrap_or(0.0).max(1e-6);
        let weight = |l: &(f64, f64)| l.1 * (1.0 - ((l.0 - rate) / scale).powi(2)).max(0.0).powi(2);
        let sum: f64 = lines.iter().map(&weight).sum();
        if sum <= 0.0 {
            break;
        }
        let next = lines.iter().map(|l| weight(l) * l.0).sum::<f64>() / sum;
        error = lines.iter().map(|l| (weight(l) * (l.0 - rate)).powi(2)).sum::<f64>().sqrt() / sum;
        rate = next;
    }
    (rate, error)
}

/// Rate and weight of each partial of one note.
fn lines_of(store: &PeakStore, run: &Run) -> Vec<(f64, f64)> {
    let f0 = midi_to_hz(run.midi);
    let end = (run.end - run.first).saturating_sub(TAIL).min(LAST);
    PARTIALS
        .map(|number| f0 * number as f64)
        .take_while(|target| *target <= HIGHEST_HZ)
        .filter_map(|target| {
            let points: Vec<(f64, f64)> = (ATTACK..end)
                .filter_map(|age| {
                    strongest_near(store.frame(run.first + age), target).map(|found| (age as f64 * HOP_S, found.0))
                })
                .collect();
            line(&points)
        })
        .collect()
}

/// Least-squares slope, and its weight: what its own scatter leaves of it.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    if points.len() < FEWEST_FRAMES {
        return None;
    }
    let n = points.len() as f64;
    let (mt, mc) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let tt: f64 = points.iter().map(|p| (p.0 - mt).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mt) * (p.1 - mc)).sum::<f64>() / tt;
    let rest: f64 = points.iter().map(|p| (p.1 - mc - slope * (p.0 - mt)).powi(2)).sum();
    Some((slope, tt / (rest / (n - 2.0).max(1.0) + 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    #[test]
    fn falling_notes_have_their_rate_and_two_notes_have_none() {
        let (mut store, mut runs) = (PeakStore::default(), Vec::new());
        for i in 0..30usize {
            let midi = 30.0 + (i % 9) as f64;
            runs.push(Run { first: 12 * i, end: 12 * i + 12, midi });
            for frame in 0..12 {
                let f0 = midi_to_hz(midi - 0.11 * frame as f64 * HOP_S);
                store
                    .push(&(1..5).map(|n| Peak { hz: (f0 * f64::from(n)) as f32, amplitude: 0.1 }).collect::<Vec<_>>());
            }
        }
        let (rate, error) = fall_rate(&store, &runs);
        assert!((rate + 11.0).abs() < 0.5 && error < 1.0, "{rate} {error}");
        assert!(fall_rate(&store, &runs[..2]).1 > 1e6);
    }
}
