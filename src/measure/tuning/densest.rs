//! Where on the circle of a semitone most of the weight lies, and how well that is known.
//!
//! Conventions: points are offsets in cents and weights; intervals are 95 %.
//!
//! Method: the densest place under a narrow kernel, and around it the weighted median: it does not follow a second player that stands beside.
//! A second place that is nearly as dense may be the right one: the interval reaches the further towards it, the more lies there.

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

use super::circle::wrap;

/// Kernel of the density, cents.
const KERNEL_CENTS: f64 = 2.0;
/// Around the densest place the median of what lies this near is the offset, cents.
const NEAR_CENTS: f64 = 8.0;
/// Fewer points say nothing.
pub const FEWEST: usize = 12;
/// A second place lies at least this far from the densest, cents; the odds that it is the right one are the ratio of the two densities to
/// this power.
const SECOND_CENTS: f64 = 6.0;
const SECOND_POWER: i32 = 4;

/// What a tone so far off counts for a place.
pub fn kernel(cents: f64) -> f64 {
    (-0.5 * (cents / KERNEL_CENTS).powi(2)).exp()
}

/// Median around the densest place of the circle; `known_cents` (95 %) is the accuracy without a second place.
pub fn densest(points: &[(f64, f64)], known_cents: f64, none: &str) -> Measured {
    let total: f64 = points.iter().map(|p| p.1).sum();
    if points.len() < FEWEST || total <= 0.0 {
        return Measured::absent(none);
    }
    let density: Vec<(f64, f64)> = (0..200)
        .map(|step| -50.0 + 0.5 * f64::from(step))
        .map(|at| (at, points.iter().map(|p| p.1 * kernel(wrap(p.0 - at))).sum()))
        .collect();
    let top = |(place, most): (f64, f64), &(at, d): &(f64, f64)| if d > most { (at, d) } else { (place, most) };
    let (place, most) = density.iter().fold((0.0, f64::MIN), top);
    let near: Vec<(f64, f64)> =
        points.iter().map(|p| (wrap(p.0 - place), p.1)).filter(|p| p.0.abs() < NEAR_CENTS).collect();
    // A flat background alone would have 5 % of its weight within one kernel of any place.
    let share: f64 = near.iter().map(|p| p.1).sum::<f64>() / total;
    if share < 0.3 {
        return Measured::absent(none);
    }
    let Some(rest) = weighted_median(&near) else { return Measured::absent(none) };
    let away: Vec<(f64, f64)> = near.iter().map(|p| ((p.0 - rest).abs(), p.1)).collect();
    let sigma = 1.4826 * weighted_median(&away).unwrap_or(NEAR_CENTS);
    let squares: f64 = near.iter().map(|p| p.1 * p.1).sum();
    let effective = near.iter().map(|p| p.1).sum::<f64>().powi(2) / squares.max(1e-12);
    let scatter = 1.96 * 1.2533 * sigma / effective.sqrt();
    let elsewhere = density.iter().filter(|(at, _)| wrap(at - place).abs() > SECOND_CENTS);
    let (second, less) = elsewhere.fold((0.0, f64::MIN), top);
    let doubt = 1.96 * wrap(second - place) * either((less / most).powi(SECOND_POWER));
    Measured::symmetric(place + rest, scatter.hypot(known_cents).hypot(doubt), near.len() as u64)
}

/// Standard deviation of a thing that is 0, or 1 at these odds.
fn either(odds: f64) -> f64 {
    odds.sqrt() / (1.0 + odds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_is_where_most_of_the_weight_lies_and_not_between_two_players() {
        let points: Vec<(f64, f64)> =
            (0..90).map(|i| if i % 3 == 0 { (14.0, 1.0) } else { (-2.0 + f64::from(i % 5) * 0.5, 1.0) }).collect();
        let m = densest(&points, 1.0, "none");
        assert!((m.value.unwrap() + 1.0).abs() < 0.6, "{m:?}");
    }

    #[test]
    fn a_second_place_with_nearly_as_much_weight_widens_the_interval() {
        let half = |second: f64| {
            let at = |cents: f64, weight: f64| (0..50).map(move |i| (cents + 0.4 * f64::from(i % 5), weight));
            let points: Vec<(f64, f64)> = at(0.0, 1.0).chain(at(12.0, second)).collect();
            let m = densest(&points, 2.5, "none");
            assert!((m.value.unwrap() - 0.8).abs() < 0.3, "{m:?}");
            m.half_width()
        };
        // Odds of 0.1 and of 0.9 to the fourth, by hand: 1.96 x 12 x 0.01 / 1.0001 = 0.24, 1.96 x 12 x 0.81 / 1.6561 = 11.50, with 2.5 and the
        // scatter.
        assert!((half(0.1) - 0.24f64.hypot(2.5)).abs() < 0.1, "{}", half(0.1));
        assert!((half(0.9) - 11.5f64.hypot(2.5)).abs() < 0.2, "{}", half(0.9));
    }

    #[test]
    fn scattered_noise_has_no_pitch() {
        let points: Vec<(f64, f64)> = (0..100).map(|i| (f64::from(i) - 50.0, 1.0)).collect();
        assert_eq!(densest(&points, 1.0, "no_horns_heard").reason.as_deref(), Some("no_horns_heard"));
    }
}
