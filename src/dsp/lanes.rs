//! Sums that the processor can do eight at a time, in a fixed order.
//!
//! Conventions: the order of additions depends on the slice alone, so that the same slice always gives the same sum.

/// Sum of a slice.
pub fn sum(values: &[f32]) -> f32 {
    let mut lanes = [0f32; 8];
    let (whole, rest) = values.as_chunks::<8>();
    for chunk in whole {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane += x;
        }
    }
    lanes.iter().sum::<f32>() + rest.iter().sum::<f32>()
}

/// Sum of the products of two slices, as far as both reach.
#[inline(always)]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let length = a.len().min(b.len());
    let ((a_whole, a_rest), (b_whole, b_rest)) = (a[..length].as_chunks::<8>(), b[..length].as_chunks::<8>());
    let mut lanes = [0f32; 8];
    for (x, y) in a_whole.iter().zip(b_whole) {
        for ((lane, x), y) in lanes.iter_mut().zip(x).zip(y) {
            *lane += x * y;
        }
    }
    lanes.iter().sum::<f32>() + a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum::<f32>()
}

/// [`dot`] of four slices with one; each of them must be as long as `b`.
#[inline(always)]
pub fn four_dots(a: [&[f32]; 4], b: &[f32]) -> [f32; 4] {
    let (whole, rest) = b.as_chunks::<8>();
    let [first, second, third, fourth] = a.map(|a| a[..b.len()].as_chunks::<8>());
    let mut lanes = [[0f32; 8]; 4];
    let chunks = first.0.iter().zip(second.0).zip(third.0.iter().zip(fourth.0)).zip(whole);
    for (((w, x), (y, z)), by) in chunks {
        for k in 0..8 {
            lanes[0][k] += w[k] * by[k];
            lanes[1][k] += x[k] * by[k];
            lanes[2][k] += y[k] * by[k];
            lanes[3][k] += z[k] * by[k];
        }
    }
    let tails = [first.1, second.1, third.1, fourth.1];
    std::array::from_fn(|n| lanes[n].iter().sum::<f32>() + tails[n].iter().zip(rest).map(|(x, y)| x * y).sum::<f32>())
}

/// Largest absolute value of a slice, 0 when it is empty.
pub fn peak(values: &[f32]) -> f32 {
    let mut lanes = [0f32; 8];
    let (whole, rest) = values.as_chunks::<8>();
    for chunk in whole {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane = if x.abs() > *lane { x.abs() } else { *lane };
        }
    }
    lanes.iter().chain(rest).fold(0.0, |top, x| if x.abs() > top { x.abs() } else { top })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sum_dot_and_peak_agree_with_the_plain_ones_at_every_length() {
        for n in 0..40 {
            let x: Vec<f32> = (0..n).map(|i| ((i * 37 % 23) as f32) - 11.0).collect();
            assert_eq!(sum(&x), x.iter().sum::<f32>());
            assert_eq!(dot(&x, &x[..n.min(29) as usize]), x.iter().take(29).map(|v| v * v).sum::<f32>());
            let shifted: Vec<f32> = x.iter().map(|v| v + 1.0).collect();
            assert_eq!(four_dots([&x, &shifted, &x, &shifted], &x), [[dot(&x, &x), dot(&shifted, &x)]; 2].concat()[..]);
            assert_eq!(peak(&x), x.iter().fold(0.0, |m: f32, v| m.max(v.abs())));
        }
    }
}
