//! Beats, tempo and feel of made-up playing with an exact grid; no file is read.
//!
//! Conventions: everything is synthesised at 48 kHz from a fixed seed; a take spans the whole signal.

use ledgerline::dsp::spectrum::LONG_FRAMING;
use ledgerline::dsp::{Block, Meter, SpectrumStream};
use ledgerline::measure::time::{PartTime, TakeTime, TimeFeatures, TimeHints, TimeMeter, measure_part, measure_take};

use super::time_scorer::f_measure;

const RATE: f64 = 48_000.0;

/// A signal that notes are added to.
struct Tape {
    samples: Vec<f32>,
    noise: u64,
}

impl Tape {
    fn new(seconds: f64) -> Self {
        let mut tape = Self { samples: vec![0.0; (seconds * RATE) as usize], noise: 0x9E37_79B9_7F4A_7C15 };
        for i in 0..tape.samples.len() {
            tape.samples[i] = 3e-4 * tape.white();
        }
        tape
    }

    /// White noise, -1..1 (xorshift, fixed seed).
    fn white(&mut self) -> f32 {
        self.noise ^= self.noise << 13;
        self.noise ^= self.noise >> 7;
        self.noise ^= self.noise << 17;
        (self.noise >> 40) as f32 / 8_388_608.0 - 1.0
    }

    fn add(&mut self, at_s: f64, length_s: f64, mut wave: impl FnMut(&mut Self, f64) -> f64) {
        let start = (at_s * RATE).round() as usize;
        for i in 0..(length_s * RATE) as usize {
            let value = wave(self, i as f64 / RATE) as f32;
            if let Some(x) = self.samples.get_mut(start + i) {
                *x += value;
            }
        }
    }

    fn click(&mut self, at_s: f64) {
        self.add(at_s, 0.03, |_, t| 0.5 * (-t / 0.004).exp() * (std::f64::consts::TAU * 1_500.0 * t).sin());
    }

    /// Noise above about 6 kHz (second difference), dying away.
    fn cymbal(&mut self, at_s: f64, decay_s: f64, gain: f64) {
        let (mut a, mut b) = (0.0, 0.0);
        self.add(at_s, 5.0 * decay_s, move |tape, t| {
            let x = f64::from(tape.white());
            let y = x - 2.0 * a + b;
            (b, a) = (a, x);
            gain * 0.25 * y * (-t / decay_s).exp()
        });
    }

    fn kick(&mut self, at_s: f64, gain: f64) {
        self.add(at_s, 0.25, |_, t| gain * (-t / 0.06).exp() * (std::f64::consts::TAU * 62.0 * t).sin());
    }

    fn snare(&mut self, at_s: f64, gain: f64) {
        self.add(at_s, 0.2, |tape, t| {
            let body = (std::f64::consts::TAU * 190.0 * t).sin() + f64::from(tape.white());
            gain * 0.5 * body * (-t / 0.05).exp()
        });
    }

    /// Plucked note with three partials and a 6 ms attack.
    fn pluck(&mut self, at_s: f64, length_s: f64, midi: f64, gain: f64) {
        let hz = ledgerline::units::midi_to_hz(midi);
        self.add(at_s, length_s, |_, t| {
            let partials: f64 =
                (1..4).map(|k| (std::f64::consts::TAU * hz * f64::from(k) * t).sin() / f64::from(k)).sum();
            let release = ((length_s - t) / 0.02).clamp(0.0, 1.0);
            gain * partials * (1.0 - (-t / 0.006).exp()) * (-t / 0.5).exp() * release
        });
    }

    fn features(&self, block: usize) -> TimeFeatures {
        let mut meter = TimeMeter::new();
        let mut long = SpectrumStream::new(LONG_FRAMING);
        for part in self.samples.chunks(block) {
            let mut b = Block { mono: part.to_vec(), ..Block::default() };
            long.push(part, &mut b.long_spectra);
            meter.push(&b);
        }
        meter.finish()
    }

    fn measure(&self, hints: &TimeHints) -> TakeTime {
        measure_take(&self.features(12_000), 0.0, self.samples.len() as f64 / RATE, hints)
    }
}

/// Beat times from `start_s`: tempo `bpm`, rising by `rise` of it from the first to the last of `n`.
fn grid(start_s: f64, bpm: f64, rise: f64, n: usize) -> Vec<f64> {
    let mut t = start_s;
    (0..n)
        .map(|i| {
            let now = t;
            t += 60.0 / (bpm * (1.0 + rise * i as f64 / (n - 1) as f64));
            now
        })
        .collect()
}

/// How the band of [`band`] plays.
struct Style {
    swing: f64,
    hat: bool,
    rock: bool,
    bass_late_s: f64,
}

/// A trio on a twelve-bar form over `beats`: kit, walking bass, four-to-the-bar chords.
fn band(beats: &[f64], style: &Style) -> Tape {
    const ROOTS: [f64; 12] = [0.0, 5.0, 0.0, 0.0, 5.0, 5.0, 0.0, 9.0, 2.0, 7.0, 0.0, 7.0];
    let mut tape = Tape::new(beats[beats.len() - 1] + 1.5);
    let up = style.swing / (1.0 + style.swing);
    for (i, pair) in beats.windows(2).enumerate() {
        let (beat, length, place) = (pair[0], pair[1] - pair[0], i % 4);
        let root = ROOTS[i / 4 % 12];
        let steps = [0.0, 4.0, 7.0, 10.0];
        tape.pluck(
            beat + style.bass_late_s,
            0.9 * length,
            34.0 + root % 12.0 + steps[(place * 3 + i / 4) % 4 * usize::from(place > 0)],
            0.15,
        );
        for step in &steps[1..] {
            tape.pluck(beat, 0.6 * length, 58.0 + (root + step) % 12.0, 0.025);
        }
        if style.rock {
            tape.cymbal(beat, 0.02, 0.3);
            tape.cymbal(beat + 0.5 * length, 0.02, 0.3);
            if place % 2 == 0 {
                tape.kick(beat, 0.6)
            } else {
                tape.snare(beat, 0.4)
            }
            continue;
        }
        tape.cymbal(beat, 0.12, 0.2);
        tape.kick(beat, 0.04);
        if place % 2 == 1 {
            tape.cymbal(beat + up * length, 0.12, 0.14);
            if style.hat {
                // The foot closes: a short body that starts a little after the stick.
                tape.cymbal(beat + 0.012, 0.012, 0.6);
            }
        }
    }
    tape
}

fn jazz(swing: f64) -> Style {
    Style { swing, hat: true, rock: false, bass_late_s: 0.0 }
}

fn rock_beat() -> Style {
    Style { swing: 1.0, hat: false, rock: true, bass_late_s: 0.0 }
}

#[test]
fn clicks_that_speed_up_are_followed_from_60_to_320_beats_a_minute() {
    for bpm in [60.0, 75.0, 90.0, 120.0, 150.0, 180.0, 220.0, 260.0, 300.0, 316.0] {
        let beats = grid(0.7, bpm, 0.06, 64);
        let mut tape = Tape::new(beats[63] + 1.0);
        beats.iter().for_each(|b| tape.click(*b));
        let hints = TimeHints { marked_bpm: Some(bpm), beats_in_bar: None };
        let tempo = tape.measure(&hints).tempo;
        let (f, ..) = f_measure(&beats, &tempo.beat_times_s, 0.02);
        assert!(f > 0.99, "{bpm}: F {f}");
        let drift = tempo.drift_percent;
        assert!((drift.value.unwrap() - 6.0).abs() < 0.5, "{bpm}: {drift:?}");
    }
}

#[test]
fn a_swinging_trio_gives_its_ratio_tempo_and_bars_without_a_hint() {
    for bpm in [80.0, 120.0, 160.0, 210.0, 260.0, 300.0] {
        for swing in [1.0, 1.5, 2.0, 2.7, 3.5] {
            let beats = grid(0.5, bpm, 0.0, 65);
            let played = &beats[..64];
            let take = band(&beats, &jazz(swing)).measure(&TimeHints::default());
            let (f, ..) = f_measure(played, &take.tempo.beat_times_s, 0.03);
            assert!(f > 0.98, "{bpm} bpm, {swing}: F {f}, {:?}", take.tempo.bpm);
            let got = take.tempo.bpm.value.unwrap_or(0.0);
            assert!((got / bpm - 1.0).abs() < 0.003, "{bpm}: {got}");
            let ratio = take.feel.swing_ratio.value.unwrap_or(0.0);
            assert!((ratio - swing).abs() < 0.2, "{bpm} bpm, {swing}: {:?}", take.feel.swing_ratio);
        }
    }
}

#[test]
fn the_kit_is_told_apart_hat_on_two_and_four_no_hat_and_rock() {
    let beats = grid(0.5, 140.0, 0.0, 97);
    let facts = |style: &Style| band(&beats, style).measure(&TimeHints::default()).feel;
    let hat = facts(&jazz(2.0));
    assert!(hat.hat_on_2_and_4_percent.value.unwrap() > 80.0, "{:?}", hat.hat_on_2_and_4_percent);
    assert_eq!(hat.backbeat_heavy.value, Some(false));
    let bare = facts(&Style { hat: false, ..jazz(2.0) });
    assert!(bare.hat_on_2_and_4_percent.value.unwrap() < 20.0, "{:?}", bare.hat_on_2_and_4_percent);
    let rock = facts(&rock_beat());
    assert_eq!(rock.backbeat_heavy.value, Some(true));
    assert!(rock.hat_on_2_and_4_percent.value.unwrap() < 20.0, "{:?}", rock.hat_on_2_and_4_percent);
    assert!(rock.kick_re_ride_db.value.unwrap() > hat.kick_re_ride_db.value.unwrap() + 10.0);
}

#[test]
fn a_slower_copy_has_a_slower_tempo_and_the_same_drift() {
    let tempo = |stretch: f64| {
        let beats: Vec<f64> = grid(0.5, 150.0, 0.05, 97).iter().map(|b| b * stretch).collect();
        band(&beats, &jazz(2.0)).measure(&TimeHints::default()).tempo
    };
    let (one, slow) = (tempo(1.0), tempo(1.2));
    assert!((one.bpm.value.unwrap() / slow.bpm.value.unwrap() - 1.2).abs() < 0.003, "{:?} {:?}", one.bpm, slow.bpm);
    assert!((one.drift_percent.value.unwrap() - slow.drift_percent.value.unwrap()).abs() < 0.3);
}

#[test]
fn a_later_copy_has_later_beats() {
    let beats = |shift: f64| {
        let grid: Vec<f64> = grid(0.5, 150.0, 0.0, 65).iter().map(|b| b + shift).collect();
        band(&grid, &jazz(2.0)).measure(&TimeHints::default()).tempo.beat_times_s
    };
    let (early, late) = (beats(0.0), beats(3.21));
    assert_eq!(early.len(), late.len());
    for (a, b) in early.iter().zip(&late) {
        assert!((b - a - 3.21).abs() < 0.006, "{a} {b}");
    }
}

#[test]
fn block_size_changes_nothing() {
    let tape = band(&grid(0.5, 170.0, 0.0, 33), &jazz(1.8));
    let (a, b) = (tape.features(997), tape.features(48_000));
    assert_eq!(a.frames, b.frames);
    assert_eq!(a.chroma, b.chroma);
}

#[test]
fn silence_noise_and_a_talker_have_no_tempo_but_a_reason() {
    let silence = Tape { samples: vec![0.0; 480_000], noise: 1 };
    let mut noise = Tape::new(20.0);
    noise.samples.iter_mut().for_each(|x| *x *= 300.0);
    let mut talker = Tape::new(20.0);
    let mut at = 0.3;
    let mut step: f64 = 0.37;
    while at < 19.0 {
        // Syllables at uneven distances: a hum with three partials that swells and dies.
        talker.add(at, 0.16, |_, t| {
            let voice: f64 =
                (1..9).map(|k| (std::f64::consts::TAU * 120.0 * f64::from(k) * t).sin() / f64::from(k)).sum();
            0.1 * voice * (std::f64::consts::PI * t / 0.16).sin()
        });
        step = (step * 7.31).fract();
        at += 0.15 + 0.35 * step;
    }
    for (name, tape) in [("silence", silence), ("noise", noise), ("talker", talker)] {
        let take = tape.measure(&TimeHints::default());
        assert_eq!(take.tempo.bpm.value, None, "{name}: {:?}", take.tempo.bpm);
        assert_eq!(take.tempo.bpm.reason.as_deref(), Some("no_steady_beat"), "{name}");
        assert_eq!(take.feel.swing_ratio.reason.as_deref(), Some("no_steady_beat"), "{name}");
    }
    let short = Tape::new(2.0).measure(&TimeHints::default());
    assert_eq!(short.tempo.bpm.reason.as_deref(), Some("too_short"));
}

/// Beats from 0.5 s on at `bpm`; those of the bars for which `change` says so are played faster by that share.
fn grid_with(bpm: f64, bars: usize, change: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut t = 0.5;
    (0..=4 * bars)
        .map(|i| {
            let now = t;
            t += 60.0 / (bpm * (1.0 + change(i / 4 + 1)));
            now
        })
        .collect()
}

#[test]
fn a_rushed_and_a_dragged_bar_are_listed_and_no_other() {
    let beats = grid_with(150.0, 32, |bar| match bar {
        17 => 0.07,
        26 => -0.06,
        _ => 0.0,
    });
    let take = band(&beats, &jazz(2.0)).measure(&TimeHints::default());
    let found: Vec<(u32, bool)> =
        take.slipped_bars.iter().map(|s| (s.bar, s.change_percent.value.unwrap() > 0.0)).collect();
    assert_eq!(found, [(17, true), (26, false)], "{:?}", take.slipped_bars);
    assert!((take.slipped_bars[0].start_s - beats[64]).abs() < 0.03);
    let rushing = grid_with(150.0, 32, |bar| 0.003 * bar as f64);
    let steady = band(&rushing, &jazz(2.0)).measure(&TimeHints::default());
    assert!(steady.slipped_bars.is_empty(), "{:?}", steady.slipped_bars);
}

#[test]
fn the_picture_of_the_bar_shows_ride_skip_notes_and_the_closing_hat() {
    let beats = grid(0.5, 140.0, 0.0, 97);
    let picture = |style: &Style| band(&beats, style).measure(&TimeHints::default()).bar_picture;
    let jazz_bar = picture(&jazz(2.0));
    assert_eq!((jazz_bar.beats, jazz_bar.cymbals.len()), (4, 48));
    for place in 0..48 {
        let struck = place % 12 == 0 || place == 20 || place == 44;
        let share = jazz_bar.cymbals[place];
        assert!(if struck { share > 0.9 } else { share < 0.1 }, "{place}: {share}");
        let closing = jazz_bar.hi_hat_closing[place];
        assert!(if place == 12 || place == 36 { closing > 0.9 } else { closing < 0.1 }, "{place}: {closing}");
    }
    let bare = picture(&Style { hat: false, ..jazz(2.0) });
    assert!(bare.hi_hat_closing.iter().all(|share| *share < 0.1), "{:?}", bare.hi_hat_closing);
    let rock = picture(&rock_beat());
    assert!(rock.kick[0] > 0.9 && rock.kick[24] > 0.9, "{:?}", rock.kick);
    assert!(rock.snare[12] > 0.9 && rock.snare[36] > 0.9 && rock.cymbals[6] > 0.9);
}

#[test]
fn after_a_stop_out_of_time_the_band_is_followed_again_and_the_stop_has_no_beat() {
    let mut beats = grid(0.5, 132.0, 0.0, 65);
    let again = beats[64] + 7.3;
    beats.truncate(64);
    beats.extend(grid(again, 138.0, 0.0, 65));
    let tape = {
        let first = band(&beats[..64], &jazz(2.0));
        let shifted: Vec<f64> = beats[64..].iter().map(|b| b - again + 0.5).collect();
        let second = band(&shifted, &jazz(2.0));
        let mut tape = Tape::new(beats[128] + 2.0);
        let from = ((again - 0.5) * RATE).round() as usize;
        for (offset, part) in [(0, &first), (from, &second)] {
            part.samples.iter().enumerate().for_each(|(i, x)| {
                if let Some(sum) = tape.samples.get_mut(offset + i) {
                    *sum += x;
                }
            });
        }
        tape
    };
    let features = tape.features(12_000);
    let take = measure_take(&features, 0.0, tape.samples.len() as f64 / RATE, &TimeHints::default());
    let played: Vec<f64> = beats[..63].iter().chain(&beats[64..128]).copied().collect();
    let (f, ..) = f_measure(&played, &take.tempo.beat_times_s, 0.03);
    assert!(f > 0.97, "F {f}");
    let stop = (beats[63], again);
    assert!(!take.tempo.beat_times_s.iter().any(|t| *t > stop.0 + 0.8 && *t < stop.1 - 0.2), "beats in the stop");
    assert_eq!(take.without_beat.len(), 1, "{:?}", take.without_beat);
    assert!((take.without_beat[0].1 - again).abs() < 0.1, "{:?}", take.without_beat);
    assert!(take.tempo.curve.iter().all(|(at, _)| *at < stop.0 || *at > stop.1), "tempo in the stop");
    let part = |from: f64, to: f64| measure_part(&features, &take, from, to).tempo.bpm;
    assert!((part(0.0, 25.0).value.unwrap() / 132.0 - 1.0).abs() < 0.003);
    assert!((part(40.0, 90.0).value.unwrap() / 138.0 - 1.0).abs() < 0.003);
    assert_eq!(part(stop.0, stop.1).reason.as_deref(), Some("too_few_beats"));
}

#[test]
fn no_room_recording_claims_a_lag_of_the_bass_and_what_is_left_open_holds_the_truth() {
    let beats = grid(0.5, 160.0, 0.0, 97);
    let feel = |late_ms: f64| {
        let style = Style { bass_late_s: late_ms / 1000.0, ..jazz(2.0) };
        band(&beats, &style).measure(&TimeHints::default()).feel
    };
    for late_ms in [-45.0, -25.0, 0.0, 40.0] {
        let feel = feel(late_ms);
        assert_eq!(feel.bass_to_drums_ms.reason.as_deref(), Some("within_onset_error"), "{late_ms}");
        let most = feel.bass_to_drums_at_most_ms.value.unwrap();
        assert!(most > f64::abs(late_ms) && most < 75.0, "{late_ms}: {most}");
    }
    assert!(feel(0.0).bass_to_drums_spread_ms.value.unwrap() < 10.0);
}

#[test]
fn a_take_with_two_tempi_says_so_and_its_interval_holds_both() {
    let beats = grid_with(140.0, 32, |bar| if bar > 16 { 0.15 } else { 0.0 });
    let bpm = band(&beats, &jazz(2.0)).measure(&TimeHints::default()).tempo.bpm;
    assert!(bpm.warnings.iter().any(|w| w == "tempo_changes"), "{bpm:?}");
    assert!(bpm.low.unwrap() < 140.5 && bpm.high.unwrap() > 160.5, "{bpm:?}");
    let even = band(&grid(0.5, 140.0, 0.06, 129), &jazz(2.0)).measure(&TimeHints::default()).tempo.bpm;
    assert!(even.warnings.is_empty(), "a steady rush is one tempo that moves: {even:?}");
}

#[test]
fn swing_hat_and_tempo_of_each_part_are_its_own() {
    let beats = grid_with(132.0, 24, |bar| if bar > 12 { 0.06 } else { 0.0 });
    let (first, second) = beats.split_at(48);
    let mut tape = band(&[first, &second[..1]].concat(), &jazz(2.6));
    let straight = Style { hat: false, ..jazz(1.0) };
    let later = second.iter().map(|b| b - second[0] + 0.5).collect::<Vec<_>>();
    let from = ((second[0] - 0.5) * RATE).round() as usize;
    let other = band(&later, &straight);
    tape.samples.resize(from + other.samples.len(), 0.0);
    other.samples.iter().enumerate().for_each(|(i, x)| tape.samples[from + i] += x);
    let features = tape.features(12_000);
    let end_s = tape.samples.len() as f64 / RATE;
    let take = measure_take(&features, 0.0, end_s, &TimeHints::default());
    let part = |from: f64, to: f64| measure_part(&features, &take, from, to);
    let (a, b) = (part(0.0, second[0]), part(second[0], end_s));
    assert!((a.swing_ratio.value.unwrap() - 2.6).abs() < 0.25, "{:?}", a.swing_ratio);
    assert!((b.swing_ratio.value.unwrap() - 1.0).abs() < 0.15, "{:?}", b.swing_ratio);
    let hat = |p: &PartTime| p.kit.hat_on_2_and_4_percent.value.unwrap();
    assert!(hat(&a) > 80.0 && hat(&b) < 20.0, "{} {}", hat(&a), hat(&b));
    let changes = take.part_changes(&[second[0]]);
    assert_eq!((changes.len(), changes[0].bar, changes[0].stands_out), (1, 13, true), "{changes:?}");
    assert!((changes[0].change_percent.value.unwrap() - 6.0).abs() < 0.6, "{changes:?}");
    // A part without a beat in it says why.
    assert_eq!(part(end_s - 2.0, end_s).tempo.bpm.reason.as_deref(), Some("too_few_beats"));
}

#[test]
fn where_the_band_falls_apart_no_beat_is_told_and_the_drift_stays_that_of_the_playing() {
    let beats = grid(0.5, 140.0, 0.0, 97);
    let mut tape = band(&beats[..65], &jazz(2.0));
    let from = beats[64];
    tape.samples.resize(((beats[96] + 5.0) * RATE) as usize, 0.0);
    // The ride goes on and slows down; the other voices play off the beat, now before and now after it.
    let off = |i: usize, voice: usize| {
        let side = ((i * i * 31 + i * voice * 17 + voice * 5) % 23) as f64 / 11.0 - 1.0;
        beats[64 + i] + 0.45 * 60.0 / 140.0 * side * (i as f64 / 8.0).min(1.0)
    };
    for i in 0..32 {
        tape.cymbal(from + (beats[64 + i] - from) * (1.0 + 0.004 * i as f64), 0.12, 0.2);
        tape.kick(off(i, 1), 0.04);
        tape.pluck(off(i, 2), 0.35, 36.0 + (i * 5 % 12) as f64, 0.15);
        for step in [4.0, 7.0, 10.0] {
            tape.pluck(off(i, 3), 0.25, 58.0 + step, 0.025);
        }
    }
    let take = tape.measure(&TimeHints::default());
    let (f, ..) = f_measure(&beats[..64], &take.tempo.beat_times_s, 0.03);
    assert!(f > 0.93, "F {f}");
    let last = take.tempo.beat_times_s.last().unwrap();
    assert!(*last < from + 4.5, "{last} for {from}");
    assert!(take.tempo.drift_percent.value.unwrap().abs() < 1.5, "{:?}", take.tempo.drift_percent);
    assert!(take.without_beat.iter().any(|(a, b)| *b - *a > 6.0), "{:?}", take.without_beat);
}

#[test]
fn half_the_tempo_is_put_in_doubt_where_kick_and_bass_tell_two_from_four_unless_a_tempo_is_marked() {
    let beats = grid(0.5, 150.0, 0.0, 129);
    // Ride, hi-hat and high chords; kick and bass on these places of the bar.
    let song = |places: &[usize]| {
        let mut tape = Tape::new(beats[128] + 1.5);
        for (i, beat) in beats[..128].iter().enumerate() {
            tape.cymbal(*beat, 0.12, 0.2);
            if i % 2 == 1 {
                tape.cymbal(*beat + 0.27, 0.12, 0.14);
                tape.cymbal(*beat + 0.012, 0.012, 0.6);
            }
            let root = [0.0, 5.0, 7.0, 2.0][i / 4 % 4];
            for step in [0.0, 4.0, 7.0] {
                tape.pluck(*beat, 0.24, 70.0 + (root + step) % 12.0, 0.025);
            }
            if places.contains(&(i % 4)) {
                tape.kick(*beat, 0.3);
                tape.pluck(*beat, 0.35, 36.0 + root, 0.15);
            }
        }
        tape
    };
    let unsure = |tape: &Tape, marked_bpm: Option<f64>| {
        let bpm = tape.measure(&TimeHints { marked_bpm, beats_in_bar: Some(4) }).tempo.bpm;
        assert!((bpm.value.unwrap_or(0.0) / 150.0 - 1.0).abs() < 0.003, "{bpm:?}");
        bpm.warnings.iter().any(|w| w == "half_or_double_possible")
    };
    let other = song(&[0, 1, 2]);
    assert!(unsure(&other, None));
    assert!(!unsure(&other, Some(150.0)), "the sheet decides");
    assert!(!unsure(&song(&[0, 1, 2, 3]), None), "a walking bass treats 2 and 4 alike");
}
