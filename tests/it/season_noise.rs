//! Seasons in which nothing changes: every measure and every habit varies as noise around its own middle, with intervals that
//! are as honest as the contract asks. False alarms are counted.

use ledgerline::report::{OpenString, Report, SlippedBar};
use ledgerline::season::*;
use ledgerline::stats::Measured;

use crate::mock_reports::{Dice, Spec, mock_report};

const SEASONS: u64 = 100;
/// Alarms in 100 seasons that are allowed: 5 %.
const ALLOWED: usize = 5;

/// `middle` with true variation from week to week and a measurement error that the interval knows.
fn noisy(dice: &mut Dice, middle: f64, weekly: f64, error: f64) -> Measured {
    let value = middle + weekly * dice.normal() + error * dice.normal();
    Measured::symmetric(value, 1.96 * error, 40)
}

/// A report whose every value is noise around the same middle every week.
fn unchanging(dice: &mut Dice, date: &str, hash: &str) -> Report {
    let mut report = mock_report(&Spec {
        take_s: 1200.0 + 120.0 * dice.normal(),
        talk_s: 900.0 + 90.0 * dice.normal(),
        ..Spec::on(date, hash)
    });
    report.findings.clear();
    let take = &mut report.takes[0];
    take.loudness.integrated_lufs = noisy(dice, -20.0, 1.5, 0.3);
    take.loudness.range_lu = noisy(dice, 7.0, 0.8, 0.4);
    take.tempo.drift_percent = noisy(dice, 0.0, 1.5, 0.2);
    take.tempo.steadiness_percent = noisy(dice, 1.2, 0.2, 0.1);
    take.feel.swing_ratio = noisy(dice, 1.9, 0.1, 0.06);
    let hat = (75.0 + 15.0 * dice.normal()).clamp(0.0, 100.0);
    take.feel.hat_on_2_and_4_percent = Measured::new(hat, (hat - 12.0).max(0.0), (hat + 12.0).min(100.0), 40);
    take.feel.bass_to_drums_ms = noisy(dice, 4.0, 5.0, 4.6);
    take.feel.comping_onsets_per_bar = noisy(dice, 4.0, 0.8, 0.5);
    take.time_detail.bar_picture.bars = 40;
    let mut second = take.parts[0].clone();
    second.start_s = take.start_s + 600.0;
    take.parts.push(second);
    // One bar in forty slips for no reason, wherever it lies.
    if dice.uniform() < 0.5 {
        let at = take.start_s + 1100.0 * dice.uniform();
        let change_percent = Measured::symmetric(3.5, 1.0, 4);
        take.time_detail.slipped_bars = vec![SlippedBar { bar: 7, start_s: at, end_s: at + 2.0, change_percent }];
    }
    for (of_take, tuning) in [
        (&mut take.tuning.bass, &mut report.tuning.instruments.bass),
        (&mut take.tuning.guitar, &mut report.tuning.instruments.guitar),
    ] {
        let against = noisy(dice, 0.0, 3.5, 1.8);
        tuning.offset_from_band_cents = against.clone();
        tuning.offset_from_a440_cents = noisy(dice, 3.0, 3.5, 1.8);
        tuning.drift_cents_per_min = noisy(dice, 0.0, 0.12, 0.1);
        of_take.offset_from_band_cents = against;
    }
    report.tuning.concert_pitch_hz = Measured::symmetric(440.0, 0.2, 80);
    for (instrument, strings) in [("bass", &[28u8, 33, 38, 43][..]), ("guitar", &[40u8, 45, 50, 55, 59, 64][..])] {
        let whole = 4.0 * dice.normal();
        report.passages[1].strings.retain(|s| s.instrument != instrument);
        report.passages[1].strings.extend(strings.iter().map(|midi| OpenString {
            instrument: instrument.into(),
            string_midi: *midi,
            offset_from_a440_cents: Measured::symmetric(whole + 1.0 * dice.normal(), 2.5, 9),
        }));
    }
    report.balance.low_end_excess_db = noisy(dice, 2.0, 1.2, 0.6);
    report.balance.tilt_db_per_octave = noisy(dice, -3.0, 0.3, 0.2);
    let clipped = (0.002 + 0.001 * dice.normal()).abs();
    report.health.clipped_percent = Measured::symmetric(clipped, 0.0002, 1000);
    report
}

fn season(seed: u64) -> Season {
    let mut dice = Dice(40_000 + seed);
    let weeks = 3 + (seed % 18) as i64;
    let entries: Vec<Entry> = (0..weeks)
        .map(|week| {
            let date = jiff::civil::date(2026, 1, 5).checked_add(jiff::Span::new().days(7 * week)).unwrap().to_string();
            let report = unchanging(&mut dice, &format!("{date}T15:00:00"), &format!("tape{week:03}"));
            Entry { folder: format!("{date}_rehearsal"), report: Ok(report) }
        })
        .collect();
    build_season(&entries)
}

#[test]
fn unchanging_seasons_raise_at_most_five_false_alarms_in_a_hundred_for_every_measure_and_every_habit() {
    let mut alarms: std::collections::BTreeMap<String, usize> = measures().map(|m| (m.id.to_owned(), 0)).collect();
    for seed in 0..SEASONS {
        let season = season(seed);
        assert_eq!(season.trends.len(), measures().count(), "every measure is simulated");
        for trend in &season.trends {
            let moved = [TrendVerdict::Up, TrendVerdict::Down].contains(&trend.verdict);
            *alarms.entry(trend.measure.clone()).or_default() += usize::from(moved);
        }
        for habit in season.habits.iter().filter(|h| h.id != "playing_share") {
            *alarms.entry(habit.id.clone()).or_default() += 1;
        }
    }
    println!("{alarms:?}");
    for (what, count) in &alarms {
        assert!(*count <= ALLOWED, "{what}: {count} false alarms in {SEASONS} seasons");
    }
}

/// The counter would see an alarm: the same noise on top of a bass that comes into tune.
#[test]
fn the_noise_does_not_hide_a_planted_change() {
    let mut dice = Dice(7);
    let entries: Vec<Entry> = (0..10)
        .map(|week| {
            let date = jiff::civil::date(2026, 1, 5).checked_add(jiff::Span::new().days(7 * week)).unwrap().to_string();
            let mut report = unchanging(&mut dice, &format!("{date}T15:00:00"), &format!("tape{week:03}"));
            let m = &mut report.tuning.instruments.bass.offset_from_band_cents;
            let by = 2.5 * week as f64 - 20.0;
            *m = Measured::symmetric(m.value.unwrap() + by, 3.5, 40);
            Entry { folder: format!("{date}_rehearsal"), report: Ok(report) }
        })
        .collect();
    let season = build_season(&entries);
    let t = season.trends.iter().find(|t| t.measure == "bass_offset_from_band_cents").unwrap();
    assert_eq!(t.verdict, TrendVerdict::Up);
}
