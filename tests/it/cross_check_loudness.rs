//! Integrated loudness against stored answers of pyloudnorm 0.2.0 (filter class "DeMan"), made by
//! benches/cross_check/loudness.py on the same ten synthesised signals.

use std::f64::consts::TAU;

use ledgerline::measure::loudness::LoudnessMeter;

use crate::test_signals::{Noise, assert_within_db, measure};

/// Difference allowed, LU. The library rounds blocks to whole samples and leaves the high-pass gain to the rate.
const TOLERANCE_LU: f64 = 0.05;

fn synth(rate_hz: u32, seconds: u32, mut at: impl FnMut(f64) -> f64) -> Vec<f32> {
    (0..rate_hz * seconds).map(|n| at(f64::from(n) / f64::from(rate_hz)) as f32).collect()
}

fn sine(rate_hz: u32, seconds: u32, hz: f64, amplitude: f64) -> Vec<f32> {
    synth(rate_hz, seconds, |t| amplitude * (TAU * hz * t).sin())
}

fn white(seed: u64, gain: f64) -> Vec<f32> {
    let mut noise = Noise(seed);
    synth(48_000, 10, |_| gain * noise.next())
}

fn kick_and_ride() -> Vec<f32> {
    let mut noise = Noise(5);
    synth(44_100, 18, |t| {
        let (u, v) = (t % 0.6, t % 0.3);
        0.8 * (-12.0 * u).exp() * (TAU * 60.0 * u).sin() + 0.1 * (-8.0 * v).exp() * noise.next()
    })
}

fn plucked_notes() -> Vec<f32> {
    synth(48_000, 20, |t| {
        let (u, hz) = (t % 0.5, 110.0 * 2f64.powf((t / 0.5).floor() * 7.0 % 24.0 / 12.0));
        0.3 * (-4.0 * u).exp() * ((TAU * hz * u).sin() + 0.5 * (2.0 * TAU * hz * u).sin())
    })
}

fn loud_and_soft_noise() -> Vec<f32> {
    let mut noise = Noise(3);
    synth(48_000, 20, |t| if (t / 2.0).floor() % 2.0 == 0.0 { 0.5 } else { 0.05 } * noise.next())
}

/// The signal of that name, as the script makes it.
fn channels(name: &str) -> Vec<Vec<f32>> {
    let twice = |x: Vec<f32>| vec![x.clone(), x];
    match name {
        "sine_1000_hz" => twice(sine(48_000, 10, 1000.0, 0.1)),
        "low_e_mono" => vec![sine(44_100, 10, 41.203, 0.5)],
        "sine_8000_hz_left_only" => vec![sine(96_000, 5, 8000.0, 0.05), sine(96_000, 5, 8000.0, 0.0)],
        "white_noise" => vec![white(1, 0.3), white(2, 0.3)],
        "loud_and_soft_noise" => vec![loud_and_soft_noise()],
        "tone_pause_tone" => twice(synth(48_000, 24, |t| {
            let gain = if t < 8.0 { 0.3 } else { [1e-5, 0.1][usize::from(t >= 16.0)] };
            gain * (TAU * 440.0 * t).sin()
        })),
        "chirp_30_to_15000_hz" => {
            let phase = |t: f64| TAU * 30.0 * 20.0 / 500f64.ln() * (500f64.powf(t / 20.0) - 1.0);
            vec![synth(44_100, 20, |t| 0.4 * phase(t).sin()), synth(44_100, 20, |t| 0.2 * phase(t).sin())]
        }
        "plucked_notes" => twice(plucked_notes()),
        "kick_and_ride" => vec![kick_and_ride()],
        "five_channels" => [(300.0, 0.1), (500.0, 0.1), (1000.0, 0.2), (2000.0, 0.05), (3000.0, 0.05)]
            .map(|(hz, amplitude)| sine(48_000, 5, hz, amplitude))
            .to_vec(),
        other => panic!("no signal is called {other}"),
    }
}

#[test]
fn pyloudnorm_0_2_0_stored_answers_agree_within_0_05_lu() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/cross_check/loudness.json");
    let stored: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!((stored["library"].as_str(), stored["version"].as_str()), (Some("pyloudnorm"), Some("0.2.0")));
    let signals = stored["signals"].as_array().unwrap();
    assert_eq!(signals.len(), 10);
    for signal in signals {
        let name = signal["name"].as_str().unwrap();
        let rate_hz = signal["sample_rate_hz"].as_u64().unwrap() as u32;
        let reading = measure(LoudnessMeter::new(), rate_hz, &channels(name));
        let ours = reading.integrated_lufs(0.0, reading.duration_s()).value;
        assert_within_db(ours, signal["integrated_lufs"].as_f64().unwrap(), TOLERANCE_LU, name);
    }
}
