//! Health of recordings whose chain is known: test signals in closed form, and the demo band through known recorders.

use ledgerline::demo::render;
use ledgerline::demo::scenario::{HornLine, Item, Part, Recorder, Scenario, Take, Tempo};
use ledgerline::dsp::filters::{Biquad, BiquadFilter};

use crate::hearing::hear;
use crate::test_signals::{Noise, synth_shaped_noise};

fn tape_of(recorder: Recorder, seed: u64) -> (Vec<Vec<f32>>, u32) {
    let mut part = Part::new("head", HornLine::Melody);
    part.bars = Some(8);
    let take = Take { title: "Short".to_owned(), tempo: Tempo::steady(150.0), parts: vec![part], ..Take::default() };
    let tape = render(&Scenario {
        sample_rate_hz: 48_000,
        items: vec![
            Item::Quiet { length_s: 3.0 },
            Item::Talk { length_s: 10.0 },
            Item::Take(take),
            Item::Talk { length_s: 8.0 },
        ],
        recorder,
        ..Scenario::school_band("health", seed)
    });
    (tape.channels, tape.sample_rate_hz)
}

#[test]
fn an_ordinary_recorder_gets_a_clean_bill() {
    let (channels, rate) = tape_of(Recorder::default(), 21);
    let (health, _) = hear(&channels, rate);
    assert_eq!(health.gain_riding.value, Some(false), "{:?}", health.gain_riding);
    assert_eq!(health.clipped_percent.value, Some(0.0));
    assert_eq!(health.hum_hz.value, None);
    assert_eq!(health.hum_hz.reason.as_deref(), Some("no_hum_heard"));
    assert!(health.low_cut_hz.value.is_none_or(|hz| hz < 60.0), "{:?}", health.low_cut_hz);
    for trust in [&health.balance, &health.low_end, &health.loudness_over_time, &health.tuning, &health.time] {
        assert!(trust.ok && trust.reason.is_empty(), "{trust:?}");
    }
}

/// An automatic level of a phone: the level of the last 0.4 s is pulled to a constant, gain 0.2 to 6 (common practice, no
/// source). Gains that move by less than about 10 dB are a known limit of the room, see `health::riding`.
fn ridden(channels: &[Vec<f32>], rate: u32) -> Vec<Vec<f32>> {
    let slow = 1.0 / (0.4 * f64::from(rate));
    channels
        .iter()
        .map(|channel| {
            let mut power = 0.0;
            let ride = |x: &f32| {
                power += (f64::from(x * x) - power) * slow;
                let gain = (0.12 / (power + 1e-8).sqrt()).clamp(0.2, 6.0);
                (f64::from(*x) * gain).clamp(-1.0, 1.0) as f32
            };
            channel.iter().map(ride).collect()
        })
        .collect()
}

/// Room noise, talk, playing and talk again as noise of -70, -35, -15 and -35 dBFS.
fn noise_of_a_rehearsal() -> Vec<f32> {
    let mut noise = Noise(31);
    let mut out = Vec::new();
    for (seconds, dbfs) in [(5, -70.0), (10, -35.0), (15, -15.0), (8, -35.0)] {
        // Even noise between -1 and 1 has a mean square of a third.
        let gain = 3f64.sqrt() * 10f64.powf(dbfs / 20.0);
        out.extend((0..48_000 * seconds).map(|_| (gain * noise.next()) as f32));
    }
    out
}

#[test]
fn a_recorder_that_rides_its_gain_is_told_and_takes_balance_and_loudness_with_it() {
    let fixed = vec![noise_of_a_rehearsal()];
    assert_eq!(hear(&fixed, 48_000).0.gain_riding.value, Some(false));
    let (health, _) = hear(&ridden(&fixed, 48_000), 48_000);
    assert_eq!(health.gain_riding.value, Some(true));
    assert!(!health.balance.ok && !health.loudness_over_time.ok && health.tuning.ok && health.time.ok);
    assert!(health.balance.reason.contains("turned its own level"), "{}", health.balance.reason);
}

#[test]
fn overdriven_peaks_are_told_also_after_the_level_was_turned_down() {
    let (channels, rate) = tape_of(Recorder { overdrive_db: 6.0, ..Recorder::default() }, 23);
    let (health, _) = hear(&channels, rate);
    let share = health.clipped_percent.value.unwrap();
    assert!(share > 0.001, "{share}");
    let lower: Vec<Vec<f32>> = channels.iter().map(|c| c.iter().map(|x| x * 0.37).collect()).collect();
    let (health, _) = hear(&lower, rate);
    let lowered = health.clipped_percent.value.unwrap();
    assert!((lowered / share - 1.0).abs() < 0.25, "{lowered} and {share}");
}

/// Every sample moved by about 0.3 dB of full scale (standard deviation), as a lossy codec does.
fn moved_as_by_a_codec(channels: &[Vec<f32>], gain: f32) -> Vec<Vec<f32>> {
    let mut noise = Noise(5);
    let mut moved = |x: &f32| gain * x + 0.03 * (noise.next() + noise.next() + noise.next() + noise.next()) as f32;
    channels.iter().map(|c| c.iter().map(&mut moved).collect()).collect()
}

#[test]
fn a_rail_of_which_a_codec_left_no_pile_is_told_by_the_tail_that_stops_there() {
    let (channels, rate) = tape_of(Recorder { overdrive_db: 5.0, ..Recorder::default() }, 23);
    let top = channels.iter().flatten().fold(0.0f32, |top, x| top.max(x.abs()));
    let on = |c: &Vec<f32>| 100.0 * c.iter().filter(|x| x.abs() > 0.999 * top).count() as f64 / c.len() as f64;
    let on_rail = channels.iter().map(on).fold(0.0, f64::max);
    let (health, _) = hear(&moved_as_by_a_codec(&channels, 1.0 / top), rate);
    let told = &health.clipped_percent;
    assert!(on_rail > 0.001 && told.value.unwrap() > 0.001, "{on_rail} {told:?}");
    assert!(told.low.unwrap() < on_rail && told.high.unwrap() > on_rail, "{on_rail} {told:?}");
    assert_eq!(told.warnings, vec!["rail_blurred_by_codec"]);
    // The same music with its own tops, as loud: nothing to tell.
    let (whole, rate) = tape_of(Recorder::default(), 23);
    let top = whole.iter().flatten().fold(0.0f32, |top, x| top.max(x.abs()));
    for gain in [1.0 / top, 1.06 / top, 0.7 / top] {
        let (health, _) = hear(&moved_as_by_a_codec(&whole, gain), rate);
        assert_eq!(health.clipped_percent.value, Some(0.0), "{gain}");
    }
}

/// Closed form: a sine of amplitude `a` cut at `c` sits on the rail for `1 - 2 asin(c / a) / pi` of the time.
#[test]
fn a_sine_cut_at_half_its_height_is_on_the_rail_two_thirds_of_the_time() {
    let x: Vec<f32> = (0..480_000).map(|i| (i as f32 * 0.031).sin().clamp(-0.5, 0.5)).collect();
    let (health, _) = hear(&[x], 48_000);
    let share = health.clipped_percent.value.unwrap();
    assert!((share - 66.667).abs() < 0.5, "{share}");
    assert!(!health.tuning.ok && !health.time.ok);
}

#[test]
fn a_whole_sine_is_not_clipped() {
    let x: Vec<f32> = (0..480_000).map(|i| 0.9 * (i as f32 * 0.031).sin()).collect();
    let (health, _) = hear(&[x], 48_000);
    assert_eq!(health.clipped_percent.value, Some(0.0));
}

#[test]
fn a_peak_near_full_scale_is_told_also_where_no_rail_shows() {
    for (height, full) in [(0.95, false), (0.98, true), (1.3, true)] {
        let mut quiet: Vec<f32> = (0..96_000).map(|i| 0.2 * (i as f32 * 0.06).sin()).collect();
        quiet[50_000] = -height;
        let (health, _) = hear(&[quiet], 48_000);
        assert_eq!((health.reaches_full_scale, health.clipped_percent.value), (full, Some(0.0)), "{height}");
    }
}

#[test]
fn hum_is_told_at_50_and_at_60_hz_and_a_bass_note_near_60_is_none() {
    for hz in [50.0, 60.0] {
        let (channels, rate) = tape_of(Recorder { hum: Some((-50.0, hz)), ..Recorder::default() }, 24);
        let (health, _) = hear(&channels, rate);
        assert_eq!(health.hum_hz.value, Some(hz), "{:?}", health.hum_hz);
    }
    // B1 = 61.735 Hz, plucked once a second over noise, and once held throughout.
    let mut noise = Noise(5);
    for held in [false, true] {
        let x: Vec<f32> = (0..48_000 * 20)
            .map(|i| {
                let t = i as f64 / 48_000.0;
                let swell = if held { 0.2 } else { 0.3 * (-4.0 * t.fract()).exp() };
                (swell * (std::f64::consts::TAU * 61.735 * t).sin() + 0.001 * noise.next()) as f32
            })
            .collect();
        let (health, _) = hear(&[x], 48_000);
        assert_eq!(health.hum_hz.value, None, "held: {held}, {:?}", health.hum_hz);
    }
}

#[test]
fn a_phones_low_cut_is_found_within_a_third_of_an_octave() {
    for hz in [100.0, 140.0] {
        let (channels, rate) = tape_of(Recorder { low_cut_hz: Some(hz), ..Recorder::default() }, 25);
        let (health, _) = hear(&channels, rate);
        let got = health.low_cut_hz.value;
        assert!(got.is_some_and(|g| (g / hz).log2().abs() < 0.34), "{:?} for {hz}", health.low_cut_hz);
        assert!(!health.low_end.ok && health.low_end.reason.contains("hears little below"));
    }
}

/// A minute and a half of room noise that falls by `db_per_octave`, with a boosted bass (15 dB over each of six voices above it) in every other
/// second, through a second-order high-pass at `cut_hz`.
fn boosted_bass_in_a_room(db_per_octave: f64, cut_hz: Option<f64>) -> Vec<f32> {
    let mut noise = synth_shaped_noise(3, 48_000 * 90, db_per_octave);
    let scale = 0.004 / (noise.iter().map(|x| f64::from(x * x)).sum::<f64>() / noise.len() as f64).sqrt();
    noise.iter_mut().for_each(|x| *x *= scale as f32);
    for (i, x) in noise.iter_mut().enumerate().filter(|(i, _)| (i / 48_000) % 2 == 1) {
        let t = i as f64 / 48_000.0;
        let voice = |hz: f64, a: f64| a * (std::f64::consts::TAU * hz * t).sin();
        let above: f64 = [165.0, 208.0, 262.0, 330.0, 415.0, 494.0].map(|hz| voice(hz, 0.036)).iter().sum();
        *x += (voice(55.0, 0.2) + voice(82.4, 0.2) + above) as f32;
    }
    if let Some(hz) = cut_hz {
        BiquadFilter::new(Biquad::high_pass(48_000.0, hz, std::f64::consts::FRAC_1_SQRT_2)).process(&mut noise);
    }
    noise
}

#[test]
fn a_low_cut_is_heard_under_a_boosted_bass_and_none_in_a_rooms_own_noise() {
    for db_per_octave in [0.0, -3.0, -6.0] {
        let (health, _) = hear(&[boosted_bass_in_a_room(db_per_octave, None)], 48_000);
        let why = health.low_cut_hz.reason.as_deref();
        assert_eq!((health.low_cut_hz.value, why), (None, Some("no_low_cut_heard")), "{db_per_octave}");
        for hz in [80.0, 110.0, 150.0] {
            let (health, _) = hear(&[boosted_bass_in_a_room(db_per_octave, Some(hz))], 48_000);
            let told = &health.low_cut_hz;
            assert!(told.value.is_some(), "{db_per_octave} {hz}: {told:?}");
            assert!(told.low.unwrap() < hz && told.high.unwrap() > hz, "{db_per_octave} {hz}: {told:?}");
        }
    }
}

#[test]
fn without_room_noise_to_judge_by_a_low_cut_is_right_or_not_told() {
    let (channels, rate) = tape_of(Recorder { low_cut_hz: Some(200.0), ..Recorder::default() }, 25);
    let (health, _) = hear(&channels, rate);
    match health.low_cut_hz.value {
        Some(got) => assert!((got / 200.0f64).log2().abs() < 0.34, "{got}"),
        None => assert_eq!(health.low_cut_hz.reason.as_deref(), Some("no_room_noise_to_judge_by")),
    }
}

/// Uniform noise of amplitude a has the mean square a^2 / 3.
#[test]
fn the_noise_floor_of_steady_noise_is_its_mean_square() {
    let mut noise = Noise(9);
    let x: Vec<f32> = (0..48_000 * 12).map(|_| (0.01 * noise.next()) as f32).collect();
    let (health, _) = hear(&[x], 48_000);
    let want = 10.0 * (0.01f64.powi(2) / 3.0).log10();
    let got = &health.noise_floor_dbfs;
    assert!(got.value.is_some_and(|v| (v - want).abs() < 0.6), "{got:?} for {want}");
    assert!(got.low.unwrap() <= want && want <= got.high.unwrap() + 0.3, "{got:?} for {want}");
}

#[test]
fn an_offset_and_a_dead_channel_are_told() {
    let mut noise = Noise(11);
    let live: Vec<f32> = (0..48_000 * 5).map(|_| (0.05 * noise.next() + 0.02) as f32).collect();
    let (health, _) = hear(&[live, vec![0.0; 48_000 * 5]], 48_000);
    assert!(health.dc_offset.value.is_some_and(|v| (v - 0.02).abs() < 0.001), "{:?}", health.dc_offset);
    assert_eq!(health.dead_channels, [2]);
}

#[test]
fn silence_gives_reasons_and_no_numbers() {
    for frames in [1usize, 9_600, 48_000 * 20] {
        let (health, _) = hear(&[vec![0.0; frames]], 48_000);
        assert_eq!(health.noise_floor_dbfs.reason.as_deref(), Some("digital_silence"));
        for reading in [&health.low_cut_hz, &health.high_cut_hz, &health.hum_hz] {
            assert!(reading.value.is_none() && reading.reason.is_some(), "{reading:?}");
        }
        assert!(health.gain_riding.value.is_none());
        assert_eq!(health.clipped_percent.value, Some(0.0));
        assert!(!health.balance.ok && health.balance.reason.contains("no sound"));
    }
}
