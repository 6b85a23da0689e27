//! Laws of loudness and balance on random signals (fixed seed, shrinking on failure).

use ledgerline::measure::balance::{BalanceMeter, HearingLimits, Target};
use ledgerline::measure::loudness::{LoudnessMeter, LoudnessReading};
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};

use crate::test_signals::{assert_within_db, measure, measure_in_blocks, synth_swells};

/// Runs the law on a fixed set of random signals: `(seed, seconds, gain)`.
fn for_signals(cases: u32, law: impl Fn(u64, f64, f32)) {
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &[7; 32]);
    let config = Config { cases, failure_persistence: None, ..Config::default() };
    let signals = (1..1_000_000u64, 4.0..12.0f64, 0.05..1.0f32);
    TestRunner::new_with_rng(config, rng)
        .run(&signals, |(seed, seconds, gain)| {
            law(seed, seconds, gain);
            Ok(())
        })
        .unwrap();
}

fn scaled(samples: &[f32], gain: f32) -> Vec<f32> {
    samples.iter().map(|x| x * gain).collect()
}

fn all_numbers(reading: &LoudnessReading) -> [Option<f64>; 3] {
    let end_s = reading.duration_s();
    [reading.integrated_lufs(0.0, end_s), reading.range_lu(0.0, end_s), reading.true_peak_dbtp(0.0, end_s)]
        .map(|m| m.value)
}

/// Holds while no block crosses the absolute gate: these signals stay above -60 LUFS.
#[test]
fn twice_the_amplitude_is_6_02_more_lufs_and_dbtp_and_the_same_range() {
    for_signals(6, |seed, seconds, gain| {
        let x = scaled(&synth_swells(seed, 48_000, seconds), gain);
        let soft = measure(LoudnessMeter::new(), 48_000, std::slice::from_ref(&x));
        let loud = measure(LoudnessMeter::new(), 48_000, &[scaled(&x, 2.0)]);
        for (i, rise) in [6.020_6, 0.0, 6.020_6].into_iter().enumerate() {
            assert_within_db(all_numbers(&loud)[i].unwrap() - all_numbers(&soft)[i].unwrap(), rise, 1e-4, "rise");
        }
    });
}

#[test]
fn swapping_or_inverting_channels_changes_nothing() {
    for_signals(4, |seed, seconds, gain| {
        let left = scaled(&synth_swells(seed, 48_000, seconds), gain);
        let right = synth_swells(seed + 1, 48_000, seconds);
        let numbers = |channels: &[Vec<f32>]| all_numbers(&measure(LoudnessMeter::new(), 48_000, channels));
        let plain = numbers(&[left.clone(), right.clone()]);
        for other in [numbers(&[right.clone(), left.clone()]), numbers(&[scaled(&left, -1.0), right])] {
            for (a, b) in plain.iter().zip(other) {
                assert_within_db(b, a.unwrap(), 1e-6, "swapped or inverted");
            }
        }
    });
}

#[test]
fn block_size_changes_nothing_not_even_a_bit() {
    for_signals(3, |seed, seconds, gain| {
        let channels = [scaled(&synth_swells(seed, 48_000, seconds), gain), synth_swells(seed + 1, 48_000, seconds)];
        let loudness = |frames| measure_in_blocks(LoudnessMeter::new(), 48_000, &channels, frames);
        let balance = |frames| {
            let reading = measure_in_blocks(BalanceMeter::new(), 48_000, &channels, frames);
            reading.over(&[(0.0, seconds)], &Target::published_average(), HearingLimits::default())
        };
        for frames in [977, 4096, 1 << 22] {
            assert_eq!(loudness(12_000), loudness(frames), "blocks of {frames}");
            assert_eq!(balance(12_000), balance(frames), "blocks of {frames}");
        }
    });
}

/// One waveform sampled at two rates: sums of sines below 16 kHz. Stated tolerance: 0.02 LU, 0.1 dB of true peak.
#[test]
fn rates_of_44_1_and_48_khz_agree() {
    for_signals(6, |seed, _, gain| {
        let synth = |rate_hz: u32| -> Vec<f32> {
            let mut noise = crate::test_signals::Noise(seed);
            let partials: Vec<(f64, f64, f64)> = (0..40)
                .map(|_| (50.0 * 2f64.powf(4.0 * (noise.next() + 1.0)), noise.next() * 3.0, noise.next() * 0.04))
                .collect();
            let frames = 5 * rate_hz;
            (0..frames)
                .map(|n| {
                    let t = f64::from(n) / f64::from(rate_hz);
                    let sum: f64 =
                        partials.iter().map(|(hz, p, a)| a * (2.0 * std::f64::consts::PI * hz * t + p).sin()).sum();
                    sum as f32 * gain
                })
                .collect()
        };
        let [a, b] = [44_100, 48_000].map(|rate| all_numbers(&measure(LoudnessMeter::new(), rate, &[synth(rate)])));
        assert_within_db(a[0].unwrap() - b[0].unwrap(), 0.0, 0.02, "integrated");
        assert_within_db(a[2].unwrap() - b[2].unwrap(), 0.0, 0.1, "true peak");
    });
}
