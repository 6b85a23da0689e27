//! A target learnt from recordings does not depend on their level or format, and the review compares with it.
//!
//! Recordings: the synthesised take of `tests/fixtures/same_take` (see `same_take`), made louder and softer here.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use ledgerline::report::{TargetFile, read_report, read_target};
use ledgerline::tape::write_wav::{WavFile, WavSample, WavSpec};
use ledgerline::tape::{Tape, TapeSource};

/// What a level, and what lossy coding, may move a band that the target claims.
const SAME_BAND_DB: f64 = 0.3;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/same_take").join(name)
}

fn master() -> (u32, Vec<f32>) {
    let mut tape = Tape::open(&TapeSource { pieces: vec![fixture("take.flac")] }).unwrap();
    let rate = tape.info().sample_rate_hz;
    let mut out = Vec::new();
    while let Some(block) = tape.next_block().unwrap() {
        out.extend_from_slice(&block.channels[0]);
    }
    (rate, out)
}

fn write(path: &Path, rate: u32, samples: &[f32]) {
    let spec = WavSpec { channels: 1, sample_rate_hz: rate, sample: WavSample::Float32, date: None, marks: Vec::new() };
    let mut file = WavFile::create(path, spec).unwrap();
    file.write(&[samples]).unwrap();
    file.finish().unwrap();
}

fn ledgerline(arguments: &[&str]) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(arguments).output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

fn learn(tape: &Path, name: &str, into: &Path) -> TargetFile {
    let (code, said) =
        ledgerline(&["reference", tape.to_str().unwrap(), "--name", name, "--into", into.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{said}");
    read_target(Path::new(name), into).unwrap()
}

fn assert_same(name: &str, target: &TargetFile, master: &TargetFile) {
    assert!((target.low_re_mid_db - master.low_re_mid_db).abs() <= SAME_BAND_DB, "{name}: low end");
    for band in &target.bands {
        let same = master.bands.iter().find(|b| b.mid_hz == band.mid_hz);
        let off = same.map_or(0.0, |s| (band.level_db - s.level_db).abs());
        assert!(off <= SAME_BAND_DB, "{name}: {} Hz is off by {off:.2} dB", band.mid_hz);
    }
    assert!(2 * target.bands.len() > master.bands.len(), "{name}: hardly any band is claimed");
}

#[test]
fn the_target_is_the_same_from_a_soft_or_loud_recording_and_from_lossy_files() {
    let (tapes, into) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let reference = learn(&fixture("take.flac"), "master", into.path());
    let (rate, samples) = master();
    let peak = samples.iter().fold(0.0f32, |m, x| m.max(x.abs()));
    for peak_dbfs in [-40.0f32, -20.0, 0.0] {
        let gain = 10f32.powf(peak_dbfs / 20.0) / peak;
        let path = tapes.path().join("level.wav");
        write(&path, rate, &samples.iter().map(|x| x * gain).collect::<Vec<_>>());
        assert_same(&format!("{peak_dbfs} dBFS"), &learn(&path, "level", into.path()), &reference);
    }
    for name in ["take.mp3", "take-aac.m4a", "take-alac.m4a"] {
        assert_same(name, &learn(&fixture(name), "format", into.path()), &reference);
    }
}

#[test]
fn a_review_against_a_learnt_target_says_so_and_finds_the_band_on_it() {
    let (out, into) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    learn(&fixture("take.flac"), "Our best evening", into.path());
    let target = into.path().join("our-best-evening.json");
    let review = |more: &[&str]| {
        let tape = fixture("take.ogg");
        let mut arguments = vec!["review", tape.to_str().unwrap(), "--out", out.path().to_str().unwrap()];
        arguments.extend(more);
        let (code, said) = ledgerline(&arguments);
        assert_eq!(code, Some(0), "{said}");
        let folder = std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir()).unwrap();
        (read_report(&folder).unwrap(), said)
    };
    let (plain, _) = review(&[]);
    let (against, said) = review(&["--target", target.to_str().unwrap()]);
    assert!(!said.contains("unchanged"), "another target is another measurement");
    assert_eq!(against.balance.target.name, "Our best evening");
    assert_eq!(against.balance.target.source, "learnt from 1 recording");
    assert!(against.balance.low_end_excess_db.value.unwrap().abs() < SAME_BAND_DB);
    assert_ne!(plain.balance.low_end_excess_db.value, against.balance.low_end_excess_db.value);
    let id = |r: &ledgerline::report::Report| r.methods.iter().find(|m| m.family == "balance").unwrap().id.clone();
    assert!(id(&against).starts_with(&format!("{}+target-", id(&plain))), "{}", id(&against));
    assert!(review(&["--target", target.to_str().unwrap()]).1.contains("unchanged"));
}

#[test]
fn what_cannot_be_learnt_or_found_is_said_and_nothing_is_written() {
    let (tapes, into) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let silence = tapes.path().join("silence.wav");
    write(&silence, 44_100, &vec![0.0; 44_100 * 4]);
    let into_name = into.path().to_str().unwrap();
    let (code, said) = ledgerline(&["reference", silence.to_str().unwrap(), "--name", "x", "--into", into_name]);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("none of the recordings has playing whose low end can be heard"), "{said}");
    assert_eq!(std::fs::read_dir(into.path()).unwrap().count(), 0);
    let (code, said) = ledgerline(&["review", silence.to_str().unwrap(), "--target", "nobody-learnt-this"]);
    assert_eq!(code, Some(2));
    assert!(said.contains("nobody-learnt-this.json: cannot be read"), "{said}");
    let wrong = tapes.path().join("wrong.json");
    std::fs::write(&wrong, "{\"schema\": {\"name\": \"ledgerline.season\", \"version\": 1, \"revision\": 0}}").unwrap();
    let (code, said) = ledgerline(&["review", silence.to_str().unwrap(), "--target", wrong.to_str().unwrap()]);
    assert_eq!(code, Some(2));
    assert!(said.contains("expected `ledgerline.target`"), "{said}");
}

#[test]
fn a_name_cannot_leave_the_folder_of_the_targets() {
    let folder = Path::new("targets");
    for name in ["../../x", "/etc/x", "a/b", "..", "c:\\x", "x.json"] {
        let path = ledgerline::report::target_path(folder, name);
        assert_eq!(path.parent(), Some(folder), "{name}: {}", path.display());
    }
}
