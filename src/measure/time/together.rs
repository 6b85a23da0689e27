//! Do the voices of the band fall on the beat together? Where a band falls apart, a beat may still be followed through one player, but
//! it is not the band's.
//!
//! Conventions: togetherness of a group of channels is its strength on the beat against its mean over the beat, over a few beats;
//! 1 is the usual of the take, 0 no more on the beat than anywhere.
//!
//! Limits: drums alone for long enough to be the exception of a take are taken for a band that fell apart; a take in which nobody
//! plays on the beat has no togetherness to lose. On sixty takes of `time_fit/mixes.py` (broken) that chose the constants in part,
//! see `benches/README.md`.

use std::ops::Range;

use super::evidence::BeatReadings;
use super::strength::GROUPS;
use crate::stats::median;

/// Beats to each side that one value spans.
const NEIGHBOURS: usize = 4;
/// A group whose usual strength on the beat is below this many means tells nothing.
const LEAST_USUAL: f32 = 1.6;
/// Fewest groups that tell something: with fewer (no drums, say) steady playing was cut out as often as broken playing.
const FEWEST_GROUPS: usize = 4;
/// A group that is clearer than usual makes up for others no further than this.
const MOST: f32 = 1.2;
/// Apart is a stretch below the second with at least [`FEWEST_APART`] beats below the first.
const APART: (f32, f32) = (0.6, 0.75);
const FEWEST_APART: usize = 4;

/// The runs without the stretches in which the band fell apart; what is left of a run is kept from `shortest` beats on.
pub fn without_apart(reading: &BeatReadings, runs: Vec<Range<usize>>, shortest: usize) -> Vec<Range<usize>> {
    let kept: Vec<usize> = runs.iter().cloned().flatten().collect();
    let Some(values) = togetherness(reading, &kept) else { return runs };
    let together = together(&values);
    let mut out: Vec<Range<usize>> = Vec::new();
    let mut k = 0;
    for run in runs {
        let mut open = false;
        for beat in run {
            match (together[k], open, out.last_mut()) {
                (true, true, Some(last)) => last.end = beat + 1,
                (true, ..) => out.push(beat..beat + 1),
                (false, ..) => {}
            }
            open = together[k];
            k += 1;
        }
    }
    out.retain(|run| run.len() >= shortest);
    out
}

/// Mean over the groups that tell something, one value a kept beat; `None` when too few groups do.
fn togetherness(reading: &BeatReadings, kept: &[usize]) -> Option<Vec<f32>> {
    let on_and_mean: Vec<[(f32, f32); GROUPS]> = kept
        .iter()
        .map(|beat| {
            let profile = &reading.profile[*beat];
            std::array::from_fn(|g| {
                (profile[0][g], profile.iter().map(|place| place[g]).sum::<f32>() / profile.len() as f32)
            })
        })
        .collect();
    let local = |at: usize, group: usize| {
        let near = &on_and_mean[at.saturating_sub(NEIGHBOURS)..(at + NEIGHBOURS + 1).min(kept.len())];
        let (on, mean) = near.iter().fold((0.0, 0.0), |sum, row| (sum.0 + row[group].0, sum.1 + row[group].1));
        on / mean.max(1e-6)
    };
    let curves: Vec<Vec<f32>> = (0..GROUPS).map(|g| (0..kept.len()).map(|at| local(at, g)).collect()).collect();
    let usual =
        |curve: &Vec<f32>| median(&curve.iter().map(|v| f64::from(*v)).collect::<Vec<_>>()).unwrap_or(0.0) as f32;
    let telling: Vec<(&Vec<f32>, f32)> =
        curves.iter().map(|c| (c, usual(c))).filter(|(_, usual)| *usual > LEAST_USUAL).collect();
    if telling.len() < FEWEST_GROUPS {
        return None;
    }
    let value = |at: usize| -> f32 {
        let sum: f32 = telling.iter().map(|(c, usual)| ((c[at] - 1.0) / (usual - 1.0)).min(MOST)).sum();
        sum / telling.len() as f32
    };
    Some((0..kept.len()).map(value).collect())
}

/// False within stretches in which the band is apart.
fn together(values: &[f32]) -> Vec<bool> {
    let mut out = vec![true; values.len()];
    let mut at = 0;
    for stretch in values.chunk_by(|a, b| (*a < APART.1) == (*b < APART.1)) {
        let low = stretch.iter().filter(|v| **v < APART.0).count();
        if stretch[0] < APART.1 && low >= FEWEST_APART {
            out[at..at + stretch.len()].fill(false);
        }
        at += stretch.len();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::evidence::POSITIONS;
    use super::*;

    /// Beats on which all voices sound, but for those of `apart`, where they sound all over the beat.
    fn reading(beats: usize, apart: Range<usize>) -> BeatReadings {
        let beat = |i: usize| {
            let mut profile = [[0.4; GROUPS]; POSITIONS];
            let places: &[usize] = if apart.contains(&i) { &[1, 3, 5, 8, 10] } else { &[0] };
            places.iter().for_each(|p| profile[*p] = [4.0; GROUPS]);
            profile
        };
        BeatReadings {
            profile: (0..beats).map(beat).collect(),
            change: vec![[0.0; 4]; beats],
            level_db: vec![60.0; beats],
            entrance: None,
            bpm: 120.0,
        }
    }

    #[test]
    fn beats_on_which_the_voices_do_not_meet_are_cut_out_and_others_stay() {
        let cut = without_apart(&reading(96, 50..70), vec![0..30, 32..96], 8);
        assert_eq!(cut.len(), 3, "{cut:?}");
        assert_eq!((cut[0].clone(), cut[2].end), (0..30, 96));
        assert!(cut[1].end.abs_diff(50) <= NEIGHBOURS && cut[2].start.abs_diff(70) <= NEIGHBOURS, "{cut:?}");
        assert_eq!(without_apart(&reading(96, 0..0), vec![0..30, 32..96], 8), [0..30, 32..96]);
        // One beat is a breath, not a band that falls apart.
        assert_eq!(without_apart(&reading(96, 60..61), vec![0..96], 8).len(), 1);
    }
}
