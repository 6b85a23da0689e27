//! More than two recordings of one rehearsal: what one pair does not show, a third recording does.
//!
//! Conventions: `[own][other]`, as in [`super::align`].
//!
//! Method: each pair is laid both ways; a pair is sure where both ways say the same, or where the one that was found holds when it
//! is looked for the other way round. A sure pair that more chains over third recordings contradict than confirm is dropped.
//! What is not sure is laid through a third recording that is sure with both.

use super::{Alignment, HOP_S, Laid, OnsetCurves, align, align_near};
use crate::stats::Measured;

/// Two ways to the same line agree within this, s.
const SAME_S: f64 = 0.03;
/// A chain leaves open how far the recorders stood apart (95 %), s.
const CHAIN_S: f64 = 0.02;
/// Less in common than this is nothing, s.
const LEAST_COMMON_S: f64 = 30.0;

/// Lays every recording on every other one; `None` on the diagonal.
pub fn align_all(curves: &[OnsetCurves]) -> Vec<Vec<Option<Laid>>> {
    let n = curves.len();
    let pair = |own: usize, other: usize| (own != other).then(|| align(&curves[own], &curves[other]));
    let first: Vec<Vec<Option<Laid>>> = (0..n).map(|own| (0..n).map(|other| pair(own, other)).collect()).collect();
    let mut sure: Vec<Vec<Option<Alignment>>> = vec![vec![None; n]; n];
    for own in 0..n {
        for other in own + 1..n {
            let ways = [(own, other), (other, own)].map(|(a, b)| first[a][b].as_ref().and_then(|l| l.as_ref().ok()));
            if let Some([there, back]) = both_ways(ways, &curves[own], &curves[other]) {
                (sure[own][other], sure[other][own]) = (Some(there), Some(back));
            }
        }
    }
    drop_contradicted(&mut sure);
    let reason = |own: usize, other: usize| match &first[own][other] {
        Some(Err(reason)) => reason,
        _ => "nothing_in_common",
    };
    let settled = |own: usize, other: usize| {
        let direct = sure[own][other].clone().filter(|_| own != other);
        direct.or_else(|| chained(&sure, curves, own, other)).ok_or(reason(own, other))
    };
    (0..n).map(|own| (0..n).map(|other| (own != other).then(|| settled(own, other))).collect()).collect()
}

/// Both ways of a pair, where they say the same.
fn both_ways(ways: [Option<&Alignment>; 2], own: &OnsetCurves, other: &OnsetCurves) -> Option<[Alignment; 2]> {
    let (there, back) = match ways {
        [Some(there), Some(back)] => (there.clone(), back.clone()),
        [Some(there), None] => (there.clone(), align_near(other, own, &there.reversed())?),
        [None, Some(back)] => (align_near(own, other, &back.reversed())?, back.clone()),
        [None, None] => return None,
    };
    there.says_the_same_as(&back.reversed()).then_some([there, back])
}

fn drop_contradicted(sure: &mut [Vec<Option<Alignment>>]) {
    let n = sure.len();
    let votes = |own: usize, other: usize| -> i32 {
        let Some(direct) = &sure[own][other] else { return 0 };
        let vote = |third: usize| match (&sure[own][third], &sure[third][other]) {
            (Some(a), Some(b)) if a.after(b).says_the_same_as(direct) => 1,
            (Some(_), Some(_)) => -1,
            _ => 0,
        };
        (0..n).map(vote).sum()
    };
    let contradicted: Vec<(usize, usize)> =
        (0..n).flat_map(|own| (0..n).map(move |other| (own, other))).filter(|(a, b)| votes(*a, *b) < 0).collect();
    for (own, other) in contradicted {
        (sure[own][other], sure[other][own]) = (None, None);
    }
}

/// Through the third recording that leaves the least open.
fn chained(sure: &[Vec<Option<Alignment>>], curves: &[OnsetCurves], own: usize, other: usize) -> Option<Alignment> {
    let over = |third: usize| Some(sure[own][third].as_ref()?.after(sure[third][other].as_ref()?));
    let wide = |a: &Alignment| a.offset_s.high.zip(a.offset_s.low).map_or(f64::MAX, |(high, low)| high - low);
    let chain = (0..sure.len()).filter_map(over).min_by(|a, b| wide(a).total_cmp(&wide(b)))?;
    let seconds = |at: usize| curves[at].len() as f64 * HOP_S;
    let common_s = (chain.here(0.0).max(0.0), chain.here(seconds(other)).min(seconds(own)));
    if common_s.1 - common_s.0 < LEAST_COMMON_S {
        return None;
    }
    let chain = Alignment { common_s, ..chain };
    Some(align_near(&curves[own], &curves[other], &chain).unwrap_or(chain))
}

impl Alignment {
    /// The same line seen from the other tape.
    fn reversed(&self) -> Self {
        let (offset, ppm) = self.values();
        let rate = 1.0 + ppm * 1e-6;
        Self {
            offset_s: Measured::symmetric(-offset / rate, self.offset_s.half_width(), self.offset_s.n.unwrap_or(0)),
            clock_ppm: Measured::symmetric(
                1e6 * (1.0 / rate - 1.0),
                self.clock_ppm.half_width(),
                self.clock_ppm.n.unwrap_or(0),
            ),
            common_s: (self.there(self.common_s.0), self.there(self.common_s.1)),
        }
    }

    /// This line, which leads from a third tape to this one, after `inner`, which leads from the other to the third.
    fn after(&self, inner: &Self) -> Self {
        let ((offset, ppm), (offset_in, ppm_in)) = (self.values(), inner.values());
        let n = self.offset_s.n.unwrap_or(0).min(inner.offset_s.n.unwrap_or(0));
        let rate = (1.0 + ppm * 1e-6) * (1.0 + ppm_in * 1e-6);
        let offset_half = self.offset_s.half_width().hypot(inner.offset_s.half_width()).hypot(CHAIN_S);
        Self {
            offset_s: Measured::symmetric(offset + offset_in * (1.0 + ppm * 1e-6), offset_half, n),
            clock_ppm: Measured::symmetric(
                1e6 * (rate - 1.0),
                self.clock_ppm.half_width().hypot(inner.clock_ppm.half_width()),
                n,
            ),
            common_s: self.common_s,
        }
    }

    fn says_the_same_as(&self, other: &Self) -> bool {
        let (from, to) = (self.there(self.common_s.0), self.there(self.common_s.1));
        [from, to].iter().all(|t| (self.here(*t) - other.here(*t)).abs() <= SAME_S)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(offset_s: f64, ppm: f64) -> Alignment {
        Alignment {
            offset_s: Measured::symmetric(offset_s, 0.002, 40),
            clock_ppm: Measured::symmetric(ppm, 5.0, 40),
            common_s: (20.0, 600.0),
        }
    }

    #[test]
    fn a_line_and_its_reverse_and_two_lines_after_each_other_agree_everywhere() {
        let (a, b) = (line(12.5, 80.0), line(-3.25, -50.0));
        for t in [0.0, 100.0, 3000.0] {
            assert!((a.reversed().here(a.here(t)) - t).abs() < 1e-9);
            assert!((a.after(&b).here(t) - a.here(b.here(t))).abs() < 1e-9);
        }
        assert!(a.says_the_same_as(&line(12.51, 80.0)) && !a.says_the_same_as(&line(12.5, 160.0)));
    }

    #[test]
    fn one_wrong_pair_of_four_is_dropped() {
        // Four tapes that began at 0, 1, 2 and 3 s; the pair of 0 and 3 is wrong by a beat.
        let starts = [0.0, 1.0, 2.0, 3.0];
        let mut sure: Vec<Vec<Option<Alignment>>> = starts
            .iter()
            .map(|own| starts.iter().map(|other| (own != other).then(|| line(other - own, 0.0))).collect())
            .collect();
        (sure[0][3], sure[3][0]) = (Some(line(3.5, 0.0)), Some(line(-3.5, 0.0)));
        drop_contradicted(&mut sure);
        assert!(sure[0][3].is_none() && sure[3][0].is_none());
        let kept = sure.iter().flatten().filter(|a| a.is_some()).count();
        assert_eq!(kept, 10);
    }
}
