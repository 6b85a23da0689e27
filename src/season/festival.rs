//! The road to a festival: goals against the trend, the run-through against the slot, what the amplifier's knobs did.
//!
//! Conventions: dates ISO 8601; weeks from the last rehearsal; a goal is a lower end, an upper end, or both. What is expected
//! at the festival goes on along the slope only where the trend is beyond noise, else it stays at the line's middle; its
//! interval holds the scatter of single rehearsals. An answer is yes or no only when the whole interval says so.
//!
//! Limits: the line is taken to go on as it went; nothing is foretold further ahead than the line is long.

use super::festival_amp::amp_effects;
use super::festival_plan::{FestivalPlan, Goal};
use super::festival_run::run_through;
use super::festival_types::{Answer, Festival, GoalState};
use super::habits::Day;
use super::measures::measure;
use super::slope::{Point, direction, theil_sen};
use super::trends::{lines, points, weeks};
use super::types::Rehearsal;
use crate::stats::{Measured, mad_sigma, median};

/// Half of a 95 % interval in standard deviations.
const Z_95: f64 = 1.96;
/// Rehearsals back that a level must hold to be expected alone.
const RECENT: usize = 4;

/// Where the band stands.
pub fn festival(plan: &FestivalPlan, rehearsals: &[Rehearsal], days: &[Day]) -> Festival {
    let at = weeks(&plan.date);
    let last = rehearsals.last().and_then(|r| weeks(&r.date));
    let weeks_left = at.zip(last).map(|(at, last)| at - last);
    Festival {
        date: plan.date.clone(),
        weeks_left,
        goals: plan.goals.iter().filter_map(|goal| goal_state(goal, rehearsals, at)).collect(),
        run_through: run_through(plan, days),
        amp: amp_effects(plan, rehearsals, days),
    }
}

fn goal_state(goal: &Goal, rehearsals: &[Rehearsal], festival_week: Option<f64>) -> Option<GoalState> {
    let m = measure(&goal.measure)?;
    let lines = lines(&m, rehearsals);
    let absent = || Measured::absent("no_value_yet");
    let value = |r: Option<&&Rehearsal>| r.and_then(|r| r.values.get(m.id)).cloned().unwrap_or_else(absent);
    let line = lines.last();
    let first = line.and_then(|l| l.rehearsals.first());
    let points = line.map(|l| points(&m, l)).unwrap_or_default();
    let slope = theil_sen(&points);
    let at_festival = match festival_week {
        Some(week) => bounded(m.id, expected(&points, &slope, week)),
        None => absent(),
    };
    let now = value(line.and_then(|l| l.rehearsals.last()));
    Some(GoalState {
        measure: m.id.to_owned(),
        title: m.title.to_owned(),
        unit: m.unit.to_owned(),
        at_least: goal.at_least,
        at_most: goal.at_most,
        at_start: value(first),
        start_date: first.map(|r| r.date.clone()),
        met_now: met(goal, &now),
        now,
        slope_per_week: slope,
        will_be_met: met(goal, &at_festival),
        at_festival,
    })
}

/// Yes when the whole interval lies inside the goal, no when it lies outside.
pub fn met(goal: &Goal, m: &Measured) -> Answer {
    let (Some(value), at_least, at_most) =
        (m.value, goal.at_least.unwrap_or(f64::NEG_INFINITY), goal.at_most.unwrap_or(f64::INFINITY))
    else {
        return Answer::CannotTell;
    };
    let (low, high) = (m.low.unwrap_or(value), m.high.unwrap_or(value));
    if low >= at_least && high <= at_most {
        Answer::Yes
    } else if high < at_least || low > at_most {
        Answer::No
    } else {
        Answer::CannotTell
    }
}

/// A single rehearsal at `week`, if the line goes on as it went.
///
/// # Not measurable
/// `too_few_rehearsals`, `too_far_ahead` (further than the line is long), `over` (before the last rehearsal).
fn expected(points: &[Point], slope: &Measured, week: f64) -> Measured {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Measured::absent("no_value_yet") };
    let Some(per_week) = slope.value else { return Measured::absent("too_few_rehearsals") };
    let ahead = week - last.week;
    if ahead < 0.0 {
        return Measured::absent("over");
    }
    if ahead > last.week - first.week {
        return Measured::absent("too_far_ahead");
    }
    let (low, high) = (slope.low.unwrap_or(per_week), slope.high.unwrap_or(per_week));
    let moves = direction(points).is_some_and(|way| way != 0);
    let (per_week, low, high) = if moves { (per_week, low, high) } else { (0.0, 0.0, 0.0) };
    let middle_week = points.iter().map(|p| p.week).sum::<f64>() / points.len() as f64;
    let rest: Vec<f64> = points.iter().map(|p| p.value - per_week * (p.week - middle_week)).collect();
    let Some(middle) = median(&rest) else { return Measured::absent("no_value_yet") };
    let measured = median(&points.iter().map(|p| p.sigma).collect::<Vec<_>>()).unwrap_or(0.0);
    let scatter = mad_sigma(&rest).unwrap_or(0.0).max(measured);
    // A level that jumped of late is not known to stay: the last ones count in full.
    let recent = &points[points.len().saturating_sub(RECENT)..];
    let (lowest, highest) = recent.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
        (l.min(p.value - Z_95 * p.sigma), h.max(p.value + Z_95 * p.sigma))
    });
    let single = Z_95 * scatter * (1.0 + 1.0 / points.len() as f64).sqrt();
    let run = week - middle_week;
    let value = middle + per_week * run;
    let down = single.hypot((per_week - low) * run);
    let up = single.hypot((high - per_week) * run);
    if moves {
        return Measured::new(value, value - down, value + up, points.len() as u64);
    }
    let (low, high) = (lowest.min(value - down), highest.max(value + up));
    let of_late = median(&recent.iter().map(|p| p.value).collect::<Vec<_>>()).unwrap_or(value);
    Measured::new(of_late, low, high, points.len() as u64)
}

/// A share lies between 0 and 100 percent, and a size is never negative.
fn bounded(id: &str, m: Measured) -> Measured {
    let share = ["playing_share_percent", "hat_on_2_and_4_percent", "clipped_percent"].contains(&id);
    let size = ["drift_size_percent", "steadiness_percent", "takes_minutes", "range_lu"].contains(&id);
    if !share && !size {
        return m;
    }
    let most = if share { 100.0 } else { f64::INFINITY };
    // A line that runs out of the range ends at its edge and keeps its uncertainty.
    let (Some(value), Some(low), Some(high)) = (m.value, m.low, m.high) else { return m };
    let edge = value.clamp(0.0, most);
    let inside = |v: f64| Some((edge + v - value).clamp(0.0, most));
    Measured { value: Some(edge), low: inside(low), high: inside(high), ..m }
}
