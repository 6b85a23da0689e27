//! A fast base-2 logarithm for spectra, where a few thousandths of an octave do not matter.

/// Base-2 logarithm of a positive normal `f32`, within 2e-4; zero and subnormals read as about -127.
///
/// Method: exponent from the bits, quartic polynomial for the mantissa (fitted at Chebyshev nodes on 1..2). Plain
/// arithmetic, so that the compiler can run it on several bins at once.
#[inline]
pub fn log2_fast(x: f32) -> f32 {
    let bits = x.to_bits();
    let exponent = (bits >> 23) as i32 - 127;
    let m = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
    let poly = (((-0.078_440_68 * m + 0.626_032_2) * m - 2.078_335_2) * m + 4.029_211_4) * m - 2.498_353_2;
    exponent as f32 + poly
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_logarithm_stays_within_two_ten_thousandths_of_an_octave() {
        let mut x = 1e-30f32;
        while x < 1e30 {
            assert!((log2_fast(x) - x.log2()).abs() < 2e-4, "{x}: {} {}", log2_fast(x), x.log2());
            x *= 1.003;
        }
    }
}
