//! Forms: which parts of a take are played over the same changes, and after how many bars the changes return.
//!
//! Conventions: a bar is known by what sounds in it: mean strengths of the twelve pitch classes of the chords and of the
//! bass over its beats, less their means over the eight bars before and after, so that a solo with another accompaniment is
//! compared by its changes and not by its sound. Two stretches are of one form when, bar by bar from both starts, their rows
//! agree (correlation over all numbers of the shorter one), and better than moved against each other by some bars. Bars before
//! the first bar of music, such as a count-off, are nobody's.
//! Source: repeats along the diagonals of a self-similarity matrix, Foote, Visualizing music and audio using
//! self-similarity, ACM Multimedia 1999; here with one row a bar, so that a tempo that moves does not matter.
//! Limits: what is heard is changes, not a melody: two choruses over the same changes are one form whoever plays, and two
//! different heads over them as well. A stretch in which next to nothing but drums plays is not recognised.

use crate::stats::Measured;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "forms-1";
/// Numbers of a beat: twelve pitch classes of the chords, then twelve of the bass.
pub const NUMBERS: usize = 24;
/// Stretches of one form agree this well at least, and better by [`LEAD`] than moved by up to [`MOVED_BARS`] bars. On 69
/// rendered takes (`benches/README.md`, Parts and forms) 145 of 151 pairs of sections over the same changes, and 2 of 3665 other
/// pairs of stretches.
const ALIKE: f64 = 0.25;
/// See [`ALIKE`].
const LEAD: f64 = 0.1;
/// See [`ALIKE`].
const MOVED_BARS: usize = 6;
/// Stretches that agree as well as this are of one form even when they would moved: two chords to and fro.
const SURELY_ALIKE: f64 = 0.55;
/// Correlation of a take with itself, moved by the length of its form. On the same takes 0.51 to 0.91 where it returns (but for
/// songs of 32 bars with a solo over bass and drums alone: 0.32 to 0.40), and at most 0.37 at other lengths but
/// that of two of its sections together (0.47, see [`NEAR_BEST`]).
const RETURNS: f64 = 0.45;
/// A shorter length that reaches this share of the best one's correlation is the form, the longer one a multiple of it. A
/// 20-bar song form moved by sixteen bars reaches 0.56 at most.
const NEAR_BEST: f64 = 0.75;
/// Fewest bars by which stretches are compared.
const FEWEST_BARS: usize = 8;
/// Shortest and longest form, bars: what returns after more is a programme.
const SHORTEST_BARS: usize = 2;
const LONGEST_BARS: usize = 64;
/// This share of the second time round has to be there.
const SECOND_TIME: f64 = 0.9;
/// Bars on both sides whose mean is taken away from a bar.
const AROUND_BARS: usize = 8;

/// What sounds in the bars of a take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BarSounds {
    starts_s: Vec<f64>,
    rows: Vec<[f64; NUMBERS]>,
}

impl BarSounds {
    /// From what sounds on each beat; bars begin on beats whose place is 1 and count from `music_from_s` on.
    pub fn new(beat_times_s: &[f64], beat_in_bar: &[u8], beats: &[[u8; NUMBERS]], music_from_s: f64) -> Self {
        let mut sums: Vec<(f64, [f64; NUMBERS], f64)> = Vec::new();
        for ((at_s, place), sound) in beat_times_s.iter().zip(beat_in_bar).zip(beats) {
            if *at_s < music_from_s {
                continue;
            }
            if *place == 1 {
                sums.push((*at_s, [0.0; NUMBERS], 0.0));
            }
            let Some((_, sum, count)) = sums.last_mut() else { continue };
            sum.iter_mut().zip(sound).for_each(|(s, x)| *s += f64::from(*x));
            *count += 1.0;
        }
        let starts_s = sums.iter().map(|bar| bar.0).collect();
        let rows = centred(sums.into_iter().map(|(_, sum, count)| sum.map(|s| s / count)).collect());
        Self { starts_s, rows }
    }

    /// Number of bars after which the changes of the take return, n = times round that are there in whole.
    ///
    /// # Not measurable
    /// `too_few_bars` (no length can be seen twice), `form_not_repeated` (it is played once, or its returns are not clear).
    ///
    /// # Accuracy known
    /// See `benches/README.md`, Parts and forms.
    pub fn form_bars(&self) -> Measured {
        let count = self.rows.len();
        let seen_twice = |lag: &usize| count - lag >= FEWEST_BARS.max((SECOND_TIME * *lag as f64).ceil() as usize);
        let tried: Vec<(usize, f64)> = (SHORTEST_BARS..count.min(LONGEST_BARS + 1))
            .filter(seen_twice)
            .map(|lag| (lag, self.alike(0, lag, count - lag)))
            .collect();
        let Some(best) = tried.iter().map(|t| t.1).reduce(f64::max) else {
            return Measured::absent("too_few_bars");
        };
        match tried.iter().find(|t| t.1 >= NEAR_BEST * best) {
            Some((bars, _)) if best >= RETURNS => {
                let bars_f = *bars as f64;
                Measured::new(bars_f, bars_f, bars_f, (count / bars) as u64)
            }
            _ => Measured::absent("form_not_repeated"),
        }
    }

    /// For each span, the first of the spans before it that is of the same form, if any.
    pub fn first_alike(&self, spans: &[(f64, f64)]) -> Vec<Option<usize>> {
        let bars: Vec<(usize, usize)> = spans.iter().map(|s| self.bars_in(*s)).collect();
        let same = |a: (usize, usize), b: (usize, usize)| {
            let count = a.1.min(b.1);
            count >= FEWEST_BARS && self.of_one_form(a.0, b.0, count)
        };
        (0..bars.len()).map(|at| (0..at).find(|before| same(bars[*before], bars[at]))).collect()
    }

    /// First bar that begins in a span, half a bar's grace on both sides, and how many do.
    fn bars_in(&self, (start_s, end_s): (f64, f64)) -> (usize, usize) {
        let lengths: Vec<f64> = self.starts_s.windows(2).map(|w| w[1] - w[0]).collect();
        let grace_s = crate::stats::median(&lengths).unwrap_or(0.0) / 2.0;
        let before = |limit_s: f64| self.starts_s.iter().filter(|s| **s < limit_s - grace_s).count();
        let first = before(start_s);
        (first, before(end_s).saturating_sub(first))
    }

    /// Do `count` bars from `a` and from `b` on agree, and in this place better than in those around?
    fn of_one_form(&self, a: usize, b: usize, count: usize) -> bool {
        let here = self.alike(a, b, count);
        let last = self.rows.len() - count;
        let moved = |from: usize, other: usize| {
            let starts = from.saturating_sub(MOVED_BARS)..=(from + MOVED_BARS).min(last);
            starts.filter(|s| *s != from).map(|s| self.alike(s, other, count)).fold(0.0, f64::max)
        };
        here >= SURELY_ALIKE || here >= ALIKE && here - moved(a, b).max(moved(b, a)) >= LEAD
    }

    /// Correlation of `count` bars from `a` on with as many from `b` on.
    fn alike(&self, a: usize, b: usize, count: usize) -> f64 {
        let (mut product, mut squares_a, mut squares_b) = (0.0, 0.0, 0.0);
        for (x, y) in self.rows[a..a + count].iter().zip(&self.rows[b..b + count]) {
            for (x, y) in x.iter().zip(y) {
                product += x * y;
                squares_a += x * x;
                squares_b += y * y;
            }
        }
        let scale = (squares_a * squares_b).sqrt();
        if scale > 0.0 { product / scale } else { 0.0 }
    }
}

/// Each row less the mean of those around it, itself included.
fn centred(rows: Vec<[f64; NUMBERS]>) -> Vec<[f64; NUMBERS]> {
    let less_around = |at: usize| {
        let around = &rows[at.saturating_sub(AROUND_BARS)..(at + AROUND_BARS + 1).min(rows.len())];
        let mean = |c: usize| around.iter().map(|r| r[c]).sum::<f64>() / around.len() as f64;
        std::array::from_fn(|c| rows[at][c] - mean(c))
    };
    (0..rows.len()).map(less_around).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two seconds a bar from 1 s on; a bar's chord is a root and its fifth, its bass the root; `noise` moves every strength.
    fn sounds(chords: &[u8], noise: u8) -> BarSounds {
        let (mut times, mut places, mut beats, mut state) = (Vec::new(), Vec::new(), Vec::new(), 1u32);
        for (bar, chord) in chords.iter().enumerate() {
            for beat in 0..4u8 {
                times.push(1.0 + 2.0 * bar as f64 + 0.5 * f64::from(beat));
                places.push(beat + 1);
                let mut row: [u8; NUMBERS] = std::array::from_fn(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    if noise == 0 { 0 } else { (state >> 16) as u8 % (noise + 1) }
                });
                for class in [chord % 12, (chord + 7) % 12, 12 + chord % 12] {
                    row[class as usize] = 9;
                }
                beats.push(row);
            }
        }
        BarSounds::new(&times, &places, &beats, 0.0)
    }

    /// The common twelve-bar blues and a song form of four times eight bars (common practice, no source), as roots.
    const BLUES: [u8; 12] = [0, 5, 0, 0, 5, 5, 0, 9, 2, 7, 0, 7];
    const A: [u8; 8] = [0, 9, 2, 7, 4, 9, 2, 7];
    const B: [u8; 8] = [4, 4, 9, 9, 2, 2, 7, 7];

    fn song() -> Vec<u8> {
        [A, A, B, A].concat()
    }

    #[test]
    fn the_length_is_that_of_the_whole_form_and_not_of_its_sections() {
        for noise in [0, 6] {
            let blues = sounds(&BLUES.repeat(3), noise).form_bars();
            assert_eq!((blues.value, blues.n), (Some(12.0), Some(3)));
            let twice = sounds(&song().repeat(2), noise).form_bars();
            assert_eq!((twice.value, twice.low, twice.high, twice.n), (Some(32.0), Some(32.0), Some(32.0), Some(2)));
        }
    }

    #[test]
    fn a_form_played_once_or_hardly_a_second_time_has_no_length() {
        assert_eq!(sounds(&song(), 3).form_bars().reason.as_deref(), Some("form_not_repeated"));
        assert_eq!(sounds(&BLUES[..9], 0).form_bars().reason.as_deref(), Some("too_few_bars"));
        assert_eq!(sounds(&[], 0).form_bars().reason.as_deref(), Some("too_few_bars"));
        let once_and_a_bit = [song(), A[..4].to_vec()].concat();
        assert_eq!(sounds(&once_and_a_bit, 3).form_bars().reason.as_deref(), Some("form_not_repeated"));
    }

    #[test]
    fn what_returns_after_more_bars_than_any_form_has_is_none() {
        // No two of its stretches are alike: powers of five modulo 97.
        let programme: Vec<u8> = (0..70u32).map(|bar| ((0..bar).fold(1, |x, _| x * 5 % 97) % 12) as u8).collect();
        assert_eq!(sounds(&programme.repeat(2), 0).form_bars().reason.as_deref(), Some("form_not_repeated"));
        assert_eq!(sounds(&programme[..64].repeat(2), 0).form_bars().value, Some(64.0));
    }

    #[test]
    fn parts_over_the_same_changes_are_known_again_and_others_are_not() {
        // Head, a vamp of eight bars, solo over the head's changes, another eight bars of the vamp, the song's bridge.
        let vamp = [0u8, 10].repeat(4);
        let bars = [&BLUES[..], &vamp, &BLUES, &vamp, &B].concat();
        let span = |from: usize, to: usize| (1.0 + 2.0 * from as f64, 1.0 + 2.0 * to as f64);
        let spans = [span(0, 12), span(12, 20), span(20, 32), span(32, 40), span(40, 48)];
        for noise in [0, 5] {
            assert_eq!(sounds(&bars, noise).first_alike(&spans), [None, None, Some(0), Some(1), None]);
        }
    }

    #[test]
    fn a_part_that_begins_elsewhere_in_the_form_or_is_too_short_is_not_said_to_be_the_same() {
        let bars = BLUES.repeat(3);
        let span = |from: usize, to: usize| (1.0 + 2.0 * from as f64, 1.0 + 2.0 * to as f64);
        let found = sounds(&bars, 3).first_alike(&[span(0, 12), span(16, 28), span(24, 31)]);
        assert_eq!(found, [None, None, None]);
    }

    #[test]
    fn a_count_off_is_no_part_of_the_form() {
        let beats = vec![[0; NUMBERS]; 8];
        let times: Vec<f64> = (0..8).map(|b| 0.5 * f64::from(b)).collect();
        let music = BarSounds::new(&times, &[1, 2, 3, 4, 1, 2, 3, 4], &beats, 1.9);
        assert_eq!((music.starts_s.as_slice(), music.rows.len()), (&[2.0][..], 1));
    }
}
