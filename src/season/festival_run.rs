//! The run-through: the charts and the changes between them against the slot.

use super::festival::met;
use super::festival_plan::{FestivalPlan, Goal};
use super::festival_types::{ChartLength, RunThrough};
use super::habits::Day;
use crate::report::Report;
use crate::stats::{Measured, median};

/// Rehearsals whose takes tell how long a chart is.
const RUNS: usize = 3;
/// Between two charts when nothing tells, seconds: own choice, a page turn and a count-off with room.
const CHANGE_ASSUMED_S: (f64, f64, f64) = (45.0, 20.0, 90.0);
/// Longer pauses between takes hold talk and are no changes.
const LONGEST_CHANGE_S: f64 = 120.0;

/// The charts of the plan as they were played last.
pub fn run_through(plan: &FestivalPlan, days: &[Day]) -> RunThrough {
    let charts: Vec<ChartLength> = plan
        .charts
        .iter()
        .map(|title| ChartLength { title: title.clone(), minutes: chart_minutes(title, days) })
        .collect();
    let takes_minutes = sum_of(&charts);
    let changes_minutes = changes(charts.len(), days);
    let total_minutes = match (takes_minutes.value, changes_minutes.value) {
        (Some(a), Some(b)) => Measured::new(
            a + b,
            takes_minutes.low.unwrap_or(a) + changes_minutes.low.unwrap_or(b),
            takes_minutes.high.unwrap_or(a) + changes_minutes.high.unwrap_or(b),
            charts.len() as u64,
        ),
        _ => Measured::absent(takes_minutes.reason.as_deref().unwrap_or("no_charts_named")),
    };
    let slot = Goal { measure: String::new(), at_least: None, at_most: Some(plan.slot_minutes) };
    let fits = met(&slot, &total_minutes);
    RunThrough { slot_minutes: plan.slot_minutes, charts, takes_minutes, changes_minutes, total_minutes, fits }
}

/// Longest take of `title` at each of the last rehearsals that played it: the last one, and the range.
fn chart_minutes(title: &str, days: &[Day]) -> Measured {
    let longest = |(_, tapes): &Day| {
        let takes = tapes.iter().flat_map(|(_, r)| &r.takes).filter(|t| t.title == title);
        takes.map(|t| (t.end_s - t.start_s) / 60.0).reduce(f64::max)
    };
    let runs: Vec<f64> = days.iter().rev().filter_map(longest).take(RUNS).collect();
    let Some(last) = runs.first() else { return Measured::absent("chart_not_played_yet") };
    let (low, high) = runs.iter().fold((*last, *last), |(l, h), v| (l.min(*v), h.max(*v)));
    Measured::new(*last, low, high, runs.len() as u64)
}

fn sum_of(charts: &[ChartLength]) -> Measured {
    if charts.is_empty() {
        return Measured::absent("no_charts_named");
    }
    let part = |pick: fn(&Measured) -> Option<f64>| charts.iter().map(|c| pick(&c.minutes)).sum::<Option<f64>>();
    match (part(|m| m.value), part(|m| m.low), part(|m| m.high)) {
        (Some(value), Some(low), Some(high)) => Measured::new(value, low, high, charts.len() as u64),
        _ => Measured::absent("chart_not_played_yet"),
    }
}

/// Changes between the charts: the short pauses between takes of the last rehearsals, else assumed (with a warning).
fn changes(charts: usize, days: &[Day]) -> Measured {
    let between = charts.saturating_sub(1) as f64;
    let pauses: Vec<f64> =
        days.iter().rev().take(RUNS).flat_map(|(_, tapes)| tapes).flat_map(|(_, r)| pauses(r)).collect();
    let short: Vec<f64> = pauses.into_iter().filter(|s| *s <= LONGEST_CHANGE_S).collect();
    let minutes = |s: f64| s * between / 60.0;
    match median(&short) {
        Some(middle) if short.len() >= RUNS => {
            let (low, high) = short.iter().fold((middle, middle), |(l, h), v| (l.min(*v), h.max(*v)));
            Measured::new(minutes(middle), minutes(low), minutes(high), short.len() as u64)
        }
        _ => {
            let (middle, low, high) = CHANGE_ASSUMED_S;
            Measured::new(minutes(middle), minutes(low), minutes(high), 0).with_warning("changes_assumed")
        }
    }
}

fn pauses(report: &Report) -> Vec<f64> {
    report.takes.windows(2).map(|pair| pair[1].start_s - pair[0].end_s).collect()
}
