//! Smoothing of an uneven series against its own curvature.

/// The series that minimises the weighted squares of its distance to `y` plus `stiffness` times the squares of its second
/// differences (Whittaker, On a new method of graduation, Proc. Edinburgh Math. Soc. 41, 1922).
///
/// `weights` are not negative; a weight of 0 is a hole that is filled. With fewer than three values, `y` itself.
pub fn whittaker(y: &[f64], weights: &[f64], stiffness: f64) -> Vec<f64> {
    let n = y.len();
    if n < 3 || weights.len() != n {
        return y.to_vec();
    }
    // Banded normal matrix: diagonal and two upper diagonals.
    let mut band = vec![[0.0f64; 3]; n];
    for (row, w) in band.iter_mut().zip(weights) {
        row[0] = w.max(0.0) + 1e-9;
    }
    let difference = [1.0, -2.0, 1.0];
    for i in 0..n - 2 {
        for a in 0..3 {
            for b in a..3 {
                band[i + a][b - a] += stiffness * difference[a] * difference[b];
            }
        }
    }
    let rhs: Vec<f64> = y.iter().zip(weights).map(|(v, w)| v * (w.max(0.0) + 1e-9)).collect();
    solve_banded(band, rhs)
}

/// Solves a symmetric positive system with two upper diagonals by elimination.
fn solve_banded(mut band: Vec<[f64; 3]>, mut rhs: Vec<f64>) -> Vec<f64> {
    let n = rhs.len();
    for i in 0..n {
        for k in 1..=2 {
            if i + k >= n {
                break;
            }
            let factor = band[i][k] / band[i][0];
            for m in k..=2 {
                band[i + k][m - k] -= factor * band[i][m];
            }
            rhs[i + k] -= factor * rhs[i];
        }
    }
    for i in (0..n).rev() {
        let mut value = rhs[i];
        for k in 1..=2 {
            if i + k < n {
                value -= band[i][k] * rhs[i + k];
            }
        }
        rhs[i] = value / band[i][0];
    }
    rhs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_stays_and_a_hole_is_filled() {
        let mut y: Vec<f64> = (0..20).map(|i| 3.0 + 0.5 * f64::from(i)).collect();
        let mut w = vec![1.0; 20];
        y[7] = 99.0;
        w[7] = 0.0;
        let s = whittaker(&y, &w, 10.0);
        for (i, v) in s.iter().enumerate() {
            assert!((v - (3.0 + 0.5 * i as f64)).abs() < 1e-5, "{i}: {v}");
        }
    }

    #[test]
    fn the_normal_equations_hold() {
        let y: Vec<f64> = (0..15).map(|i| ((i * i * 7) % 11) as f64).collect();
        let w: Vec<f64> = (0..15).map(|i| 0.2 + (i % 3) as f64).collect();
        let s = whittaker(&y, &w, 4.0);
        let second: Vec<f64> = s.windows(3).map(|v| v[0] - 2.0 * v[1] + v[2]).collect();
        for i in 0..15usize {
            let at = |k: isize| second.get((i as isize + k) as usize).copied().unwrap_or(0.0);
            let bend = at(0) - 2.0 * at(-1) + at(-2);
            assert!(((w[i] + 1e-9) * (s[i] - y[i]) + 4.0 * bend).abs() < 1e-9);
        }
    }
}
