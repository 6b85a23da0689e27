//! The normal distribution and small linear systems, as the tuning fits need them.
//!
//! Conventions: matrices by rows.

/// Cumulative standard normal distribution; error below 1.2e-7 of the complementary error function (W. H. Press et al.,
/// Numerical Recipes, 2nd ed. 1992, section 6.2, from memory; checked against published table values in the test).
pub fn cumulative(z: f64) -> f64 {
    let x = z.abs() / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.5 * x);
    const TERMS: [f64; 10] = [
        -1.265_512_23,
        1.000_023_68,
        0.374_091_96,
        0.096_784_18,
        -0.186_288_06,
        0.278_868_07,
        -1.135_203_98,
        1.488_515_87,
        -0.822_152_23,
        0.170_872_77,
    ];
    let sum = TERMS.iter().rev().fold(0.0, |s, c| s * t + c);
    let tail = 0.5 * t * (-x * x + sum).exp();
    if z > 0.0 { 1.0 - tail } else { tail }
}

/// Where the rising function `f` takes the value `wanted` in `range`, by halving.
pub fn inverse(f: impl Fn(f64) -> f64, wanted: f64, range: (f64, f64)) -> f64 {
    let (mut low, mut high) = range;
    for _ in 0..50 {
        let at = (low + high) / 2.0;
        if f(at) < wanted { low = at } else { high = at }
    }
    (low + high) / 2.0
}

/// The value under which half of the weight of `parts` lies: each a value, its standard deviation (not 0) and its weight.
pub fn middle(parts: &[(f64, f64, f64)]) -> f64 {
    quantile(parts, 0.5)
}

/// The same of another `share` of the weight, between 0 and 1.
pub fn quantile(parts: &[(f64, f64, f64)], share: f64) -> f64 {
    let total: f64 = parts.iter().map(|p| p.2).sum();
    let below =
        |at: f64| parts.iter().map(|(value, sigma, weight)| weight * cumulative((at - value) / sigma)).sum::<f64>();
    // All of the weight but what does not matter lies between.
    let low = parts.iter().map(|p| p.0 - 4.0 * p.1).fold(f64::INFINITY, f64::min);
    let high = parts.iter().map(|p| p.0 + 4.0 * p.1).fold(f64::NEG_INFINITY, f64::max);
    inverse(below, share * total, (low, high))
}

/// Inverse of a symmetric positive definite matrix, by elimination; `None` when it is not one.
pub fn inverse_of(mut a: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    let mut out: Vec<Vec<f64>> = (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    for i in 0..n {
        let pivot = a[i][i];
        if pivot.is_nan() || pivot <= 1e-12 {
            return None;
        }
        a[i].iter_mut().chain(out[i].iter_mut()).for_each(|x| *x /= pivot);
        let (row, own) = (a[i].clone(), out[i].clone());
        for j in (0..n).filter(|j| *j != i) {
            let factor = a[j][i];
            if factor != 0.0 {
                a[j].iter_mut().zip(&row).for_each(|(x, r)| *x -= factor * r);
                out[j].iter_mut().zip(&own).for_each(|(x, r)| *x -= factor * r);
            }
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_of_the_weight_lies_under_the_middle() {
        assert!((middle(&[(3.0, 1.0, 2.0)]) - 3.0).abs() < 1e-6);
        // Two values apart: the heavier one, but for what its own spread leaves to the other side: 0.75 x = 0.5 at 0.4307 sigma.
        let apart = middle(&[(0.0, 1.0, 0.75), (50.0, 1.0, 0.25)]);
        assert!((apart - 0.4307).abs() < 1e-3, "normal table, two thirds: {apart}");
        // A quarter: 0.25 = 0.75 F(z), F(-0.4307) = 1/3.
        assert!((quantile(&[(0.0, 1.0, 0.75), (50.0, 1.0, 0.25)], 0.25) + 0.4307).abs() < 1e-3);
        let near = middle(&[(-1.0, 5.0, 1.0), (1.0, 5.0, 1.0)]);
        assert!(near.abs() < 1e-6, "{near}");
    }

    #[test]
    fn the_normal_distribution_has_its_table_values() {
        // Published table of the standard normal distribution, five places.
        for (z, p) in [(0.0, 0.5), (1.0, 0.84134), (1.96, 0.97500), (-1.6449, 0.05), (3.0, 0.99865)] {
            assert!((cumulative(z) - p).abs() < 1e-5, "{z}: {}", cumulative(z));
        }
        assert!((inverse(cumulative, 0.975, (-9.0, 9.0)) - 1.95996).abs() < 1e-4);
    }

    #[test]
    fn a_matrix_times_its_inverse_is_one_and_a_singular_one_has_none() {
        let a = vec![vec![4.0, 1.0, 0.5], vec![1.0, 3.0, -1.0], vec![0.5, -1.0, 2.0]];
        let b = inverse_of(a.clone()).unwrap();
        for (i, row) in a.iter().enumerate() {
            for j in 0..3 {
                let x: f64 = row.iter().zip(&b).map(|(a, b)| a * b[j]).sum();
                assert!((x - f64::from(u8::from(i == j))).abs() < 1e-12);
            }
        }
        assert!(inverse_of(vec![vec![1.0, 1.0], vec![1.0, 1.0]]).is_none());
    }
}
