//! Filters one layer of a recording and leaves the rest: the part of every spectrum that belongs to the layer gets the
//! response, without moving in time.
//!
//! Conventions: gains are zero-phase; windows are Hann on the way in and out, four to a window, so that a response of 0 dB
//! gives the samples back. `share(time_s, hz)` is the share of the layer in the power, 0..=1; `response_db(hz)` the change
//! of the layer's level. A bin of share `s` gets the amplitude that leaves its power at `1 - s + s g^2`.
//! Limits: responses are exact only as far as the shares are; nothing sharper than a window (170 ms) is kept apart.

use realfft::RealFftPlanner;

use super::spectrum::hann_periodic;

/// Windows are this long, seconds, rounded up to a power of two samples.
const WINDOW_S: f64 = 0.15;
/// Windows over each sample.
const OVERLAP: usize = 4;
/// Sum of the squared Hann windows over a sample.
const SQUARES: f32 = 1.5;

/// `samples` with the layer filtered.
pub fn filter_layer(
    samples: &[f32],
    sample_rate_hz: u32,
    share: impl Fn(f64, f64) -> f32,
    response_db: impl Fn(f64) -> f64,
) -> Vec<f32> {
    let rate = f64::from(sample_rate_hz);
    let length = ((rate * WINDOW_S) as usize).next_power_of_two();
    let hop = length / OVERLAP;
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let window = hann_periodic(length);
    let powers: Vec<f32> =
        (0..=length / 2).map(|k| 10f64.powf(response_db(k as f64 * rate / length as f64) / 10.0) as f32).collect();
    let mut padded = vec![0.0; length];
    padded.extend_from_slice(samples);
    padded.resize(padded.len() + length, 0.0);
    let mut out = vec![0.0f32; padded.len()];
    let (mut input, mut bins) = (forward.make_input_vec(), forward.make_output_vec());
    let mut back = inverse.make_output_vec();
    for start in (0..=padded.len() - length).step_by(hop) {
        for ((x, y), w) in input.iter_mut().zip(&padded[start..]).zip(&window) {
            *x = y * w;
        }
        if forward.process(&mut input, &mut bins).is_err() {
            continue;
        }
        let centre_s = (start as f64 + length as f64 / 2.0 - length as f64) / rate;
        for (k, (bin, power)) in bins.iter_mut().zip(&powers).enumerate() {
            let s = share(centre_s, k as f64 * rate / length as f64).clamp(0.0, 1.0);
            *bin *= (1.0 + s * (power - 1.0)).max(0.0).sqrt();
        }
        // The inverse wants real ends.
        bins[0].im = 0.0;
        bins[length / 2].im = 0.0;
        if inverse.process(&mut bins, &mut back).is_err() {
            continue;
        }
        for ((y, x), w) in out[start..].iter_mut().zip(&back).zip(&window) {
            *y += x * w / (length as f32 * SQUARES);
        }
    }
    out[length..length + samples.len()].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn tone(hz: f64) -> Vec<f32> {
        (0..48_000).map(|i| (std::f64::consts::TAU * hz * f64::from(i) / 48_000.0).sin() as f32).collect()
    }

    fn level_db(x: &[f32]) -> f64 {
        let middle = &x[12_000..36_000];
        10.0 * (2.0 * middle.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / middle.len() as f64).log10()
    }

    #[test]
    fn a_layer_that_is_all_gets_the_response_and_one_that_is_nothing_stays() {
        for hz in [55.0, 440.0] {
            let turned = filter_layer(&tone(hz), RATE, |_, _| 1.0, |f| if f < 200.0 { -6.0 } else { 0.0 });
            let expected = if hz < 200.0 { -6.0 } else { 0.0 };
            assert!((level_db(&turned) - expected).abs() < 0.05, "{hz}: {}", level_db(&turned));
            let same = filter_layer(&tone(hz), RATE, |_, _| 0.0, |_| -20.0);
            assert!(same.iter().zip(&tone(hz)).all(|(a, b)| (a - b).abs() < 1e-4));
        }
    }

    #[test]
    fn half_a_layer_moves_as_its_power_does() {
        // Half of the power 6 dB down: 10 log10(0.5 + 0.5 * 10^-0.6) = -2.04 dB.
        let turned = filter_layer(&tone(100.0), RATE, |_, _| 0.5, |_| -6.0);
        assert!((level_db(&turned) + 2.04).abs() < 0.03, "{}", level_db(&turned));
    }
}
