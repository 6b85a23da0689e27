//! Third-octave bands and balance against published figures and closed forms: IEC 61260-1:2014 (bands, class 1 mask),
//! noise of known slope.

use ledgerline::dsp::bands::{BinRange, third_octave, third_octaves};
use ledgerline::dsp::spectrum::{LONG_FRAMING, SpectrumStream};
use ledgerline::measure::balance::{Balance, BalanceMeter, HearingLimits, Target};

use crate::test_signals::{Noise, assert_within_db, measure, synth_shaped_noise, synth_sine};

const RATE: u32 = 48_000;

/// IEC 61260-1:2014 / ANSI S1.11: exact base-10 mid-band and edge frequencies, computed from G = 10^0.3 by another program.
#[test]
fn iec_61260_exact_frequencies_and_edges() {
    for (index, mid, low, high) in [
        (-16, 25.119, 22.387, 28.184),
        (-15, 31.623, 28.184, 35.481),
        (-14, 39.811, 35.481, 44.668),
        (-13, 50.119, 44.668, 56.234),
        (-12, 63.096, 56.234, 70.795),
        (-11, 79.433, 70.795, 89.125),
        (-10, 100.000, 89.125, 112.202),
        (-9, 125.893, 112.202, 141.254),
        (-8, 158.489, 141.254, 177.828),
        (-7, 199.526, 177.828, 223.872),
        (-6, 251.189, 223.872, 281.838),
        (-5, 316.228, 281.838, 354.813),
        (-4, 398.107, 354.813, 446.684),
        (-3, 501.187, 446.684, 562.341),
        (-2, 630.957, 562.341, 707.946),
        (-1, 794.328, 707.946, 891.251),
        (0, 1000.0, 891.251, 1122.018),
        (1, 1258.925, 1122.018, 1412.538),
        (2, 1584.893, 1412.538, 1778.279),
        (3, 1995.262, 1778.279, 2238.721),
        (4, 2511.886, 2238.721, 2818.383),
        (5, 3162.278, 2818.383, 3548.134),
        (6, 3981.072, 3548.134, 4466.836),
        (7, 5011.872, 4466.836, 5623.413),
        (8, 6309.573, 5623.413, 7079.458),
        (9, 7943.282, 7079.458, 8912.509),
        (10, 10_000.0, 8912.509, 11_220.185),
        (11, 12_589.254, 11_220.185, 14_125.375),
        (12, 15_848.932, 14_125.375, 17_782.794),
    ] {
        let band = third_octave(index);
        for (got, want) in [(band.mid_hz, mid), (band.low_hz, low), (band.high_hz, high)] {
            assert!((got - want).abs() < 0.0006, "band {index}: {got} {want}");
        }
    }
    assert_eq!((third_octaves()[0].index, third_octaves()[28].index), (-16, 12));
}

/// Band power of a full-scale sine at `hz`, in dB of the sine's own power, in steady state.
fn band_level_db(index: i32, hz: f64) -> f64 {
    let mut stream = SpectrumStream::new(LONG_FRAMING);
    let mut frames = Vec::new();
    stream.push(&synth_sine(RATE, hz, 1.0, 2 * LONG_FRAMING.length), &mut frames);
    let band = third_octave(index);
    let range = BinRange::new(band.low_hz, band.high_hz, LONG_FRAMING.bin_hz(), LONG_FRAMING.bins());
    10.0 * (range.power(&frames[3].power) / 0.5).max(1e-30).log10()
}

/// IEC 61260-1:2014 table 1 (as transcribed from IEC 61260-3:2016 tables 1 and C.1), class 1, one-third octave: pass-band
/// rows within their limits, stop-band rows attenuated at least as much. Held from the 63 Hz band up, where the bank's
/// bands are at least 5 bins wide; the rows 1.08746 (and its reciprocal) from the 250 Hz band up.
#[test]
fn iec_61260_class_1_mask() {
    let pass =
        [(1.0, 0.4), (1.02667, 0.5), (1.05575, 0.7), (1.08746, 1.4), (0.97402, 0.5), (0.94719, 0.7), (0.91958, 1.4)];
    let stop = [
        (1.29437, 16.6),
        (1.88173, 40.5),
        (3.05365, 60.0),
        (5.39195, 70.0),
        (0.77257, 16.6),
        (0.53143, 40.5),
        (0.32748, 60.0),
        (0.18546, 70.0),
    ];
    for index in -12..=12 {
        let mid_hz = third_octave(index).mid_hz;
        for (ratio, most) in pass {
            if (1.07..1.1).contains(&f64::max(ratio, 1.0 / ratio)) && index < -6 {
                continue;
            }
            let attenuation_db = -band_level_db(index, mid_hz * ratio);
            assert!((-0.4..=most).contains(&attenuation_db), "{mid_hz} Hz x {ratio}: {attenuation_db}");
        }
        for (ratio, least) in stop {
            let hz = mid_hz * ratio;
            if hz < f64::from(RATE) * 0.45 {
                let attenuation_db = -band_level_db(index, hz);
                assert!(attenuation_db >= least, "{mid_hz} Hz x {ratio}: {attenuation_db}");
            }
        }
    }
}

/// Half-power at the edge (IEC 61260-1: the edges are the -3 dB points): a tone there is split between two neighbours.
#[test]
fn a_tone_at_a_band_edge_is_split_in_halves_and_does_not_reach_further() {
    for index in -12..12 {
        let edge_hz = third_octave(index).high_hz;
        for neighbour in [index, index + 1] {
            assert_within_db(band_level_db(neighbour, edge_hz), -3.01, 0.6, &format!("{edge_hz} Hz in {neighbour}"));
        }
        let halves =
            10f64.powf(band_level_db(index, edge_hz) / 10.0) + 10f64.powf(band_level_db(index + 1, edge_hz) / 10.0);
        assert!((10.0 * halves.log10()).abs() < 0.05, "{edge_hz} Hz: {halves}");
        // Leakage two bands away would add less than 0.1 dB even to a tone 16 dB softer there.
        for far in [index - 1, index + 2] {
            assert!(band_level_db(far, edge_hz) < -32.0, "{edge_hz} Hz in {far}: {}", band_level_db(far, edge_hz));
        }
    }
}

fn balance_of(samples: Vec<f32>, limits: HearingLimits) -> Balance {
    let seconds = samples.len() as f64 / f64::from(RATE);
    measure(BalanceMeter::new(), RATE, &[samples]).over(&[(1.0, seconds - 1.0)], &Target::published_average(), limits)
}

fn levels(balance: &Balance) -> Vec<f64> {
    balance.third_octave.iter().map(|b| b.level_db.unwrap()).collect()
}

const NOISE_FRAMES: usize = 60 * 48_000;

/// Equal power a hertz: the band grows by 10 log10(10^0.1) = 1 dB a third of an octave. Bands from 63 Hz up.
#[test]
fn white_noise_rises_by_one_decibel_a_third_of_an_octave() {
    let levels = levels(&balance_of(synth_shaped_noise(1, NOISE_FRAMES, 0.0), HearingLimits::default()));
    for (i, pair) in levels.windows(2).enumerate().skip(4) {
        assert_within_db(pair[1] - pair[0], 1.0, 0.1, &format!("step {i}"));
    }
    assert_within_db(levels[28] - levels[4], 24.0, 0.1, "63 Hz to 16 kHz");
}

#[test]
fn pink_noise_has_equal_bands() {
    let balance = balance_of(synth_shaped_noise(2, NOISE_FRAMES, -3.010_3), HearingLimits::default());
    for (i, level) in levels(&balance).iter().enumerate().skip(4) {
        assert_within_db(*level, 0.0, 0.1, &format!("band {i}"));
    }
    for (i, level) in levels(&balance).iter().enumerate().take(4) {
        assert_within_db(*level, 0.0, 0.4, &format!("narrow band {i}"));
    }
    // 40-160 Hz is 2 octaves, 400-2500 Hz 2.644 octaves.
    assert_within_db(
        balance.low_re_mid_db.value,
        10.0 * (2.0f64 / 2.5f64.log2().mul_add(1.0, 1.321_928)).log10(),
        0.1,
        "low end",
    );
}

#[test]
fn noise_of_a_known_slope_returns_its_tilt() {
    for slope in [-4.5, -3.010_3, 0.0, 3.0] {
        // Band levels rise by 3.01 dB an octave against power a hertz.
        let balance = balance_of(synth_shaped_noise(3, NOISE_FRAMES, slope - 3.010_3), HearingLimits::default());
        let tilt = balance.tilt_db_per_octave;
        assert_within_db(tilt.value, slope, 0.1, "tilt");
        assert!(tilt.low.unwrap() <= slope && slope <= tilt.high.unwrap(), "{tilt:?}");
    }
}

#[test]
fn the_bands_add_up_to_the_total_power() {
    let mut noise = Noise(5);
    let frame: Vec<f32> = (0..LONG_FRAMING.bins()).map(|_| (noise.next() + 1.0) as f32).collect();
    let sum = |low, high| BinRange::new(low, high, LONG_FRAMING.bin_hz(), LONG_FRAMING.bins()).power(&frame);
    let bands: f64 = third_octaves().iter().map(|b| sum(b.low_hz, b.high_hz)).sum();
    let total = sum(third_octave(-16).low_hz, third_octave(12).high_hz);
    // The bins are f32: what is left is the rounding of the shared edges.
    assert_within_db(10.0 * (bands / total).log10(), 0.0, 1e-5, "bands against one range");
    // A sine anywhere: the bands hold its mean square.
    for hz in [41.2, 63.0, 97.999, 440.0, 1122.018, 9999.0] {
        let power: f64 = (-16..=12).map(|i| 10f64.powf(band_level_db(i, hz) / 10.0)).sum();
        assert_within_db(10.0 * power.log10(), 0.0, 0.1, &format!("{hz} Hz"));
    }
}

/// A shelf of known gain on one of two takes moves the low end by that gain: loud and quiet weighted by power.
#[test]
fn more_power_in_the_low_end_moves_the_excess_by_as_much() {
    let low: Vec<f32> = synth_sine(RATE, 80.0, 0.1, NOISE_FRAMES / 4);
    let middle: Vec<f32> = synth_sine(RATE, 1000.0, 0.1, NOISE_FRAMES / 4);
    let mix = |gain: f32| low.iter().zip(&middle).map(|(l, m)| gain * l + m).collect::<Vec<f32>>();
    let excess = |gain| balance_of(mix(gain), HearingLimits::default()).low_end_excess_db.value.unwrap();
    assert_within_db(excess(1.0) + Target::published_average().low_re_mid_db, 0.0, 0.05, "equal tones");
    assert_within_db(excess(2.0) - excess(1.0), 6.02, 0.05, "twice the amplitude");
}

#[test]
fn takes_are_averaged_by_power_and_the_rest_of_the_tape_is_left_out() {
    let seconds = 10 * RATE as usize;
    let mut tape = synth_sine(RATE, 1000.0, 0.01, seconds); // soft take without low end
    tape.extend(synth_sine(RATE, 80.0, 0.9, seconds)); // loud talk: not in the takes
    let loud: Vec<f32> = synth_sine(RATE, 80.0, 0.1, seconds)
        .iter()
        .zip(synth_sine(RATE, 1000.0, 0.1, seconds))
        .map(|(a, b)| a + b)
        .collect();
    tape.extend(loud);
    let reading = measure(BalanceMeter::new(), RATE, &[tape]);
    let over = |spans: &[(f64, f64)]| {
        reading.over(spans, &Target::published_average(), HearingLimits::default()).low_re_mid_db.value.unwrap()
    };
    // 100 parts of low end against 100 + 1 parts of middle.
    assert_within_db(over(&[(1.0, 9.0), (21.0, 29.0)]), -10.0 * 1.01f64.log10(), 0.01, "both takes");
    assert!(over(&[(0.0, 30.0)]) > 10.0);
    let curve = reading.low_end_excess_curve_db(&Target::published_average(), HearingLimits::default());
    assert_eq!(curve.len(), 30);
    assert_within_db(curve[25], -Target::published_average().low_re_mid_db, 0.05, "a second of the loud take");
}

#[test]
fn what_the_recorder_does_not_hear_is_a_reason_and_not_a_number() {
    let noise = synth_shaped_noise(6, NOISE_FRAMES / 4, -3.0);
    let limits = HearingLimits { low_cut_hz: Some(140.0), high_cut_hz: Some(9000.0) };
    let deaf = balance_of(noise.clone(), limits);
    assert_eq!(deaf.low_end_excess_db.reason.as_deref(), Some("recorder_hears_no_low_end"));
    let nulls: Vec<bool> = deaf.third_octave.iter().map(|b| b.level_db.is_none()).collect();
    assert_eq!(nulls.iter().take(8).filter(|n| **n).count(), 8, "25 to 125 Hz");
    assert_eq!(nulls.iter().skip(8).take(18).filter(|n| **n).count(), 0, "160 Hz to 8 kHz");
    assert!(nulls[26] && nulls[27] && nulls[28], "10 to 16 kHz");
    let half = balance_of(noise.clone(), HearingLimits { low_cut_hz: Some(60.0), high_cut_hz: None });
    assert_eq!(half.low_end_excess_db.warnings, ["low_cut_inside_low_end"]);
    let narrow = balance_of(noise.clone(), HearingLimits { low_cut_hz: None, high_cut_hz: Some(2000.0) });
    assert_eq!(narrow.low_end_excess_db.reason.as_deref(), Some("recorder_hears_no_middle"));
    assert!(narrow.third_octave.iter().all(|b| b.level_db.is_none()));
    let reading = measure(BalanceMeter::new(), RATE, &[noise]);
    let none = reading.over(&[], &Target::published_average(), HearingLimits::default());
    assert_eq!(none.low_end_excess_db.reason.as_deref(), Some("no_takes"));
    assert_eq!(none.tilt_db_per_octave.reason.as_deref(), Some("no_takes"));
    let silent = balance_of(vec![0.0; 10 * RATE as usize], HearingLimits::default());
    assert_eq!(silent.low_end_excess_db.reason.as_deref(), Some("silence"));
    assert_eq!(silent.tilt_db_per_octave.reason.as_deref(), Some("silence"));
}
