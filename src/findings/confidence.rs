//! How sure a comparison with a threshold is, from the 95 % interval of the value.
//!
//! Conventions: the interval is read as plus or minus 1.96 standard deviations of a normal distribution on its own side.

use crate::stats::Measured;

/// Standard deviations from the middle to the end of a 95 % interval.
const Z_95: f64 = 1.959_963_984_540_054;

/// Probability that the true value lies above `threshold`; `None` without a value. A value without an interval is taken as exact.
pub fn probability_above(measured: &Measured, threshold: f64) -> Option<f64> {
    let value = measured.value?;
    let end = if value > threshold { measured.low } else { measured.high };
    let sigma = end.map_or(0.0, |e| (value - e).abs() / Z_95);
    if sigma > 0.0 {
        return Some(normal_cdf((value - threshold) / sigma));
    }
    Some(if value > threshold { 1.0 } else { 0.0 })
}

/// Probability that the true value lies below `threshold`.
pub fn probability_below(measured: &Measured, threshold: f64) -> Option<f64> {
    probability_above(measured, threshold).map(|p| 1.0 - p)
}

/// Cumulative normal distribution; error below 1e-7 (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17).
pub fn normal_cdf(z: f64) -> f64 {
    const B: [f64; 5] = [0.319_381_530, -0.356_563_782, 1.781_477_937, -1.821_255_978, 1.330_274_429];
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let series = B.iter().rev().fold(0.0, |sum, b| (sum + b) * t);
    let tail = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt() * series;
    if z >= 0.0 { 1.0 - tail } else { tail }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard normal table as printed in every statistics handbook.
    #[test]
    fn normal_distribution_agrees_with_the_handbook_table() {
        for (z, p) in [(0.0, 0.5), (1.0, 0.841_345), (1.645, 0.950_015), (1.96, 0.975_002), (-2.326, 0.010_009)] {
            assert!((normal_cdf(z) - p).abs() < 1e-6, "{z}");
        }
    }

    #[test]
    fn the_end_of_a_95_percent_interval_on_the_threshold_means_97_5_percent() {
        let p = probability_above(&Measured::new(5.0, 3.0, 9.0, 4), 3.0).unwrap();
        assert!((p - 0.975).abs() < 1e-4, "{p}");
        assert_eq!(probability_above(&Measured::absent("no_takes"), 3.0), None);
    }
}
