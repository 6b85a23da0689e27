//! Sums that the processor can do eight at a time, in a fixed order.
//!
//! Conventions: the order of additions depends on the slice alone, so that the same slice always gives the same sum on one
//! processor. Where the caller was compiled for fused multiply-add a product is not rounded before it is added, so another kind
//! of processor may differ in the last digit (as it does within the FFT library).

/// Sum of eight lanes, by halves: what is added next to each other does not wait.
#[inline(always)]
fn total(lanes: &[f32; 8]) -> f32 {
    let four: [f32; 4] = std::array::from_fn(|k| lanes[k] + lanes[k + 4]);
    (four[0] + four[2]) + (four[1] + four[3])
}

/// Sum of a slice.
#[inline]
pub fn sum(values: &[f32]) -> f32 {
    let mut lanes = [0f32; 8];
    let (whole, rest) = values.as_chunks::<8>();
    for chunk in whole {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane += x;
        }
    }
    total(&lanes) + rest.iter().sum::<f32>()
}

/// Lanes of one register.
pub const WIDTH: usize = 8;
/// Lanes of a [`dot`] that are worked on together: one sum has to wait for itself, four registers fill the time.
pub const DOT_WIDTH: usize = 32;

/// `a * b + c`, rounded once where `FUSED`. Only for functions that were compiled for a processor that can: anywhere else it
/// would be a call of a slow routine.
#[inline(always)]
pub fn multiply_add<const FUSED: bool>(a: f32, b: f32, c: f32) -> f32 {
    if FUSED { a.mul_add(b, c) } else { a * b + c }
}

/// Sum of 32 lanes. Never inlined: seen together with the loop before it, the compiler takes both apart into narrow pieces.
#[inline(never)]
fn total_of_32(lanes: &[f32; 32]) -> f32 {
    total(&std::array::from_fn(|k| (lanes[k] + lanes[k + 8]) + (lanes[k + 16] + lanes[k + 24])))
}

/// Sum of the products of two slices, as far as both reach; best at lengths that are multiples of [`DOT_WIDTH`].
#[inline(always)]
pub fn dot<const FUSED: bool>(a: &[f32], b: &[f32]) -> f32 {
    let length = a.len().min(b.len());
    let ((a_whole, a_rest), (b_whole, b_rest)) =
        (a[..length].as_chunks::<DOT_WIDTH>(), b[..length].as_chunks::<DOT_WIDTH>());
    let mut lanes = [0f32; DOT_WIDTH];
    for (x, y) in a_whole.iter().zip(b_whole) {
        for ((lane, x), y) in lanes.iter_mut().zip(x).zip(y) {
            *lane = multiply_add::<FUSED>(*x, *y, *lane);
        }
    }
    total_of_32(&lanes) + a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum::<f32>()
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
        for n in 0..140 {
            let x: Vec<f32> = (0..n).map(|i| ((i * 37 % 23) as f32) - 11.0).collect();
            assert_eq!(sum(&x), x.iter().sum::<f32>());
            assert_eq!(dot::<false>(&x, &x[..n.min(29) as usize]), x.iter().take(29).map(|v| v * v).sum::<f32>());
            let shifted: Vec<f32> = x.iter().map(|v| v + 1.0).collect();
            // Whole numbers are not rounded at all.
            let plain = x.iter().zip(&shifted).map(|(a, b)| a * b).sum::<f32>();
            assert_eq!((dot::<false>(&x, &shifted), dot::<true>(&x, &shifted)), (plain, plain));
            assert_eq!(peak(&x), x.iter().fold(0.0, |m: f32, v| m.max(v.abs())));
        }
    }
}
