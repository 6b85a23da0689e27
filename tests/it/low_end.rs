//! The low end through the whole program: a microphone's curve, targets by style, listening files, comparisons.
//!
//! Recordings: the synthesised take of `tests/fixtures/same_take`. Loudness and peaks of the listening files are read by
//! another library (ebur128).

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use ebur128::{EbuR128, Mode};
use ledgerline::report::{AmpControl, Report, read_report, read_target};

fn take() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/same_take/take.flac")
}

/// Exit code, stdout, stderr.
fn ledgerline(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(arguments).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

fn review(out: &Path, more: &[&str]) -> (PathBuf, Report) {
    let tape = take();
    let mut arguments = vec!["review", tape.to_str().unwrap(), "--out", out.to_str().unwrap()];
    arguments.extend(more);
    let (code, _, said) = ledgerline(&arguments);
    assert_eq!(code, Some(0), "{said}");
    let folder = std::fs::read_dir(out).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir()).unwrap();
    let report = read_report(&folder).unwrap();
    (folder, report)
}

fn level_db(report: &Report, hz: f64) -> f64 {
    report.balance.third_octave.iter().find(|b| (b.mid_hz / hz - 1.0).abs() < 0.02).unwrap().level_db.unwrap()
}

#[test]
fn a_microphone_curve_moves_the_balance_is_told_and_is_not_compared_with_one_without() {
    let (plain_out, out, files) =
        (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let curve = files.path().join("mic.txt");
    std::fs::write(&curve, "# hears 6 dB too little at the bottom\n20 -6\n200 -6\n400 0\n20000 0\n").unwrap();
    let (plain_folder, plain) = review(plain_out.path(), &[]);
    let (folder, corrected) = review(out.path(), &["--mic-curve", curve.to_str().unwrap()]);
    let moved = level_db(&corrected, 100.0) - level_db(&plain, 100.0);
    assert!((moved - 6.0).abs() < 0.1, "{moved}");
    let low = corrected.balance.low_end_excess_db.value.unwrap() - plain.balance.low_end_excess_db.value.unwrap();
    assert!((low - 6.0).abs() < 0.1, "{low}");
    assert!(corrected.assumed.iter().any(|a| a.starts_with("Microphone correction applied")));
    let id = |r: &Report| r.methods.iter().find(|m| m.family == "balance").unwrap().id.clone();
    assert!(id(&corrected).starts_with(&format!("{}+mic-", id(&plain))));
    let (code, table, _) = ledgerline(&["compare", plain_folder.to_str().unwrap(), folder.to_str().unwrap()]);
    assert_eq!(code, Some(0));
    assert!(table.contains("not compared: other target or microphone curve"), "{table}");
    std::fs::write(&curve, "20 -6\nbass 3\n").unwrap();
    let (code, _, said) = ledgerline(&["review", take().to_str().unwrap(), "--mic-curve", curve.to_str().unwrap()]);
    assert_eq!(code, Some(2));
    assert!(said.contains("mic.txt: line 2: expected a frequency in Hz and a level in dB, found 'bass 3'"), "{said}");
}

#[test]
fn a_tape_against_itself_differs_in_nothing() {
    let out = tempfile::tempdir().unwrap();
    let (folder, report) = review(out.path(), &[]);
    let name = folder.file_name().unwrap().to_str().unwrap().to_owned();
    let (code, json, _) = ledgerline(&["compare", &name, &name, "--out", out.path().to_str().unwrap(), "--json"]);
    assert_eq!(code, Some(0));
    let compared: serde_json::Value = serde_json::from_str(&json).unwrap();
    let schema: serde_json::Value = serde_json::from_str(&ledgerline(&["schema", "compare"]).1).unwrap();
    jsonschema::validate(&schema, &compared).unwrap();
    let rows = compared["rows"].as_array().unwrap();
    assert!(rows.len() > 5);
    for row in rows.iter().filter(|r| r["difference"]["value"].is_number()) {
        assert_eq!(row["difference"]["value"].as_f64().map(f64::abs), Some(0.0), "{row}");
        assert_eq!(row["verdict"], "noise", "{row}");
    }
    let takes = report.takes.len();
    let (code, _, said) =
        ledgerline(&["compare", &format!("{name}#{}", takes + 1), &name, "--out", out.path().to_str().unwrap()]);
    assert_eq!((code, said.contains("takes count from 1")), (Some(2), true), "{said}");
    let (code, _, said) = ledgerline(&["compare", "1999-01-01", &name, "--out", out.path().to_str().unwrap()]);
    assert_eq!((code, said.contains("review the tape first")), (Some(2), true), "{said}");
    let excess = report.takes[0].low_end_excess_db.clone().unwrap();
    assert!(excess.value.is_some() && excess.low < excess.high);
    let share = &report.balance.low_end_share;
    let sum: f64 = [&share.bass, &share.kick, &share.other].iter().filter_map(|m| m.value).sum();
    assert!((sum - 1.0).abs() < 0.01, "{sum}");
}

#[test]
fn folders_of_styles_give_a_target_each_and_an_unknown_style_is_refused() {
    let (tapes, into, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    for style in ["swing", "ballad"] {
        std::fs::create_dir(tapes.path().join(style)).unwrap();
        std::fs::copy(take(), tapes.path().join(style).join(format!("{style}.flac"))).unwrap();
    }
    let into_name = into.path().to_str().unwrap();
    let (code, _, said) =
        ledgerline(&["reference", tapes.path().to_str().unwrap(), "--name", "hall", "--into", into_name, "--own"]);
    assert_eq!(code, Some(0), "{said}");
    let file = read_target(Path::new("hall"), into.path()).unwrap();
    assert_eq!(file.styles.iter().map(|s| s.style.as_str()).collect::<Vec<_>>(), ["ballad", "swing"]);
    assert!(file.styles.iter().all(|s| (s.low_re_mid_db - file.low_re_mid_db).abs() < 0.01));
    assert!(file.own_bass_db.iter().flatten().count() > 0, "our own bass is kept");
    assert!(file.own_bass_share.is_some_and(|share| (0.0..=1.0).contains(&share)), "{:?}", file.own_bass_share);
    let target = into.path().join("hall.json");
    let (_, report) = review(out.path(), &["--target", target.to_str().unwrap(), "--style", "Swing"]);
    assert_eq!(report.balance.target.name, "hall, swing");
    assert!(report.balance.low_end_excess_db.value.unwrap().abs() < 0.05);
    // Every control of both amplifiers has its row; a tape against itself needs no knob, and each row says why not.
    assert_eq!(report.amp_advice.len(), 8);
    for row in &report.amp_advice {
        assert!(row.change_db.value.is_none() && row.change_db.reason.is_some(), "{row:?}");
    }
    let (code, _, said) =
        ledgerline(&["review", take().to_str().unwrap(), "--target", target.to_str().unwrap(), "--style", "waltz"]);
    assert_eq!(code, Some(2));
    assert!(said.contains("target 'hall' has no style 'waltz'"), "{said}");
}

/// Integrated loudness (LUFS) and true peak (dBTP) by another library, and bits a sample.
fn heard(path: &Path) -> (f64, f64, u16) {
    let mut wav = hound::WavReader::open(path).unwrap();
    let spec = wav.spec();
    let samples: Vec<f32> = wav.samples::<i32>().map(|s| s.unwrap() as f32 / 8_388_608.0).collect();
    let mut meter = EbuR128::new(u32::from(spec.channels), spec.sample_rate, Mode::I | Mode::TRUE_PEAK).unwrap();
    meter.add_frames_f32(&samples).unwrap();
    let peak = (0..u32::from(spec.channels)).map(|c| meter.true_peak(c).unwrap()).fold(0.0, f64::max);
    (meter.loudness_global().unwrap(), 20.0 * peak.log10(), spec.bits_per_sample)
}

#[test]
fn listening_files_are_equally_loud_do_not_clip_and_keep_their_promise() {
    let out = tempfile::tempdir().unwrap();
    let (code, _, said) =
        ledgerline(&["listen", take().to_str().unwrap(), "--out", out.path().to_str().unwrap(), "--low", "-6"]);
    assert_eq!(code, Some(0), "{said}");
    let mut files: Vec<PathBuf> = std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    assert_eq!(files.len(), 2, "{said}");
    let (a, b) = (heard(&files[0]), heard(&files[1]));
    assert!((a.0 - b.0).abs() <= 0.1, "{a:?} {b:?}");
    assert!(a.1 < -1.0 && b.1 < -1.0, "{a:?} {b:?}");
    assert_eq!((a.2, b.2), (24, 24));
    let line = said.lines().find(|l| l.contains("promised")).unwrap();
    let numbers: Vec<f64> = line.split(' ').filter_map(|w| w.parse().ok()).collect();
    assert!(numbers[0] < -0.5, "{line}");
    assert!((numbers[0] - numbers[1]).abs() <= 1.0, "{line}");
}

/// The take with a high shelf (audio EQ cookbook, W3C Group Note, 8 June 2021; coefficients tested with the filters) as a WAV file.
fn brighter(db: f64, path: &Path) {
    use ledgerline::dsp::filters::{Biquad, BiquadFilter};
    use ledgerline::tape::{Tape, TapeSource};
    let mut tape = Tape::open(&TapeSource { pieces: vec![take()] }).unwrap();
    let rate = tape.info().sample_rate_hz;
    let mut samples: Vec<f32> = Vec::new();
    while let Some(block) = tape.next_block().unwrap() {
        samples.extend(&block.channels[0]);
    }
    BiquadFilter::new(Biquad::high_shelf(f64::from(rate), 2500.0, 1.0, db)).process(&mut samples);
    let spec =
        hound::WavSpec { channels: 1, sample_rate: rate, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|x| wav.write_sample((x * 0.2 * 8_388_607.0) as i32).unwrap());
    wav.finalize().unwrap();
}

#[test]
fn a_recording_close_to_a_player_is_told_its_high_control_against_his_own_earlier_one() {
    let (tapes, into, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let into_name = into.path().to_str().unwrap();
    let (code, _, said) = ledgerline(&[
        "reference",
        take().to_str().unwrap(),
        "--name",
        "amp",
        "--into",
        into_name,
        "--close-to",
        "guitar",
    ]);
    assert_eq!(code, Some(0), "{said}");
    let target = into.path().join("amp.json");
    brighter(10.0, &tapes.path().join("bright.wav"));
    std::fs::write(
        tapes.path().join("band.toml"),
        "[amp.guitar]\nhigh_corner_hz = 2500\n[[recording]]\nfile = \"bright.wav\"\nclose_to = \"guitar\"\n",
    )
    .unwrap();
    let (tapes_name, out_name) = (tapes.path().to_str().unwrap(), out.path().to_str().unwrap());
    let target_name = target.to_str().unwrap();
    let (code, _, said) = ledgerline(&["review", tapes_name, "--out", out_name, "--close-target", target_name]);
    assert_eq!(code, Some(0), "{said}");
    let folder = std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir()).unwrap();
    let report = read_report(&folder).unwrap();
    let row = |instrument: &str, control: AmpControl| {
        report.amp_advice.iter().find(|a| a.instrument == instrument && a.control == control).unwrap()
    };
    let high = row("guitar", AmpControl::High);
    assert!((high.change_db.value.unwrap() + 10.0).abs() <= 1.5, "{high:?}");
    assert!(high.change_db.low.unwrap() <= -10.0 && -10.0 <= high.change_db.high.unwrap(), "{high:?}");
    assert_eq!(row("guitar", AmpControl::Mid).change_db.reason.as_deref(), Some("as_in_the_target"));
    assert_eq!(row("bass", AmpControl::Low).change_db.reason.as_deref(), Some("close_to_another_player"));
    // Each target in its own place.
    let (code, _, said) = ledgerline(&["review", tapes_name, "--out", out_name, "--target", target_name]);
    assert_eq!((code, said.contains("give it with --close-target")), (Some(2), true), "{said}");
}

#[test]
fn other_controls_can_be_tried_by_ear_and_none_turns_further_than_one_can() {
    let out = tempfile::tempdir().unwrap();
    let tape = take();
    let listen = |control: &str, db: &str| {
        ledgerline(&["listen", tape.to_str().unwrap(), "--out", out.path().to_str().unwrap(), control, db])
    };
    let (code, _, said) = listen("--level", "-4");
    assert_eq!((code, said.contains("bass layer alone changed (level -4.0 dB)")), (Some(0), true), "{said}");
    let (code, _, said) = listen("--high", "16");
    assert_eq!((code, said.contains("--high lies beyond 15 dB")), (Some(2), true), "{said}");
}
