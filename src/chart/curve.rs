//! A curve with one entry a hop becomes one span a pixel column.
//!
//! Conventions: entry `i` belongs to the time `(i + 1) * hop_s`, the end of its hop; `None` and values that are not finite
//! are holes, and a line never crosses a hole.

use super::axes::is_positive;

/// What one pixel column shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Time of its middle entry, seconds.
    pub at_s: f64,
    /// Smallest value.
    pub low: f64,
    /// Mean value.
    pub mean: f64,
    /// Largest value.
    pub high: f64,
}

/// Unbroken runs of columns; `per_column` entries share one column (at least 1).
pub fn runs(curve: &[Option<f64>], hop_s: f64, per_column: usize) -> Vec<Vec<Column>> {
    let mut runs: Vec<Vec<Column>> = vec![Vec::new()];
    let per_column = per_column.max(1);
    for (index, chunk) in curve.chunks(per_column).enumerate() {
        let values: Vec<f64> = chunk.iter().flatten().copied().filter(|v| v.is_finite()).collect();
        // A column with any hole ends the run, unless many entries share it and most of them speak.
        let whole = values.len() * 2 > chunk.len();
        if !whole || values.is_empty() {
            runs.push(Vec::new());
            continue;
        }
        let at_s = (index as f64 * per_column as f64 + (chunk.len() as f64 + 1.0) / 2.0) * hop_s;
        let column = Column {
            at_s,
            low: values.iter().copied().fold(f64::INFINITY, f64::min),
            mean: values.iter().sum::<f64>() / values.len() as f64,
            high: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        };
        if let Some(run) = runs.last_mut() {
            run.push(column);
        }
    }
    runs.retain(|r| !r.is_empty());
    runs
}

/// Up to this many entries a pixel, a plain line through all of them reads better than spans.
const CROWDED: f64 = 6.0;

/// How many entries share a column when `duration_s` has `width` pixels.
pub fn entries_per_column(duration_s: f64, hop_s: f64, width: f32) -> usize {
    if !is_positive(duration_s) || !is_positive(hop_s) || !is_positive(f64::from(width)) {
        return 1;
    }
    let shared = duration_s / hop_s / f64::from(width);
    if shared < CROWDED { 1 } else { shared.ceil() as usize }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holes_and_values_that_are_not_finite_break_the_curve() {
        let curve = [Some(1.0), Some(2.0), None, Some(f64::NAN), Some(4.0)];
        let r = runs(&curve, 1.0, 1);
        assert_eq!(r.len(), 2);
        assert_eq!(r[0].iter().map(|c| c.mean).collect::<Vec<_>>(), [1.0, 2.0]);
        assert_eq!((r[1][0].at_s, r[1][0].mean), (5.0, 4.0));
    }

    #[test]
    fn a_shared_column_keeps_extremes_and_mean() {
        let r = runs(&[Some(1.0), Some(5.0), Some(3.0), Some(7.0)], 1.0, 2);
        assert_eq!(r[0][0], Column { at_s: 1.5, low: 1.0, mean: 3.0, high: 5.0 });
        assert_eq!(r[0][1], Column { at_s: 3.5, low: 3.0, mean: 5.0, high: 7.0 });
    }

    #[test]
    fn ten_hours_fit_the_columns() {
        assert_eq!(entries_per_column(36000.0, 1.0, 1400.0), 26);
        assert_eq!(entries_per_column(10.0, 1.0, 1400.0), 1);
        assert_eq!(entries_per_column(3000.0, 1.0, 1400.0), 1);
    }
}
