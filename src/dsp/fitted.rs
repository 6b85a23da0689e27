//! Fitted numbers of networks, as half-precision floats in files beside the code that uses them.
//!
//! Conventions: little-endian IEEE 754 binary16, read from front to back; a dense layer is its weights output by output, then its
//! biases.

use super::dense::Dense;

/// Reads a file from front to back.
pub struct WeightReader {
    rest: &'static [u8],
}

impl WeightReader {
    /// At the start of a file.
    pub fn new(file: &'static [u8]) -> Self {
        Self { rest: file }
    }

    /// The next dense layer.
    pub fn dense(&mut self, inputs: usize, outputs: usize) -> Dense {
        let weights = self.numbers(inputs * outputs);
        Dense::new(&weights, self.numbers(outputs))
    }

    /// The next `R` rows of `N` numbers.
    pub fn rows<const R: usize, const N: usize>(&mut self) -> [[f32; N]; R] {
        let flat = self.numbers(R * N);
        std::array::from_fn(|r| std::array::from_fn(|i| flat[r * N + i]))
    }

    /// The next `count` numbers; zeros where the file has come to its end.
    pub fn numbers(&mut self, count: usize) -> Vec<f32> {
        // A file of another size would not pass the tests of its network; the rest reads as zeros rather than panics.
        let (now, rest) = self.rest.split_at((2 * count).min(self.rest.len()));
        self.rest = rest;
        let mut numbers: Vec<f32> =
            now.as_chunks::<2>().0.iter().map(|b| half_to_single(u16::from_le_bytes(*b))).collect();
        numbers.resize(count, 0.0);
        numbers
    }
}

/// A binary16 number as `f32`; exact.
fn half_to_single(bits: u16) -> f32 {
    let sign = u32::from(bits & 0x8000) << 16;
    let (exponent, mantissa) = (u32::from(bits >> 10) & 0x1f, u32::from(bits & 0x3ff));
    match exponent {
        0 => f32::from_bits(sign | (mantissa as f32 / 16_777_216.0).to_bits()),
        31 => f32::from_bits(sign | 0x7f80_0000 | (mantissa << 13)),
        _ => f32::from_bits(sign | ((exponent + 112) << 23) | (mantissa << 13)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_read_as_the_standard_says() {
        // IEEE 754-2019 binary16, table of the format (from memory): 1, -2, 65504, 2^-14, 2^-24, 1/3 rounded.
        for (bits, value) in [
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x7bff, 65_504.0),
            (0x0400, 2f32.powi(-14)),
            (0x0001, 2f32.powi(-24)),
            (0x3555, 0.333_251_95),
        ] {
            assert_eq!(half_to_single(bits), value);
        }
    }
}
