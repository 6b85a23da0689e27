//! ERB-rate: how many equivalent rectangular bandwidths of hearing lie below a frequency.
//!
//! Source: Glasberg and Moore, Derivation of auditory filter shapes from notched-noise data, Hearing Research 47 (1990), 103 to
//! 138: ERBs = 21.4 log10(1 + 0.00437 f), f in Hz (from memory).

/// ERB-rate of a frequency.
pub fn erb_rate(hz: f64) -> f64 {
    21.4 * (1.0 + 0.00437 * hz).log10()
}

/// Frequency of an ERB-rate, Hz.
pub fn erb_rate_hz(rate: f64) -> f64 {
    (10f64.powf(rate / 21.4) - 1.0) / 0.00437
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 kHz lies at 15.6 (the paper's own worked example; from memory).
    #[test]
    fn a_kilohertz_has_its_published_rate_and_the_inverse_leads_back() {
        assert!((erb_rate(1000.0) - 15.6).abs() < 0.05);
        for hz in [35.0, 492.0, 16_000.0] {
            assert!((erb_rate_hz(erb_rate(hz)) - hz).abs() < 1e-9 * hz);
        }
    }
}
