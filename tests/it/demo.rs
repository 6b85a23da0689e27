//! The demo band from outside: its tapes are what their truth says.

use ledgerline::demo::scenario::{Eq, HornLine, Instrument, Item, Kit, Part, Recorder, Room, Scenario, Take, Tempo};
use ledgerline::demo::{DemoTape, RenderOptions, render, render_with, season, wav_spec};

/// A dry room and a recorder without noise.
fn dry(name: &str) -> Scenario {
    Scenario {
        room: Room { rt60_s: 0.15, ..Room::default() },
        recorder: Recorder { noise_dbfs: None, bits: None, ..Recorder::default() },
        ..Scenario::school_band(name, 11)
    }
}

fn short_take() -> Take {
    let mut part = Part::new("head", HornLine::Melody);
    part.bars = Some(4);
    Take { title: "Short".to_owned(), tempo: Tempo::steady(150.0), parts: vec![part], ..Take::default() }
}

fn bytes(tape: &DemoTape) -> Vec<u32> {
    tape.channels.iter().flatten().map(|x| x.to_bits()).collect()
}

#[test]
fn stems_add_up_to_the_tape() {
    let scenario = Scenario { items: vec![Item::Talk { length_s: 2.0 }, Item::Take(short_take())], ..dry("sum") };
    let tape = render_with(&scenario, &RenderOptions { stems: true, ..RenderOptions::default() });
    assert_eq!(tape.stems.len(), 9);
    for (channel, mix) in tape.channels.iter().enumerate() {
        for (frame, x) in mix.iter().enumerate() {
            let sum: f32 = tape.stems.iter().map(|s| s.channels[channel][frame]).sum();
            assert!((sum - x).abs() < 2e-6, "frame {frame}: {sum} {x}");
        }
    }
    for stem in &tape.stems {
        let peak = stem.channels.iter().flatten().fold(0f32, |p, x| p.max(x.abs()));
        assert!(peak > 0.003, "{} is silent", stem.name);
    }
}

#[test]
fn same_seed_gives_the_same_bytes_on_any_threads_and_chunks_and_another_seed_does_not() {
    let scenario = Scenario {
        items: vec![Item::Quiet { length_s: 1.0 }, Item::Take(short_take())],
        ..Scenario::school_band("same", 3)
    };
    let reference = render(&scenario);
    for (threads, chunk_blocks) in [(1, 1), (2, 3), (3, 8)] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let options = RenderOptions { chunk_blocks, ..RenderOptions::default() };
        let again = pool.install(|| render_with(&scenario, &options));
        assert!(bytes(&reference) == bytes(&again), "{threads} threads, chunks of {chunk_blocks}");
        assert_eq!(reference.truth, again.truth);
    }
    let other = render(&Scenario { seed: 4, ..scenario });
    assert!(bytes(&reference) != bytes(&other));
}

/// Gain of the low shelf of the audio EQ cookbook at S = 1 (analogue prototype H(s) = A (s^2 + sqrt(A) sqrt 2 s + A) /
/// (A s^2 + sqrt(A) sqrt 2 s + 1), from the W3C note), which the digital one equals far below half the rate.
fn low_shelf_db(hz: f64, corner_hz: f64, db: f64) -> f64 {
    let a = 10f64.powf(db / 40.0);
    let w = hz / corner_hz;
    let damp = (2.0 * a).sqrt() * w;
    let top = (a - w * w).powi(2) + damp * damp;
    let bottom = (1.0 - a * w * w).powi(2) + damp * damp;
    10.0 * (a * a * top / bottom).log10()
}

fn level_db(x: &[f32], hz: f64, rate_hz: f64) -> f64 {
    let w = std::f64::consts::TAU * hz / rate_hz;
    let (mut re, mut im) = (0.0, 0.0);
    for (k, v) in x.iter().enumerate() {
        let window = 0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / x.len() as f64).cos();
        re += window * f64::from(*v) * (w * k as f64).cos();
        im += window * f64::from(*v) * (w * k as f64).sin();
    }
    10.0 * (re * re + im * im).log10()
}

#[test]
fn the_bass_amplifiers_low_shelf_is_the_cookbooks() {
    let tape = |eq: Vec<Eq>| {
        let mut scenario = dry("shelf").only(&[Instrument::Bass]);
        scenario.items = vec![Item::Tuning { instrument: Instrument::Bass, rounds: 1 }];
        scenario.player_mut(Instrument::Bass).unwrap().eq = eq;
        render(&scenario)
    };
    let (flat, boomy) = (tape(Vec::new()), tape(vec![Eq::LowShelf { hz: 100.0, db: 8.0 }]));
    let rate_hz = f64::from(flat.sample_rate_hz);
    // The recorder sets both tapes to one peak: compare differences between partials of one note only.
    for (note, base_hz) in flat.truth.notes["bass"].iter().zip([41.203, 55.0, 73.416, 97.999]) {
        let start = (note.at_s * rate_hz) as usize;
        let span = start..start + (1.2 * rate_hz) as usize;
        let change = |n: f64| {
            let hz = n * base_hz * (1.0 + 1.2e-4 * n * n).sqrt() / (1.0f64 + 1.2e-4).sqrt();
            level_db(&boomy.channels[0][span.clone()], hz, rate_hz)
                - level_db(&flat.channels[0][span.clone()], hz, rate_hz)
        };
        for n in [1.0, 2.0, 3.0] {
            let want = low_shelf_db(n * base_hz, 100.0, 8.0) - low_shelf_db(4.0 * base_hz, 100.0, 8.0);
            let got = change(n) - change(4.0);
            assert!((got - want).abs() < 0.2, "partial {n} of {base_hz} Hz: {got} for {want}");
        }
    }
}

/// Onset = where the power of the next 4 ms first exceeds that of the 4 ms before by 20 dB.
#[test]
fn strokes_and_notes_start_when_the_truth_says() {
    let mut scenario = dry("onsets").only(&[Instrument::Drums]);
    scenario.items = vec![Item::Take(Take { looseness: 0.0, count_off: false, ..short_take() })];
    let tape = render(&scenario);
    let rate_hz = f64::from(tape.sample_rate_hz);
    let x = &tape.channels[0];
    let frame = (tape.truth.takes[0].start_s * rate_hz) as usize;
    let first = x.iter().position(|v| v.abs() > 1e-3).unwrap();
    assert!(first.abs_diff(frame) < (0.003 * rate_hz) as usize, "{first} {frame}");

    let mut scenario = dry("onsets").only(&[Instrument::Bass, Instrument::Guitar]);
    scenario.items = vec![
        Item::Tuning { instrument: Instrument::Bass, rounds: 1 },
        Item::Tuning { instrument: Instrument::Guitar, rounds: 1 },
    ];
    let tape = render(&scenario);
    let x = &tape.channels[0];
    for note in tape.truth.notes["bass"].iter().chain(&tape.truth.notes["guitar"]) {
        let at = (note.at_s * rate_hz) as usize;
        let power = |a: usize, b: usize| x[a..b].iter().map(|v| f64::from(v * v)).sum::<f64>() / (b - a) as f64;
        assert!(power(at + 40, at + 500) > 50.0 * power(at - 500, at - 4), "note at {}", note.at_s);
    }
}

/// Levels of a school band as in truth-labelled tapes of ours: each layer within 6 dB of its usual place against the tape.
#[test]
fn layers_lie_where_a_school_band_has_them() {
    let mut take = short_take();
    take.parts[0].bars = Some(8);
    take.parts.push(Part { bars: Some(4), ..Part::new("shout", HornLine::Shout) });
    let tape = render(&Scenario { items: vec![Item::Take(take)], ..Scenario::school_band("levels", 8) });
    let parts = &tape.truth.takes[0].parts;
    let tape_lufs = parts[0].lufs.unwrap();
    for (layer, below) in [("bass", -8.0), ("comping", -5.5), ("drums", -8.0), ("horns", -5.0)] {
        let got = parts[0].layer_lufs[layer] - tape_lufs;
        assert!((got - below).abs() < 6.0, "{layer}: {got} dB against the tape");
    }
    assert!(parts[1].layer_lufs["horns"] > parts[0].layer_lufs["horns"] + 4.0, "a shout is louder than a head");
    let peak = tape.channels.iter().flatten().fold(0f32, |p, x| p.max(x.abs()));
    assert!((20.0 * f64::from(peak).log10() + 3.0).abs() < 0.1, "{peak}");
}

#[test]
fn the_season_is_eight_dated_rehearsals_a_week_apart_but_for_one() {
    let weeks = season();
    let dates: Vec<jiff::civil::Date> =
        weeks.iter().map(|w| w.recorded_at.as_ref().unwrap().0.parse().unwrap()).collect();
    let gaps: Vec<i32> = dates.windows(2).map(|pair| pair[0].until(pair[1]).unwrap().get_days()).collect();
    assert_eq!(gaps, [7, 7, 7, 7, 14, 7, 7]);
    for (week, date) in weeks.iter().zip(&dates) {
        assert_eq!(week.name, format!("{date}_rehearsal"));
        assert_eq!(wav_spec(week).date.unwrap().date, date.to_string());
        assert_eq!(week.items.iter().filter(|i| matches!(i, Item::Take(_))).count(), 2);
    }
}

#[test]
fn a_scenario_without_anything_is_a_second_of_noise_and_an_odd_rate_works() {
    let tape = render(&Scenario { sample_rate_hz: 22_050, ..Scenario::school_band("empty", 1) });
    assert_eq!(tape.channels[0].len(), (1.3f64 * 22_050.0).ceil() as usize);
    assert_eq!(tape.truth.takes.len(), 0);
    assert_eq!(tape.truth.balance.low_re_mid_db, None);
    assert!(tape.channels.iter().flatten().all(|x| x.is_finite()));
    let json: serde_json::Value = serde_json::from_str(&tape.truth.to_json().unwrap()).unwrap();
    for key in ["name", "duration", "segments", "takes", "notes", "balance", "tuning", "agc", "clipped", "players"] {
        assert!(json.get(key).is_some(), "{key}");
    }
}

#[test]
fn the_lowest_rate_and_one_microphone_still_make_a_sound_tape() {
    let kit = Kit { backbeat: true, hat_on_2_and_4: false, kick: 0.7 };
    let items = vec![Item::Take(Take { kit, ..short_take() })];
    let mut scenario = Scenario { items, ..Scenario::school_band("narrow", 1) };
    scenario.sample_rate_hz = 8_000;
    scenario.room.stereo = false;
    let tape = render(&scenario);
    assert_eq!(tape.channels.len(), 1);
    let rms = (tape.channels[0].iter().map(|x| f64::from(x * x)).sum::<f64>() / tape.channels[0].len() as f64).sqrt();
    assert!((0.01..0.3).contains(&rms), "{rms}");
}

#[test]
fn an_overdriven_tape_says_that_it_is_clipped_and_is() {
    let mut scenario = Scenario { items: vec![Item::Take(short_take())], ..Scenario::school_band("hot", 2) };
    scenario.recorder.overdrive_db = 9.0;
    let tape = render(&scenario);
    assert!(tape.truth.clipped);
    let cut = tape.channels.iter().flatten().filter(|x| x.abs() > 0.9999).count();
    assert!(cut > 100, "{cut}");
}
