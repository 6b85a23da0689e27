//! Third-octave bands on exact base-10 frequencies, and sums of spectral power between two frequencies.
//!
//! Conventions: band index `x` counts from 1 kHz: `mid = 1000 * 10^(x/10)`; edges half a step either side; the upper edge
//! of a band is the lower edge of the next, bit for bit. Source: IEC 61260-1:2014, clauses 5.2 to 5.5 (G = 10^0.3, b = 3).
//! Limits: the bands are sums of FFT bins. The skirts are those of the Hann window (main lobe 4 bins), so bands narrower
//! than about 6 bins (at 2.93 Hz a bin: below the 63 Hz band) leak into their neighbours; the total stays right.

/// A third-octave band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThirdOctaveBand {
    /// Steps from 1 kHz.
    pub index: i32,
    /// Exact mid-band frequency, Hz.
    pub mid_hz: f64,
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
}

/// Index of the 25 Hz band, the lowest that is measured.
pub const FIRST_BAND_INDEX: i32 = -16;
/// Index of the 16 kHz band, the highest: the 20 kHz band reaches 22.4 kHz, beyond half of 44.1 kHz.
pub const LAST_BAND_INDEX: i32 = 12;
/// Number of bands from 25 Hz to 16 kHz.
pub const BAND_COUNT: usize = (LAST_BAND_INDEX - FIRST_BAND_INDEX + 1) as usize;

/// The band `index` steps from 1 kHz.
pub fn third_octave(index: i32) -> ThirdOctaveBand {
    ThirdOctaveBand {
        index,
        mid_hz: 1000.0 * 10f64.powf(f64::from(index) / 10.0),
        low_hz: edge_hz(index),
        high_hz: edge_hz(index + 1),
    }
}

/// The bands from 25 Hz to 16 kHz in rising order.
pub fn third_octaves() -> [ThirdOctaveBand; BAND_COUNT] {
    std::array::from_fn(|i| third_octave(FIRST_BAND_INDEX + i as i32))
}

/// Lower edge of band `index`: one grid of edges, so that neighbours share theirs exactly.
fn edge_hz(index: i32) -> f64 {
    1000.0 * 10f64.powf(f64::from(2 * index - 1) / 20.0)
}

/// The bins between two frequencies, with the shares of the bins that an edge cuts.
///
/// Bin `k` stands for the frequencies `(k - 1/2)..(k + 1/2)` bin widths; an edge inside a bin gives each side its share of
/// the width. Neighbouring bands therefore add up to the power of both.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BinRange {
    first: usize,
    last: usize,
    first_share: f64,
    last_share: f64,
}

impl BinRange {
    /// `low_hz..high_hz` on a grid of `bin_hz` with bins `0..bins`; what lies beyond the last bin is left out.
    pub fn new(low_hz: f64, high_hz: f64, bin_hz: f64, bins: usize) -> Self {
        // In units of bins, shifted so that bin k covers k..k+1.
        let top = bins as f64;
        let low = (low_hz / bin_hz + 0.5).clamp(0.0, top);
        let high = (high_hz / bin_hz + 0.5).clamp(low, top);
        let (first, last) = ((low as usize).min(bins - 1), (high as usize).min(bins - 1));
        if first == last {
            return Self { first, last, first_share: high - low, last_share: 0.0 };
        }
        Self { first, last, first_share: 1.0 - (low - first as f64), last_share: high - last as f64 }
    }

    /// Power inside the range, mean square.
    pub fn power(&self, spectrum: &[f32]) -> f64 {
        let at = |k: usize| f64::from(spectrum.get(k).copied().unwrap_or(0.0));
        let ends = self.first_share * at(self.first) + self.last_share * at(self.last);
        ends + sum(spectrum.get(self.first + 1..self.last.max(self.first + 1)).unwrap_or(&[]))
    }
}

/// Sum in eight parts side by side: faster than one long chain of additions, and more exact.
fn sum(values: &[f32]) -> f64 {
    let mut parts = [0.0f32; 8];
    let chunks = values.chunks_exact(8);
    let rest: f32 = chunks.remainder().iter().sum();
    for chunk in chunks {
        for (part, x) in parts.iter_mut().zip(chunk) {
            *part += x;
        }
    }
    parts.iter().map(|p| f64::from(*p)).sum::<f64>() + f64::from(rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbouring_bands_share_their_edge_bit_for_bit() {
        for pair in third_octaves().windows(2) {
            assert_eq!(pair[0].high_hz.to_bits(), pair[1].low_hz.to_bits());
        }
    }

    #[test]
    fn ranges_that_touch_add_up_to_the_range_over_both() {
        let spectrum: Vec<f32> = (0..513).map(|k| 1.0 + (k * k % 17) as f32).collect();
        for (low, cut, high) in [(10.0, 33.3, 90.0), (40.0, 41.0, 41.5), (0.0, 46.9, 24_000.0), (100.0, 100.0, 105.0)] {
            let power = |a, b| BinRange::new(a, b, 46.875, 513).power(&spectrum);
            let both = power(low, cut) + power(cut, high);
            assert!((both - power(low, high)).abs() < 1e-6 * both, "{low} {cut} {high}");
        }
    }

    #[test]
    fn a_range_over_everything_is_the_sum_of_all_bins() {
        let spectrum: Vec<f32> = (0..513).map(|k| k as f32).collect();
        let all = BinRange::new(0.0, 1e9, 46.875, 513).power(&spectrum);
        // Half of bin 0 lies below 0 Hz; it holds nothing here.
        assert!((all - spectrum.iter().map(|p| f64::from(*p)).sum::<f64>()).abs() < 0.1);
    }
}
