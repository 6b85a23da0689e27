//! Partials of a stiff string: where they lie, and the fundamental and the stiffness behind a set of measured partials.
//!
//! Conventions: partial `n` of a string lies at `f_n = n f0 sqrt(1 + B n^2)` (Fletcher 1964, J. Acoust. Soc. Am. 36:203);
//! `f0` is the string's ideal fundamental, `f_1 = f0 sqrt(1 + B)` is what sounds lowest.

/// Frequency of partial `n` (from 1) of a string with ideal fundamental `f0_hz` and inharmonicity `b`.
pub fn partial_hz(f0_hz: f64, b: f64, n: u32) -> f64 {
    let n = f64::from(n);
    n * f0_hz * (1.0 + b * n * n).sqrt()
}

/// Cents by which partial `n` lies above `n` times the first partial.
pub fn partial_stretch_cents(b: f64, n: u32) -> f64 {
    let n = f64::from(n);
    600.0 * ((1.0 + b * n * n) / (1.0 + b)).log2()
}

/// A measured partial.
#[derive(Clone, Copy, Debug)]
pub struct MeasuredPartial {
    /// Number, from 1.
    pub number: u32,
    /// Frequency in Hz.
    pub hz: f64,
    /// Weight, proportional to one over the variance of `hz` in cents.
    pub weight: f64,
}

/// A string fitted to its partials.
#[derive(Clone, Copy, Debug)]
pub struct FittedString {
    /// First partial `f_1` in Hz.
    pub first_partial_hz: f64,
    /// Inharmonicity `B`, 0 or more.
    pub inharmonicity: f64,
    /// Weighted root mean square of the residuals in cents.
    pub residual_cents: f64,
}

/// Largest inharmonicity that [`fit_string`] may answer; short bass strings reach 3.5e-3 (Kemp 2020, SN Applied Sciences 2:636).
pub const MOST_INHARMONICITY: f64 = 5e-3;

/// Fits `ln(f_n / n) = ln f0 + ln(1 + B n^2) / 2`, robustly: partials more than `cut_cents` from the fit lose their weight.
///
/// `prior_b` and `prior_sigma_b` hold `B` where the partials say little (one partial alone cannot tell); sigma in units of
/// `B`, weights as one over variance in cents squared. `None` without a partial of positive weight.
pub fn fit_string(
    partials: &[MeasuredPartial],
    prior_b: f64,
    prior_sigma_b: f64,
    cut_cents: f64,
) -> Option<FittedString> {
    let usable: Vec<(f64, f64, f64)> = partials
        .iter()
        .filter(|p| p.weight > 0.0 && p.hz > 0.0 && p.number > 0)
        .map(|p| (f64::from(p.number), 1200.0 * (p.hz / f64::from(p.number)).log2(), p.weight))
        .collect();
    let mut b = prior_b;
    let mut centre = weighted_median(&usable.iter().map(|u| (u.1, u.2)).collect::<Vec<_>>())?;
    let stretch = |b: f64, n: f64| 600.0 * (1.0 + b * n * n).log2();
    let mut residual = 0.0;
    for _ in 0..25 {
        let (mut sw, mut sx, mut sy) = (0.0, 0.0, 0.0);
        let rows: Vec<(f64, f64, f64)> = usable
            .iter()
            .map(|&(n, cents, weight)| {
                let u = (cents - centre - stretch(b, n)) / cut_cents;
                let w = weight / (1.0 + u * u).powi(2);
                // Derivative of the stretch with respect to B, in cents per unit of B.
                let slope = 600.0 / std::f64::consts::LN_2 * n * n / (1.0 + b * n * n);
                (slope, cents - stretch(b, n) + slope * b, w)
            })
            .collect();
        for &(x, y, w) in &rows {
            sw += w;
            sx += w * x;
            sy += w * y;
        }
        let (mx, my) = (sx / sw, sy / sw);
        let prior_weight = 1.0 / prior_sigma_b.powi(2);
        let (mut num, mut den) = (prior_weight * prior_b, prior_weight);
        for &(x, y, w) in &rows {
            num += w * (x - mx) * (y - my);
            den += w * (x - mx) * (x - mx);
        }
        b = (num / den).clamp(0.0, MOST_INHARMONICITY);
        centre = usable.iter().zip(&rows).map(|(u, r)| r.2 * (u.1 - stretch(b, u.0))).sum::<f64>() / sw;
        residual = (usable.iter().zip(&rows).map(|(u, r)| r.2 * (u.1 - centre - stretch(b, u.0)).powi(2)).sum::<f64>()
            / sw)
            .sqrt();
    }
    let f0 = 2f64.powf(centre / 1200.0);
    Some(FittedString { first_partial_hz: partial_hz(f0, b, 1), inharmonicity: b, residual_cents: residual })
}

/// Weighted median of `(value, weight)`; `None` without positive weight.
pub fn weighted_median(values: &[(f64, f64)]) -> Option<f64> {
    let mut sorted: Vec<(f64, f64)> = values.iter().copied().filter(|v| v.1 > 0.0 && v.0.is_finite()).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = sorted.iter().map(|v| v.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    for (value, weight) in &sorted {
        sum += weight;
        if sum >= half {
            return Some(*value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form of Fletcher's law, to the printed hundredth of a cent.
    #[test]
    fn stretch_of_partials_table() {
        let numbers = [2, 3, 4, 6, 8, 10, 12, 16, 20];
        for (b, row) in [
            (1e-5, [0.03, 0.07, 0.13, 0.30, 0.55, 0.86, 1.24, 2.20, 3.45]),
            (1e-4, [0.26, 0.69, 1.30, 3.02, 5.44, 8.53, 12.29, 21.79, 33.86]),
            (4e-4, [1.04, 2.76, 5.18, 12.03, 21.53, 33.60, 48.13, 84.04, 128.13]),
        ] {
            for (n, cents) in numbers.iter().zip(row) {
                assert!((partial_stretch_cents(b, *n) - cents).abs() < 0.0051, "B {b} n {n}");
            }
        }
    }

    /// Kemp 2020 (abstract): a low B string stopped at fret 12 has its 10th partial about 100 cents sharp, which is B about 1.2e-3.
    #[test]
    fn a_stopped_low_b_string_has_its_tenth_partial_a_semitone_sharp() {
        assert!((partial_stretch_cents(1.2e-3, 10) - 100.0).abs() < 5.0);
    }

    fn measured(f0: f64, b: f64, numbers: impl Iterator<Item = u32>) -> Vec<MeasuredPartial> {
        numbers.map(|n| MeasuredPartial { number: n, hz: partial_hz(f0, b, n), weight: 1.0 }).collect()
    }

    #[test]
    fn the_first_partial_comes_back_within_a_tenth_of_a_cent_and_b_within_two_percent() {
        for b in [1e-5, 5e-5, 1e-4, 2e-4, 4e-4, 1.2e-3] {
            for f0 in [30.868, 41.203, 97.999, 196.0] {
                let fit = fit_string(&measured(f0, b, 2..=10), 1e-4, 1e-2, 8.0).unwrap();
                let cents = 1200.0 * (fit.first_partial_hz / partial_hz(f0, b, 1)).log2();
                assert!(cents.abs() < 0.1, "B {b}, f0 {f0}: {cents} cents");
                assert!((fit.inharmonicity / b - 1.0).abs() < 0.02, "B {b}: {}", fit.inharmonicity);
            }
        }
    }

    #[test]
    fn one_partial_of_another_instrument_does_not_pull_the_fit() {
        let mut partials = measured(41.203, 1e-4, 1..=8);
        partials[4].hz *= 2f64.powf(25.0 / 1200.0);
        let fit = fit_string(&partials, 1e-4, 2e-4, 5.0).unwrap();
        assert!((1200.0 * (fit.first_partial_hz / partial_hz(41.203, 1e-4, 1)).log2()).abs() < 0.5);
    }

    #[test]
    fn no_partial_no_answer() {
        assert!(fit_string(&[], 0.0, 1e-4, 5.0).is_none());
        assert!(weighted_median(&[(1.0, 0.0)]).is_none());
    }
}
