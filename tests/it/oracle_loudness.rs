//! Loudness against other implementations: the ebur128 library on seeded signals, and stored answers of pyloudnorm.

use ebur128::{EbuR128, Mode};
use ledgerline::measure::loudness::{LoudnessMeter, LoudnessReading};

use crate::test_signals::{Noise, assert_within_db, measure, synth_swells};

fn oracle(rate_hz: u32, channels: &[Vec<f32>]) -> EbuR128 {
    let mut meter =
        EbuR128::new(channels.len() as u32, rate_hz, Mode::I | Mode::LRA | Mode::S | Mode::M | Mode::TRUE_PEAK)
            .unwrap();
    let planes: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    meter.add_frames_planar_f32(&planes).unwrap();
    meter
}

fn signals(rate_hz: u32) -> Vec<(String, Vec<Vec<f32>>)> {
    let mut out = Vec::new();
    for seed in 1..=3 {
        let (left, right) = (synth_swells(seed, rate_hz, 66.0), synth_swells(seed + 100, rate_hz, 66.0));
        out.push((format!("swells {seed} at {rate_hz} Hz"), vec![left, right]));
    }
    let mut noise = Noise(9);
    let white = (0..rate_hz * 20).map(|_| (0.8 * noise.next()) as f32).collect();
    out.push((format!("white noise, mono, at {rate_hz} Hz"), vec![white]));
    let steps =
        (0..rate_hz * 40).map(|n| (if (n / rate_hz / 5).is_multiple_of(2) { 0.5 } else { 0.02 } * noise.next()) as f32);
    out.push((format!("loud and soft noise at {rate_hz} Hz"), vec![steps.collect()]));
    out
}

/// Range by EBU Tech 3342 from one short-term value a second, written out plainly.
fn range_of_a_value_a_second(reading: &LoudnessReading) -> f64 {
    let levels = (3..=reading.duration_s() as usize).filter_map(|s| reading.short_term_lufs(s as f64));
    let mut levels: Vec<f64> = levels.collect();
    let mean = levels.iter().map(|l| 10f64.powf(l / 10.0)).sum::<f64>() / levels.len() as f64;
    levels.retain(|l| *l >= 10.0 * mean.log10() - 20.0);
    levels.sort_by(f64::total_cmp);
    let at = |q: f64| levels[((levels.len() - 1) as f64 * q).round() as usize];
    at(0.95) - at(0.10)
}

fn check_against_oracle(what: &str, channels: &[Vec<f32>], reading: &LoudnessReading, oracle: &EbuR128) {
    let end_s = reading.duration_s();
    // The library leaves the gain of the high-pass to the sample rate: up to 0.022 dB at 96 kHz.
    assert_within_db(reading.integrated_lufs(0.0, end_s).value, oracle.loudness_global().unwrap(), 0.03, what);
    // The library takes a short-term value a second for the range, we ten; of the same values both must give the same.
    let library_range = oracle.loudness_range().unwrap();
    assert_within_db(range_of_a_value_a_second(reading), library_range, 0.03, &format!("sparse range, {what}"));
    if what.starts_with("swells") {
        assert_within_db(reading.range_lu(0.0, end_s).value, library_range, 0.35, &format!("range, {what}"));
    }
    let peak = (0..channels.len() as u32).map(|c| oracle.true_peak(c).unwrap()).fold(0.0, f64::max);
    let want = 20.0 * peak.log10();
    assert_within_db(reading.true_peak_dbtp(0.0, end_s).value, want, 0.001, &format!("true peak, {what}"));
    assert_within_db(
        reading.short_term_lufs(end_s),
        oracle.loudness_shortterm().unwrap(),
        0.03,
        &format!("last short-term, {what}"),
    );
    assert_within_db(
        reading.momentary_lufs(end_s),
        oracle.loudness_momentary().unwrap(),
        0.03,
        &format!("last momentary, {what}"),
    );
}

#[test]
fn ebur128_library_agrees_on_integrated_range_true_peak_and_windows() {
    for rate_hz in [44_100, 48_000, 96_000] {
        for (what, channels) in signals(rate_hz) {
            let reading = measure(LoudnessMeter::new(), rate_hz, &channels);
            check_against_oracle(&what, &channels, &reading, &oracle(rate_hz, &channels));
        }
    }
}

/// The true peak of every stretch, not of the whole only: the shortcut that skips intervals must never skip a peak.
#[test]
fn ebur128_library_agrees_on_the_true_peak_of_every_stretch() {
    for (what, channels) in signals(48_000) {
        let reading = measure(LoudnessMeter::new(), 48_000, &channels);
        let mut library = EbuR128::new(channels.len() as u32, 48_000, Mode::TRUE_PEAK).unwrap();
        // The library's filter looks back: its output lags ours by 6 samples.
        let mut running = vec![0.0f64; channels.len()];
        for second in 0..channels[0].len() / 48_000 {
            let span = second * 48_000..(second + 1) * 48_000;
            let planes: Vec<&[f32]> = channels.iter().map(|c| &c[span.clone()]).collect();
            library.add_frames_planar_f32(&planes).unwrap();
            for (c, r) in running.iter_mut().enumerate() {
                *r = r.max(library.true_peak(c as u32).unwrap());
            }
            let so_far = running.iter().copied().fold(0.0, f64::max);
            let ours = reading.true_peak_dbtp(0.0, second as f64 + 1.0).value;
            assert_within_db(ours, 20.0 * so_far.log10(), 0.02, &format!("{what}, first {second} s"));
        }
    }
}
