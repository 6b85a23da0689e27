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
    fn sum_and_peak_agree_with_the_plain_ones_at_every_length() {
        for n in 0..40 {
            let x: Vec<f32> = (0..n).map(|i| ((i * 37 % 23) as f32) - 11.0).collect();
            assert_eq!(sum(&x), x.iter().sum::<f32>());
            assert_eq!(peak(&x), x.iter().fold(0.0, |m: f32, v| m.max(v.abs())));
        }
    }
}
