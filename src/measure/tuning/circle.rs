//! Probabilities on the circle of one semitone.
//!
//! Conventions: [`CIRCLE`] places a cent apart, place 0 at -50 cents; cents, plus = sharp.

/// Points of the circle, one a cent.
pub const CIRCLE: usize = 100;
/// No cell counts for less than this, however far it lies.
const CELL_FLOOR: f64 = 1e-3;

/// Cents on the circle, -50..50.
pub fn wrap(cents: f64) -> f64 {
    (cents + 50.0).rem_euclid(100.0) - 50.0
}

/// Mean of weighted offsets on the circle: its length (0..=1, how well they agree) and its place in cents; none where nothing has
/// weight, or all of it cancels.
pub fn mean(offsets: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let turn = std::f64::consts::TAU / 100.0;
    let (mut sine, mut cosine, mut total) = (0.0, 0.0, 0.0);
    for (cents, weight) in offsets {
        let (s, c) = (turn * cents).sin_cos();
        (sine, cosine, total) = (sine + weight * s, cosine + weight * c, total + weight);
    }
    (sine != 0.0 || cosine != 0.0).then(|| (f64::hypot(sine, cosine) / total, sine.atan2(cosine) / turn))
}

/// Student's density with four degrees of freedom at 0, for a spread of 1.
pub const STUDENT4_PEAK: f64 = 0.375;
/// Student's density with four degrees of freedom, 1 at 0.
pub fn student4(x: f64) -> f64 {
    let q = 1.0 + x * x / 4.0;
    1.0 / (q * q * q.sqrt())
}

/// Cents of a place.
pub fn offset_of(place: usize) -> f64 {
    place as f64 - CIRCLE as f64 / 2.0
}

/// A circular kernel, its peak at 0, of sum 1.
pub fn kernel(sigma: f64) -> Vec<f64> {
    let raw: Vec<f64> = (0..CIRCLE).map(|d| student4(d.min(CIRCLE - d) as f64 / sigma)).collect();
    let sum: f64 = raw.iter().sum();
    raw.into_iter().map(|k| k / sum).collect()
}

/// Log-likelihood of the common offset behind a cell, given that of the cell's own.
pub fn spread(log_likelihood: &[f64; CIRCLE], kernel: &[f64]) -> [f64; CIRCLE] {
    let top = log_likelihood.iter().copied().fold(f64::MIN, f64::max);
    let own: Vec<f64> = log_likelihood.iter().map(|l| (l - top).exp()).collect();
    let sum: f64 = own.iter().sum();
    let mut out = [0.0; CIRCLE];
    for (j, o) in out.iter_mut().enumerate() {
        let mean: f64 = own.iter().enumerate().map(|(l, p)| p * kernel[(j + CIRCLE - l) % CIRCLE]).sum();
        *o = (mean / sum + CELL_FLOOR).ln();
    }
    out
}

/// Median around the likeliest offset, and half of the central 95 %.
pub fn median_and_half_width(posterior: &[f64; CIRCLE]) -> (f64, f64) {
    let (mode, _) = posterior.iter().enumerate().fold((0, f64::MIN), |m, (i, p)| if *p > m.1 { (i, *p) } else { m });
    // Half a circle on either side of the mode, the middle of each cent's probability at that cent.
    let half = CIRCLE / 2;
    let at = |k: usize| posterior[(mode + k + CIRCLE - half) % CIRCLE];
    let mut sum = 0.0;
    let places: Vec<(f64, f64)> = (0..CIRCLE)
        .map(|k| {
            let place = (k as f64 - half as f64, sum + at(k) / 2.0);
            sum += at(k);
            place
        })
        .collect();
    let quantile = |q: f64| -> f64 {
        let i = places.partition_point(|p| p.1 < q).clamp(1, CIRCLE - 1);
        let (a, b) = (places[i - 1], places[i]);
        a.0 + (b.0 - a.0) * ((q - a.1) / (b.1 - a.1).max(1e-12)).clamp(0.0, 1.0)
    };
    (offset_of(mode) + quantile(0.5), (quantile(0.975) - quantile(0.025)) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_goes_round_the_edge_and_is_as_long_as_the_offsets_agree() {
        let (length, place) = mean([(48.0, 1.0), (-48.0, 1.0)].into_iter()).unwrap();
        assert!(wrap(place - 50.0).abs() < 1e-9 && length > 0.98, "{length} {place}");
        let (length, place) = mean([(0.0, 3.0), (25.0, 0.0), (50.0, 1.0)].into_iter()).unwrap();
        assert!((length - 0.5).abs() < 1e-9 && place.abs() < 1e-9, "{length} {place}");
        assert!(mean(std::iter::empty()).is_none());
    }

    #[test]
    fn a_narrow_peak_anywhere_on_the_circle_has_its_median_there() {
        for place in [0usize, 1, 30, 50, 99] {
            let mut p = [0.0; CIRCLE];
            for (d, share) in [(99, 0.2), (0, 0.6), (1, 0.2)] {
                p[(place + d) % CIRCLE] = share;
            }
            let (median, half) = median_and_half_width(&p);
            assert!(wrap(median - offset_of(place)).abs() < 0.01, "{place}: {median}");
            assert!(half < 2.0, "{half}");
        }
    }

    #[test]
    fn spreading_a_cell_keeps_its_place_and_bounds_its_weight() {
        let cell: [f64; CIRCLE] = std::array::from_fn(|j| -0.5 * (wrap(offset_of(j) - 49.0) / 2.0).powi(2));
        let wide = spread(&cell, &kernel(4.0));
        let best = (0..CIRCLE).max_by(|a, b| wide[*a].total_cmp(&wide[*b])).unwrap();
        assert_eq!(offset_of(best), 49.0);
        assert!(wide.iter().all(|l| *l > CELL_FLOOR.ln() - 1e-9));
    }
}
