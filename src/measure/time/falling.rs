//! Where the band falls apart: the last beats of a stretch, on which the voices no longer meet.
//!
//! Conventions: a beat meets by how much louder the voices that usually mark it rise on it than around it, on a logarithmic scale
//! on which the take's usual beat is 1 and a beat like any other moment is 0.
//!
//! Limits: only before a break or the end, and only as long as more of the stretch holds than falls. The first bars of falling apart
//! still meet and stay; where one voice alone carries the time, its rests are not told from falling.

use super::beats::BeatTrack;
use super::evidence::beat_profile_at;
use super::strength::{GROUPS, Strengths};
use crate::stats::median;

/// A group marks the beat when its usual beat rises by this factor against the mean around it.
const MARKS_FROM: f64 = 1.5;
/// Fewest groups that mark the beat.
const FEWEST_GROUPS: usize = 2;
/// How far a single beat counts down and up.
const RANGE: (f64, f64) = (-0.5, 1.3);
/// Beats that meet less than this speak for falling apart.
const HOLDS_FROM: f64 = 0.7;
/// How much of that must come together, beats.
const LEAST_SUM: f64 = 1.5;
/// Fewest beats that fall.
const FEWEST_BEATS: usize = 4;
/// The better of two neighbours, on average: a band in half notes meets on every other beat.
const PAIRS_HOLD_FROM: f64 = 0.7;
/// Largest share of a stretch that may fall.
const LARGEST_SHARE: f64 = 0.6;
/// A beat longer than this many usual ones parts two stretches.
const BREAK_BEATS: f64 = 1.5;
/// Keeps the logarithm finite.
const LEAST_RATIO: f64 = 1e-3;

/// The track without the beats on which the band fell apart.
pub fn without_falling(track: BeatTrack, strengths: &Strengths) -> BeatTrack {
    let Some(usual_s) = track.usual_length_s() else { return track };
    let Some(meets) = meets(&track.times_s, usual_s, strengths) else { return track };
    let falls = falls(&meets, &stretches(&track, usual_s));
    track.keep(|beat| !falls[beat])
}

/// How much each beat meets; `None` where too few groups mark the beat.
fn meets(times_s: &[f64], usual_s: f64, strengths: &Strengths) -> Option<Vec<f64>> {
    let ratios: Vec<[f64; GROUPS]> = (0..times_s.len())
        .map(|i| {
            let length_s = times_s.get(i + 1).map_or(usual_s, |next| (next - times_s[i]).min(BREAK_BEATS * usual_s));
            let profile = beat_profile_at(strengths, times_s[i], length_s);
            std::array::from_fn(|g| {
                let mean = profile.iter().map(|p| f64::from(p[g])).sum::<f64>() / profile.len() as f64;
                f64::from(profile[0][g]) / (mean + 1e-6)
            })
        })
        .collect();
    let usual: [f64; GROUPS] =
        std::array::from_fn(|g| median(&ratios.iter().map(|r| r[g]).collect::<Vec<_>>()).unwrap_or(0.0));
    let marking: Vec<usize> = (0..GROUPS).filter(|g| usual[*g] > MARKS_FROM).collect();
    if marking.len() < FEWEST_GROUPS {
        return None;
    }
    let meet = |r: &[f64; GROUPS]| {
        let each = |g: &usize| ((r[*g] + LEAST_RATIO).ln() / usual[*g].ln()).clamp(RANGE.0, RANGE.1);
        marking.iter().map(each).sum::<f64>() / marking.len() as f64
    };
    relative(ratios.iter().map(meet).collect())
}

/// Against the middle one.
fn relative(values: Vec<f64>) -> Option<Vec<f64>> {
    let middle = median(&values).filter(|m| *m > 0.0)?;
    Some(values.into_iter().map(|v| v / middle).collect())
}

fn stretches(track: &BeatTrack, usual_s: f64) -> Vec<(usize, usize)> {
    let n = track.times_s.len();
    let breaks =
        |i: &usize| track.restarts.contains(i) || track.times_s[*i] - track.times_s[i - 1] > BREAK_BEATS * usual_s;
    let edges: Vec<usize> = std::iter::once(0).chain((1..n).filter(breaks)).chain([n]).collect();
    edges.windows(2).map(|w| (w[0], w[1])).collect()
}

/// Of each beat, whether it lies where its stretch falls apart.
fn falls(meets: &[f64], stretches: &[(usize, usize)]) -> Vec<bool> {
    let mut better = meets.to_vec();
    for &(first, end) in stretches {
        (first + 1..end).for_each(|next| better[next - 1] = meets[next - 1].max(meets[next]));
    }
    let Some(pairs) = relative(better) else { return vec![false; meets.len()] };
    let mut out = vec![false; meets.len()];
    for &(first, end) in stretches {
        let from = first + tail(&meets[first..end]);
        let falling = end - from;
        let apart = falling > 0 && pairs[from..end].iter().sum::<f64>() < PAIRS_HOLD_FROM * falling as f64;
        if apart && falling as f64 <= LARGEST_SHARE * (end - first) as f64 {
            out[from..end].fill(true);
        }
    }
    out
}

/// Where the end begins that speaks most for falling apart; the length where none speaks enough.
fn tail(meets: &[f64]) -> usize {
    let (mut sum, mut best, mut from) = (0.0, 0.0, meets.len());
    for (i, meet) in meets.iter().enumerate().rev() {
        sum += HOLDS_FROM - meet;
        if sum > best {
            (best, from) = (sum, i);
        }
    }
    if best > LEAST_SUM && meets.len() - from >= FEWEST_BEATS { from } else { meets.len() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fallen(meets: &[f64], stretches: &[(usize, usize)]) -> Vec<usize> {
        let falls = falls(meets, stretches);
        (0..meets.len()).filter(|i| falls[*i]).collect()
    }

    #[test]
    fn the_end_of_a_stretch_that_no_longer_meets_falls_and_the_next_stretch_holds() {
        let mut meets = vec![1.0; 40];
        meets[14..20].fill(0.1);
        assert_eq!(fallen(&meets, &[(0, 20), (20, 40)]), (14..20).collect::<Vec<_>>());
        // In the middle of a stretch it is a solo or a break, not the end.
        assert!(fallen(&meets, &[(0, 40)]).is_empty());
    }

    #[test]
    fn a_weak_last_bar_and_a_band_in_half_notes_hold() {
        let mut meets = vec![1.0; 40];
        meets[37..].fill(0.0);
        assert!(fallen(&meets, &[(0, 40)]).is_empty(), "three silent beats are a break");
        let mut halves = vec![1.0; 40];
        (20..40).step_by(2).for_each(|i| halves[i + 1] = -0.3);
        assert!(fallen(&halves, &[(0, 40)]).is_empty(), "every other beat is met in full");
    }

    #[test]
    fn most_of_a_stretch_does_not_fall() {
        let mut meets = vec![1.0; 60];
        meets[25..40].fill(0.0);
        assert!(fallen(&meets, &[(0, 20), (20, 40), (40, 60)]).is_empty());
        assert_eq!(fallen(&meets, &[(0, 40), (40, 60)]).len(), 15);
    }
}
