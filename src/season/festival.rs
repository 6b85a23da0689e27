//! The road to a festival: goals against the trend, the run-through against the slot, what the amplifier's knobs did.
//!
//! Conventions: dates ISO 8601; weeks from the last rehearsal; a goal is a lower end, an upper end, or both. What is expected
//! at the festival goes on along the slope only where the trend is beyond noise, else it stays at the line's middle; its
//! interval holds the scatter of single rehearsals. An answer is yes or no only when the whole interval says so.
//!
//! Limits: the line is taken to go on as it went; nothing is foretold further ahead than the line is long.

use super::festival_types::{AmpEffect, Answer, ChartLength, Festival, GoalState, RunThrough};
use super::habits::Day;
use super::measures::{Measure, measure, measures};
use super::slope::{Point, theil_sen};
use super::trends::{Line, lines, points, weeks};
use super::types::Rehearsal;
use crate::report::{AmpControl, Report};
use crate::stats::{Measured, mad_sigma, median};

/// Half of a 95 % interval in standard deviations.
const Z_95: f64 = 1.96;
/// Rehearsals back that a level must hold to be expected alone.
const RECENT: usize = 4;
/// Rehearsals whose takes tell how long a chart is.
const RUNS: usize = 3;
/// Between two charts when nothing tells: own choice, a page turn and a count-off with room.
const CHANGE_ASSUMED_S: (f64, f64, f64) = (45.0, 20.0, 90.0);
/// The shortest share of the pauses between takes counts as a change; the rest holds talk.
const LONGEST_CHANGE_S: f64 = 120.0;
const LOW_END: &str = "low_end_excess_db";

/// What the director plans.
#[derive(Clone, Debug, PartialEq)]
pub struct FestivalPlan {
    /// Date, ISO 8601.
    pub date: String,
    /// Minutes on the stage.
    pub slot_minutes: f64,
    /// Titles of the charts in playing order.
    pub charts: Vec<String>,
    /// What the band wants to reach.
    pub goals: Vec<Goal>,
    /// What was changed at an amplifier, as the director noted it.
    pub amp_changes: Vec<AmpChange>,
}

/// A goal for a measure of the season.
#[derive(Clone, Debug, PartialEq)]
pub struct Goal {
    /// Measure id.
    pub measure: String,
    /// Least value that meets it.
    pub at_least: Option<f64>,
    /// Largest value that meets it.
    pub at_most: Option<f64>,
}

impl Goal {
    /// Not under `value`.
    pub fn at_least(measure: &str, value: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: Some(value), at_most: None }
    }

    /// Not over `value`.
    pub fn at_most(measure: &str, value: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: None, at_most: Some(value) }
    }

    /// No further than `size` from zero, either way.
    pub fn within(measure: &str, size: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: Some(-size.abs()), at_most: Some(size.abs()) }
    }
}

/// Something that was changed at an amplifier.
#[derive(Clone, Debug, PartialEq)]
pub struct AmpChange {
    /// Date of the first rehearsal with it, ISO 8601.
    pub date: String,
    /// What, in plain words.
    pub what: String,
}

/// Why a plan cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// Not a date.
    #[error("festival date \"{got}\" is no date; write it as year-month-day, for example 2026-04-18")]
    Date {
        /// What was written.
        got: String,
    },
    /// No such measure.
    #[error("there is no measure \"{got}\" for a goal; known are: {known}")]
    Measure {
        /// What was written.
        got: String,
        /// The ids that a goal can have.
        known: String,
    },
    /// Neither end, or the ends change places.
    #[error("the goal for \"{measure}\" needs at_least, at_most or within, with the lower end below the upper")]
    Ends {
        /// Which goal.
        measure: String,
    },
    /// Not a length of time.
    #[error("the slot must be longer than 0 minutes")]
    Slot,
}

impl FestivalPlan {
    /// Can this plan be used?
    ///
    /// # Errors
    /// The first thing that cannot.
    pub fn validate(&self) -> Result<(), PlanError> {
        for date in std::iter::once(&self.date).chain(self.amp_changes.iter().map(|c| &c.date)) {
            if weeks(date).is_none() {
                return Err(PlanError::Date { got: date.clone() });
            }
        }
        if !self.slot_minutes.is_finite() || self.slot_minutes <= 0.0 {
            return Err(PlanError::Slot);
        }
        self.goals.iter().try_for_each(validate_goal)
    }
}

fn validate_goal(goal: &Goal) -> Result<(), PlanError> {
    if measure(&goal.measure).is_none() {
        let known = measures().map(|m| m.id).collect::<Vec<_>>().join(", ");
        return Err(PlanError::Measure { got: goal.measure.clone(), known });
    }
    let fits = match (goal.at_least, goal.at_most) {
        (None, None) => false,
        (Some(low), Some(high)) => low <= high,
        (low, high) => low.or(high).is_some_and(f64::is_finite),
    };
    if fits { Ok(()) } else { Err(PlanError::Ends { measure: goal.measure.clone() }) }
}

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
fn met(goal: &Goal, m: &Measured) -> Answer {
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
    let moves = low > 0.0 || high < 0.0;
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
    let (low, high) =
        if moves { (value - down, value + up) } else { (lowest.min(value - down), highest.max(value + up)) };
    Measured::new(value, low, high, points.len() as u64)
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

fn run_through(plan: &FestivalPlan, days: &[Day]) -> RunThrough {
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

/// Advice on the pages and changes that the director noted, each with the low end before and after.
fn amp_effects(plan: &FestivalPlan, rehearsals: &[Rehearsal], days: &[Day]) -> Vec<AmpEffect> {
    let Some(m) = measure(LOW_END) else { return Vec::new() };
    let lines = lines(&m, rehearsals);
    let noted = plan.amp_changes.iter().map(|c| effect(&m, &lines, &c.date, &c.what, false));
    let advised = days.iter().filter_map(|(date, tapes)| {
        let what = tapes.iter().find_map(|(_, r)| advice(r))?;
        Some(effect(&m, &lines, date, &what, true))
    });
    let mut all: Vec<AmpEffect> = noted.chain(advised).collect();
    all.sort_by(|a, b| (&a.date, &a.what).cmp(&(&b.date, &b.what)));
    all
}

fn advice(report: &Report) -> Option<String> {
    let turn = |a: &crate::report::AmpAdvice| {
        let control = match a.control {
            AmpControl::Low => "low",
            AmpControl::Mid => "mid",
            AmpControl::High => "high",
            AmpControl::Level => "level",
        };
        let db = a.change_db.value?;
        let way = if db < 0.0 { "down" } else { "up" };
        Some(format!("{} {control} {way} {:.0} dB", a.instrument, db.abs()))
    };
    let said: Vec<String> = report.amp_advice.iter().filter_map(turn).collect();
    (!said.is_empty()).then(|| format!("advised: {}", said.join(", ")))
}

/// Advice of a rehearsal takes effect at the next one, a noted change at its own.
fn effect(m: &Measure, lines: &[Line], date: &str, what: &str, advised: bool) -> AmpEffect {
    let is_after = |d: &str| if advised { d > date } else { d >= date };
    let value = |r: &Rehearsal| r.values.get(m.id).cloned();
    let pair = lines.iter().find_map(|line| {
        let before = line.rehearsals.iter().rev().find(|r| !is_after(&r.date))?;
        let after = line.rehearsals.iter().find(|r| is_after(&r.date))?;
        Some((value(before)?, value(after)?))
    });
    let none = || Measured::absent("not_comparable");
    let Some((before_db, after_db)) = pair else {
        let (before_db, after_db, change_db) = (none(), none(), none());
        let (date, what) = (date.to_owned(), what.to_owned());
        return AmpEffect { date, what, before_db, after_db, change_db, verdict: "not_comparable".into() };
    };
    let change_db = super::sheets::difference(&after_db, &before_db);
    let verdict = match (change_db.low, change_db.high) {
        (_, Some(high)) if high < 0.0 => "less_low_end",
        (Some(low), _) if low > 0.0 => "more_low_end",
        _ => "no_change_beyond_noise",
    };
    AmpEffect { date: date.to_owned(), what: what.to_owned(), before_db, after_db, change_db, verdict: verdict.into() }
}
