//! One take in nine file formats gives one finding: same passages, same loudness, one date, one report each.
//!
//! The master is `tests/fixtures/same_take/take.flac`, a synthesised take of the demo band; the compressed files were made
//! from it by `make.sh` beside it, the uncompressed ones are written here.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use ledgerline::passages::PassageKind;
use ledgerline::report::{Report, read_report};
use ledgerline::tape::write_wav::{WavDate, WavFile, WavSample, WavSpec};
use ledgerline::tape::{Tape, TapeSource};

/// Lossy coding moves the level by less than this.
const SAME_LOUDNESS_LU: f64 = 0.2;
/// Passages are cut on a grid of features; coding noise may move a cut by a few frames.
const SAME_BOUNDARY_S: f64 = 0.4;
const DATE: &str = "2026-02-03";

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/same_take")
}

fn samples(path: &Path) -> (u32, Vec<f32>) {
    let mut tape = Tape::open(&TapeSource { pieces: vec![path.to_owned()] }).unwrap();
    let rate = tape.info().sample_rate_hz;
    let mut out = Vec::new();
    while let Some(block) = tape.next_block().unwrap() {
        out.extend_from_slice(&block.channels[0]);
    }
    (rate, out)
}

fn review_all(tapes: &Path, out: &Path) -> Vec<Report> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ledgerline"));
    let output = command.args(["review", "--out"]).args([out, tapes]).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let mut folders: Vec<PathBuf> = std::fs::read_dir(out).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_dir()).collect();
    folders.sort();
    folders.iter().map(|folder| read_report(folder).unwrap()).collect()
}

#[test]
fn one_take_in_nine_formats_gives_one_finding() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    for name in ["take.flac", "take-alac.m4a", "take.mp3", "take-aac.m4a", "take.ogg", "take.opus"] {
        std::fs::copy(fixtures().join(name), tapes.path().join(name)).unwrap();
    }
    let (rate, master) = samples(&fixtures().join("take.flac"));
    for (name, sample) in
        [("take16.wav", WavSample::Pcm16), ("take24.wav", WavSample::Pcm24), ("take-float.wav", WavSample::Float32)]
    {
        let date = WavDate {
            date: DATE.to_owned(),
            time: "15:30:00".to_owned(),
            originator: String::new(),
            description: String::new(),
        };
        let spec = WavSpec { channels: 1, sample_rate_hz: rate, sample, date: Some(date), marks: Vec::new() };
        let mut file = WavFile::create(&tapes.path().join(name), spec).unwrap();
        file.write(&[&master]).unwrap();
        file.finish().unwrap();
    }
    let reports = review_all(tapes.path(), out.path());
    assert_eq!(reports.len(), 9, "one report each");
    let master = reports.iter().find(|r| r.tape.file_name == "take.flac").unwrap();
    assert_eq!(master.takes.len(), 1);
    for report in &reports {
        assert_same(report, master);
    }
}

fn assert_same(report: &Report, master: &Report) {
    let name = &report.tape.file_name;
    let date = report.tape.recorded_at.as_deref().unwrap_or_default();
    assert!(date.starts_with(DATE), "{name}: {date}");
    let kinds = |r: &Report| r.passages.iter().map(|p| p.kind).collect::<Vec<PassageKind>>();
    assert_eq!(kinds(report), kinds(master), "{name}");
    for (passage, same) in report.passages.iter().zip(&master.passages) {
        assert!((passage.start_s - same.start_s).abs() <= SAME_BOUNDARY_S, "{name}: {passage:?} for {same:?}");
    }
    let loudness = |r: &Report| r.takes[0].loudness.integrated_lufs.value.unwrap();
    let apart = (loudness(report) - loudness(master)).abs();
    assert!(apart <= SAME_LOUDNESS_LU, "{name}: {apart} LU apart");
}
