//! Second-order filters: coefficients, response, and the audio EQ cookbook shapes that amplifier controls resemble.
//!
//! Conventions: coefficients are normalised so that a0 = 1; `y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]`;
//! gains are dB, plus = louder; corner frequencies lie between 0 and half the sample rate.
//! Source of the shapes: Audio EQ Cookbook, W3C Group Note, 8 June 2021.

use std::f64::consts::PI;

/// States below this are set to zero.
const STATE_FLOOR: f64 = 1e-30;

/// Coefficients of a second-order section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Biquad {
    /// Numerator, `[b0, b1, b2]`.
    pub b: [f64; 3],
    /// Denominator without the leading one, `[a1, a2]`.
    pub a: [f64; 2],
}

impl Biquad {
    /// Bell of `gain_db` at `centre_hz` with quality `q`.
    pub fn peak(sample_rate_hz: f64, centre_hz: f64, q: f64, gain_db: f64) -> Self {
        let amplitude = 10f64.powf(gain_db / 40.0);
        let w0 = 2.0 * PI * centre_hz / sample_rate_hz;
        let alpha = w0.sin() / (2.0 * q);
        let middle = -2.0 * w0.cos();
        Self::normalised(
            [1.0 + alpha * amplitude, middle, 1.0 - alpha * amplitude],
            [1.0 + alpha / amplitude, middle, 1.0 - alpha / amplitude],
        )
    }

    /// Low-pass at `corner_hz` with quality `q`; a Butterworth filter has a `q` of one over the root of two.
    pub fn low_pass(sample_rate_hz: f64, corner_hz: f64, q: f64) -> Self {
        Self::pass(sample_rate_hz, corner_hz, q, 1.0)
    }

    /// High-pass at `corner_hz` with quality `q`.
    pub fn high_pass(sample_rate_hz: f64, corner_hz: f64, q: f64) -> Self {
        Self::pass(sample_rate_hz, corner_hz, q, -1.0)
    }

    /// `side` is +1 for the low-pass, -1 for the high-pass.
    fn pass(sample_rate_hz: f64, corner_hz: f64, q: f64, side: f64) -> Self {
        let w0 = 2.0 * PI * corner_hz / sample_rate_hz;
        let (alpha, cos) = (w0.sin() / (2.0 * q), w0.cos());
        let edge = (1.0 - side * cos) / 2.0;
        Self::normalised([edge, side * 2.0 * edge, edge], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// Shelf of `gain_db` below `corner_hz` (half the gain at the corner); `slope` 1 is the steepest without a hump.
    pub fn low_shelf(sample_rate_hz: f64, corner_hz: f64, slope: f64, gain_db: f64) -> Self {
        Self::shelf(sample_rate_hz, corner_hz, slope, gain_db, 1.0)
    }

    /// Shelf of `gain_db` above `corner_hz` (half the gain at the corner); `slope` 1 is the steepest without a hump.
    pub fn high_shelf(sample_rate_hz: f64, corner_hz: f64, slope: f64, gain_db: f64) -> Self {
        Self::shelf(sample_rate_hz, corner_hz, slope, gain_db, -1.0)
    }

    /// `side` is +1 for the low shelf, -1 for the high one: the cookbook's two tables differ in these signs only.
    fn shelf(sample_rate_hz: f64, corner_hz: f64, slope: f64, gain_db: f64, side: f64) -> Self {
        let amp = 10f64.powf(gain_db / 40.0);
        let w0 = 2.0 * PI * corner_hz / sample_rate_hz;
        let cos = w0.cos();
        let alpha = w0.sin() / 2.0 * ((amp + 1.0 / amp) * (1.0 / slope - 1.0) + 2.0).sqrt();
        let root = 2.0 * amp.sqrt() * alpha;
        let (plus, minus) = (amp + 1.0, amp - 1.0);
        Self::normalised(
            [
                amp * (plus - side * minus * cos + root),
                side * 2.0 * amp * (minus - side * plus * cos),
                amp * (plus - side * minus * cos - root),
            ],
            [
                plus + side * minus * cos + root,
                -side * 2.0 * (minus + side * plus * cos),
                plus + side * minus * cos - root,
            ],
        )
    }

    /// Coefficients divided by a0.
    pub fn normalised(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: b.map(|x| x / a[0]), a: [a[1] / a[0], a[2] / a[0]] }
    }

    /// All coefficients of the numerator times `gain` (an amplitude ratio).
    pub fn scaled(self, gain: f64) -> Self {
        Self { b: self.b.map(|x| x * gain), a: self.a }
    }

    /// Amplitude response at `hz`, dB.
    pub fn magnitude_db(&self, sample_rate_hz: f64, hz: f64) -> f64 {
        let w = 2.0 * PI * hz / sample_rate_hz;
        let power = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        10.0 * (power(self.b) / power([1.0, self.a[0], self.a[1]])).log10()
    }
}

/// A running second-order section (transposed direct form II, double precision).
#[derive(Clone, Debug)]
pub struct BiquadFilter {
    coefficients: Biquad,
    state: [f64; 2],
}

impl BiquadFilter {
    /// A filter at rest.
    pub fn new(coefficients: Biquad) -> Self {
        Self { coefficients, state: [0.0; 2] }
    }

    /// The next sample.
    pub fn step(&mut self, x: f64) -> f64 {
        let Biquad { b, a } = self.coefficients;
        let y = b[0] * x + self.state[0];
        self.state[0] = b[1] * x - a[0] * y + self.state[1];
        self.state[1] = b[2] * x - a[1] * y;
        y
    }

    /// Tiny states become zero, because denormal numbers are slow, and a filter that swallowed what is no number starts afresh.
    pub fn settle(&mut self) {
        for x in &mut self.state {
            if !x.is_finite() || x.abs() < STATE_FLOOR {
                *x = 0.0;
            }
        }
    }

    /// Filters `samples` in place.
    pub fn process(&mut self, samples: &mut [f32]) {
        for x in samples {
            *x = self.step(f64::from(*x)) as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    fn assert_coefficients(got: Biquad, b: [f64; 3], a: [f64; 2]) {
        for (g, w) in got.b.iter().chain(&got.a).zip(b.iter().chain(&a)) {
            assert!((g - w).abs() < 1e-11, "{got:?}");
        }
    }

    /// Audio EQ Cookbook (W3C Group Note 2021), worked at 48 kHz with an independent program from the published formulas.
    #[test]
    fn eq_cookbook_worked_coefficients() {
        assert_coefficients(
            Biquad::peak(RATE, 1000.0, 1.0, 6.0),
            [1.04395308699, -1.89532072394, 0.86772228476],
            [-1.89532072394, 0.91167537175],
        );
        assert_coefficients(
            Biquad::peak(RATE, 100.0, 0.5f64.sqrt(), -4.0),
            [0.995749338427, -1.97679447552, 0.981214508384],
            [-1.97679447552, 0.976963846811],
        );
        assert_coefficients(
            Biquad::low_shelf(RATE, 100.0, 1.0, -6.0),
            [0.996792425902, -1.97805914106, 0.981386696058],
            [-1.97799943483, 0.978238828194],
        );
        assert_coefficients(
            Biquad::high_shelf(RATE, 4000.0, 1.0, 6.0),
            [1.76109582927, -2.4408644822, 0.941185607557],
            [-1.15813106034, 0.419548014964],
        );
    }

    /// Audio EQ Cookbook: full gain at the centre of a bell, half of it at the corner of a shelf, none far away.
    #[test]
    fn eq_cookbook_gains_at_centre_corner_and_far_away() {
        let low = Biquad::low_shelf(RATE, 100.0, 1.0, -6.0);
        let high = Biquad::high_shelf(RATE, 4000.0, 1.0, 6.0);
        for (filter, hz, db) in [
            (Biquad::peak(RATE, 1000.0, 1.0, 6.0), 1000.0, 6.0),
            (Biquad::peak(RATE, 100.0, 0.5f64.sqrt(), -4.0), 100.0, -4.0),
            (low, 1.0, -6.0),
            (low, 100.0, -3.0),
            (low, 20_000.0, 0.0),
            (high, 10.0, 0.0),
            (high, 4000.0, 3.0),
            (high, 23_990.0, 6.0),
        ] {
            assert!((filter.magnitude_db(RATE, hz) - db).abs() < 0.001, "{filter:?} at {hz}");
        }
    }

    /// Audio EQ Cookbook: 3 dB down at the corner of a Butterworth filter, nothing on one side, 12 dB an octave on the other.
    #[test]
    fn eq_cookbook_low_and_high_pass() {
        let q = 0.5f64.sqrt();
        let (low, high) = (Biquad::low_pass(RATE, 1000.0, q), Biquad::high_pass(RATE, 1000.0, q));
        for (filter, hz, db) in
            [(low, 1000.0, -3.0103), (high, 1000.0, -3.0103), (low, 10.0, 0.0), (high, 20_000.0, 0.0)]
        {
            assert!((filter.magnitude_db(RATE, hz) - db).abs() < 0.001, "{filter:?} at {hz}");
        }
        let slope = high.magnitude_db(RATE, 100.0) - high.magnitude_db(RATE, 50.0);
        assert!((slope - 12.04).abs() < 0.01, "{slope}");
        let mut spoilt = BiquadFilter::new(low);
        spoilt.step(f64::NAN);
        spoilt.settle();
        assert_eq!(spoilt.step(0.0), 0.0);
    }

    #[test]
    fn a_boost_and_the_same_cut_give_the_signal_back() {
        for make in [
            |g| Biquad::peak(RATE, 300.0, 1.4, g),
            |g| Biquad::low_shelf(RATE, 90.0, 1.0, g),
            |g| Biquad::high_shelf(RATE, 3000.0, 0.8, g),
        ] {
            let (mut up, mut down) = (BiquadFilter::new(make(9.0)), BiquadFilter::new(make(-9.0)));
            for i in 0..20_000u32 {
                let x = f64::from(i.wrapping_mul(2_654_435_761) >> 8) / f64::from(1 << 23) - 1.0;
                assert!((down.step(up.step(x)) - x).abs() < 1e-9, "sample {i}");
            }
        }
    }

    #[test]
    fn a_running_filter_has_the_gain_of_its_response() {
        let coefficients = Biquad::low_shelf(RATE, 100.0, 1.0, -6.0);
        let mut filter = BiquadFilter::new(coefficients);
        let mut tone: Vec<f32> = (0..48_000).map(|i| (2.0 * PI * 100.0 * f64::from(i) / RATE).sin() as f32).collect();
        filter.process(&mut tone);
        let power: f64 = tone[24_000..].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / 24_000.0;
        let gain_db = 10.0 * (power / 0.5).log10();
        assert!((gain_db - coefficients.magnitude_db(RATE, 100.0)).abs() < 0.001, "{gain_db}");
    }
}
