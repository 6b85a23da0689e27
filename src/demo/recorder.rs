//! What the recorder does to the sum of all sound: level, noise, hum, low cut, gain riding, overdrive, dither.
//!
//! Conventions: channels in, channels out, full scale = 1.0; with `bits` set every sample lies on the grid of that width.

use rayon::prelude::*;

use super::eq::Biquad;
use super::rng::Rng;
use super::scenario::Recorder;

/// Corner of the noise's spectrum: recorders and rooms hiss more in the low mid than at the top.
const NOISE_CORNER_HZ: f64 = 400.0;
/// Gain riding: level that it aims at, its time constant, how far it goes.
const RIDING_TARGET: f64 = 0.12;
const RIDING_S: f64 = 0.4;
const RIDING_GAIN: (f64, f64) = (0.2, 6.0);

/// Sets the level and does the rest in place; returns the linear gain that was set.
pub(super) fn record(channels: &mut [Vec<f32>], recorder: &Recorder, rate_hz: f64, seed: u64) -> f64 {
    let peak = channels.iter().flatten().fold(0f32, |p, x| p.max(x.abs()));
    let gain = if peak > 0.0 { 10f64.powf(recorder.peak_dbfs / 20.0) / f64::from(peak) } else { 1.0 };
    channels.par_iter_mut().enumerate().for_each(|(channel, x)| {
        capture(x, recorder, gain, rate_hz, &mut Rng::keyed(seed, &[4, channel as u64]));
    });
    if recorder.gain_riding {
        ride_gain(channels, rate_hz);
    }
    let drive = 10f64.powf(recorder.overdrive_db / 20.0);
    channels.par_iter_mut().enumerate().for_each(|(channel, x)| {
        store(x, drive, recorder.bits, &mut Rng::keyed(seed, &[5, channel as u64]));
    });
    gain
}

fn capture(x: &mut [f32], recorder: &Recorder, gain: f64, rate_hz: f64, rng: &mut Rng) {
    let corner = 1.0 - (-std::f64::consts::TAU * NOISE_CORNER_HZ / rate_hz).exp();
    // A one-pole low-pass with coefficient a passes a / (2 - a) of the power of white noise.
    let level = recorder.noise_dbfs.map_or(0.0, |db| 10f64.powf(db / 20.0) / (corner / (2.0 - corner)).sqrt());
    let mut cut = recorder.low_cut_hz.map(|hz| Biquad::high_pass(hz, std::f64::consts::FRAC_1_SQRT_2, rate_hz));
    let (hum, hum_hz) = recorder.hum.map_or((0.0, 0.0), |(db, hz)| (10f64.powf(db / 20.0), hz));
    let mut noise = 0.0;
    for (k, v) in x.iter_mut().enumerate() {
        let mut y = f64::from(*v) * gain;
        if level > 0.0 {
            noise += (f64::from(rng.white()) - noise) * corner;
            y += level * noise;
        }
        if hum > 0.0 {
            let turn = std::f64::consts::TAU * hum_hz * k as f64 / rate_hz;
            y += hum * (turn.sin() + 0.5 * (2.0 * turn).sin());
        }
        if let Some(filter) = &mut cut {
            y = filter.step(y);
        }
        *v = y as f32;
    }
}

fn ride_gain(channels: &mut [Vec<f32>], rate_hz: f64) {
    let frames = channels.first().map_or(0, Vec::len);
    let count = channels.len().max(1) as f64;
    let speed = 1.0 / (rate_hz * RIDING_S);
    let mut power = 0.0;
    for k in 0..frames {
        let now: f64 = channels.iter().map(|c| f64::from(c[k]).powi(2)).sum::<f64>() / count;
        power += (now - power) * speed;
        let gain = (RIDING_TARGET / (power + 1e-8).sqrt()).clamp(RIDING_GAIN.0, RIDING_GAIN.1) as f32;
        for channel in channels.iter_mut() {
            channel[k] *= gain;
        }
    }
}

fn store(x: &mut [f32], drive: f64, bits: Option<u8>, rng: &mut Rng) {
    let steps = bits.map(|b| 2f64.powi(i32::from(b) - 1));
    for v in x {
        let mut y = (f64::from(*v) * drive).clamp(-1.0, 1.0);
        if let Some(steps) = steps {
            // Triangular dither of two steps peak to peak.
            let dither = rng.unit() - rng.unit();
            y = (y * steps + dither).round().clamp(-steps, steps - 1.0) / steps;
        }
        *v = y as f32;
    }
}
