//! The report room as a whole: what lies on the disk, what a reader makes of it, what the schema says.

use std::path::Path;

use ledgerline::report::read::{REPORT, parse};
use ledgerline::report::rounding::without_resolution;
use ledgerline::report::write::{curves_bytes, report_bytes};
use ledgerline::report::*;
use ledgerline::stats::Measured;
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::mock_reports::{Spec, mock_curves, mock_report};
use crate::strict;

fn spec() -> Spec {
    Spec { bass_cents: Some(-9.1234), ..Spec::on("2026-03-02T15:30:00", "abcdef0123456789") }
}

fn written(dir: &Path) -> (Value, Value) {
    write_report(dir, &mock_report(&spec()), &mock_curves(3600)).unwrap();
    let value = |name: &str| serde_json::from_slice(&std::fs::read(dir.join(name)).unwrap()).unwrap();
    (value(REPORT_FILE), value(CURVES_FILE))
}

fn schema_errors(schema: &Value, data: &Value) -> Vec<String> {
    let validator = jsonschema::draft202012::new(schema).unwrap();
    validator.iter_errors(data).map(|e| format!("{}: {e}", e.instance_path())).collect()
}

#[test]
fn what_is_written_follows_its_own_schema_and_the_strict_mirror() {
    let dir = tempfile::tempdir().unwrap();
    let (report, curves) = written(dir.path());
    assert_eq!(schema_errors(&report_schema(), &report), Vec::<String>::new());
    assert_eq!(schema_errors(&curves_schema(), &curves), Vec::<String>::new());
    serde_json::from_value::<strict::Report>(report).unwrap();
    serde_json::from_value::<strict::Curves>(curves).unwrap();
}

#[test]
fn the_schema_itself_is_valid_and_refuses_a_report_without_its_tape_or_with_text_for_a_number() {
    for schema in [report_schema(), curves_schema(), ledgerline::season::season_schema()] {
        jsonschema::draft202012::meta::validate(&schema).unwrap();
    }
    let dir = tempfile::tempdir().unwrap();
    let (report, _) = written(dir.path());
    let mut without = report.clone();
    without.as_object_mut().unwrap().remove("tape");
    assert_eq!(schema_errors(&report_schema(), &without).len(), 1);
    let mut text = report;
    text["takes"][0]["loudness"]["integrated_lufs"]["value"] = json!("-21");
    assert!(!schema_errors(&report_schema(), &text).is_empty());
}

#[test]
fn every_property_of_every_schema_says_what_it_is() {
    fn undocumented(tree: &Value, path: &str, found: &mut Vec<String>) {
        if let Value::Object(fields) = tree {
            if let Some(Value::Object(properties)) = fields.get("properties") {
                for (name, p) in properties {
                    if p.get("description").and_then(Value::as_str).is_none_or(str::is_empty) {
                        found.push(format!("{path}/{name}"));
                    }
                }
            }
            fields.iter().for_each(|(name, f)| undocumented(f, &format!("{path}/{name}"), found));
        }
    }
    let mut found = Vec::new();
    for schema in [report_schema(), curves_schema(), ledgerline::season::season_schema()] {
        undocumented(&schema, "", &mut found);
    }
    assert_eq!(found, Vec::<String>::new());
    let text = report_schema().to_string();
    assert!(text.contains("Resolution 0.001.") && text.contains("Resolution 0.1."), "resolutions are not stated");
}

#[test]
fn every_number_has_a_stated_resolution_and_none_is_written_finer() {
    let report = serde_json::to_value(mock_report(&spec())).unwrap();
    assert_eq!(without_resolution(&report), Vec::<String>::new());
    let dir = tempfile::tempdir().unwrap();
    let (report, curves) = written(dir.path());
    assert_eq!(report["tape"]["marks"][0]["at_s"], json!(12.35));
    assert_eq!(report["takes"][0]["tempo"]["beat_times_s"][0], json!(930.123));
    assert_eq!(report["tuning"]["instruments"]["bass"]["offset_from_a440_cents"]["value"], json!(-9.1));
    assert_eq!(report["tuning"]["concert_pitch_hz"]["value"], json!(441.23));
    assert_eq!(report["balance"]["third_octave"][0]["mid_hz"], json!(39.81));
    assert_eq!(curves["bass_cents"][0], json!(-4.0));
}

#[test]
fn report_json_begins_with_its_schema_and_keeps_the_order_of_the_types() {
    let text = String::from_utf8(report_bytes(&mock_report(&spec())).unwrap()).unwrap();
    let places: Vec<usize> = [
        "\"schema\"",
        "\"program\"",
        "\"assumed\"",
        "\"methods\"",
        "\"tape\"",
        "\"health\"",
        "\"passages\"",
        "\"time_use\"",
        "\"takes\"",
    ]
    .map(|key| text.find(&format!("\n  {key}")).unwrap())
    .to_vec();
    assert!(places.windows(2).all(|w| w[0] < w[1]), "{places:?}");
    assert!(text.starts_with("{\n  \"schema\""));
    let curves = String::from_utf8(curves_bytes(&mock_curves(10)).unwrap()).unwrap();
    assert!(curves.starts_with("{\"schema\"") && curves.lines().count() == 1);
}

#[test]
fn what_was_read_is_written_again_byte_for_byte() {
    let dir = tempfile::tempdir().unwrap();
    written(dir.path());
    let first = std::fs::read(dir.path().join(REPORT_FILE)).unwrap();
    let report = read_report(dir.path()).unwrap();
    assert_eq!(String::from_utf8(report_bytes(&report).unwrap()), String::from_utf8(first));
    let curves = std::fs::read(dir.path().join(CURVES_FILE)).unwrap();
    assert_eq!(curves_bytes(&read_curves(dir.path()).unwrap()).unwrap(), curves);
}

#[test]
fn what_is_drawn_is_what_is_stored_on_the_edge_of_a_class_too() {
    let mut measured = mock_report(&spec());
    measured.takes[0].tuning.bass.offset_from_band_cents = Measured::symmetric(-2.96, 3.52, 50);
    let drawn = as_stored(Path::new("reports"), &measured).unwrap();
    let stored: Report = parse(&report_bytes(&measured).unwrap(), Path::new("report.json"), &REPORT).unwrap();
    assert_eq!(drawn, stored);
    let offset = &drawn.takes[0].tuning.bass.offset_from_band_cents;
    assert_eq!((offset.value, offset.low, offset.high), (Some(-3.0), Some(-6.5), Some(0.6)));
    measured.tape.duration_s = f64::NAN;
    assert!(matches!(as_stored(Path::new("reports"), &measured), Err(ReportError::NotFinite { .. })));
}

#[test]
fn writing_leaves_no_other_file_and_a_failed_write_leaves_the_old_report_whole() {
    let dir = tempfile::tempdir().unwrap();
    written(dir.path());
    let names = || {
        let mut list: Vec<String> =
            std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        list.sort();
        list
    };
    assert_eq!(names(), [CURVES_FILE, REPORT_FILE]);
    let before = std::fs::read(dir.path().join(REPORT_FILE)).unwrap();
    let mut broken = mock_report(&spec());
    broken.tape.duration_s = f64::NAN;
    let error = write_report(dir.path(), &broken, &mock_curves(10)).unwrap_err();
    assert!(matches!(error, ReportError::NotFinite { .. }), "{error}");
    assert_eq!(std::fs::read(dir.path().join(REPORT_FILE)).unwrap(), before);
    assert_eq!(names(), [CURVES_FILE, REPORT_FILE]);
}

#[test]
fn a_file_where_the_folder_should_be_is_an_error_with_its_path() {
    let dir = tempfile::tempdir().unwrap();
    let blocked = dir.path().join("blocked");
    std::fs::write(&blocked, "x").unwrap();
    let error = write_report(&blocked, &mock_report(&spec()), &mock_curves(10)).unwrap_err();
    assert!(matches!(&error, ReportError::Write { path, .. } if path == &blocked), "{error}");
}

#[test]
fn a_measured_value_that_is_not_finite_is_written_as_null_with_a_reason() {
    let mut report = mock_report(&spec());
    report.balance.low_end_excess_db = Measured::symmetric(f64::NAN, 1.0, 3);
    report.takes[0].loudness.range_lu = Measured::new(5.0, f64::NEG_INFINITY, 6.0, 3);
    let tree: Value = serde_json::from_slice(&report_bytes(&report).unwrap()).unwrap();
    assert_eq!(tree["balance"]["low_end_excess_db"], json!({"value": null, "reason": "not_finite"}));
    let range = &tree["takes"][0]["loudness"]["range_lu"];
    assert_eq!(range, &json!({"value": 5.0, "n": 3, "warnings": ["interval_not_finite"]}));
}

fn parse_changed(change: impl Fn(&mut Value)) -> Result<Report, ReportError> {
    let mut tree: Value = serde_json::from_slice(&report_bytes(&mock_report(&spec())).unwrap()).unwrap();
    change(&mut tree);
    parse(tree.to_string().as_bytes(), Path::new("somewhere/report.json"), &REPORT)
}

#[test]
fn a_higher_version_is_refused_with_both_numbers_and_the_path() {
    let error = parse_changed(|t| t["schema"]["version"] = json!(7)).unwrap_err();
    assert!(matches!(error, ReportError::VersionTooHigh { got: 7, supported: 1, .. }));
    let text = error.to_string();
    assert!(text.contains('7') && text.contains('1') && text.contains("report.json"), "{text}");
    // Even when nothing else in it is understood.
    let bytes = br#"{"schema": {"name": "ledgerline.report", "version": 2, "revision": 0}}"#;
    let error = parse::<Report>(bytes, Path::new("r"), &REPORT).unwrap_err();
    assert_eq!(error.code(), "version_too_high");
}

/// Written by the first program that wrote reports at all (version 1, revision 0); kept for ever.
#[test]
fn a_report_of_the_first_schema_version_is_still_read_and_takes_part_in_the_season() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/report/version_1_revision_0.json");
    let report: Report = ledgerline::report::read::read_file(&path, &REPORT).unwrap();
    assert_eq!((report.schema.version, report.schema.revision), (1, 0));
    assert_eq!(report.takes.len(), 2);
    let entry = ledgerline::season::Entry { folder: "first".into(), report: Ok(report) };
    let season = ledgerline::season::build_season(&[entry]);
    assert_eq!(season.rehearsals[0].date, "2026-02-03");
    assert!(season.rehearsals[0].values["playing_share_percent"].value.is_some());
}

#[test]
fn fields_of_a_higher_revision_are_passed_over() {
    let report = parse_changed(|t| {
        t["schema"]["revision"] = json!(9);
        t["takes"][0]["added_later"] = json!({"value": 3});
        t["balance"]["low_end_excess_db"]["spread_kind"] = json!("iqr");
    });
    assert_eq!(report.unwrap().schema.revision, 9);
}

#[test]
fn each_broken_file_has_its_own_error() {
    let code = |r: Result<Report, ReportError>| r.unwrap_err().code();
    assert_eq!(code(parse_changed(|t| t["schema"]["version"] = json!(0))), "version_unknown");
    assert_eq!(code(parse_changed(|t| t["schema"]["name"] = json!("ledgerline.season"))), "wrong_schema");
    assert_eq!(code(parse_changed(|t| t["takes"] = json!("none"))), "malformed");
    for bytes in ["", "{", "null", "[]", "{\"schema\": 1}", "\u{feff}{}", "\0\0\0"] {
        assert_eq!(code(parse(bytes.as_bytes(), Path::new("r"), &REPORT)), "malformed", "{bytes:?}");
    }
    assert_eq!(code(read_report(Path::new("no/such/folder"))), "not_readable");
}

#[test]
fn a_mock_report_is_whole_and_each_fault_of_a_report_is_named() {
    let whole = mock_report(&spec());
    assert_eq!(contract_faults(&whole), Vec::<String>::new());
    let faults = |change: fn(&mut Report)| {
        let mut r = whole.clone();
        change(&mut r);
        contract_faults(&r).join("; ")
    };
    assert!(faults(|r| r.passages[1].start_s += 1.0).contains("hole"));
    assert!(faults(|r| r.passages.truncate(3)).contains("whole tape"));
    assert!(faults(|r| r.takes[0].tempo.beat_in_bar.truncate(9)).contains("length"));
    assert!(faults(|r| r.takes[0].tempo.beat_times_s[0] = 1e6).contains("order"));
    assert!(faults(|r| r.time_use.talk_s = 0.0).contains("time_use"));
    assert!(faults(|r| r.tuning.concert_pitch_hz.low = Some(445.0)).contains(".tuning.concert_pitch_hz"));
    assert!(faults(|r| r.takes[0].feel.swing_ratio.reason = None).contains("no reason"));
}

#[test]
fn a_folder_is_current_only_for_the_same_bytes_methods_program_and_with_all_its_pictures() {
    let dir = tempfile::tempdir().unwrap();
    written(dir.path());
    let report = read_report(dir.path()).unwrap();
    let mut turned = report.methods.clone();
    turned.reverse();
    let expected = Expected {
        content_hash: "abcdef0123456789",
        methods: &turned,
        program: &report.program,
        pictures: &["a.png"],
        company: Some("00aa"),
        sheet: report.sheet.as_ref(),
    };
    assert!(!is_current(dir.path(), &expected), "the picture is missing");
    std::fs::write(dir.path().join("a.png"), "").unwrap();
    assert!(!is_current(dir.path(), &expected), "the picture is empty");
    std::fs::write(dir.path().join("a.png"), "x").unwrap();
    assert!(is_current(dir.path(), &expected));
    assert!(!is_current(dir.path(), &Expected { content_hash: "0", ..expected }));
    let mut methods = report.methods.clone();
    methods[3].id.push('b');
    assert!(!is_current(dir.path(), &Expected { methods: &methods, ..expected }));
    assert!(!is_current(dir.path(), &Expected { sheet: None, ..expected }), "the sheet was taken away");
    assert!(!is_current(dir.path(), &Expected { company: None, ..expected }), "the other tape was taken away");
    let program = Program { version: "9.9.9".into(), ..report.program.clone() };
    assert!(!is_current(dir.path(), &Expected { program: &program, ..expected }));
    std::fs::write(dir.path().join(REPORT_FILE), "{").unwrap();
    assert!(!is_current(dir.path(), &expected), "the report is broken");
}

fn review(out: &Path, tapes: &[(&str, &str, &str)]) -> Vec<String> {
    let keys: Vec<TapeKey> = tapes
        .iter()
        .map(|(date, file_name, content_hash)| TapeKey { recorded_at: Some(date), file_name, content_hash })
        .collect();
    let dirs = settle_folders(out, &keys).unwrap();
    for (dir, (date, name, hash)) in dirs.iter().zip(tapes) {
        let report = mock_report(&Spec { file_name: (*name).into(), ..Spec::on(date, hash) });
        write_report(dir, &report, &mock_curves(10)).unwrap();
    }
    dirs.iter().map(|d| d.file_name().unwrap().to_str().unwrap().to_owned()).collect()
}

fn folders_with_hashes(out: &Path) -> Vec<(String, String)> {
    folder::existing_folders(out).unwrap().into_iter().map(|e| (e.folder, e.content_hash)).collect()
}

#[test]
fn two_tapes_of_one_name_and_date_lie_side_by_side_whatever_came_first() {
    let (a, b) = (("2026-03-02", "x/rec1.wav", "aaaaaaaaaa"), ("2026-03-02", "y/rec1.wav", "bbbbbbbbbb"));
    let mut found = Vec::new();
    for order in [vec![vec![a, b]], vec![vec![b, a]], vec![vec![a], vec![b]], vec![vec![b], vec![a], vec![a]]] {
        let dir = tempfile::tempdir().unwrap();
        for tapes in order {
            review(dir.path(), &tapes);
        }
        found.push(folders_with_hashes(dir.path()));
    }
    assert_eq!(found[0].len(), 2);
    assert!(found.iter().all(|f| f == &found[0]), "{found:?}");
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(review(dir.path(), &[a]), ["2026-03-02_rec1"]);
    assert_eq!(review(dir.path(), &[a]), ["2026-03-02_rec1"]);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 256, rng_seed: proptest::test_runner::RngSeed::Fixed(1), ..ProptestConfig::default() })]

    #[test]
    fn a_folder_name_is_always_one_plain_folder_and_the_same_for_the_same_tape(name in any::<String>(), date in any::<Option<String>>()) {
        let folder = folder::plain_name(date.as_deref(), &name);
        prop_assert!(folder.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_'), "{folder}");
        prop_assert!(folder.len() <= 80 && !folder.starts_with(['-', '_']) && folder.matches('_').count() == 1);
    }

    #[test]
    fn rounding_never_lets_a_value_or_the_truth_out_of_its_interval(value in -1e4f64..1e4, down in 0.0f64..5.0, up in 0.0f64..5.0) {
        let mut report = mock_report(&spec());
        report.balance.low_end_excess_db = Measured::new(value, value - down, value + up, 3);
        report.tuning.instruments.bass.at_end_cents = Measured::new(value, value - down, value + up, 3);
        let tree: Value = serde_json::from_slice(&report_bytes(&report).unwrap()).unwrap();
        for (m, step) in [(&tree["balance"]["low_end_excess_db"], 0.01), (&tree["tuning"]["instruments"]["bass"]["at_end_cents"], 0.1)] {
            let number = |key: &str| m[key].as_f64().unwrap();
            prop_assert!(number("low") <= value - down + step * 1e-4 && number("high") >= value + up - step * 1e-4);
            prop_assert!(number("low") <= number("value") && number("value") <= number("high"));
            prop_assert!((number("value") - value).abs() <= step * 0.5001 && number("high") <= value + up + step);
        }
    }

    #[test]
    fn a_reader_of_any_bytes_never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(parse::<Report>(&bytes, Path::new("r"), &REPORT).is_err());
    }
}
