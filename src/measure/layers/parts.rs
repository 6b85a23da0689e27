//! Parts of a take: where the playing changes.
//!
//! Conventions: a take is cut into bars (from the beats, where they are known) or into seconds; each piece is described by
//! the level of every layer and of the whole against the take's mean, dB. The cuts are those of the best
//! piecewise-constant description: squared error, plus a price a cut (dynamic programming, exact). Parts of a chart are
//! mostly multiples of four bars, counted from the first bar of music, and most often whole times through its form (common
//! practice, no source): where the form is known, a cut at its start costs least, and a cut off the count of four most; to
//! count from another bar than the first one costs something too. A count-off and the last notes' decay belong to the first
//! and the last part.
//! Source: optimal partitioning, Jackson et al., An algorithm for optimal partitioning of data on an interval, IEEE Signal
//! Processing Letters 12(2), 2005. Prices set on 60 rendered takes and the demo band's, that of another count on 109 (`benches/README.md`, Parts and
//! forms).
//! Limits: a change that alters neither who plays nor, by some dB, how loud is not found.

use crate::units::power_to_db;

use super::LAYERS;
use super::reading::LayerPowers;
use super::start::music_starts_at;

/// A part of a take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FoundPart {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
}

/// The bars of a take.
#[derive(Clone, Copy, Debug, Default)]
pub struct BarGrid<'a> {
    /// First beats of the bars, in order, seconds; empty when unknown.
    pub starts_s: &'a [f64],
    /// Bars after which the changes of the take return, where that is known.
    pub form_bars: Option<usize>,
}

/// Numbers that describe a piece.
const DIMENSIONS: usize = LAYERS.len() + 1;
/// Layers further under the take's whole than this count as equally silent, dB.
const FLOOR_DB: f64 = -18.0;
/// Steadiness of a level from bar to bar, dB: one unit of error.
const SPREAD_DB: f64 = 3.5;
/// Price of a cut in units of squared error.
const PRICE: f64 = 14.0;
/// The same where the form begins.
const FORM_PRICE: f64 = 4.0;
/// What it costs to count groups or forms from another bar than the first.
const SHIFT_PRICE: f64 = 14.0;
/// What a cut costs more where no group of four bars begins.
const ODD_BAR_PRICE: f64 = 12.0;
/// Bars in a group.
const GROUP: usize = 4;
/// Pieces at both ends of a take that are softer than this against its mean are count-off or decay, dB.
const ENDS_DB: f64 = -8.0;
/// Shortest part, seconds: four bars at a medium tempo.
const SHORTEST_S: f64 = 8.0;
/// Length of a piece where no bars are known, seconds.
const PIECE_S: f64 = 1.0;

/// Cuts `[start_s, end_s)` into parts.
pub fn find_parts(powers: &LayerPowers, start_s: f64, end_s: f64, bars: BarGrid) -> Vec<FoundPart> {
    let barred = bars.starts_s.len() >= 2;
    let edges = edges(start_s, end_s, barred.then_some(bars.starts_s));
    let pieces = described(powers, &edges, (start_s, end_s));
    let playing = |p: &[f64; DIMENSIONS]| p[LAYERS.len()] * SPREAD_DB >= ENDS_DB;
    let (Some(loud), Some(last)) = (pieces.iter().position(playing), pieces.iter().rposition(playing)) else {
        return Vec::new();
    };
    // However loud its clicks are, a count-off is no music.
    let music_s = music_starts_at(powers, (start_s, end_s), bars.starts_s);
    let first = edges.iter().position(|e| *e >= music_s).unwrap_or(0).clamp(loud, last);
    let grid = barred.then_some(bars.form_bars);
    let mut cuts = best_cuts(&pieces[first..=last], &edges[first..=last + 1], grid);
    cuts.iter_mut().for_each(|c| *c += first);
    // Count-off and decay go with their neighbours.
    let ends = cuts.len() - 1;
    (cuts[0], cuts[ends]) = (0, pieces.len());
    cuts.windows(2).map(|c| FoundPart { start_s: edges[c[0]], end_s: edges[c[1]] }).collect()
}

/// Edges of the pieces: the take's own, and the bars or whole seconds between.
fn edges(start_s: f64, end_s: f64, bar_starts_s: Option<&[f64]>) -> Vec<f64> {
    let mut edges = vec![start_s];
    let seconds = || (1..).map(|i| start_s + f64::from(i) * PIECE_S).take_while(|t| *t < end_s).collect();
    let inner: Vec<f64> = bar_starts_s.map_or_else(seconds, <[f64]>::to_vec);
    edges.extend(inner.into_iter().filter(|t| *t > start_s + PIECE_S / 2.0 && *t < end_s - PIECE_S / 2.0));
    edges.push(end_s);
    edges
}

/// Levels of every piece in units of [`SPREAD_DB`].
fn described(powers: &LayerPowers, edges: &[f64], take: (f64, f64)) -> Vec<[f64; DIMENSIONS]> {
    let whole = powers.mean_powers(take.0, take.1)[LAYERS.len()];
    if whole <= 0.0 {
        return Vec::new();
    }
    edges
        .windows(2)
        .map(|e| {
            powers
                .mean_powers(e[0], e[1])
                .map(|power| power_to_db(power / whole).unwrap_or(FLOOR_DB).max(FLOOR_DB) / SPREAD_DB)
        })
        .collect()
}

/// Indices of edges where the parts begin and end, first and last included. `grid`: the pieces are bars, in a form of so many.
fn best_cuts(pieces: &[[f64; DIMENSIONS]], edges: &[f64], grid: Option<Option<usize>>) -> Vec<usize> {
    let sums = RunningSums::new(pieces);
    let tried = (0..grid.map_or(1, |form| form.unwrap_or(GROUP))).map(|phase| {
        let (cost, cuts) = partition(&sums, edges, |at| grid.map_or(PRICE, |form| price_in_bars(at, phase, form)));
        (cost + if phase == 0 { 0.0 } else { SHIFT_PRICE }, cuts)
    });
    tried.min_by(|a, b| a.0.total_cmp(&b.0)).map_or_else(|| vec![0, pieces.len()], |(_, cuts)| cuts)
}

/// Price of a cut at a bar, where groups of four or the form of so many bars begin at `phase`.
fn price_in_bars(at: usize, phase: usize, form: Option<usize>) -> f64 {
    let period = form.unwrap_or(GROUP);
    let place = (at + period - phase) % period;
    match (place, form) {
        (0, Some(_)) => FORM_PRICE,
        _ if place.is_multiple_of(GROUP) => PRICE,
        _ => PRICE + ODD_BAR_PRICE,
    }
}

/// Cost and cuts of the cheapest partition.
fn partition(sums: &RunningSums, edges: &[f64], price_at: impl Fn(usize) -> f64) -> (f64, Vec<usize>) {
    let n = edges.len() - 1;
    let mut cost = vec![f64::INFINITY; n + 1];
    let mut from = vec![0; n + 1];
    cost[0] = 0.0;
    for end in 1..=n {
        for start in 0..end {
            let whole_take = start == 0 && end == n;
            if !whole_take && edges[end] - edges[start] < SHORTEST_S {
                continue;
            }
            let price = if start == 0 { 0.0 } else { price_at(start) };
            let total = cost[start] + price + sums.squared_error(start, end);
            if total < cost[end] {
                (cost[end], from[end]) = (total, start);
            }
        }
    }
    let mut cuts = vec![n];
    while let Some(&last) = cuts.last().filter(|c| **c > 0) {
        cuts.push(from[last]);
    }
    cuts.reverse();
    (cost[n], cuts)
}

/// Sums and sums of squares up to each piece.
struct RunningSums {
    sums: Vec<[f64; DIMENSIONS]>,
    squares: Vec<f64>,
}

impl RunningSums {
    fn new(pieces: &[[f64; DIMENSIONS]]) -> Self {
        let (mut sums, mut squares) = (vec![[0.0; DIMENSIONS]], vec![0.0]);
        for piece in pieces {
            let (sum, square) = (sums[sums.len() - 1], squares[squares.len() - 1]);
            sums.push(std::array::from_fn(|d| sum[d] + piece[d]));
            squares.push(square + piece.iter().map(|x| x * x).sum::<f64>());
        }
        Self { sums, squares }
    }

    /// Squared distance of pieces `start..end` from their mean.
    fn squared_error(&self, start: usize, end: usize) -> f64 {
        let count = (end - start) as f64;
        let apart: f64 = self.sums[start].iter().zip(&self.sums[end]).map(|(a, b)| (b - a) * (b - a)).sum();
        (self.squares[end] - self.squares[start] - apart / count).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::meter::{Shares, WHOLE};
    use super::super::reading::{CELL_S, LayerReading};
    use super::*;

    const BARS: usize = 36;

    /// 36 bars of two seconds in which bass and drums stay and the horns have `horns(bar)` of the power.
    fn take(horns: impl Fn(usize) -> f64) -> LayerPowers {
        let cells = (0..(72.0 / CELL_S) as usize).map(|at| {
            let share = horns(((at as f64 + 0.5) * CELL_S / 2.0) as usize);
            let of = [0.3, 0.3, 0.0, 0.0, share, 0.4 - share].map(|share| (share * WHOLE) as u16);
            Shares { of, ..Shares::default() }
        });
        LayerReading::new(cells.collect(), Vec::new()).with_power(&[0.01; 720], 0.1)
    }

    /// Bars at which parts begin.
    fn begin(powers: &LayerPowers, form_bars: Option<usize>) -> Vec<usize> {
        let starts_s: Vec<f64> = (0..BARS).map(|bar| 2.0 * bar as f64).collect();
        let parts = find_parts(powers, 0.0, 72.0, BarGrid { starts_s: &starts_s, form_bars });
        parts.iter().map(|p| (p.start_s / 2.0).round() as usize).collect()
    }

    #[test]
    fn a_small_change_is_believed_where_the_form_begins_anew() {
        let softer_from = |bar: usize| take(move |at| if at < bar { 0.2 } else { 0.1 });
        assert_eq!(begin(&softer_from(12), Some(12)), [0, 12]);
        assert_eq!(begin(&softer_from(12), None), [0]);
        assert_eq!(begin(&softer_from(18), Some(12)), [0]);
        // Nothing changes: a form alone makes no parts.
        assert_eq!(begin(&take(|_| 0.2), Some(12)), [0]);
    }

    #[test]
    fn parts_begin_where_bars_are_counted_from_the_first_one() {
        // In the first bar of the second chorus the horns hold their last note.
        assert_eq!(begin(&take(|bar| if bar < 13 { 0.2 } else { 0.04 }), Some(12)), [0, 12]);
        // What changes two bars later and much is another part all the same.
        assert_eq!(begin(&take(|bar| if bar < 14 { 0.35 } else { 0.001 }), Some(12)), [0, 14]);
    }
}
