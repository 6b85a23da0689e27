//! The beats of one take laid along those of another: in step, with jumps where a form repeats or a take begins elsewhere.
//!
//! Conventions: every beat of the shorter take finds a beat of the longer one, the next beat the next one, unless it is worth
//! [`JUMP`] to go on from another place. Viterbi search (Viterbi 1967); cost: one product of rows a pair of beats, memory one
//! byte of way a pair.

use super::fingerprint::{DIMENSIONS, Rows};

/// What a jump costs, in products of matching rows of usual length (about 0.25): three bars.
const JUMP: f32 = 2.8;
/// Length of the stretch whose worst stands for a part that is not in the other take: eight bars.
const STRETCH_BEATS: usize = 32;

/// How well one take lies along another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alignment {
    /// Correlation of the rows along the way, -1..=1.
    pub correlation: f64,
    /// The same of the worst eight bars.
    pub worst: f64,
    /// Jumps on the way.
    pub jumps: usize,
    /// Beats that were laid.
    pub beats: usize,
}

impl Alignment {
    /// Jumps in eight bars.
    pub fn jumps_in_a_stretch(&self) -> f64 {
        (self.jumps * STRETCH_BEATS) as f64 / self.beats.max(1) as f64
    }
}

/// Lays the shorter of two takes along the longer one; of two of a length, the first.
pub fn align(a: &Rows, b: &Rows) -> Alignment {
    let (short, long) = if b.len() < a.len() { (b, a) } else { (a, b) };
    let way = way(short, long);
    let jumps = way.windows(2).filter(|w| w[1] != w[0] + 1).count();
    let sums: Vec<[f64; 3]> = short
        .iter()
        .zip(&way)
        .map(|(s, at)| [dot(s, &long[*at]), dot(s, s), dot(&long[*at], &long[*at])].map(f64::from))
        .collect();
    let stretch = STRETCH_BEATS.min(sums.len()).max(1);
    let worst = sums.windows(stretch).map(correlation).fold(1.0, f64::min);
    Alignment { correlation: correlation(&sums), worst, jumps, beats: short.len() }
}

fn correlation(sums: &[[f64; 3]]) -> f64 {
    let total = sums.iter().fold([0.0; 3], |t, s| [t[0] + s[0], t[1] + s[1], t[2] + s[2]]);
    let scale = (total[1] * total[2]).sqrt();
    if scale > 0.0 { total[0] / scale } else { 0.0 }
}

fn dot(a: &[f32; DIMENSIONS], b: &[f32; DIMENSIONS]) -> f32 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Rows turned over: for each dimension the numbers of all rows, so that the compiler can work on several rows at once.
struct Across([Vec<f32>; DIMENSIONS]);

impl Across {
    fn of(rows: &Rows) -> Self {
        Self(std::array::from_fn(|d| rows.iter().map(|row| row[d]).collect()))
    }

    /// Products of one row with all of these.
    fn products(&self, row: &[f32; DIMENSIONS], out: &mut [f32]) {
        out.fill(0.0);
        for (x, column) in row.iter().zip(&self.0) {
            out.iter_mut().zip(column).for_each(|(sum, y)| *sum += x * y);
        }
    }
}

/// The place in `long` of each row of `short`.
fn way(short: &Rows, long: &Rows) -> Vec<usize> {
    let columns = long.len();
    if short.is_empty() || columns == 0 {
        return Vec::new();
    }
    let across = Across::of(long);
    let mut scores = vec![0.0f32; columns];
    across.products(&short[0], &mut scores);
    let (mut next, mut products) = (vec![0.0f32; columns], vec![0.0f32; columns]);
    // In step or not, and the place that a jump would come from, for each row after the first.
    let mut stepped = vec![false; columns * short.len()];
    let mut from = vec![0usize; short.len()];
    for (row, values) in short.iter().enumerate().skip(1) {
        let best = best_of(&scores);
        from[row] = best;
        let jumped = scores[best] - JUMP;
        across.products(values, &mut products);
        let steps = &mut stepped[row * columns..(row + 1) * columns];
        for column in 0..columns {
            let step = if column > 0 { scores[column - 1] } else { f32::NEG_INFINITY };
            steps[column] = step >= jumped;
            next[column] = step.max(jumped) + products[column];
        }
        std::mem::swap(&mut scores, &mut next);
    }
    let mut way = vec![best_of(&scores); short.len()];
    for row in (1..short.len()).rev() {
        let at = way[row];
        way[row - 1] = if stepped[row * columns + at] { at - 1 } else { from[row] };
    }
    way
}

/// Of equals, the first.
fn best_of(scores: &[f32]) -> usize {
    let mut best = 0;
    for (at, score) in scores.iter().enumerate() {
        if *score > scores[best] {
            best = at;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sixteen chords that are all at right angles or opposite to each other.
    fn form(chords: &[usize]) -> Rows {
        let row = |chord: usize| {
            let mut row = [0.0; DIMENSIONS];
            row[chord % DIMENSIONS] = if chord < DIMENSIONS { 0.55 } else { -0.55 };
            row
        };
        chords.iter().flat_map(|c| std::iter::repeat_n(row(*c), 4)).collect()
    }

    #[test]
    fn a_take_from_the_middle_of_a_form_finds_its_place_and_goes_round() {
        let whole = form(&(0..16).collect::<Vec<_>>());
        let later = form(&[10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5]);
        let found = align(&whole, &later);
        assert_eq!((found.jumps, found.beats), (1, 48));
        assert!(found.correlation > 0.999 && found.worst > 0.999, "{found:?}");
    }

    #[test]
    fn another_bridge_shows_in_the_worst_stretch() {
        let whole = form(&(0..16).collect::<Vec<_>>());
        let other = form(&[0, 1, 2, 3, 20, 21, 22, 23, 20, 21, 22, 23, 12, 13, 14, 15]);
        let found = align(&whole, &other);
        assert!(found.correlation < 0.8 && found.worst < 0.5, "{found:?}");
    }

    #[test]
    fn nothing_aligns_with_nothing_without_a_panic() {
        let found = align(&Vec::new(), &form(&[1, 2]));
        assert_eq!((found.beats, found.correlation), (0, 0.0));
    }
}
