//! Frequency weightings: K (loudness, ITU-R BS.1770-5) as filters at any rate, A and C (IEC 61672-1) as formulas.
//!
//! Conventions: weightings are dB, 0 dB at 1 kHz for A and C; K has the standard's own gain (+0.69 dB at 997 Hz).
//! Limits: below 32 kHz sample rate the bilinear transform bends the K shelf: against the 48 kHz response at most
//! 0.02 dB from 44.1 kHz up to 20 kHz, 0.08 dB at 32 kHz up to 14 kHz, 0.3 dB at 16 kHz up to 7 kHz.

use std::f64::consts::PI;

use super::filters::Biquad;

/// Corner of the analogue shelf behind BS.1770-5 table 1, Hz. The four shelf and high-pass parameters below are those
/// whose bilinear transform at 48 kHz gives the standard's tables (derivation published by B. De Man, 2018).
const K_SHELF_HZ: f64 = 1681.974450955532;
/// Gain of the shelf, dB.
const K_SHELF_DB: f64 = 3.999_843_853_97;
/// Quality of the shelf.
const K_SHELF_Q: f64 = 0.707_175_236_955_419_3;
/// Exponent that places the shelf's middle gain (1/2 would be the geometric mean).
const K_SHELF_MIDDLE: f64 = 0.499_666_774_154_541_6;
/// Corner of the analogue high-pass behind table 2, Hz.
const K_HIGH_PASS_HZ: f64 = 38.135_470_876_139_82;
/// Quality of the high-pass.
const K_HIGH_PASS_Q: f64 = 0.500_327_037_325_395_3;
/// Rate of the tables in BS.1770-5.
const K_TABLE_RATE_HZ: f64 = 48_000.0;

/// The two sections of K-weighting at `sample_rate_hz`: head shelf, then high-pass.
///
/// Source: ITU-R BS.1770-5 annex 1, tables 1 and 2 (48 kHz); other rates through the analogue prototype. The standard's
/// high-pass has a pass-band gain slightly above one, which depends on the rate; it is held at its 48 kHz value.
pub fn k_weighting(sample_rate_hz: f64) -> [Biquad; 2] {
    let target = high_pass_gain(&k_high_pass(K_TABLE_RATE_HZ));
    let high_pass = k_high_pass(sample_rate_hz);
    [k_shelf(sample_rate_hz), high_pass.scaled(target / high_pass_gain(&high_pass))]
}

/// Amplitude response of K-weighting at `hz`, dB.
pub fn k_weighting_db(sample_rate_hz: f64, hz: f64) -> f64 {
    k_weighting(sample_rate_hz).iter().map(|s| s.magnitude_db(sample_rate_hz, hz)).sum()
}

fn k_shelf(sample_rate_hz: f64) -> Biquad {
    let k = (PI * K_SHELF_HZ / sample_rate_hz).tan();
    let high = 10f64.powf(K_SHELF_DB / 20.0);
    let middle = high.powf(K_SHELF_MIDDLE);
    let damping = k / K_SHELF_Q;
    Biquad::normalised(
        [high + middle * damping + k * k, 2.0 * (k * k - high), high - middle * damping + k * k],
        [1.0 + damping + k * k, 2.0 * (k * k - 1.0), 1.0 - damping + k * k],
    )
}

/// Numerator 1, -2, 1 as printed in table 2.
fn k_high_pass(sample_rate_hz: f64) -> Biquad {
    let k = (PI * K_HIGH_PASS_HZ / sample_rate_hz).tan();
    let a0 = 1.0 + k / K_HIGH_PASS_Q + k * k;
    Biquad { b: [1.0, -2.0, 1.0], a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / K_HIGH_PASS_Q + k * k) / a0] }
}

/// Gain at half the sample rate.
fn high_pass_gain(section: &Biquad) -> f64 {
    let [b0, b1, b2] = section.b;
    (b0 - b1 + b2) / (1.0 - section.a[0] + section.a[1])
}

/// Pole frequencies of the A and C weightings, Hz (IEC 61672-1:2013 annex E).
const POLES_HZ: [f64; 4] = [20.598_997, 107.652_65, 737.862_23, 12_194.217];

/// A-weighting at `hz`, dB (IEC 61672-1:2013, equation E.6; 0 dB at 1 kHz).
pub fn a_weighting_db(hz: f64) -> f64 {
    a_gain_db(hz) - a_gain_db(1000.0)
}

/// C-weighting at `hz`, dB (IEC 61672-1:2013, equation E.1; 0 dB at 1 kHz).
pub fn c_weighting_db(hz: f64) -> f64 {
    c_gain_db(hz) - c_gain_db(1000.0)
}

fn c_gain_db(hz: f64) -> f64 {
    let [f1, _, _, f4] = POLES_HZ.map(|f| f * f);
    let f = hz * hz;
    20.0 * (f4 * f / ((f + f1) * (f + f4))).log10()
}

fn a_gain_db(hz: f64) -> f64 {
    let [_, f2, f3, _] = POLES_HZ.map(|f| f * f);
    let f = hz * hz;
    c_gain_db(hz) + 20.0 * (f / ((f + f2) * (f + f3)).sqrt()).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-R BS.1770-5 annex 1, tables 1 and 2.
    #[test]
    fn bs1770_tables_1_and_2_coefficients_at_48_khz() {
        let [shelf, high_pass] = k_weighting(48_000.0);
        let got = [shelf.b[0], shelf.b[1], shelf.b[2], shelf.a[0], shelf.a[1], high_pass.a[0], high_pass.a[1]];
        let want = [
            1.53512485958697,
            -2.69169618940638,
            1.19839281085285,
            -1.69065929318241,
            0.73248077421585,
            -1.99004745483398,
            0.99007225036621,
        ];
        for (g, w) in got.iter().zip(want) {
            assert!((g - w).abs() < 1e-8, "{g} {w}");
        }
        assert_eq!(high_pass.b, [1.0, -2.0, 1.0]);
    }

    #[test]
    fn k_weighting_at_other_rates_keeps_the_48_khz_response() {
        for (rate, up_to_hz, limit_db) in [
            (44_100.0, 20_000.0, 0.02),
            (96_000.0, 20_000.0, 0.02),
            (192_000.0, 20_000.0, 0.02),
            (32_000.0, 14_000.0, 0.08),
            (16_000.0, 7000.0, 0.3),
        ] {
            let mut hz: f64 = 20.0;
            while hz <= up_to_hz {
                let off = k_weighting_db(rate, hz) - k_weighting_db(48_000.0, hz);
                assert!(off.abs() < limit_db, "{rate} {hz}: {off}");
                hz *= 1.02;
            }
        }
    }
}
