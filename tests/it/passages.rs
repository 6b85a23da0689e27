//! Passages of tapes with known truth (the demo band), laws that they obey, and what they say of sounds that are no band.

use ledgerline::demo::scenario::{HornLine, Instrument, Item, Part, Recorder, Scenario, Take, Tempo};
use ledgerline::demo::{DemoTape, render};
use ledgerline::passages::{Passage, PassageKind};

use crate::hearing::{assert_covers, hear, hear_in_blocks, kind_at, shown};
use crate::test_signals::Noise;

fn rehearsal(name: &str, seed: u64) -> Scenario {
    let take = |bpm: f64, bars: usize| {
        let mut part = Part::new("head", HornLine::Melody);
        part.bars = Some(bars);
        Item::Take(Take { title: "Short".to_owned(), tempo: Tempo::steady(bpm), parts: vec![part], ..Take::default() })
    };
    Scenario {
        sample_rate_hz: 48_000,
        items: vec![
            Item::Quiet { length_s: 3.0 },
            Item::Tuning { instrument: Instrument::Bass, rounds: 1 },
            Item::Talk { length_s: 8.0 },
            take(140.0, 8),
            Item::Talk { length_s: 7.0 },
            take(110.0, 6),
            Item::Quiet { length_s: 3.0 },
        ],
        ..Scenario::school_band(name, seed)
    }
}

fn kind_of(name: &str) -> PassageKind {
    match name {
        "take" => PassageKind::Take,
        "talk" => PassageKind::Talk,
        "tuning" => PassageKind::Tuning,
        "quiet" | "silence" => PassageKind::Quiet,
        other => panic!("the truth knows no {other}"),
    }
}

/// The demo band's quiet has chairs and paper in it, and moving chairs are "other" by the definition of the kinds.
fn is_right(told: PassageKind, truth: PassageKind) -> bool {
    told == truth || (truth == PassageKind::Quiet && told == PassageKind::Other)
}

/// Share of the time, half a second around true boundaries left out, in which the kind is right.
fn right_share(tape: &DemoTape, passages: &[Passage]) -> f64 {
    let (mut right, mut all) = (0.0, 0.0);
    for p in &tape.truth.passages {
        let mut at = p.start_s + 0.5;
        while at < p.end_s - 0.5 {
            all += 1.0;
            right += f64::from(u8::from(kind_at(passages, at).is_some_and(|kind| is_right(kind, kind_of(p.kind)))));
            at += 0.1;
        }
    }
    right / all
}

#[test]
fn a_rehearsal_of_the_demo_band_is_cut_as_its_truth_says() {
    let tape = render(&rehearsal("cut", 5));
    let (_, passages) = hear(&tape.channels, tape.sample_rate_hz);
    let share = right_share(&tape, &passages);
    assert!(share >= 0.93, "{share}: {}\n{:?}", shown(&passages), tape.truth.passages);
    let takes: Vec<&Passage> = passages.iter().filter(|p| p.kind == PassageKind::Take).collect();
    assert_eq!(takes.len(), tape.truth.takes.len(), "{}", shown(&passages));
    for (take, truth) in takes.iter().zip(tape.truth.passages.iter().filter(|p| p.kind == "take")) {
        assert!((take.end_s - truth.end_s).abs() <= 1.5, "{} for {}", take.end_s, truth.end_s);
        assert!(take.start_s >= truth.start_s - 1.0, "{} for {}", take.start_s, truth.start_s);
    }
    assert_covers(&passages, tape.channels[0].len() as f64 / 48_000.0);
}

#[test]
fn a_phone_that_rides_its_gain_and_hears_no_bass_is_cut_alike() {
    let phone = Recorder { gain_riding: true, low_cut_hz: Some(140.0), noise_dbfs: Some(-50.0), ..Recorder::default() };
    let tape = render(&Scenario { recorder: phone, ..rehearsal("phone", 6) });
    let (_, passages) = hear(&tape.channels, tape.sample_rate_hz);
    let share = right_share(&tape, &passages);
    assert!(share >= 0.93, "{share}: {}\n{:?}", shown(&passages), tape.truth.passages);
}

#[test]
fn gain_changes_nothing_above_the_noise_gate() {
    let tape = render(&rehearsal("gain", 7));
    let (_, plain) = hear(&tape.channels, 48_000);
    for db in [-20.0f32, 14.0] {
        let gain = 10f32.powf(db / 20.0);
        let scaled: Vec<Vec<f32>> = tape.channels.iter().map(|c| c.iter().map(|x| x * gain).collect()).collect();
        let (_, passages) = hear(&scaled, 48_000);
        // Levels are kept in half decibels: a frame may fall to the other side.
        assert_eq!(plain.len(), passages.len(), "{db} dB: {} and {}", shown(&plain), shown(&passages));
        for (a, b) in plain.iter().zip(&passages) {
            assert!(a.kind == b.kind && (a.start_s - b.start_s).abs() < 0.35, "{db} dB: {}", shown(&passages));
        }
    }
}

#[test]
fn block_size_changes_nothing() {
    let tape = render(&rehearsal("blocks", 8));
    let (_, a) = hear_in_blocks(&tape.channels, 48_000, 12_000);
    let (_, b) = hear_in_blocks(&tape.channels, 48_000, 4_999);
    assert_eq!(a, b);
}

#[test]
fn quiet_before_the_tape_moves_the_boundaries_by_its_length() {
    let tape = render(&rehearsal("shift", 9));
    let (_, plain) = hear(&tape.channels, 48_000);
    // Two seconds of its own quiet beginning, in whole frames.
    let shift = 23 * 4096;
    let head: Vec<Vec<f32>> =
        tape.channels.iter().map(|c| c[..shift].iter().rev().chain(c.iter()).copied().collect()).collect();
    let (_, moved) = hear(&head, 48_000);
    let by = shift as f64 / 48_000.0;
    assert_eq!(plain.len(), moved.len(), "{} and {}", shown(&plain), shown(&moved));
    for (a, b) in plain.iter().zip(&moved).skip(1) {
        assert!(
            a.kind == b.kind && (b.start_s - a.start_s - by).abs() < 0.35,
            "{} and {}",
            shown(&plain),
            shown(&moved)
        );
    }
}

#[test]
fn the_same_rehearsal_at_44_1_khz_is_cut_alike() {
    let tape = render(&Scenario { sample_rate_hz: 44_100, ..rehearsal("rate", 10) });
    let (_, passages) = hear(&tape.channels, 44_100);
    let share = right_share(&tape, &passages);
    assert!(share >= 0.93, "{share}: {}", shown(&passages));
}

#[test]
fn silence_and_steady_noise_hold_no_take_and_no_talk() {
    let mut noise = Noise(3);
    let white: Vec<f32> = (0..48_000 * 20).map(|_| (0.01 * noise.next()) as f32).collect();
    for (name, x) in [("silence", vec![0.0; 48_000 * 20]), ("offset", vec![0.25; 48_000 * 20]), ("noise", white)] {
        let (_, passages) = hear(&[x], 48_000);
        assert_covers(&passages, 20.0);
        for p in &passages {
            assert!(matches!(p.kind, PassageKind::Quiet | PassageKind::Other), "{name}: {}", shown(&passages));
        }
    }
}

#[test]
fn the_shortest_tapes_are_covered_without_a_take() {
    for frames in [1, 9_600] {
        let x: Vec<f32> = (0..frames).map(|i| (i as f32 * 0.05).sin() * 0.3).collect();
        let (_, passages) = hear(&[x], 48_000);
        assert_covers(&passages, frames as f64 / 48_000.0);
        assert!(passages.iter().all(|p| p.kind != PassageKind::Take), "{}", shown(&passages));
    }
}
