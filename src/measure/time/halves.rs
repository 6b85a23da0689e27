//! Whether half the tempo is about as likely: the low voices tell the beats of half a bar apart.
//!
//! Conventions: strengths are natural logarithms of one plus the rise on a beat against the mean of the take.
//!
//! Limits: bars of four. Double the tempo is not looked at.

use super::beats::BeatTrack;
use super::evidence::beat_profile_at;
use super::strength::{GROUPS, Strengths};
use crate::stats::mean;

/// Drive (35 to 95 Hz) and bass.
const LOW_GROUPS: [usize; 2] = [0, 1];
/// Difference of beats 2 and 4 in both low groups from which half the tempo is as likely. A walking bass, a backbeat and a two-feel all
/// treat 2 and 4 alike; where kick and bass fall on one and not the other, they may be eighths between the beats of a tempo half as
/// fast. In some 115 rendered takes at most 0.3 in both at once, in a song whose half tempo is as likely 0.75.
const UNLIKE_FROM: f64 = 0.5;

/// True when beats 2 and 4 of the bar are so unlike that what was taken for a bar of four may be half a bar of eighths.
pub fn half_as_likely(track: &BeatTrack, strengths: &Strengths) -> bool {
    let (4, Some(usual_s)) = (track.meter, track.usual_length_s()) else { return false };
    let profiles: Vec<_> = track.times_s.iter().map(|at_s| beat_profile_at(strengths, *at_s, usual_s)).collect();
    let on_beats: Vec<[f64; GROUPS]> = {
        let usual: [f64; GROUPS] = std::array::from_fn(|g| {
            mean(&profiles.iter().flatten().map(|p| f64::from(p[g])).collect::<Vec<_>>()).unwrap_or(0.0)
        });
        profiles.iter().map(|p| std::array::from_fn(|g| (f64::from(p[0][g]) / (usual[g] + 1e-6)).ln_1p())).collect()
    };
    LOW_GROUPS.iter().all(|group| {
        let strengths: Vec<f64> = on_beats.iter().map(|on| on[*group]).collect();
        two_against_four(&strengths, &track.in_bar).is_some_and(|difference| difference.abs() > UNLIKE_FROM)
    })
}

/// Mean strength of beats 2 less that of beats 4.
fn two_against_four(strengths: &[f64], in_bar: &[u8]) -> Option<f64> {
    let on = |place: u8| -> Vec<f64> {
        strengths.iter().zip(in_bar).filter(|(_, at)| **at == place).map(|(strength, _)| *strength).collect()
    };
    Some(mean(&on(2))? - mean(&on(4))?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_against_four_is_what_the_bars_have_between_them() {
        let in_bar: Vec<u8> = (0..16).map(|i| i % 4 + 1).collect();
        let strengths: Vec<f64> = in_bar.iter().map(|place| [1.0, 0.2, 1.0, 0.9][usize::from(*place) - 1]).collect();
        assert!((two_against_four(&strengths, &in_bar).unwrap() + 0.7).abs() < 1e-12);
        assert!(two_against_four(&strengths[..3], &in_bar[..3]).is_none(), "no beat 4");
    }
}
