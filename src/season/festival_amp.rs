//! What was advised or changed at an amplifier, and what it did to the low end.

use super::festival_plan::FestivalPlan;
use super::festival_types::AmpEffect;
use super::habits::Day;
use super::measures::{Measure, measure};
use super::trends::{Line, lines};
use super::types::Rehearsal;
use crate::report::{AmpControl, Report};
use crate::stats::Measured;

const LOW_END: &str = "low_end_excess_db";
/// The finding that asks for less low without a number.
const LESS_LOW: &str = "low_end_above_target";

/// Advice on the pages and changes that the director noted, each with the low end before and after.
pub fn amp_effects(plan: &FestivalPlan, rehearsals: &[Rehearsal], days: &[Day]) -> Vec<AmpEffect> {
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
    let sure = |a: &&crate::report::AmpAdvice| !a.change_db.warnings.iter().any(|w| w == "inside_the_noise");
    let said: Vec<String> = report.amp_advice.iter().filter(sure).filter_map(turn).collect();
    if !said.is_empty() {
        return Some(format!("advised: {}", said.join(", ")));
    }
    // Where no knob can be told in decibels, the page asks for less in words.
    let asked = report.findings.iter().any(|f| f.id == LESS_LOW);
    asked.then(|| "advised: a little less low on the bass amplifier".to_owned())
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
        return AmpEffect { date, what, advised, before_db, after_db, change_db, verdict: "not_comparable".into() };
    };
    let change_db = super::sheets::difference(&after_db, &before_db);
    let verdict = match (change_db.low, change_db.high) {
        (_, Some(high)) if high < 0.0 => "less_low_end",
        (Some(low), _) if low > 0.0 => "more_low_end",
        _ => "no_change_beyond_noise",
    };
    let (date, what) = (date.to_owned(), what.to_owned());
    AmpEffect { date, what, advised, before_db, after_db, change_db, verdict: verdict.into() }
}
