//! Two recordings of one rehearsal: found, placed within milliseconds, and never made out of two different ones.

use ledgerline::measure::together::{HOP_S, OnsetCurves, align, align_all};

/// A seeded source of numbers from 0 to 1.
struct Rng(u64);

impl Rng {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64) / (1u64 << 31) as f64
    }
}

/// Onsets as a band makes them: (time in s, size of each band), eighths with swing at a tempo that wanders, pauses for talk.
fn playing(seed: u64, length_s: f64, bpm: f64, loose_s: f64) -> Vec<(f64, [f64; 3])> {
    let mut rng = Rng(seed.wrapping_mul(7919) + 17);
    let (mut at, mut out) = (2.0, Vec::new());
    while at < length_s {
        let pause = rng.next() < 0.002;
        let beat = 60.0 / bpm * (1.0 + 0.01 * (rng.next() - 0.5));
        if pause {
            at += 20.0 + 40.0 * rng.next();
            continue;
        }
        for (place, chance) in [(0.0, 0.9), (0.64, 0.55)] {
            if rng.next() < chance {
                let loose = loose_s * 2.0 * (rng.next() + rng.next() - 1.0);
                out.push((at + place * beat + loose, [rng.next(), rng.next(), rng.next()]));
            }
        }
        at += beat;
    }
    out
}

/// The onsets as a recorder elsewhere hears them: from `from_s` on, with its own clock, balance, misses and noise.
fn heard(onsets: &[(f64, [f64; 3])], from_s: f64, length_s: f64, ppm: f64, seed: u64) -> OnsetCurves {
    let mut rng = Rng(seed.wrapping_mul(104_729) + 3);
    let n = (length_s / HOP_S) as usize;
    let balance: [f64; 3] = std::array::from_fn(|_| 0.4 + rng.next());
    let mut bands: Vec<Vec<f32>> = (0..3).map(|_| (0..n).map(|_| (0.25 * rng.next()) as f32).collect()).collect();
    for (at, sizes) in onsets {
        let place = (at - from_s) / (1.0 + ppm * 1e-6) / HOP_S;
        if place < 4.0 || place > (n - 5) as f64 {
            continue;
        }
        for (band, curve) in bands.iter_mut().enumerate() {
            if rng.next() < 0.2 {
                continue;
            }
            let size = balance[band] * sizes[band] * (0.6 + 0.8 * rng.next());
            let near = place as usize - 3..=place as usize + 4;
            for (i, value) in curve.iter_mut().enumerate().skip(*near.start()).take(8) {
                *value += (3.0 * size * (-0.5 * ((i as f64 - place) / 1.2).powi(2)).exp()) as f32;
            }
        }
    }
    OnsetCurves { bands }
}

#[test]
fn an_hour_with_80_ppm_and_17_minutes_of_offset_is_placed_within_5_ms_from_end_to_end() {
    let onsets = playing(1, 4200.0, 132.0, 0.004);
    let (first, second) = (heard(&onsets, 0.0, 3900.0, 0.0, 2), heard(&onsets, 1020.0, 3100.0, 80.0, 3));
    for (own, other, offset_s, ppm) in [(&first, &second, 1020.0, 80.0), (&second, &first, -1020.0, -80.0)] {
        let found = align(own, other).unwrap();
        let truth = |t: f64| if ppm > 0.0 { offset_s + t * (1.0 + 80e-6) } else { (t - 1020.0) / (1.0 + 80e-6) };
        let worst = (0..3000).step_by(50).map(|t| {
            let t = f64::from(t) + if ppm > 0.0 { 0.0 } else { 1020.0 };
            (found.here(t) - truth(t)).abs()
        });
        let worst = worst.fold(0.0, f64::max);
        assert!(worst < 0.005, "{worst} s\n{found:?}");
        let clock = &found.clock_ppm;
        assert!(clock.low.unwrap() <= ppm + 0.01 && clock.high.unwrap() >= ppm - 0.01, "{clock:?}");
        assert!((found.there(found.here(777.0)) - 777.0).abs() < 1e-9);
    }
    let common = align(&first, &second).unwrap().common_s;
    assert!((common.0 - 1020.0).abs() < 0.1 && (common.1 - 3900.0).abs() < 0.1, "{common:?}");
}

#[test]
fn lags_of_seconds_and_short_stretches_in_common_are_found() {
    let onsets = playing(5, 900.0, 96.0, 0.006);
    let own = heard(&onsets, 100.0, 400.0, 0.0, 6);
    for (from_s, length_s, ppm) in
        [(103.5, 300.0, -60.0), (50.0, 200.0, 20.0), (420.0, 300.0, 100.0), (98.0, 60.0, 0.0)]
    {
        let found = align(&own, &heard(&onsets, from_s, length_s, ppm, 7)).unwrap();
        let at = (500.0f64.min(from_s + length_s) + from_s.max(100.0)) / 2.0;
        let off = found.here((at - from_s) / (1.0 + ppm * 1e-6)) - (at - 100.0);
        assert!(off.abs() < 0.005, "{from_s} {length_s}: {off}");
        assert!(
            found.offset_s.low.unwrap() <= from_s - 100.0 && found.offset_s.high.unwrap() >= from_s - 100.0,
            "{found:?}"
        );
    }
}

#[test]
fn a_hundred_unrelated_pairs_are_never_laid_upon_each_other() {
    let mut accepted = Vec::new();
    for pair in 0..100u64 {
        // Every fourth pair is the same tempo to a hair, as when a chart is played twice.
        let bpm = 80.0 + (pair % 25) as f64 * 6.0;
        let other_bpm = if pair % 4 == 0 { bpm } else { 90.0 + (pair % 17) as f64 * 9.0 };
        let own = heard(&playing(1000 + pair, 300.0, bpm, 0.005), 0.0, 300.0, 0.0, pair);
        let other = heard(&playing(5000 + pair, 240.0, other_bpm, 0.005), 0.0, 240.0, 0.0, 900 + pair);
        if let Ok(found) = align(&own, &other) {
            accepted.push((pair, found));
        }
    }
    assert!(accepted.is_empty(), "{accepted:?}");
}

/// Two recorders that hear no note in common, and a third that hears all of them.
#[test]
fn what_two_recordings_do_not_share_a_third_one_shows() {
    let onsets = playing(77, 240.0, 112.0, 0.006);
    let every_other = |first: usize| onsets.iter().skip(first).step_by(2).copied().collect::<Vec<_>>();
    let low = heard(&every_other(0), 3.0, 230.0, 40.0, 1);
    let high = heard(&every_other(1), 7.5, 220.0, -60.0, 2);
    let all = heard(&onsets, 0.0, 240.0, 0.0, 3);
    assert!(align(&low, &high).is_err());
    let laid = align_all(&[low.clone(), all, high.clone()]);
    let found = laid[0][2].as_ref().unwrap().as_ref().unwrap();
    for t in [10.0, 200.0] {
        let truth = (7.5 + t * (1.0 - 60e-6) - 3.0) / (1.0 + 40e-6);
        assert!((found.here(t) - truth).abs() < 0.02, "{t}: {found:?}");
        assert!((laid[2][0].as_ref().unwrap().as_ref().unwrap().here(truth) - t).abs() < 0.02);
    }
    assert!(laid[0][0].is_none());
    // Without the third there is nothing.
    assert!(align_all(&[low, high])[0][1].as_ref().unwrap().is_err());
}

/// The same chart again, bar for bar at one tempo, each note off by what players are off: not the same playing.
#[test]
fn the_same_chart_played_again_is_not_the_same_playing() {
    for seed in 0..8u64 {
        let written = playing(40 + seed, 240.0, 120.0, 0.0);
        let play = |seed: u64| -> Vec<(f64, [f64; 3])> {
            let mut rng = Rng(seed * 31 + 5);
            let mut drift = 0.0;
            written
                .iter()
                .map(|(at, sizes)| {
                    // Players are 8 ms off note by note, and the tempo wanders by a percent.
                    drift += 0.003 * (rng.next() - 0.5);
                    (at + drift + 0.028 * (rng.next() - 0.5), *sizes)
                })
                .collect()
        };
        let (own, other) = (heard(&play(seed), 0.0, 240.0, 0.0, 1), heard(&play(seed + 100), 0.0, 240.0, 0.0, 2));
        assert!(align(&own, &other).is_err(), "{seed}: {:?}", align(&own, &other));
    }
}

#[test]
fn silence_noise_and_short_tapes_have_a_reason() {
    let silent = OnsetCurves { bands: vec![vec![0.0; 20_000]; 3] };
    let music = heard(&playing(9, 200.0, 120.0, 0.005), 0.0, 100.0, 0.0, 1);
    let noise = heard(&[], 0.0, 200.0, 0.0, 2);
    assert_eq!(align(&silent, &music).unwrap_err(), "nothing_in_common");
    assert_eq!(align(&music, &silent).unwrap_err(), "nothing_in_common");
    assert_eq!(align(&noise, &music).unwrap_err(), "nothing_in_common");
    assert_eq!(align(&OnsetCurves::default(), &music).unwrap_err(), "too_short");
}
