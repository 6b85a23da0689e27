//! The season from a mock source of reports: same bytes whatever the order, honest lines, no false alarms.

use std::path::Path;

use ledgerline::report::{self, *};
use ledgerline::season::*;
use ledgerline::stats::Measured;
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::mock_reports::{Dice, Spec, mock_curves, mock_report};
use crate::strict;

/// ISO date of the day `days` after a Monday of the invented season.
fn day(days: i64) -> String {
    jiff::civil::date(2026, 1, 5).checked_add(jiff::Span::new().days(days)).unwrap().to_string()
}

fn entry(spec: &Spec) -> Entry {
    let folder = format!("{}_{}", folder::plain_name(spec.recorded_at.as_deref(), &spec.file_name), spec.content_hash);
    Entry { folder, report: Ok(mock_report(spec)) }
}

/// One tape a week.
fn weekly(weeks: i64, change: impl Fn(i64, &mut Spec)) -> Vec<Entry> {
    let spec = |week: i64| {
        let mut spec = Spec::on(&day(7 * week), &format!("tape{week:04}"));
        change(week, &mut spec);
        spec
    };
    (0..weeks).map(|week| entry(&spec(week))).collect()
}

fn trend<'a>(season: &'a Season, measure: &str) -> &'a Trend {
    season.trends.iter().find(|t| t.measure == measure).unwrap()
}

fn shuffled(mut entries: Vec<Entry>, seed: u64) -> Vec<Entry> {
    let mut dice = Dice(seed);
    for at in (1..entries.len()).rev() {
        entries.swap(at, (dice.next() % (at as u64 + 1)) as usize);
    }
    entries
}

fn write_all(out: &Path, entries: &[Entry]) {
    for e in entries {
        write_report(&out.join(&e.folder), e.report.as_ref().unwrap(), &mock_curves(5)).unwrap();
    }
}

fn season_bytes(out: &Path) -> Vec<u8> {
    redraw_season(out).unwrap();
    std::fs::read(out.join(SEASON_FILE)).unwrap()
}

#[test]
fn season_json_follows_its_schema_and_the_strict_mirror() {
    let out = tempfile::tempdir().unwrap();
    let mut entries = weekly(6, |week, s| s.low_end_db += 0.5 * week as f64);
    entries.push(entry(&Spec { recorded_at: None, ..Spec::on("2026-01-01", "undated") }));
    entries.push(entry(&Spec { file_name: "copy.wav".into(), ..Spec::on(&day(0), "tape0000") }));
    write_all(out.path(), &entries);
    let tree: Value = serde_json::from_slice(&season_bytes(out.path())).unwrap();
    let validator = jsonschema::draft202012::new(&season_schema()).unwrap();
    let errors: Vec<String> = validator.iter_errors(&tree).map(|e| e.to_string()).collect();
    assert_eq!(errors, Vec::<String>::new());
    let mirror: strict::Season = serde_json::from_value(tree.clone()).unwrap();
    assert_eq!((mirror.rehearsals.len(), mirror.left_out.len(), mirror.habits.len()), (6, 2, 2));
    assert_eq!(report::rounding::without_resolution(&tree), Vec::<String>::new());
    assert_eq!(tree["schema"], json!({"name": "ledgerline.season", "version": 1, "revision": 3}));
    assert!(tree["festival"].is_null());
}

#[test]
fn the_same_reports_give_the_same_season_in_any_order_and_a_folder_given_twice_counts_once() {
    let entries = weekly(12, |week, s| s.lufs += (week % 3) as f64);
    let season = build_season(&entries);
    for seed in 0..20 {
        assert_eq!(build_season(&shuffled(entries.clone(), seed)), season);
    }
    let twice: Vec<Entry> = entries.iter().chain(&entries).cloned().collect();
    assert_eq!(build_season(&twice), season);
}

#[test]
fn season_json_has_the_same_bytes_on_every_run_and_on_one_or_two_threads() {
    let out = tempfile::tempdir().unwrap();
    write_all(out.path(), &shuffled(weekly(15, |week, s| s.low_end_db += (week % 4) as f64), 3));
    let first = season_bytes(out.path());
    assert_eq!(season_bytes(out.path()), first);
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool.install(|| season_bytes(out.path())), first);
    }
}

#[test]
fn deleting_a_tape_and_reviewing_it_again_gives_the_same_bytes() {
    let out = tempfile::tempdir().unwrap();
    let entries = weekly(8, |_, _| {});
    write_all(out.path(), &entries);
    let first = season_bytes(out.path());
    std::fs::remove_dir_all(out.path().join(&entries[3].folder)).unwrap();
    let without = season_bytes(out.path());
    assert_ne!(without, first);
    write_all(out.path(), &entries[3..4]);
    assert_eq!(season_bytes(out.path()), first);
}

#[test]
fn a_report_written_anew_in_its_folder_replaces_the_old_values() {
    let out = tempfile::tempdir().unwrap();
    write_all(out.path(), &weekly(4, |_, _| {}));
    season_bytes(out.path());
    let newer = weekly(4, |week, s| s.low_end_db = if week == 2 { 5.5 } else { s.low_end_db });
    write_all(out.path(), &newer[2..3]);
    let season = redraw_season(out.path()).unwrap().season;
    assert_eq!(season.rehearsals.len(), 4);
    assert_eq!(season.rehearsals[2].values["low_end_excess_db"].value, Some(5.5));
}

#[test]
fn broken_half_and_future_folders_are_left_out_with_a_reason_and_stop_nothing() {
    let out = tempfile::tempdir().unwrap();
    let entries = weekly(5, |_, _| {});
    write_all(out.path(), &entries);
    let report = |week: usize| out.path().join(&entries[week].folder).join(REPORT_FILE);
    std::fs::write(report(0), "{\"schema\":").unwrap();
    std::fs::remove_file(report(1)).unwrap();
    let future = std::fs::read_to_string(report(2)).unwrap().replacen("\"version\": 1", "\"version\": 4", 1);
    std::fs::write(report(2), future).unwrap();
    std::fs::create_dir(out.path().join("my notes")).unwrap();
    std::fs::write(out.path().join("README.md"), "x").unwrap();
    let done = redraw_season(out.path()).unwrap();
    let reasons: Vec<&str> = done.season.left_out.iter().map(|l| l.reason.as_str()).collect();
    assert_eq!(reasons, ["malformed", "no_report", "version_too_high"]);
    assert_eq!((done.warnings.len(), done.season.rehearsals.len()), (3, 2));
    assert!(done.warnings.iter().all(|w| w.path().ends_with(REPORT_FILE)));
}

#[test]
fn an_empty_or_missing_out_folder_is_an_empty_season_or_an_error_of_writing() {
    let out = tempfile::tempdir().unwrap();
    let season = redraw_season(out.path()).unwrap().season;
    assert_eq!((season.rehearsals.len(), season.trends.len()), (0, 0));
    let error = redraw_season(&out.path().join("missing")).unwrap_err();
    assert!(matches!(error, ReportError::Write { .. }), "{error}");
}

#[test]
fn tapes_without_a_date_and_copies_of_a_tape_are_listed_apart() {
    let mut entries = weekly(3, |_, _| {});
    entries.push(entry(&Spec { recorded_at: None, ..Spec::on("2026-01-01", "u") }));
    entries.push(entry(&Spec { recorded_at: Some("last week".into()), ..Spec::on("2026-01-01", "v") }));
    entries.push(entry(&Spec { file_name: "zzz.wav".into(), ..Spec::on(&day(0), "tape0000") }));
    let season = build_season(&entries);
    let reasons: Vec<&str> = season.left_out.iter().map(|l| l.reason.as_str()).collect();
    assert_eq!(reasons, ["same_bytes", "no_date", "no_date"]);
    assert_eq!(season.left_out[0].same_as.as_deref(), Some(entries[0].folder.as_str()));
    assert_eq!(season.rehearsals.len(), 3);
}

/// Worked by hand: 20 min of 35 min and 50 s, and 40 min of 50 min and 50 s, are 60 of 86 min 40 s = 69.23 %;
/// the mean power of 1200 s at -20 and 2400 s at -26 LUFS is 10 log10((0.01 + 2 * 0.0025119) / 3) = -23.004 LUFS;
/// excesses of 1 and 4 dB weighted by playing are 3 dB.
#[test]
fn two_tapes_of_a_day_are_combined_by_the_rule_of_each_measure() {
    let one = Spec { lufs: -20.0, low_end_db: 1.0, ..Spec::on("2026-01-05T15:00:00", "a") };
    let two = Spec {
        lufs: -26.0,
        low_end_db: 4.0,
        take_s: 2400.0,
        talk_s: 600.0,
        file_name: "later.wav".into(),
        ..Spec::on("2026-01-05T16:00:00", "b")
    };
    let season = build_season(&[entry(&two), entry(&one)]);
    assert_eq!(season.rehearsals.len(), 1);
    let r = &season.rehearsals[0];
    assert_eq!(r.tapes.iter().map(|t| t.content_hash.as_str()).collect::<Vec<_>>(), ["a", "b"]);
    let value = |id: &str| r.values[id].value.unwrap();
    assert!((value("playing_share_percent") - 100.0 * 3600.0 / 5200.0).abs() < 1e-9);
    assert!((value("takes_minutes") - 60.0).abs() < 1e-9);
    assert!((value("integrated_lufs") + 23.004).abs() < 0.001, "{}", value("integrated_lufs"));
    assert!((value("low_end_excess_db") - 3.0).abs() < 1e-9);
    // Two readings of +-0.7 dB with weights 1/3 and 2/3: 0.7 * sqrt(1/9 + 4/9) = 0.522.
    let m = &r.values["low_end_excess_db"];
    assert!((m.high.unwrap() - m.low.unwrap() - 2.0 * 0.7 * 5f64.sqrt() / 3.0).abs() < 1e-9);
}

#[test]
fn levels_of_a_day_with_two_recorders_come_from_the_one_that_heard_more_and_times_from_both() {
    let long = Spec { low_end_db: 1.0, ..Spec::on(&day(0), "a") };
    let short = Spec { take_s: 300.0, low_end_db: 9.0, codec: "aac".into(), ..Spec::on(&day(0), "b") };
    let season = build_season(&[entry(&short), entry(&long)]);
    let r = &season.rehearsals[0];
    assert_eq!(r.values["low_end_excess_db"].value, Some(1.0));
    assert_eq!(r.values["takes_minutes"].value, Some(25.0));
    assert_eq!(r.recorder.codec, "pcm_s16le");
    assert_eq!(r.warnings, ["levels_from_one_recorder_only", "recorders_may_overlap", "two_tapes_of_one_name"]);
}

#[test]
fn tapes_of_a_day_measured_by_different_methods_are_not_mixed() {
    let old = Spec { method: "old".into(), ..Spec::on(&day(0), "a") };
    let season = build_season(&[entry(&old), entry(&Spec::on(&day(0), "b")), entry(&Spec::on(&day(7), "c"))]);
    let m = &season.rehearsals[0].values["low_end_excess_db"];
    assert_eq!((m.value, m.reason.as_deref()), (None, Some("mixed_methods")));
}

#[test]
fn a_planted_change_is_found_in_its_measure_and_direction_and_nowhere_else() {
    let mut dice = Dice(11);
    let noise: Vec<f64> = (0..12).map(|_| 0.3 * dice.normal()).collect();
    let season = build_season(&weekly(12, |week, s| {
        s.low_end_db = 6.0 - 0.5 * week as f64 + noise[week as usize];
        s.lufs += noise[11 - week as usize];
    }));
    let t = trend(&season, "low_end_excess_db");
    assert_eq!(t.verdict, TrendVerdict::Down);
    let (low, high) = (t.slope_per_week.low.unwrap(), t.slope_per_week.high.unwrap());
    assert!(low <= -0.5 && -0.5 <= high && high - low < 0.25, "{low}..{high}");
    assert_eq!(t.slope_per_week.n, Some(12));
    for other in season.trends.iter().filter(|t| t.measure != "low_end_excess_db") {
        assert_eq!(other.verdict, TrendVerdict::NoChangeBeyondNoise, "{}", other.measure);
    }
}

#[test]
fn missing_weeks_do_not_bend_a_slope_a_week() {
    let keep = [0, 1, 2, 6, 7, 11, 15];
    let all = weekly(16, |week, s| s.low_end_db = 0.25 * week as f64);
    let season = build_season(&keep.map(|k| all[k].clone()));
    let m = &trend(&season, "low_end_excess_db").slope_per_week;
    assert!((m.value.unwrap() - 0.25).abs() < 1e-9, "{m:?}");
}

#[test]
fn fewer_than_three_rehearsals_are_too_few_and_say_so() {
    let season = build_season(&weekly(2, |week, s| s.low_end_db = 10.0 * week as f64));
    let t = trend(&season, "low_end_excess_db");
    assert_eq!((t.verdict, t.slope_per_week.reason.as_deref()), (TrendVerdict::TooFew, Some("too_few_rehearsals")));
}

#[test]
fn a_new_method_breaks_its_lines_and_the_jump_is_no_trend() {
    let season = build_season(&weekly(12, |week, s| {
        if week >= 6 {
            s.method = "2".into();
            s.low_end_db += 8.0;
        }
    }));
    let t = trend(&season, "low_end_excess_db");
    assert_eq!(t.broken_at, [LineBreak { date: day(42), reason: "method_changed".into() }]);
    assert_eq!(t.verdict, TrendVerdict::NoChangeBeyondNoise);
    assert_eq!((t.from_date.clone(), t.to_date.clone()), (Some(day(42)), Some(day(77))));
    assert_eq!(t.slope_per_week.n, Some(6));
}

#[test]
fn another_recorder_breaks_lines_of_level_but_not_of_time() {
    let phone = |week: i64, s: &mut Spec| {
        if week >= 5 {
            s.codec = "aac".into();
        }
    };
    let cut = |week: i64, s: &mut Spec| s.low_cut_hz = Some(if week >= 5 { 140.0 } else { 45.0 });
    for change in [&phone as &dyn Fn(i64, &mut Spec), &cut] {
        let season = build_season(&weekly(10, change));
        let broken = [LineBreak { date: day(35), reason: "recorder_changed".into() }];
        assert_eq!(trend(&season, "integrated_lufs").broken_at, broken);
        assert_eq!(trend(&season, "clipped_percent").broken_at, broken);
        assert_eq!(trend(&season, "playing_share_percent").broken_at, []);
    }
    let steady = build_season(&weekly(10, |week, s| s.low_cut_hz = (week != 4).then_some(45.0 + week as f64)));
    assert_eq!(trend(&steady, "integrated_lufs").broken_at, []);
}

#[test]
fn measures_come_in_by_themselves_once_a_report_carries_them() {
    let none = build_season(&weekly(4, |_, _| {}));
    assert!(none.trends.iter().all(|t| t.measure != "bass_offset_from_a440_cents"));
    let some = build_season(&weekly(6, |week, s| s.bass_cents = (week >= 3).then_some(-8.0)));
    assert_eq!(trend(&some, "bass_offset_from_a440_cents").from_date, Some(day(21)));
    let first = &some.rehearsals[0].values["bass_offset_from_a440_cents"];
    assert_eq!((first.value, first.reason.as_deref()), (None, Some("not_measured_yet")));
}

#[test]
fn a_recording_that_cannot_be_trusted_takes_no_part_in_the_lines_it_would_bend() {
    let mut entries = weekly(6, |_, _| {});
    if let Ok(report) = &mut entries[3].report {
        report.health.trusted_for.low_end.ok = false;
        report.balance.low_end_excess_db = Measured::symmetric(30.0, 0.1, 9);
    }
    let season = build_season(&entries);
    let m = &season.rehearsals[3].values["low_end_excess_db"];
    assert_eq!(m.reason.as_deref(), Some("recording_not_trusted"));
    assert_eq!(trend(&season, "low_end_excess_db").slope_per_week.n, Some(5));
    assert_eq!(trend(&season, "tilt_db_per_octave").slope_per_week.n, Some(6));
}

#[test]
fn a_finding_that_returns_is_a_habit_and_one_that_stopped_is_none() {
    let heavy = |weeks: std::ops::Range<i64>| {
        let mut entries = weekly(12, |_, _| {});
        for (week, e) in entries.iter_mut().enumerate() {
            if !weeks.contains(&(week as i64)) {
                e.report.as_mut().unwrap().findings.clear();
            }
        }
        build_season(&entries).habits.into_iter().filter(|h| h.id != "playing_share").collect::<Vec<_>>()
    };
    let alive = heavy(8..12);
    assert_eq!((alive.len(), alive[0].player.as_str(), alive[0].evidence.len()), (1, "bass", 4));
    assert_eq!(alive[0].evidence[0].date, day(56));
    assert!(heavy(0..5).is_empty(), "it has stopped");
    assert!(heavy(10..12).is_empty(), "two dates are no habit");
}

/// A bar that rushed at 30 s of every take, and a part that begins at 31 s, or at 60 s.
fn rushes_at(part_begins_s: f64) -> Vec<Habit> {
    let mut entries = weekly(5, |_, _| {});
    for e in &mut entries {
        let report = e.report.as_mut().unwrap();
        report.findings.clear();
        let take = &mut report.takes[0];
        let mut second = take.parts[0].clone();
        second.start_s = take.start_s + part_begins_s;
        take.parts.push(second);
        take.time_detail.bar_picture.bars = 40;
        let start_s = take.start_s + 30.0;
        let change_percent = Measured::symmetric(4.0, 1.0, 4);
        take.time_detail.slipped_bars = vec![SlippedBar { bar: 9, start_s, end_s: start_s + 1.8, change_percent }];
    }
    build_season(&entries).habits
}

#[test]
fn rushing_where_a_part_begins_is_a_habit_and_rushing_elsewhere_is_not() {
    let found = rushes_at(31.0);
    let habit = found.iter().find(|h| h.id == "rushes_into_parts").unwrap();
    assert_eq!(habit.statement, "Rushes where a part begins, after the drum fill: 5 of 5 rehearsals.");
    assert!(rushes_at(60.0).iter().all(|h| h.id != "rushes_into_parts"));
}

#[test]
fn the_lines_for_drawing_hold_every_value_and_are_parted_at_the_breaks() {
    let season = build_season(&weekly(9, |week, s| {
        s.low_end_db = week as f64;
        s.codec = if week < 4 { "aac" } else { "flac" }.into();
    }));
    let lines = picture_input(&season);
    let low_end = lines.iter().find(|l| l.measure == "low_end_excess_db").unwrap();
    assert_eq!(low_end.runs.iter().map(Vec::len).collect::<Vec<_>>(), [4, 5]);
    let points: Vec<(f64, f64)> = low_end.runs.iter().flatten().map(|p| (p.week, p.value)).collect();
    assert_eq!(points, (0..9).map(|k| (f64::from(k), f64::from(k))).collect::<Vec<_>>());
    assert_eq!(low_end.breaks.len(), 1);
    assert_eq!(low_end.trend.as_ref().unwrap().verdict, TrendVerdict::Up);
    assert_eq!(lines.len(), season.trends.len());
}

/// A season in which nothing changes: every varying measure is normal noise of its own size around its own middle.
fn unchanging_season(seed: u64, weeks: i64) -> Season {
    let mut dice = Dice(seed);
    let noise: Vec<[f64; 4]> = (0..weeks).map(|_| [0; 4].map(|_| dice.normal())).collect();
    build_season(&weekly(weeks, |week, s| {
        let [a, b, c, d] = noise[week as usize];
        // The take alone varies here; the intervals of the mock reports (0.7 dB, 0.5 LU) are a good deal narrower.
        s.low_end_db += 1.5 * a;
        s.lufs += 2.0 * b;
        s.take_s += 200.0 * c;
        s.bass_cents = Some(6.0 * d);
    }))
}

#[test]
fn unchanging_seasons_raise_a_false_alarm_in_at_most_one_of_twenty() {
    let measures = ["low_end_excess_db", "integrated_lufs", "takes_minutes", "bass_offset_from_a440_cents"];
    for measure in measures {
        let mut alarms = 0;
        for seed in 0..100 {
            let season = unchanging_season(seed, 3 + (seed % 18) as i64);
            let moved = [TrendVerdict::Up, TrendVerdict::Down].contains(&trend(&season, measure).verdict);
            alarms += usize::from(moved);
        }
        println!("{measure}: {alarms} of 100");
        assert!(alarms <= 5, "{measure}: {alarms} false alarms in 100 seasons");
    }
}

#[test]
fn the_interval_of_the_slope_holds_the_planted_slope_in_at_least_95_of_100_seasons() {
    let mut held = 0;
    for seed in 0..100 {
        let mut dice = Dice(1000 + seed);
        let noise: Vec<f64> = (0..12).map(|_| dice.normal()).collect();
        let season = build_season(&weekly(10, |week, s| s.low_end_db = 0.3 * week as f64 + noise[week as usize]));
        let m = &trend(&season, "low_end_excess_db").slope_per_week;
        held += usize::from(m.low.unwrap() <= 0.3 && 0.3 <= m.high.unwrap());
    }
    println!("held {held} of 100");
    assert!(held >= 95, "{held}");
}

/// Reading and computing 300 rehearsals: the figure is printed; the bound is loose because test machines are shared.
#[test]
fn three_hundred_rehearsals_are_redrawn_within_seconds() {
    let out = tempfile::tempdir().unwrap();
    let mut entries = weekly(300, |week, s| s.low_end_db += (week % 5) as f64);
    for e in &mut entries {
        // As many beats as an hour of playing has.
        let tempo = &mut e.report.as_mut().unwrap().takes[0].tempo;
        tempo.beat_times_s = (0..9000).map(|k| 930.0 + 0.4 * f64::from(k)).collect();
        tempo.beat_in_bar = (0..9000).map(|k| (k % 4) as u8 + 1).collect();
    }
    for e in &entries {
        // Written plainly: flushing each file to the disk is not what is timed here.
        let dir = out.path().join(&e.folder);
        std::fs::create_dir(&dir).unwrap();
        std::fs::write(dir.join(REPORT_FILE), report::write::report_bytes(e.report.as_ref().unwrap()).unwrap())
            .unwrap();
    }
    redraw_season(out.path()).unwrap();
    let clock = std::time::Instant::now();
    let season = redraw_season(out.path()).unwrap().season;
    let took = clock.elapsed().as_secs_f64();
    println!("300 rehearsals: {took:.3} s");
    assert_eq!(season.rehearsals.len(), 300);
    assert!(took < 5.0, "{took} s");
}

/// An mp3 of the morning's wav: the same name, the same moment, the same length but for the encoder's padding.
#[test]
fn a_recording_that_was_stored_again_counts_once_and_another_of_the_same_day_counts_too() {
    let at = |clock: &str, hash: &str| Spec::on(&format!("{}T{clock}", day(0)), hash);
    let first = at("15:35:00", "a");
    let again = Spec { codec: "mp3".into(), take_s: 1200.9, ..at("15:35:00", "b") };
    let later = at("17:00:00", "c");
    let season = build_season(&[entry(&again), entry(&later), entry(&first)]);
    assert_eq!(season.rehearsals[0].tapes.len(), 2);
    assert_eq!(season.left_out.len(), 1);
    let out = &season.left_out[0];
    assert_eq!((out.reason.as_str(), out.same_as.is_some()), ("same_recording", true));
    let longer = Spec { take_s: 1300.0, ..again };
    assert_eq!(build_season(&[entry(&longer), entry(&first)]).rehearsals[0].tapes.len(), 2, "another recording");
}

#[test]
fn a_line_that_was_broken_keeps_the_trend_that_it_had() {
    let season = build_season(&weekly(10, |week, s| {
        s.low_end_db = 8.0 - week as f64;
        if week >= 8 {
            s.codec = "aac".into();
        }
    }));
    let t = trend(&season, "low_end_excess_db");
    assert_eq!(t.verdict, TrendVerdict::TooFew);
    assert_eq!(t.earlier.len(), 1);
    assert_eq!((t.earlier[0].verdict, t.earlier[0].to_date.as_str()), (TrendVerdict::Down, day(49).as_str()));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, rng_seed: proptest::test_runner::RngSeed::Fixed(2), ..ProptestConfig::default() })]

    #[test]
    fn shifting_all_values_leaves_the_slope_and_scaling_scales_it(values in proptest::collection::vec(-10.0f64..10.0, 3..12), shift in -20.0f64..20.0) {
        let slope = |f: &dyn Fn(f64) -> f64| {
            let season = build_season(&weekly(values.len() as i64, |week, s| s.low_end_db = f(values[week as usize])));
            trend(&season, "low_end_excess_db").slope_per_week.value.unwrap()
        };
        let plain = slope(&|v| v);
        prop_assert!((slope(&|v| v + shift) - plain).abs() < 1e-9);
        prop_assert!((slope(&|v| -2.0 * v) + 2.0 * plain).abs() < 1e-9);
    }

    #[test]
    fn any_set_of_tapes_is_accounted_for_once(days in proptest::collection::vec((0i64..60, 0u8..40, any::<bool>()), 0..40), seed in any::<u64>()) {
        let entries: Vec<Entry> = days.iter().enumerate().map(|(k, (date, hash, dated))| {
            let spec = Spec { file_name: format!("t{k}.wav"), ..Spec::on(&day(*date), &format!("h{hash}")) };
            entry(&Spec { recorded_at: spec.recorded_at.clone().filter(|_| *dated), ..spec })
        }).collect();
        let season = build_season(&entries);
        let counted: usize = season.rehearsals.iter().map(|r| r.tapes.len()).sum();
        prop_assert_eq!(counted + season.left_out.len(), entries.len());
        prop_assert!(season.rehearsals.windows(2).all(|w| w[0].date < w[1].date));
        prop_assert_eq!(build_season(&shuffled(entries, seed)), season);
    }
}
