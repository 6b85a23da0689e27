//! Second-order filters of amplifiers and recorders.
//!
//! Conventions: `b0 b1 b2 a1 a2`, normalised by a0; state in `f64`.
//! Source: audio EQ cookbook (W3C Group Note, 8 June 2021), shelf slope S = 1.

use super::scenario::Eq;

/// One filter with its state.
#[derive(Clone, Debug)]
pub(super) struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Biquad {
    fn from_raw(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: b.map(|v| v / a[0]), a: [a[1] / a[0], a[2] / a[0]], z: [0.0; 2] }
    }

    /// The filter of one knob.
    pub fn knob(eq: Eq, rate_hz: f64) -> Self {
        match eq {
            Eq::LowShelf { hz, db } => Self::shelf(hz, db, -1.0, rate_hz),
            Eq::HighShelf { hz, db } => Self::shelf(hz, db, 1.0, rate_hz),
            Eq::Peak { hz, db, q } => {
                let (a, w) = (10f64.powf(db / 40.0), std::f64::consts::TAU * hz / rate_hz);
                let (alpha, c) = (w.sin() / (2.0 * q), -2.0 * w.cos());
                Self::from_raw([1.0 + alpha * a, c, 1.0 - alpha * a], [1.0 + alpha / a, c, 1.0 - alpha / a])
            }
        }
    }

    /// `sign` -1 = low shelf, +1 = high shelf.
    fn shelf(hz: f64, db: f64, sign: f64, rate_hz: f64) -> Self {
        let (a, w) = (10f64.powf(db / 40.0), std::f64::consts::TAU * hz / rate_hz);
        let c = w.cos();
        let s = 2.0 * a.sqrt() * w.sin() / 2.0 * std::f64::consts::SQRT_2;
        let (up, down) = (a + 1.0, a - 1.0);
        Self::from_raw(
            [a * (up + sign * down * c + s), -sign * 2.0 * a * (down + sign * up * c), a * (up + sign * down * c - s)],
            [up - sign * down * c + s, sign * 2.0 * (down - sign * up * c), up - sign * down * c - s],
        )
    }

    /// Low cut.
    pub fn high_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let w = std::f64::consts::TAU * hz.min(0.45 * rate_hz) / rate_hz;
        let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
        Self::from_raw([(1.0 + c) / 2.0, -1.0 - c, (1.0 + c) / 2.0], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// High cut.
    pub fn low_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let w = std::f64::consts::TAU * hz.min(0.49 * rate_hz) / rate_hz;
        let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
        Self::from_raw([(1.0 - c) / 2.0, 1.0 - c, (1.0 - c) / 2.0], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// Band pass with 0 dB at the centre.
    pub fn band_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let w = std::f64::consts::TAU * hz.min(0.49 * rate_hz) / rate_hz;
        let (alpha, c) = (w.sin() / (2.0 * q), w.cos());
        Self::from_raw([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// Filter from normalised coefficients (used by the loudness meter of the truth).
    pub fn from_coefficients(b: [f64; 3], a: [f64; 2]) -> Self {
        Self { b, a, z: [0.0; 2] }
    }

    /// One sample (transposed direct form II).
    #[inline]
    pub fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }

    /// A block in place.
    pub fn run(&mut self, x: &mut [f32]) {
        for v in x {
            *v = self.step(f64::from(*v)) as f32;
        }
    }

    /// True when the filter has nothing left to ring.
    pub fn is_still(&self) -> bool {
        self.z.iter().all(|z| z.abs() < 1e-12)
    }

    /// Gain at a frequency in dB.
    #[cfg(test)]
    pub fn response_db(&self, hz: f64, rate_hz: f64) -> f64 {
        let w = std::f64::consts::TAU * hz / rate_hz;
        let power = |c: &[f64]| {
            let re: f64 = c.iter().enumerate().map(|(k, v)| v * (w * k as f64).cos()).sum();
            let im: f64 = c.iter().enumerate().map(|(k, v)| v * (w * k as f64).sin()).sum();
            re * re + im * im
        };
        10.0 * (power(&self.b) / power(&[1.0, self.a[0], self.a[1]])).log10()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Responses named with the cookbook's table: shelf -6 dB at 100 Hz is -6.000 at 1 Hz, -3.000 at 100 Hz, 0 at 20 kHz;
    /// high shelf +6 dB at 4 kHz is +3.000 at 4 kHz; peak +6 dB Q 1 is +6.000 at 1 kHz (all at 48 kHz).
    #[test]
    fn cookbook_filters_have_their_published_responses() {
        let fs = 48_000.0;
        let low = Biquad::knob(Eq::LowShelf { hz: 100.0, db: -6.0 }, fs);
        let high = Biquad::knob(Eq::HighShelf { hz: 4000.0, db: 6.0 }, fs);
        let peak = Biquad::knob(Eq::Peak { hz: 1000.0, db: 6.0, q: 1.0 }, fs);
        for (filter, hz, db) in [
            (&low, 1.0, -6.0),
            (&low, 100.0, -3.0),
            (&low, 20_000.0, 0.0),
            (&high, 10.0, 0.0),
            (&high, 4000.0, 3.0),
            (&peak, 1000.0, 6.0),
        ] {
            assert!((filter.response_db(hz, fs) - db).abs() < 0.002, "{hz} Hz: {}", filter.response_db(hz, fs));
        }
    }

    /// Cookbook coefficients at 48 kHz, to the printed digits.
    #[test]
    fn cookbook_low_shelf_has_its_published_coefficients() {
        let f = Biquad::knob(Eq::LowShelf { hz: 100.0, db: -6.0 }, 48_000.0);
        let want = [0.996_792_425_902, -1.978_059_141_06, 0.981_386_696_058, -1.977_999_434_83, 0.978_238_828_194];
        for (got, want) in f.b.iter().chain(&f.a).zip(want) {
            assert!((got - want).abs() < 1e-10, "{got} {want}");
        }
    }
}
