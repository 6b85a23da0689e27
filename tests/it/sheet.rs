//! The band sheet: what is understood, what is refused and how it is said, where it is found, and what it changes.

use std::path::Path;

use assert_cmd::Command;
use ledgerline::report::{Report, read_report};
use ledgerline::sheet::{
    BandSheet, Extent, Feel, Known, Player, STARTER, SheetFinder, TapeSheet, known_keys, read_sheet,
};
use ledgerline::tape::write_wav::{WavFile, WavSample, WavSpec};
use serde_json::Value;

const FULL: &str = include_str!("../fixtures/sheet/full.toml");

fn read(text: &str) -> (BandSheet, Vec<String>) {
    let read = read_sheet(text, &Known::default());
    (read.sheet, read.problems.iter().map(|p| p.to_string()).collect())
}

#[test]
fn a_full_sheet_is_understood_to_the_last_key() {
    let (sheet, problems) = read(FULL);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(sheet.band.concert_pitch_hz, Some(441.0));
    assert_eq!((sheet.players.bass.instrument.as_deref(), sheet.players.bass.strings), (Some("electric"), Some(5)));
    assert_eq!(sheet.amp.guitar.high_corner_hz, Some(3000.0));
    let blues = &sheet.chart[0];
    assert_eq!(
        (blues.tempo_bpm, blues.key, blues.feel, blues.beats_in_bar),
        (Some(132.0), Some((10, true)), Some(Feel::Swing), Some(4))
    );
    assert_eq!(blues.part[1].extent, Extent::Bars { from_bar: 25, bars: 48 });
    assert_eq!(sheet.chart[1].part[1].extent, Extent::Clock { from: 20.5, to: 65.0 });
    assert_eq!(sheet.recording[0].close_to, Some(Player::Bass));
    assert_eq!(sheet.recording[1].channels, ["room", "room", "bass", "drums"]);
    assert_eq!((sheet.rehearsal[0].date.as_str(), sheet.rehearsal[1].date.as_str()), ("2026-03-14", "2026-03-21"));
    let reading = &sheet.level.reading[0];
    assert_eq!((reading.at, reading.dba, reading.over_s, reading.plus_minus_db), (750.0, 88.5, 20.0, 1.5));
    assert_eq!((sheet.level.full_scale_dba, sheet.level.session_hours), (Some(112.0), Some(1.5)));
    assert_eq!((sheet.festival.date.as_deref(), sheet.festival.slot_minutes), (Some("2026-05-02"), Some(20.0)));
    assert_eq!(sheet.festival.goal[0].measure, "low_end_excess_db");
    assert_eq!(sheet.thresholds["true_peak_dbtp"], -2.0);
}

/// The properties of a type in the JSON Schema.
fn properties(schema: &Value, name: &str) -> Vec<String> {
    let table = if name.is_empty() { schema } else { &schema["$defs"][name] };
    let mut keys: Vec<String> = table["properties"].as_object().unwrap().keys().cloned().collect();
    for variant in table["anyOf"].as_array().into_iter().flatten() {
        keys.extend(variant["properties"].as_object().unwrap().keys().cloned());
    }
    keys.sort();
    keys
}

#[test]
fn the_reader_the_schema_and_the_types_know_the_same_keys() {
    let schema = ledgerline::report::schema_of::<BandSheet>();
    let tables = [
        ("", ""),
        ("band", "Band"),
        ("players", "Players"),
        ("player", "Instrument"),
        ("amp", "Amps"),
        ("amp.bass", "AmpCorners"),
        ("chart", "Chart"),
        ("chart.part", "ChartPart"),
        ("recording", "Recording"),
        ("rehearsal", "Rehearsal"),
        ("level", "Level"),
        ("level.reading", "LevelReading"),
        ("microphone", "Microphone"),
        ("festival", "Festival"),
        ("festival.goal", "Goal"),
        ("festival.amp_change", "AmpChange"),
    ];
    for (table, name) in tables {
        let mut known: Vec<String> = known_keys(table).iter().map(|k| (*k).to_owned()).collect();
        known.sort();
        assert_eq!(known, properties(&schema, name), "[{table}]");
    }
}

/// Takes the remarks' sign from every line of the starter that is a line of a sheet.
fn uncommented() -> String {
    STARTER
        .lines()
        .map(|l| l.strip_prefix('#').filter(|rest| !rest.starts_with(' ') || rest.starts_with("  ")).unwrap_or(l))
        .map(|l| format!("{l}\n"))
        .collect()
}

#[test]
fn the_starter_says_nothing_as_it_is_and_is_a_faultless_sheet_without_its_remarks() {
    assert_eq!(read(STARTER), (BandSheet::default(), Vec::new()));
    let (sheet, problems) = read(&uncommented());
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!((sheet.chart.len(), sheet.recording.len(), sheet.thresholds.len()), (2, 2, 1));
    let text = uncommented();
    for table in
        ["band", "chart", "chart.part", "recording", "rehearsal", "level", "level.reading", "festival", "amp.bass"]
    {
        for key in known_keys(table) {
            assert!(text.contains(&format!("{key} = ")) || text.contains(&format!(".{key}]")), "{table}: {key}");
        }
    }
}

/// A slip, and what must be said of it: place, and words.
const SLIPS: &[(&str, &str, &str)] = &[
    ("[band]\nnmae = \"x\"\n", ":2:1:", "did you mean 'name'?"),
    ("[[chart]]\ntitle = \"A\"\ntempo = 120\n", ":3:1:", "unknown key 'tempo' in [chart]; did you mean 'tempo_bpm'?"),
    ("[bnad]\nname = \"x\"\n", ":1:2:", "unknown key 'bnad' at the top of the sheet; did you mean 'band'?"),
    ("concert_pitch_hz = 442\n", ":1:1:", "it belongs in [band]"),
    ("[[chart]]\ntitle = \"A\"\ntempo_bpm = 2.5\n", ":3:13:", "is it in Hz? that would be 150 bpm"),
    ("[band]\nconcert_pitch_hz = 10\n", ":2:20:", "is it in cents? that would be 442.55 Hz"),
    ("[[chart]]\ntitle = \"A\"\ntempo_bpm = \"fast\"\n", ":3:13:", "tempo_bpm is text where a number is wanted"),
    ("[[chart]]\ntitle = \"A\"\nkey = \"H\"\n", ":3:7:", "write it as \"F\", \"Bb minor\""),
    ("[[chart]]\ntitle = \"A\"\nfeel = \"swnig\"\n", ":3:8:", "did you mean \"swing\"?"),
    ("[[chart]]\ntitle = \"A\"\nbeats_in_bar = 5\n", ":3:16:", "no whole number from 3 to 4"),
    ("[[chart]]\ntempo_bpm = 100\n", ":1:1:", "a chart without a title"),
    ("[[chart]]\ntitle = \"A\"\n[[chart]]\ntitle = \"A\"\n", ":4:9:", "is there already"),
    ("[[chart]]\ntitle = \"A\"\n[[chart.part]]\nlabel = \"x\"\nfrom_bar = 1\n", ":4:9:", "both from_bar and bars"),
    (
        "[[chart]]\ntitle = \"A\"\n[[chart.part]]\nlabel = \"x\"\nfrom_bar = 1\nbars = 4\nfrom = \"0:10\"\n",
        ":4:9:",
        "and not both",
    ),
    ("[[chart]]\ntitle = \"A\"\n[[chart.part]]\nfrom = \"1:70\"\nto = \"2:00\"\n", ":4:8:", "is no time"),
    ("[[chart]]\ntitle = \"A\"\n[[chart.part]]\nfrom = 10\nto = \"2:00\"\n", ":4:8:", "write minutes and seconds"),
    ("[[chart]]\ntitle = \"A\"\n[[chart.part]]\nfrom = \"1:00\"\nto = \"0:30\"\n", ":5:6:", "ends before it begins"),
    (
        "[[chart]]\ntitle = \"A\"\n[[chart.part]]\nlabel = \"x\"\nfrom_bar = 1\nbars = 8\n[[chart.part]]\nlabel = \"y\"\nfrom_bar = 5\nbars = 4\n",
        ":8:9:",
        "begins in bar 5, before bar 9",
    ),
    ("[[rehearsal]]\ndate = \"14.3.2026\"\n", ":2:8:", "no date of the calendar"),
    ("[[rehearsal]]\ndate = \"2026-02-30\"\n", ":2:8:", "no date of the calendar"),
    ("[[recording]]\nfile = \"a.wav\"\nclose_to = \"bas\"\n", ":3:12:", "did you mean \"bass\"?"),
    ("[[recording]]\nfile = \"a.wav\"\nchannels = [\"room\", \"organ\"]\n", ":3:12:", "channel \"organ\" is not known"),
    ("[[recording]]\nclose_to = \"bass\"\n", ":1:1:", "a recording without a file"),
    ("[players.bass]\nstrings = 9\n", ":2:11:", "no whole number from 4 to 6"),
    ("[players.drums]\nstrings = 4\n", ":2:11:", "not asked for"),
    ("[amp.bass]\nlow_corner_hz = 0.08\n", ":2:17:", "is it in kHz? that would be 80 Hz"),
    ("[amp.bass]\nlow_corner_hz = 800\nmid_corner_hz = 500\n", ":1:1:", "do not rise"),
    ("[level]\nsession_hours = 90\n", ":2:17:", "is it in minutes? that would be 1.5 hours"),
    ("[[level.reading]]\nfile = \"a.wav\"\nat = \"1:00\"\n", ":1:1:", "needs dba"),
    ("[festival]\nslot_minutes = 1200\n", ":2:16:", "is it in seconds? that would be 20 minutes"),
    ("[thresholds]\ntrue_peak_dbtp = \"loud\"\n", ":2:18:", "where a number is wanted"),
    ("[band]\nname = \"x\nroom = 3\n", ":2:", "this is no TOML"),
    (
        "[[chart]]\ntitle = \"Blue Street\"\n[[rehearsal]]\ndate = 2026-01-01\norder = [\"Blue Stret\"]\n",
        ":5:9:",
        "did you mean \"Blue Street\"?",
    ),
];

#[test]
fn every_slip_is_told_with_its_place_and_what_was_probably_meant() {
    for (text, place, words) in SLIPS {
        let (_, problems) = read(text);
        assert_eq!(problems.len(), 1, "{text}\n{problems:?}");
        assert!(problems[0].starts_with(place) && problems[0].contains(words), "{text}\n{problems:?}");
    }
}

#[test]
fn a_slip_costs_its_own_line_and_nothing_else() {
    let broken = FULL.replace("tempo_bpm = 132", "tempo_bpm = 2.2").replace("name = ", "nmae = ");
    let (sheet, problems) = read(&broken);
    assert_eq!(problems.len(), 2, "{problems:?}");
    let (mut whole, _) = read(FULL);
    whole.band.name = None;
    whole.chart[0].tempo_bpm = None;
    assert_eq!(sheet, whole);
}

#[test]
fn names_that_other_rooms_know_are_checked() {
    let known = Known { thresholds: vec!["true_peak_dbtp"], measures: vec!["low_end_excess_db"] };
    let text = "[thresholds]\ntrue_peak_dptb = -1\n[[festival.goal]]\nmeasure = \"low_end_exces_db\"\nwithin = 1\n";
    let read = read_sheet(text, &known);
    assert!(read.sheet.thresholds.is_empty() && read.sheet.festival.goal.is_empty());
    let said: Vec<String> = read.problems.iter().map(|p| p.message.clone()).collect();
    assert!(
        said[0].contains("did you mean \"true_peak_dbtp\"?") && said[1].contains("did you mean \"low_end_excess_db\"?"),
        "{said:?}"
    );
}

fn put(dir: &Path, name: &str, text: &str) -> std::path::PathBuf {
    let path = dir.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(&path, text).unwrap();
    path
}

#[test]
fn the_nearest_sheet_holds_and_none_above_the_named_folder_is_looked_for() {
    let dir = tempfile::tempdir().unwrap();
    put(dir.path(), "band.toml", "[band]\nname = \"outside\"\n");
    put(dir.path(), "season/band.toml", "[band]\nname = \"season\"\n");
    put(dir.path(), "season/week 2/band.toml", "[band]\nname = \"week 2\"\n");
    let (plain, own) = (put(dir.path(), "season/week 1/a.wav", ""), put(dir.path(), "season/week 2/deep/b.wav", ""));
    let bare = put(dir.path(), "season2/c.wav", "");
    let name = |roots: &[&Path], tape: &Path| {
        let roots: Vec<_> = roots.iter().map(|p| p.to_path_buf()).collect();
        SheetFinder::new(&roots, Known::default()).sheet_of(tape).and_then(|s| s.sheet.band.name.clone())
    };
    let season = dir.path().join("season");
    assert_eq!(name(&[&season], &plain).as_deref(), Some("season"));
    assert_eq!(name(&[&season], &own).as_deref(), Some("week 2"));
    assert_eq!(name(&[&dir.path().join("season2")], &bare), None);
    assert_eq!(name(&[dir.path()], &bare).as_deref(), Some("outside"));
    assert_eq!(name(&[&plain], &plain), None, "a file that was named: only its own folder");
    assert_eq!(name(&[&season.join("week 1"), &season], &plain).as_deref(), Some("season"));
}

#[test]
fn missing_files_and_bad_microphone_curves_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let text = "[microphone]\ncurve = \"mic.txt\"\n[[recording]]\nfile = \"b.wav\"\n[[recording]]\nfile = \"a.wav\"\n";
    put(dir.path(), "band.toml", text);
    let tape = put(dir.path(), "week/a.wav", "");
    let load = || SheetFinder::new(&[dir.path().to_path_buf()], Known::default()).sheet_of(&tape).unwrap();
    let said = |sheet: &ledgerline::sheet::LoadedSheet| -> Vec<String> {
        sheet.all_problems(&[&tape]).iter().map(|p| p.to_string()).collect()
    };
    let first = load();
    assert_eq!(said(&first).len(), 2, "{:?}", said(&first));
    assert!(said(&first)[0].contains("'mic.txt': there is no such file"));
    assert!(said(&first)[1].starts_with(":4:8: there is no recording 'b.wav'"));
    put(dir.path(), "mic.txt", "20 -6\n1000 0\n");
    assert_eq!(load().microphone_curve, [(20.0, -6.0), (1000.0, 0.0)]);
    std::fs::write(dir.path().join("band.toml"), [0xff, 0xfe, 0x00]).unwrap();
    assert!(said(&load())[0].contains("no text"));
}

#[test]
fn the_key_changes_with_what_concerns_the_tape_and_with_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let tape = put(dir.path(), "2026-03-14.wav", "");
    put(dir.path(), "microphone.txt", "20 0\n20000 0\n");
    let key = |text: &str| {
        put(dir.path(), "band.toml", text);
        let loaded = SheetFinder::new(&[dir.path().to_path_buf()], Known::default()).sheet_of(&tape).unwrap();
        TapeSheet::new(&loaded, std::slice::from_ref(&tape), Some("2026-03-14T15:30:00"), &[&tape]).key()
    };
    let plain = key(FULL);
    assert_eq!(key(&format!("# a remark\n{FULL}")), plain);
    assert_eq!(key(&FULL.replace("slot_minutes = 20", "slot_minutes = 25")), plain, "the festival is the season's");
    assert_ne!(key(&FULL.replace("tempo_bpm = 132", "tempo_bpm = 133")), plain);
    assert_ne!(key(&FULL.replace("dba = 88.5", "dba = 89")), plain);
    let order = "order = [\"Blue Street\", \"\", \"Closing Ballad\"]";
    assert!(FULL.contains(order));
    assert_ne!(key(&FULL.replace(order, "order = [\"Closing Ballad\"]")), plain);
}

fn ledgerline(arguments: &[&str], paths: &[&Path]) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(arguments).args(paths).output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

fn noise_tape(path: &Path) {
    let mut state = 7u32;
    let noise: Vec<f32> = (0..8000 * 3)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32 * 0.1 - 0.05
        })
        .collect();
    let spec = WavSpec { channels: 1, sample_rate_hz: 8000, sample: WavSample::Pcm16, date: None, marks: Vec::new() };
    let mut file = WavFile::create(path, spec).unwrap();
    file.write(&[&noise]).unwrap();
    file.finish().unwrap();
}

fn only_report(out: &Path) -> Report {
    let dirs = std::fs::read_dir(out).unwrap().map(|e| e.unwrap().path()).filter(|p| p.join("report.json").exists());
    let dirs: Vec<_> = dirs.collect();
    assert_eq!(dirs.len(), 1);
    read_report(&dirs[0]).unwrap()
}

#[test]
fn a_wrong_sheet_is_told_the_tape_is_measured_all_the_same_and_an_edit_measures_again() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    noise_tape(&tapes.path().join("2026-03-14.wav"));
    let sheet = tapes.path().join("band.toml");
    std::fs::write(&sheet, "[band]\nnmae = \"x\"\n[[chart]]\ntitle = \"A\"\ntempo_bpm = 2.5\n").unwrap();
    let review = || ledgerline(&["review", "--out", out.path().to_str().unwrap()], &[tapes.path()]);
    let (code, said) = review();
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("band.toml:2:1: unknown key 'nmae' in [band]; did you mean 'name'?"), "{said}");
    assert!(said.contains("band.toml:5:13: tempo_bpm 2.5 bpm is outside 30 to 400; is it in Hz?"), "{said}");
    let report = only_report(out.path());
    let facts = report.sheet.unwrap();
    assert!(facts.file.ends_with("/band.toml") && facts.problems.len() == 2, "{facts:?}");
    assert!(report.assumed.iter().any(|a| a.contains("could not be understood")), "{:?}", report.assumed);
    assert!(review().1.contains("1 unchanged"));
    std::fs::write(&sheet, "# mended\n[band]\nname = \"x\"\n[[chart]]\ntitle = \"A\"\ntempo_bpm = 150\n").unwrap();
    assert!(review().1.contains("1 tape reviewed"));
    assert!(only_report(out.path()).sheet.unwrap().problems.is_empty());
    std::fs::remove_file(&sheet).unwrap();
    assert!(review().1.contains("1 tape reviewed"));
    assert!(only_report(out.path()).sheet.is_none());
}

#[test]
fn the_starter_is_written_once_and_never_over_a_sheet() {
    let dir = tempfile::tempdir().unwrap();
    let (code, said) = ledgerline(&["sheet"], &[dir.path()]);
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(std::fs::read_to_string(dir.path().join("band.toml")).unwrap(), STARTER);
    std::fs::write(dir.path().join("band.toml"), "# mine").unwrap();
    let (code, said) = ledgerline(&["sheet"], &[dir.path()]);
    assert_eq!(code, Some(2));
    assert!(said.contains("there is a band sheet already") && said.contains("hint:"), "{said}");
    assert_eq!(std::fs::read_to_string(dir.path().join("band.toml")).unwrap(), "# mine");
    assert_eq!(ledgerline(&["sheet"], &[&dir.path().join("nowhere")]).0, Some(2));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 200, failure_persistence: None, ..Default::default() })]

    /// Damage of any kind to a sheet never ends in anything but problems with a place inside the text.
    #[test]
    fn no_damage_to_a_sheet_breaks_the_reader(at in 0usize..2000, with in "\\PC{0,8}", cut in 0usize..2000) {
        let whole: Vec<char> = FULL.chars().collect();
        let at = at.min(whole.len());
        let text: String = whole[..at].iter().copied().chain(with.chars()).chain(whole[at..].iter().copied()).take(cut).collect();
        let read = read_sheet(&text, &Known::default());
        let lines = text.lines().count().max(1) + 1;
        for problem in read.problems {
            proptest::prop_assert!(problem.line <= lines && !problem.message.is_empty(), "{problem:?}");
        }
    }
}
