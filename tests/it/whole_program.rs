//! The real binary on real folders: exit codes, messages, files made, and the second run.

use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use ledgerline::chart::{BALANCE_FILE, LAYERS_FILE, write_all};
use ledgerline::demo::{self, scenario::*};
use ledgerline::report::{Report, read_curves, read_report};
use ledgerline::tape::write_wav::{WavFile, WavMark, WavSample, WavSpec};

fn ledgerline(arguments: &[&str], paths: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ledgerline"));
    command.args(arguments).args(paths).output().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn write_wav(path: &Path, rate: u32, sample: WavSample, channels: &[Vec<f32>]) {
    let spec = WavSpec { channels: channels.len() as u16, sample_rate_hz: rate, sample, date: None, marks: Vec::new() };
    let mut file = WavFile::create(path, spec).unwrap();
    let planes: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    file.write(&planes).unwrap();
    file.finish().unwrap();
}

/// A short rehearsal: talk, one short take, talk.
fn short_rehearsal(rate: u32) -> Vec<Vec<f32>> {
    let mut scenario = Scenario::school_band("short", 7);
    scenario.sample_rate_hz = rate;
    scenario.items = vec![
        Item::Talk { length_s: 8.0 },
        Item::Take(Take { parts: vec![Part::new("head", HornLine::Melody)], ..Take::default() }),
        Item::Talk { length_s: 6.0 },
    ];
    demo::render(&scenario).channels
}

fn talk_only() -> Vec<Vec<f32>> {
    let mut scenario = Scenario::school_band("talk", 8);
    scenario.items = vec![Item::Talk { length_s: 20.0 }];
    demo::render(&scenario).channels
}

fn reports(out: &Path) -> Vec<(String, Report)> {
    let mut found: Vec<(String, Report)> = std::fs::read_dir(out)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.join("report.json").exists())
        .map(|p| (p.file_name().unwrap().to_string_lossy().into_owned(), read_report(&p).unwrap()))
        .collect();
    found.sort_by(|a, b| a.0.cmp(&b.0));
    found
}

fn report_of<'a>(reports: &'a [(String, Report)], file_name: &str) -> &'a Report {
    &reports.iter().find(|(_, r)| r.tape.file_name == file_name).unwrap_or_else(|| panic!("{file_name}: no report")).1
}

/// A copy that nobody may read; taken away again where that does not hold (an administrator reads everything).
#[cfg(unix)]
fn lock(path: &Path, of: &Path) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::copy(of, path).unwrap();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::File::open(path).is_ok() {
        std::fs::remove_file(path).unwrap();
    }
}

/// Broken files among good ones; the good ones' names.
fn broken_among_good(dir: &Path) -> Vec<&'static str> {
    let fixture = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/tape").join(name);
    let good = short_rehearsal(44_100);
    write_wav(&dir.join("good.wav"), 44_100, WavSample::Pcm16, &good);
    std::fs::write(dir.join("empty.wav"), b"").unwrap();
    std::fs::write(dir.join("text.wav"), "set list: warm-up, blues, ballad\n".repeat(40)).unwrap();
    let m4a = std::fs::read(fixture("aac.m4a")).unwrap();
    std::fs::write(dir.join("truncated.m4a"), &m4a[..m4a.len() / 2]).unwrap();
    let mut headless = std::fs::read(dir.join("good.wav")).unwrap();
    headless[4..8].fill(0);
    let data = headless.windows(4).position(|w| w == b"data").unwrap();
    headless[data + 4..data + 8].fill(0);
    std::fs::write(dir.join("zero-size-header.wav"), headless).unwrap();
    write_wav(&dir.join("silence.wav"), 48_000, WavSample::Pcm16, &vec![vec![0.0; 48_000 * 5]; 2]);
    let blink: Vec<Vec<f32>> = good.iter().map(|c| c[44_100 * 12..44_100 * 12 + 8820].to_vec()).collect();
    write_wav(&dir.join("blink.wav"), 44_100, WavSample::Pcm16, &blink);
    write_wav(&dir.join("speech.wav"), 44_100, WavSample::Pcm16, &talk_only());
    write_wav(&dir.join("narrow.wav"), 8000, WavSample::Pcm16, &short_rehearsal(8000)[..1]);
    let wide: Vec<f32> = (0..192_000 * 3).map(|i| (i as f32 * 0.02).sin() * 0.2).collect();
    write_wav(&dir.join("wide.wav"), 192_000, WavSample::Pcm24, &[wide.clone(), wide]);
    write_wav(&dir.join("six.wav"), 44_100, WavSample::Pcm16, &vec![good[0].clone(); 6]);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut nan = hound::WavWriter::create(dir.join("nan.wav"), spec).unwrap();
    for i in 0..48_000 * 4 {
        nan.write_sample(if i % 1000 == 0 { f32::NAN } else { (i as f32 * 0.05).sin() * 0.3 }).unwrap();
    }
    nan.finalize().unwrap();
    std::fs::create_dir(dir.join("folder.wav")).unwrap();
    std::fs::write(dir.join("folder.wav/notes.txt"), "not a tape").unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(dir.join("nowhere"), dir.join("unreadable.wav")).unwrap();
    #[cfg(unix)]
    lock(&dir.join("locked.wav"), &dir.join("good.wav"));
    vec![
        "blink.wav",
        "good.wav",
        "nan.wav",
        "narrow.wav",
        "silence.wav",
        "six.wav",
        "speech.wav",
        "wide.wav",
        "zero-size-header.wav",
    ]
}

#[test]
fn broken_files_among_good_ones_get_a_clear_line_each_and_the_good_ones_a_report() {
    let tapes = tempfile::tempdir().unwrap();
    let out = tempfile::tempdir().unwrap();
    let good = broken_among_good(tapes.path());
    let output = ledgerline(&["review", "--out", out.path().to_str().unwrap()], &[tapes.path()]);
    let said = stderr(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(output.stdout.is_empty());
    assert!(!said.contains("panicked"), "{said}");
    let mut broken = vec!["empty.wav", "text.wav", "truncated.m4a"];
    if cfg!(unix) {
        broken.push("unreadable.wav");
    }
    if tapes.path().join("locked.wav").exists() {
        broken.push("locked.wav");
    }
    for name in &broken {
        assert!(said.lines().any(|l| l.contains(&format!("{name}:"))), "no line for {name} in\n{said}");
    }
    assert!(said.contains(&format!("{} not measured", broken.len())), "{said}");
    let reports = reports(out.path());
    let mut named: Vec<&str> = reports.iter().map(|(_, r)| r.tape.file_name.as_str()).collect();
    named.sort_unstable();
    assert_eq!(named, good);
    assert_absences(&reports);
}

/// What there is nothing to say about is null with a reason, and nothing is invented.
fn assert_absences(reports: &[(String, Report)]) {
    let silence = report_of(reports, "silence.wav");
    assert!(silence.takes.is_empty());
    assert_eq!(silence.balance.low_end_excess_db.value, None);
    assert!(silence.balance.low_end_excess_db.reason.is_some());
    assert!(silence.time_use.quiet_s > 4.9);
    assert!(report_of(reports, "speech.wav").takes.is_empty());
    assert!(report_of(reports, "nan.wav").tape.warnings.iter().any(|w| w.contains("not_finite")));
    assert!(report_of(reports, "zero-size-header.wav").tape.duration_s > 20.0);
    let good = report_of(reports, "good.wav");
    assert_eq!(good.takes.len(), 1);
    assert!(good.takes[0].loudness.integrated_lufs.value.is_some());
    // Six equal channels: the low-frequency channel does not count, the surrounds count 1.41 (BS.1770-5 table 3).
    let six = report_of(reports, "six.wav");
    assert_eq!((six.tape.channels, six.takes.len()), (6, 1));
}

fn folder_bytes(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files: Vec<(PathBuf, Vec<u8>)> = walkdir::WalkDir::new(dir)
        .sort_by_file_name()
        .into_iter()
        .map(|e| e.unwrap().into_path())
        .filter(|p| p.is_file())
        .map(|p| (p.strip_prefix(dir).unwrap().to_owned(), std::fs::read(&p).unwrap()))
        .collect();
    files.sort();
    files
}

#[test]
fn a_second_run_skips_what_is_unchanged_and_neither_threads_nor_place_nor_language_change_a_byte() {
    let tapes = tempfile::tempdir().unwrap();
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let music = short_rehearsal(44_100);
    write_wav(&tapes.path().join("2026-02-03 a.wav"), 44_100, WavSample::Pcm16, &music);
    write_wav(&tapes.path().join("2026-02-10 b.wav"), 44_100, WavSample::Pcm24, &music[..1]);
    let run = |out: &Path, more: &[&str]| {
        let arguments = [&["review", "--out", out.to_str().unwrap()], more].concat();
        let output = ledgerline(&arguments, &[tapes.path()]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        stderr(&output)
    };
    run(one.path(), &["--jobs", "2"]);
    // One thread in all, another time zone, another language, another folder to start from.
    let elsewhere = std::process::Command::new(env!("CARGO_BIN_EXE_ledgerline"))
        .args(["review", "--jobs", "1", "--out"])
        .args([two.path(), tapes.path()])
        .envs([
            ("RAYON_NUM_THREADS", "1"),
            ("TZ", "Pacific/Kiritimati"),
            ("LC_ALL", "tr_TR.UTF-8"),
            ("LANG", "tr_TR.UTF-8"),
        ])
        .current_dir(tapes.path())
        .output()
        .unwrap();
    assert_eq!(elsewhere.status.code(), Some(0), "{}", stderr(&elsewhere));
    let first = folder_bytes(one.path());
    assert_eq!(first, folder_bytes(two.path()));
    assert!(run(one.path(), &[]).contains("2 unchanged"));
    assert_eq!(first, folder_bytes(one.path()));
    assert!(run(one.path(), &["--again"]).contains("2 tapes reviewed"));
    assert_eq!(first, folder_bytes(one.path()));
    for name in [
        "page.png",
        "loudness.png",
        "balance.png",
        "tuning.png",
        "time.png",
        "layers.png",
        "report.json",
        "curves.json",
    ] {
        assert!(one.path().join("2026-02-03_2026-02-03-a").join(name).exists(), "{name}");
    }
    assert!(one.path().join("season.json").exists() && one.path().join("season.png").exists());
    assert_drawn_from_what_is_stored(&one.path().join("2026-02-03_2026-02-03-a"));
}

/// The pictures that show no curve come out the same from the report that was read back: not from finer numbers than it holds.
fn assert_drawn_from_what_is_stored(folder: &Path) {
    let again = tempfile::tempdir().unwrap();
    write_all(&read_report(folder).unwrap(), &read_curves(folder).unwrap(), again.path()).unwrap();
    for name in [BALANCE_FILE, LAYERS_FILE] {
        assert_eq!(
            std::fs::read(folder.join(name)).unwrap(),
            std::fs::read(again.path().join(name)).unwrap(),
            "{name}"
        );
    }
}

#[test]
fn nothing_to_do_is_exit_code_two_with_a_hint() {
    let empty = tempfile::tempdir().unwrap();
    let out = tempfile::tempdir().unwrap();
    let output = ledgerline(&["review", "--out", out.path().to_str().unwrap()], &[empty.path()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("no tape found") && stderr(&output).contains("hint: "), "{}", stderr(&output));
    let missing = ledgerline(&["season", "--out"], &[&empty.path().join("none")]);
    assert_eq!(missing.status.code(), Some(2));
}

#[test]
fn an_out_folder_that_cannot_be_written_to_is_exit_code_two_before_any_work() {
    let tapes = tempfile::tempdir().unwrap();
    write_wav(&tapes.path().join("a.wav"), 8000, WavSample::Pcm16, &[vec![0.1; 8000]]);
    let file = tapes.path().join("taken");
    std::fs::write(&file, "x").unwrap();
    let output = ledgerline(&["review", "--out", file.to_str().unwrap()], &[tapes.path()]);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "x");
}

#[test]
fn schemas_are_printed_and_hold_for_what_is_written() {
    let tapes = tempfile::tempdir().unwrap();
    let out = tempfile::tempdir().unwrap();
    write_wav(&tapes.path().join("2026-03-01.wav"), 8000, WavSample::Pcm16, &short_rehearsal(8000));
    let output = ledgerline(&["review", "--out", out.path().to_str().unwrap()], &[tapes.path()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let folder = out.path().join("2026-03-01_2026-03-01");
    let files = [
        ("report", folder.join("report.json")),
        ("curves", folder.join("curves.json")),
        ("season", out.path().join("season.json")),
    ];
    for (name, path) in files {
        let printed = ledgerline(&["schema", name], &[]);
        assert_eq!(printed.status.code(), Some(0));
        let schema: serde_json::Value = serde_json::from_slice(&printed.stdout).unwrap();
        let file: serde_json::Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
        if let Err(error) = jsonschema::validate(&schema, &file) {
            panic!("{name}: {error}");
        }
    }
    assert_eq!(ledgerline(&["schema", "nonsense"], &[]).status.code(), Some(2));
}

/// File names, folders, titles and labels that try to lead elsewhere, or are one name to some file systems: every tape gets a
/// folder of its own inside the out folder, under a plain name, and nothing else appears anywhere.
#[cfg(unix)]
#[test]
fn no_name_of_a_file_a_mark_or_a_sheet_leads_out_of_the_out_folder() {
    let place = tempfile::tempdir().unwrap();
    let deep: PathBuf = std::iter::repeat_n("d".repeat(200), 6).collect();
    let tapes = place.path().join("tapes ünï 楽団");
    std::fs::create_dir_all(tapes.join(&deep)).unwrap();
    let long = format!("{}é.wav", "n".repeat(240));
    let names = [
        "Über uns 日本 \u{202e}gnp.wav",
        "CASE.wav",
        "case.wav",
        "up\\..\\..\\ $(touch x) `x`;.wav",
        "a\nb.wav",
        &long,
    ];
    for (number, name) in (1u16..).zip(names) {
        let mark = WavMark { at_frame: 4000, length_frames: None, label: "../../marked".to_owned() };
        let spec =
            WavSpec { channels: 1, sample_rate_hz: 8000, sample: WavSample::Pcm16, date: None, marks: vec![mark] };
        let mut file =
            WavFile::create(&tapes.join(if number == 6 { deep.join(name) } else { name.into() }), spec).unwrap();
        let tone: Vec<f32> = (0..8000).map(|i| (f32::from(number) * 0.1 * i as f32).sin() * 0.3).collect();
        file.write(&[&tone]).unwrap();
        file.finish().unwrap();
    }
    let sheet = "[band]\nname = \"../../band\"\nroom = \"/etc\"\n[players.bass]\ninstrument = \"../../../bass\"\n\
                 [[chart]]\ntitle = \"../../../title\"\n[[chart.part]]\nlabel = \"../up\"\nfrom_bar = 1\nbars = 4\n";
    std::fs::write(tapes.join("band.toml"), sheet).unwrap();
    std::fs::create_dir(place.path().join("out")).unwrap();
    let out = place.path().join("out").join("reports");
    let before = folder_bytes(&tapes);
    let output = ledgerline(&["review", "--out", out.to_str().unwrap()], &[&tapes]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let said = stderr(&output);
    assert!(said.contains("\\u{202e}gnp.wav") && !said.contains('\u{202e}'), "{said}");
    let found = reports(&out);
    assert_eq!(found.len(), names.len());
    let plain = |name: &str| name.len() <= 100 && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b));
    assert!(found.iter().all(|(folder, _)| plain(folder)), "{:?}", found.iter().map(|f| &f.0).collect::<Vec<_>>());
    let lower: std::collections::BTreeSet<String> = found.iter().map(|f| f.0.to_lowercase()).collect();
    assert_eq!(lower.len(), names.len(), "{lower:?}");
    assert!(names.iter().all(|name| found.iter().any(|(_, r)| r.tape.file_name == *name)));
    assert_eq!(folder_bytes(&tapes), before);
    let beside = |dir: &Path| std::fs::read_dir(dir).unwrap().count();
    assert_eq!((beside(place.path()), beside(out.parent().unwrap())), (2, 1));
}

/// A tape long enough that an interrupt arrives while it is being measured: noise, ten minutes.
#[cfg(unix)]
fn long_noise(path: &Path) {
    let mut state = 1u32;
    let minute: Vec<f32> = (0..48_000 * 60)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32 * 0.2 - 0.1
        })
        .collect();
    let spec = WavSpec { channels: 1, sample_rate_hz: 48_000, sample: WavSample::Pcm16, date: None, marks: Vec::new() };
    let mut file = WavFile::create(path, spec).unwrap();
    for _ in 0..10 {
        file.write(&[&minute]).unwrap();
    }
    file.finish().unwrap();
}

/// Found by killed runs: the order of the others in a report hung on which of them had been measured anew.
#[test]
fn three_tapes_of_a_date_are_written_as_before_when_one_report_is_gone() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let music = short_rehearsal(8000);
    for name in ["first", "second", "third"] {
        write_wav(&tapes.path().join(format!("2026-01-05 {name}.wav")), 8000, WavSample::Pcm16, &music[..1]);
    }
    let review = || ledgerline(&["review", "--out"], &[out.path(), tapes.path()]);
    assert_eq!(review().status.code(), Some(0));
    let before = folder_bytes(out.path());
    let (third, _) = reports(out.path()).into_iter().next_back().unwrap();
    std::fs::remove_dir_all(out.path().join(third)).unwrap();
    assert_eq!(review().status.code(), Some(0));
    assert!(folder_bytes(out.path()) == before);
}

/// Ended by SIGKILL at several moments, the reports are whole or absent, and a run left alone ends like an undisturbed one.
#[cfg(unix)]
#[test]
fn killed_runs_lose_nothing() {
    let tapes = tempfile::tempdir().unwrap();
    let (calm, killed) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let music = short_rehearsal(8000);
    write_wav(&tapes.path().join("2026-01-05 first.wav"), 8000, WavSample::Pcm16, &music[..1]);
    write_wav(&tapes.path().join("2026-01-06 second.wav"), 8000, WavSample::Pcm16, &music);
    let start = std::time::Instant::now();
    ledgerline(&["review", "--jobs", "1", "--out"], &[calm.path(), tapes.path()]);
    let (whole, calm) = (start.elapsed(), folder_bytes(calm.path()));
    // A tape by itself has no chart that is known again: its two pictures with names as they are before the season names them.
    let unnamed: Vec<(std::path::PathBuf, Vec<u8>)> = ["2026-01-05 first.wav", "2026-01-06 second.wav"]
        .iter()
        .flat_map(|tape| {
            let out = tempfile::tempdir().unwrap();
            ledgerline(&["review", "--out"], &[out.path(), &tapes.path().join(tape)]);
            folder_bytes(out.path())
        })
        .collect();
    for share in [0.2, 0.5, 0.8, 0.95] {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_ledgerline"))
            .args(["review", "--jobs", "1", "--again", "--out"])
            .args([killed.path(), tapes.path()])
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole.mul_f64(share));
        child.kill().unwrap();
        child.wait().unwrap();
        for (folder, _) in reports(killed.path()).iter().filter(|(folder, _)| !folder.starts_with('.')) {
            // The players' sheets and the charts' names on two pictures follow with the season; each is whole or absent.
            let now = folder_bytes(killed.path());
            for (path, bytes) in calm.iter().filter(|(path, _)| path.starts_with(folder)) {
                let there = now.iter().find(|(p, _)| p == path).map(|(_, b)| b);
                let name = path.file_name().unwrap().to_string_lossy();
                let is_sheet = name.starts_with("player_");
                let is_unnamed = ["page.png", "loudness.png"].contains(&name.as_ref())
                    && there.is_some_and(|bytes| unnamed.iter().any(|(p, b)| p == path && b == bytes));
                let follows = is_sheet && there.is_none() || is_unnamed;
                assert!(there == Some(bytes) || follows, "{} after {share}", path.display());
            }
        }
    }
    ledgerline(&["review", "--out"], &[killed.path(), tapes.path()]);
    assert!(folder_bytes(killed.path()) == calm, "the run that was left alone differs from an undisturbed one");
}

#[cfg(unix)]
#[test]
fn an_interrupt_leaves_nothing_half_written_and_the_next_run_goes_on() {
    let tapes = tempfile::tempdir().unwrap();
    let out = tempfile::tempdir().unwrap();
    write_wav(&tapes.path().join("2026-01-05 first.wav"), 8000, WavSample::Pcm16, &short_rehearsal(8000)[..1]);
    long_noise(&tapes.path().join("2026-01-06 long.wav"));
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_ledgerline"))
        .args(["review", "--jobs", "1", "--out"])
        .args([out.path(), tapes.path()])
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    // The first report stands: the second tape is being measured now.
    while reports(out.path()).is_empty() && child.try_wait().unwrap().is_none() {
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    let second = ledgerline(&["review", "--out"], &[out.path(), tapes.path()]);
    assert_eq!(second.status.code(), Some(2), "{}", stderr(&second));
    assert!(stderr(&second).contains("another run is writing there"), "{}", stderr(&second));
    assert!(std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(1));
    let left: Vec<String> =
        std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    assert!(!left.iter().any(|n| n.starts_with(".new-") || n.contains("long")), "{left:?}");
    let again = ledgerline(&["review", "--out", out.path().to_str().unwrap()], &[tapes.path()]);
    assert_eq!(again.status.code(), Some(0), "{}", stderr(&again));
    assert!(stderr(&again).contains("1 tape reviewed, 1 unchanged"), "{}", stderr(&again));
    assert_eq!(reports(out.path()).len(), 2);
}
