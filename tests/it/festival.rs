//! The road to a festival: goals, run-through, amplifier; from a mock source of reports.

use ledgerline::report::{Report, TakeFacts};
use ledgerline::season::*;
use ledgerline::stats::Measured;

use crate::mock_reports::{Spec, mock_report};

fn day(days: i64) -> String {
    jiff::civil::date(2026, 1, 5).checked_add(jiff::Span::new().days(days)).unwrap().to_string()
}

fn weekly(weeks: i64, change: impl Fn(i64, &mut Report)) -> Vec<Entry> {
    let entry = |week: i64| {
        let mut report = mock_report(&Spec::on(&day(7 * week), &format!("tape{week:03}")));
        report.amp_advice.clear();
        change(week, &mut report);
        Entry { folder: format!("{}_rehearsal", day(7 * week)), report: Ok(report) }
    };
    (0..weeks).map(entry).collect()
}

fn plan(goals: Vec<Goal>) -> FestivalPlan {
    FestivalPlan { date: day(63), slot_minutes: 20.0, charts: Vec::new(), goals, amp_changes: Vec::new() }
}

fn festival(entries: &[Entry], plan: &FestivalPlan) -> Festival {
    plan.validate().unwrap();
    build_season_for(entries, Some(plan)).festival.unwrap()
}

/// A bass that is 16 cents flat and comes up by 2 cents a week: 2 flat after seven weeks, 2 sharp two weeks later.
fn mending() -> Vec<Entry> {
    weekly(8, |week, r| {
        let cents = -16.0 + 2.0 * week as f64;
        r.tuning.instruments.bass.offset_from_band_cents = Measured::symmetric(cents, 1.0, 40);
    })
}

#[test]
fn a_goal_says_where_it_stands_and_whether_it_will_be_met() {
    let f = festival(&mending(), &plan(vec![Goal::within("bass_offset_from_band_cents", 5.0)]));
    // The last rehearsal is on day 49, the festival on day 63.
    assert_eq!(f.weeks_left, Some(2.0));
    let g = &f.goals[0];
    assert_eq!((g.at_start.value, g.now.value, g.met_now), (Some(-16.0), Some(-2.0), Answer::Yes));
    assert!((g.at_festival.value.unwrap() - 2.0).abs() < 1e-9, "{:?}", g.at_festival);
    assert_eq!(g.will_be_met, Answer::Yes);
    let strict = festival(&mending(), &plan(vec![Goal::at_most("bass_offset_from_band_cents", -4.0)]));
    assert_eq!((strict.goals[0].met_now, strict.goals[0].will_be_met), (Answer::No, Answer::No));
    let near = festival(&mending(), &plan(vec![Goal::at_least("bass_offset_from_band_cents", 2.0)]));
    assert_eq!(near.goals[0].will_be_met, Answer::CannotTell, "the interval reaches to both sides");
}

/// Four weeks at 0 %, then two at 100 %: whether it stays so is not known.
#[test]
fn a_level_that_has_just_jumped_is_not_foretold_either_way() {
    let entries = weekly(6, |week, r| {
        let hat = if week < 4 { 0.0 } else { 100.0 };
        r.takes[0].feel.hat_on_2_and_4_percent =
            Measured::new(hat, (hat - 9.0f64).max(0.0), (hat + 9.0).min(100.0), 40);
    });
    let plan = FestivalPlan { date: day(49), ..plan(vec![Goal::at_least("hat_on_2_and_4_percent", 80.0)]) };
    let g = &festival(&entries, &plan).goals[0];
    assert_eq!((g.met_now, g.will_be_met), (Answer::Yes, Answer::CannotTell));
    assert!(g.at_festival.low.unwrap() >= 0.0 && g.at_festival.high.unwrap() <= 100.0, "{:?}", g.at_festival);
}

#[test]
fn without_a_trend_beyond_noise_the_level_is_expected_and_too_far_ahead_nothing_is() {
    let noise = [0.4, -1.1, 0.9, -0.2, 1.3, -0.8];
    let entries = weekly(6, |week, r| {
        r.balance.low_end_excess_db = Measured::symmetric(3.0 + noise[week as usize], 0.7, 40);
    });
    let f = festival(&entries, &plan(vec![Goal::at_most("low_end_excess_db", 9.0)]));
    let g = &f.goals[0];
    assert!((g.at_festival.value.unwrap() - 3.0).abs() < 0.5, "{:?}", g.at_festival);
    assert!(g.at_festival.high.unwrap() - g.at_festival.low.unwrap() > 2.0, "holds the scatter of single rehearsals");
    assert_eq!(g.will_be_met, Answer::Yes);
    let far = FestivalPlan { date: day(200), ..plan(vec![Goal::at_most("low_end_excess_db", 9.0)]) };
    let f = festival(&entries, &far);
    assert_eq!(f.goals[0].at_festival.reason.as_deref(), Some("too_far_ahead"));
    assert_eq!(f.goals[0].will_be_met, Answer::CannotTell);
    let few = festival(&entries[..2], &plan(vec![Goal::at_most("low_end_excess_db", 9.0)]));
    assert_eq!(few.goals[0].at_festival.reason.as_deref(), Some("too_few_rehearsals"));
    assert_eq!(festival(&[], &plan(Vec::new())).weeks_left, None);
}

fn titled(report: &mut Report, takes: &[(&str, f64, f64)]) {
    let take = report.takes[0].clone();
    let of =
        |&(title, start_s, end_s): &(&str, f64, f64)| TakeFacts { title: title.into(), start_s, end_s, ..take.clone() };
    report.takes = takes.iter().map(of).collect();
}

#[test]
fn the_run_through_is_takes_plus_changes_against_the_slot() {
    let entries = weekly(3, |week, r| {
        let longer = 6.0 * week as f64;
        titled(
            r,
            &[("A", 100.0, 400.0 + longer), ("A", 440.0, 500.0), ("B", 540.0, 840.0 + longer), ("C", 2000.0, 2001.0)],
        );
    });
    let charts = vec!["A".to_owned(), "B".to_owned()];
    let f = festival(&entries, &FestivalPlan { charts: charts.clone(), slot_minutes: 15.0, ..plan(Vec::new()) });
    let run = &f.run_through;
    // 312 s each at the last rehearsal, 300 s at the first; the short pauses are 40, 34, 28 and three times 40 s.
    assert!((run.takes_minutes.value.unwrap() - 10.4).abs() < 1e-9);
    assert!((run.takes_minutes.low.unwrap() - 10.0).abs() < 1e-9);
    assert!((run.changes_minutes.value.unwrap() - 40.0 / 60.0).abs() < 0.06, "{:?}", run.changes_minutes);
    assert_eq!(run.fits, Answer::Yes);
    let tight = festival(&entries, &FestivalPlan { charts: charts.clone(), slot_minutes: 8.0, ..plan(Vec::new()) });
    assert_eq!(tight.run_through.fits, Answer::No);
    let unplayed = festival(&entries, &FestivalPlan { charts: vec!["A".into(), "D".into()], ..plan(Vec::new()) });
    assert_eq!(unplayed.run_through.total_minutes.reason.as_deref(), Some("chart_not_played_yet"));
    assert_eq!(unplayed.run_through.fits, Answer::CannotTell);
}

#[test]
fn a_change_at_the_amplifier_is_shown_with_what_it_did_and_never_across_recorders() {
    let entries = weekly(6, |week, r| {
        r.balance.low_end_excess_db = Measured::symmetric(if week < 3 { 6.0 } else { 1.5 }, 0.7, 40);
        // What the pages asked for would be listed too; here only what was noted counts.
        r.findings.clear();
        if week >= 5 {
            r.tape.codec = "aac".into();
        }
    });
    let noted = |days: i64| AmpChange { date: day(days), what: "low turned down".into() };
    let plan = FestivalPlan { amp_changes: vec![noted(21), noted(35), noted(7)], ..plan(Vec::new()) };
    let f = festival(&entries, &plan);
    let said: Vec<(&str, Option<f64>)> = f.amp.iter().map(|a| (a.verdict.as_str(), a.change_db.value)).collect();
    assert_eq!(said, [("no_change_beyond_noise", Some(0.0)), ("less_low_end", Some(-4.5)), ("not_comparable", None)]);
}

#[test]
fn a_plan_that_cannot_be_used_says_why() {
    let bad_date = FestivalPlan { date: "next spring".into(), ..plan(Vec::new()) };
    assert!(matches!(bad_date.validate(), Err(PlanError::Date { .. })));
    let unknown = plan(vec![Goal::at_least("swing", 1.0)]).validate().unwrap_err();
    assert!(unknown.to_string().contains("swing_ratio"), "{unknown}");
    let ends = Goal { measure: "swing_ratio".into(), at_least: Some(3.0), at_most: Some(1.0) };
    assert!(matches!(plan(vec![ends]).validate(), Err(PlanError::Ends { .. })));
    assert_eq!(FestivalPlan { slot_minutes: 0.0, ..plan(Vec::new()) }.validate(), Err(PlanError::Slot));
}
