//! Tuning on synthesised rehearsals with known truth: strings by the law of stiff strings, pitches by equal temperament.
//!
//! The signals share nothing with the code under test but the formulas of the trade: `f = A4 2^((m - 69) / 12)` (ISO 16)
//! and `f_n = n f0 sqrt(1 + B n^2)` (Fletcher 1964).

use ledgerline::dsp::whose::{WhoPlays, Whose};
use ledgerline::dsp::{Block, Meter, Resampler};
use ledgerline::measure::tuning::{
    StringPlayer, TapeTuning, TuningHints, TuningMeter, TuningReading, measure_tuning, measure_tuning_with,
};
use ledgerline::passages::{Passage, PassageKind};
use ledgerline::stats::Measured;

const RATE: f64 = 48_000.0;

/// Sounding pitches of open strings, Hz, as printed in handbooks (A4 = 440 Hz).
const BASS_STRINGS: [(u8, f64); 4] = [(28, 41.203), (33, 55.000), (38, 73.416), (43, 97.999)];
const GUITAR_STRINGS: [(u8, f64); 6] =
    [(40, 82.407), (45, 110.000), (50, 146.832), (55, 195.998), (59, 246.942), (64, 329.628)];

struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64 * 2.0 - 1.0
    }
}

/// A plucked string added to `x`: partial levels fall with their number, high ones die sooner.
#[derive(Clone, Copy)]
struct Pluck {
    at_s: f64,
    length_s: f64,
    hz: f64,
    level: f64,
    inharmonicity: f64,
    partials: u32,
}

fn pluck(x: &mut [f32], rate: f64, p: Pluck) {
    let first = (p.at_s * rate) as usize;
    let frames = ((p.length_s * rate) as usize).min(x.len().saturating_sub(first));
    for n in 1..=p.partials {
        let nf = f64::from(n);
        let hz = nf * p.hz * ((1.0 + p.inharmonicity * nf * nf) / (1.0 + p.inharmonicity)).sqrt();
        let step = std::f64::consts::TAU * hz / rate;
        let amplitude = p.level / nf;
        for i in 0..frames {
            let t = i as f64 / rate;
            let edge = (t / 0.004).min(1.0) * ((p.length_s - t) / 0.02).clamp(0.0, 1.0);
            let decay = (-t * (1.0 + 0.4 * nf)).exp();
            x[first + i] += (amplitude * edge * decay * (step * i as f64 + nf).sin()) as f32;
        }
    }
}

fn equal_tempered(midi: f64, a4_hz: f64, cents: f64) -> f64 {
    a4_hz * 2f64.powf((midi - 69.0) / 12.0 + cents / 1200.0)
}

/// What a rehearsal is made of.
#[derive(Clone, Copy)]
struct Tape {
    a4_hz: f64,
    bass_cents: f64,
    bass_drift_per_min: f64,
    guitar_cents: Option<f64>,
    beat_s: f64,
    beats: usize,
    noise: f64,
    rate: f64,
}

const TAPE: Tape = Tape {
    a4_hz: 440.0,
    bass_cents: 0.0,
    bass_drift_per_min: 0.0,
    guitar_cents: None,
    beat_s: 0.5,
    beats: 80,
    noise: 0.001,
    rate: RATE,
};

/// Walking bass, a piano an octave above the guitar's register off the beat, and a guitar in four where there is one.
fn rehearsal(t: Tape) -> Vec<f32> {
    let line = [33, 37, 40, 42, 38, 42, 45, 41, 40, 38, 37, 35, 28, 32, 35, 30];
    let chords = [[49, 54, 57], [50, 54, 59], [48, 52, 57], [50, 53, 56]];
    let mut x = vec![0.0f32; ((t.beats as f64 + 2.0) * t.beat_s * t.rate) as usize];
    let mut noise = Noise(0x9e37_79b9);
    for beat in 0..t.beats {
        let at_s = beat as f64 * t.beat_s;
        let cents = t.bass_cents + t.bass_drift_per_min * at_s / 60.0;
        let hz = equal_tempered(f64::from(line[beat % line.len()]), t.a4_hz, cents);
        pluck(
            &mut x,
            t.rate,
            Pluck { at_s, length_s: 0.92 * t.beat_s, hz, level: 0.2, inharmonicity: 5e-5, partials: 8 },
        );
        let chord = chords[beat / 4 % 4];
        for (i, key) in chord.iter().enumerate() {
            let key = f64::from(*key);
            if beat % 4 == 1 || beat % 4 == 3 {
                let hz = equal_tempered(key + 12.0, t.a4_hz, 0.0);
                let at_s = at_s + 0.66 * t.beat_s;
                pluck(&mut x, t.rate, Pluck { at_s, length_s: 0.3, hz, level: 0.04, inharmonicity: 3e-4, partials: 5 });
            }
            if let Some(cents) = t.guitar_cents {
                let hz = equal_tempered(key, t.a4_hz, cents);
                let at_s = at_s + 0.004 * i as f64;
                let length_s = 0.7 * t.beat_s;
                pluck(&mut x, t.rate, Pluck { at_s, length_s, hz, level: 0.05, inharmonicity: 8e-5, partials: 6 });
            }
        }
    }
    x.iter_mut().for_each(|s| *s += (t.noise * noise.next()) as f32);
    x
}

fn read_in_blocks(x: &[f32], block: usize) -> TuningReading {
    let mut meter = TuningMeter::new();
    for (i, part) in x.chunks(block).enumerate() {
        meter.push(&Block { mono: part.to_vec(), mono_start_frame: (i * block) as u64, ..Block::default() });
    }
    meter.finish()
}

fn passage(kind: PassageKind, start_s: f64, end_s: f64) -> Passage {
    Passage { kind, start_s, end_s, confidence: 1.0 }
}

fn measure_take(x: &[f32]) -> TapeTuning {
    measure_tuning(&read_in_blocks(x, 12_000), &[passage(PassageKind::Take, 0.0, x.len() as f64 / RATE)])
}

fn bass_of(t: Tape) -> Measured {
    measure_take(&rehearsal(t)).takes[0].bass.offset_from_a440_cents.clone()
}

fn assert_within_cents(m: &Measured, truth: f64, tolerance: f64, what: &str) {
    let value = m.value.unwrap_or_else(|| panic!("{what}: no value, {:?}", m.reason));
    assert!((value - truth).abs() <= tolerance, "{what}: {value:.2} for {truth:.2}");
    let (low, high) = (m.low.unwrap(), m.high.unwrap());
    assert!(low <= truth && truth <= high, "{what}: {truth:.2} outside {low:.2}..{high:.2}");
}

#[test]
fn bass_offset_is_found_over_a_grid_of_detune_and_concert_pitch() {
    for detune in [-45.0, -20.0, -5.0, 0.0, 7.0, 30.0] {
        for a4_hz in [430.0, 440.0, 450.0] {
            let truth = detune + 1200.0 * (a4_hz / 440.0_f64).log2();
            let m = bass_of(Tape { a4_hz, bass_cents: detune, ..TAPE });
            // Half a semitone off cannot be told from half a semitone off on the other side: that is warned of.
            let wrapped = (truth + 50.0).rem_euclid(100.0) - 50.0;
            assert_within_cents(&m, wrapped, 1.5, &format!("detune {detune}, A4 {a4_hz}"));
            assert_eq!(wrapped.abs() > 36.5, m.warnings.iter().any(|w| w.contains("quarter_tone")), "{m:?}");
        }
    }
}

#[test]
fn bass_offset_survives_noise_and_short_notes() {
    for (beat_s, noise, tolerance) in [(1.0, 0.001, 1.0), (0.5, 0.02, 1.5), (0.36, 0.001, 2.0), (0.29, 0.005, 3.0)] {
        let m = bass_of(Tape { bass_cents: -12.0, beat_s, noise, beats: 96, ..TAPE });
        assert_within_cents(&m, -12.0, tolerance, &format!("beat {beat_s} s, noise {noise}"));
    }
}

#[test]
fn detuning_by_c_moves_the_result_by_c() {
    let at = |cents: f64| bass_of(Tape { bass_cents: cents, ..TAPE }).value.unwrap();
    let zero = at(0.0);
    for cents in [-30.0, -8.0, -1.0, 1.0, 5.0, 25.0] {
        let moved = at(cents) - zero;
        assert!((moved - cents).abs() < 1.0, "{cents}: moved by {moved:.2}");
    }
}

#[test]
fn a_tape_at_44100_hz_gives_the_same_offset() {
    let truth = bass_of(Tape { bass_cents: 9.0, ..TAPE }).value.unwrap();
    let x = rehearsal(Tape { bass_cents: 9.0, rate: 44_100.0, ..TAPE });
    let mut resampler = Resampler::new(44_100).unwrap();
    let mut y = Vec::new();
    resampler.push(&x, &mut y);
    resampler.finish(&mut y);
    let other = measure_take(&y).takes[0].bass.offset_from_a440_cents.value.unwrap();
    assert!((other - truth).abs() < 0.3, "{other:.2} at 44.1 kHz, {truth:.2} at 48 kHz");
}

#[test]
fn drift_of_the_bass_is_found_and_a_steady_bass_has_none() {
    for drift in [-3.0, 0.0, 2.0] {
        let t = measure_take(&rehearsal(Tape { bass_drift_per_min: drift, beats: 160, ..TAPE }));
        assert_within_cents(&t.bass.drift_cents_per_min, drift, 0.4, &format!("drift {drift}"));
    }
}

#[test]
fn guitar_offset_is_found_beside_the_piano_and_its_absence_is_told() {
    for cents in [-12.0, 0.0, 9.0] {
        let t = measure_take(&rehearsal(Tape { guitar_cents: Some(cents), bass_cents: -6.0, beats: 120, ..TAPE }));
        assert_within_cents(&t.takes[0].guitar.offset_from_a440_cents, cents, 2.5, &format!("guitar at {cents}"));
    }
    let without = measure_take(&rehearsal(Tape { beats: 120, ..TAPE }));
    let guitar = &without.takes[0].guitar.offset_from_a440_cents;
    assert_eq!((guitar.value, guitar.reason.as_deref()), (None, Some("no_guitar_heard")));
}

#[test]
fn concert_pitch_follows_the_piano_and_not_the_bass() {
    for a4_hz in [435.0, 440.0, 443.0] {
        let t = measure_take(&rehearsal(Tape { a4_hz, bass_cents: -25.0, ..TAPE }));
        let m = &t.concert_pitch_hz;
        assert!((m.value.unwrap() - a4_hz).abs() < 0.5, "{m:?} for {a4_hz}");
        let from_band = t.takes[0].bass.offset_from_band_cents.value.unwrap();
        assert!((from_band + 25.0).abs() < 2.5, "{from_band}");
    }
}

fn tuning_passage(strings: &[(u8, f64)], cents: &[f64]) -> Vec<f32> {
    let mut x = vec![0.0f32; ((strings.len() * cents.len()) as f64 * 1.45 * RATE) as usize + 24_000];
    let mut at_s = 0.1;
    for offset in cents {
        for (_, hz) in strings {
            let hz = hz * 2f64.powf(offset / 1200.0);
            pluck(&mut x, RATE, Pluck { at_s, length_s: 1.25, hz, level: 0.2, inharmonicity: 5e-5, partials: 8 });
            at_s += 1.45;
        }
    }
    let mut noise = Noise(77);
    x.iter_mut().for_each(|s| *s += (5e-4 * noise.next()) as f32);
    x
}

#[test]
fn open_strings_are_named_and_measured_at_their_last_sounding() {
    for (player, table) in [(StringPlayer::Bass, &BASS_STRINGS[..]), (StringPlayer::Guitar, &GUITAR_STRINGS[..])] {
        for last in [-60.0, -7.0, 0.0, 12.0, 40.0] {
            let x = tuning_passage(table, &[last - 15.0, last]);
            let tape =
                measure_tuning(&read_in_blocks(&x, 9_999), &[passage(PassageKind::Tuning, 0.0, x.len() as f64 / RATE)]);
            let found = &tape.strings[0];
            assert_eq!(found.len(), table.len(), "{player:?} at {last}: {found:?}");
            for (string, (midi, _)) in found.iter().zip(table) {
                assert_eq!((string.player, string.string_midi), (player, *midi));
                assert_within_cents(&string.offset_from_a440_cents, last, 1.0, &format!("{player:?} {midi} at {last}"));
            }
        }
    }
}

#[test]
fn mains_hum_beside_a_partial_does_not_move_an_open_string() {
    // 120 Hz lies 51 cents below the third partial of a bass's E1, 60 Hz 150 cents above the fundamental of its A1.
    let mut x = tuning_passage(&BASS_STRINGS, &[16.0]);
    for (i, sample) in x.iter_mut().enumerate() {
        let turns = std::f64::consts::TAU * 60.0 * i as f64 / RATE;
        *sample += (0.03 * (turns.sin() + (2.0 * turns).sin())) as f32;
    }
    let tape = measure_tuning(&read_in_blocks(&x, 9_999), &[passage(PassageKind::Tuning, 0.0, x.len() as f64 / RATE)]);
    assert_eq!(tape.strings[0].len(), 4, "{:?}", tape.strings[0]);
    for string in &tape.strings[0] {
        assert_within_cents(&string.offset_from_a440_cents, 16.0, 2.0, &format!("{}", string.string_midi));
    }
}

#[test]
fn a_retuning_between_two_takes_is_found_in_its_tuning_passage() {
    let first = rehearsal(Tape { bass_cents: -18.0, ..TAPE });
    let tuning = tuning_passage(&BASS_STRINGS, &[1.0]);
    let second = rehearsal(Tape { bass_cents: 1.0, ..TAPE });
    let (a, b) = (first.len() as f64 / RATE, tuning.len() as f64 / RATE);
    let x = [first, tuning, second].concat();
    let end = x.len() as f64 / RATE;
    let tape = measure_tuning(
        &read_in_blocks(&x, 12_000),
        &[
            passage(PassageKind::Take, 0.0, a),
            passage(PassageKind::Tuning, a, a + b),
            passage(PassageKind::Take, a + b, end),
        ],
    );
    assert_eq!(tape.bass.retuned_at_s, [a + b]);
    assert_within_cents(&tape.bass.at_start_cents, -18.0, 1.5, "before");
    assert_within_cents(&tape.bass.at_end_cents, 1.0, 1.5, "after");
    assert!(tape.bass.drift_cents_per_min.value.unwrap().abs() < 0.5);
    let curve = &tape.bass_cents;
    assert_eq!(curve.len(), end.ceil() as usize);
    assert!((curve[20].unwrap() + 18.0).abs() < 2.5 && (curve[curve.len() - 20].unwrap() - 1.0).abs() < 2.5);
    assert_eq!(curve[a as usize + 3], None, "the curve says nothing outside takes");
}

#[test]
fn a_bass_that_does_not_play_has_no_tuning_though_the_others_could_be_read_as_one() {
    let tuning = tuning_passage(&BASS_STRINGS, &[1.0]);
    let take = rehearsal(TAPE);
    let (a, b) = (tuning.len() as f64 / RATE, take.len() as f64 / RATE);
    let x = [tuning, take].concat();
    let of = |from_s: f64, passages: &[Passage], bass: bool| {
        let hints = TuningHints { players: vec![WhoPlays { bass, ..WhoPlays::ALL }], ..TuningHints::default() };
        let x = &x[(from_s * RATE) as usize..];
        measure_tuning_with(&read_in_blocks(x, 12_000), passages, &hints).takes[0].bass.offset_from_a440_cents.clone()
    };
    let tuned = [passage(PassageKind::Tuning, 0.0, a), passage(PassageKind::Take, a, a + b)];
    assert!(of(0.0, &tuned, true).value.is_some());
    assert_eq!(of(0.0, &tuned, false).reason.as_deref(), Some("bass_not_clear"), "its strings were heard");
    let alone = [passage(PassageKind::Take, 0.0, b)];
    assert_eq!(of(a, &alone, false).reason.as_deref(), Some("no_bass_heard"));
}

#[test]
fn where_neither_keys_nor_horns_play_the_others_are_the_band() {
    let x = rehearsal(TAPE);
    let reading = read_in_blocks(&x, 12_000);
    let take = [passage(PassageKind::Take, 0.0, x.len() as f64 / RATE)];
    // Shares that give nothing to keys and horns.
    let concert_pitch = |keys: bool| {
        let players = vec![WhoPlays { bass: true, keys, horns: false }];
        let hints = TuningHints { players, whose: Some(Whose::default()), ..TuningHints::default() };
        measure_tuning_with(&reading, &take, &hints).concert_pitch_hz
    };
    assert_eq!(concert_pitch(true).value, None);
    let alone = measure_tuning(&reading, &take).concert_pitch_hz;
    assert!(alone.value.is_some() && concert_pitch(false) == alone, "{alone:?}");
}

#[test]
fn block_size_changes_nothing() {
    let x = rehearsal(Tape { bass_cents: 4.0, beats: 40, ..TAPE });
    let whole = [passage(PassageKind::Take, 0.0, x.len() as f64 / RATE)];
    let a = measure_tuning(&read_in_blocks(&x, 777), &whole);
    let b = measure_tuning(&read_in_blocks(&x, 48_000), &whole);
    assert_eq!(format!("{a:?}"), format!("{b:?}"));
}

#[test]
fn silence_noise_and_an_empty_tape_have_reasons_and_no_numbers() {
    let mut noise = Noise(5);
    let hiss: Vec<f32> = (0..20 * 48_000).map(|_| (0.05 * noise.next()) as f32).collect();
    for (name, x) in
        [("silence", vec![0.0f32; 20 * 48_000]), ("hiss", hiss), ("nothing", Vec::new()), ("one", vec![0.5])]
    {
        let t = measure_take(&x);
        for m in [
            &t.takes[0].bass.offset_from_a440_cents,
            &t.takes[0].guitar.offset_from_a440_cents,
            &t.takes[0].horns.offset_from_a440_cents,
            &t.bass.drift_cents_per_min,
            &t.concert_pitch_hz,
        ] {
            assert!(m.value.is_none() && m.reason.is_some(), "{name}: {m:?}");
        }
        assert!(t.bass_cents.iter().all(Option::is_none), "{name}");
    }
}
