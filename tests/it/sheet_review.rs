//! What a band sheet changes in a report: titles, parts, exposure; and what it must not change: what was played.

use std::path::Path;

use assert_cmd::Command;
use ledgerline::demo::{self, scenario::*, truth::DemoTruth};
use ledgerline::report::{PartSource, Report, read_report};
use ledgerline::tape::write_wav::{WavFile, WavSample, WavSpec};

const RATE: u32 = 16_000;
const MARKED_BPM: f64 = 160.0;
const PLAYED_BPM: f64 = 148.0;

/// Talk, one take of two parts of 12 bars after a count-off, talk.
fn scenario() -> Scenario {
    let part = |label: &str, horns| Part { bars: Some(12), ..Part::new(label, horns) };
    let parts = vec![part("head", HornLine::Melody), part("shout", HornLine::Shout)];
    let take =
        Take { title: "Short".to_owned(), tempo: Tempo::steady(PLAYED_BPM), count_off: true, parts, ..Take::default() };
    let mut scenario = Scenario::school_band("2026-03-14", 11);
    scenario.sample_rate_hz = RATE;
    scenario.items = vec![Item::Talk { length_s: 7.0 }, Item::Take(take), Item::Talk { length_s: 6.0 }];
    scenario
}

fn tape(dir: &Path) -> DemoTruth {
    let tape = demo::render(&scenario());
    let channels = tape.channels.len() as u16;
    let spec = WavSpec { channels, sample_rate_hz: RATE, sample: WavSample::Pcm16, date: None, marks: Vec::new() };
    let mut file = WavFile::create(&dir.join("2026-03-14.wav"), spec).unwrap();
    file.write(&tape.channels.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
    file.finish().unwrap();
    tape.truth
}

fn review(tapes: &Path, out: &Path) -> (Report, String) {
    let output =
        Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(["review", "--out"]).args([out, tapes]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    (read_report(&out.join("2026-03-14_2026-03-14")).unwrap(), said)
}

/// The level that the recording's mean square would show on a meter 100 dB above it.
const SHEET: &str = r#"
[band]
concert_pitch_hz = 440
[players.bass]
strings = 4
[[chart]]
title = "Blue Street"
tempo_bpm = 160
feel = "swing"
beats_in_bar = 4
[[chart.part]]
label = "head"
from_bar = 1
bars = 12
[[chart.part]]
label = "shout"
from_bar = 13
bars = 12
[[chart.part]]
label = "coda"
from_bar = 200
bars = 8
[[rehearsal]]
date = 2026-03-14
order = ["Blue Street"]
[microphone]
curve = "phone.txt"
[festival]
date = 2026-05-02
slot_minutes = 20
charts = ["Blue Street"]
[[festival.goal]]
measure = "low_end_excess_db"
within = 2
[[festival.amp_change]]
date = 2026-03-14
what = "low down a quarter turn"
[level]
full_scale_dba = 110
session_hours = 2
[[level.reading]]
file = "2026-03-14.wav"
at = "59:00"
dba = 88
"#;

#[test]
fn a_sheet_names_takes_and_parts_and_is_never_the_answer() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let truth = tape(tapes.path());
    let (plain, _) = review(tapes.path(), out.path());
    assert_eq!((plain.takes.len(), plain.takes[0].title.as_str()), (1, ""));
    assert!(plain.exposure.is_none() && plain.takes[0].marked.is_none());

    std::fs::write(tapes.path().join("band.toml"), SHEET).unwrap();
    std::fs::write(tapes.path().join("phone.txt"), "40 -6\n20000 -6\n").unwrap();
    let (report, said) = review(tapes.path(), out.path());
    let take = &report.takes[0];
    assert_eq!(take.title, "Blue Street");
    let marked = take.marked.as_ref().unwrap();
    assert_eq!(
        (marked.known_by.as_str(), marked.tempo_bpm, marked.feel.as_deref()),
        ("order", Some(MARKED_BPM), Some("swing"))
    );
    // Marked 160, played at 148, told as 148.
    let bpm = take.tempo.bpm.value.unwrap();
    assert!((bpm - PLAYED_BPM).abs() < 0.01 * PLAYED_BPM, "{bpm}");
    assert_eq!(plain.takes[0].tempo.bpm.value, take.tempo.bpm.value, "the mark moves nothing that was clear");

    let wanted: Vec<(&str, f64, f64)> =
        truth.takes[0].parts.iter().map(|p| (p.label.as_str(), p.start_s, p.end_s)).collect();
    assert_eq!(take.parts.len(), 2, "{:?}", take.parts);
    for (part, (label, start_s, end_s)) in take.parts.iter().zip(wanted) {
        assert_eq!((part.label.as_str(), part.source), (label, PartSource::Sheet));
        assert!((part.start_s - start_s).abs() < 0.07, "{label}: {} {start_s}", part.start_s);
        // The last part of the truth ends with the last note.
        assert!(
            (part.end_s - end_s).abs() < 0.07 || label == "shout" && part.end_s <= take.end_s,
            "{label}: {} {end_s}",
            part.end_s
        );
    }
    // The demo's medium chart is a twelve-bar blues (common practice, no source), here played twice.
    let form = take.form_bars.as_ref().unwrap();
    assert_eq!((form.value, form.n), (Some(12.0), Some(2)), "{form:?}");
    assert_eq!([&take.parts[0], &take.parts[1]].map(|p| p.same_form_as.as_deref()), [None, Some("head")]);
    assert!(report.methods.iter().any(|m| m.family == "forms"));
    let facts = report.sheet.as_ref().unwrap();
    let said_all = facts.problems.join("\n");
    assert!(said_all.contains("take 1 (\"Blue Street\"): part \"coda\" is left out: the take has 2"), "{said_all}");
    assert!(said_all.contains("the sound level reading at 59:00 lies outside the recording"), "{said_all}");
    assert!(said.contains("part \"coda\" is left out"), "{said}");
    assert_exposure(&report);
    assert_microphone(&plain, &report);
    assert_festival(out.path());
}

/// A response of -6 dB everywhere that bands are read lifts them all by 6 dB, and the report says that it was applied.
fn assert_microphone(plain: &Report, report: &Report) {
    assert!(report.assumed.iter().any(|a| a.contains("Microphone correction applied")), "{:?}", report.assumed);
    let method = |r: &Report| r.methods.iter().find(|m| m.family == "balance").unwrap().id.clone();
    assert_ne!(method(plain), method(report));
    let level = |r: &Report| r.balance.third_octave.iter().find(|b| b.mid_hz == 1000.0).unwrap().level_db;
    // Levels are told against the middle, which moves as well.
    assert!((level(plain).unwrap() - level(report).unwrap()).abs() < 0.01);
}

/// The festival of the sheet stands in the season, and a season redrawn from the reports alone keeps it.
fn assert_festival(out: &Path) {
    let festival = || {
        let season = ledgerline::season::read_season(out).unwrap();
        assert!(out.join("festival.png").exists());
        season.festival.unwrap()
    };
    let first = festival();
    assert_eq!((first.date.as_str(), first.run_through.slot_minutes), ("2026-05-02", 20.0));
    assert_eq!((first.goals[0].at_least, first.goals[0].at_most), (Some(-2.0), Some(2.0)));
    assert_eq!(first.run_through.charts[0].title, "Blue Street");
    assert!(first.run_through.charts[0].minutes.value.is_some(), "{:?}", first.run_through.charts[0]);
    let again = Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(["season", "--out"]).arg(out).output().unwrap();
    assert_eq!(again.status.code(), Some(0));
    assert_eq!(festival(), first);
}

/// The constant counts, the reading lies outside the tape.
fn assert_exposure(report: &Report) {
    let exposure = report.exposure.as_ref().unwrap();
    let leq = exposure.leq_dba.value.unwrap();
    assert_eq!((exposure.session_hours, exposure.session_hours_source.as_str()), (Some(2.0), "sheet"));
    // Two hours are a quarter of eight: 6.02 dB (directive 2003/10/EC).
    assert!((exposure.lex_8h_dba.value.unwrap() - (leq - 6.0206)).abs() < 0.01);
    assert!(exposure.caution.contains("no substitute") && exposure.caution.contains("hearing-conservation"));
    assert!(exposure.niosh_dose_percent.value.is_some() && exposure.osha_threshold_dba == Some(80.0));
    assert_eq!(exposure.leq_dba.high.map(|h| (h - leq).round()), Some(2.0));
}
