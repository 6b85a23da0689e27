//! What returns from rehearsal to rehearsal: tuning at the start, pitch by the end, tempo, hi-hat, asks that are made again.
//!
//! Conventions: a habit was seen at three dates or more, and at two of three or more of the last six at which it could be
//! judged; it is counted, and its size is the median with the smallest and largest as its ends. A rehearsal at which it could
//! not be judged counts for neither. Order: the table below, then asks by player and finding.
//!
//! Limits: with one sign chosen beforehand, noise that passes a row's bar one time in five makes a habit of itself in fewer
//! than 2 seasons of 100.

use std::collections::BTreeMap;

use super::habit_rows::{ROWS, Row, Seen};
use super::types::{Habit, HabitEvidence};
use crate::report::Report;
use crate::stats::{Measured, median};

/// Fewest dates.
const DATES_MIN: usize = 3;
/// How many rehearsals back it must be alive.
const RECENT: usize = 6;

/// The tapes of a date: folder and report.
pub type Day<'a> = (&'a str, Vec<(&'a str, &'a Report)>);

/// Habits in rehearsals given as (date, [(folder, report)]), in date order.
pub fn habits(days: &[Day]) -> Vec<Habit> {
    let mut found: Vec<Habit> = ROWS.iter().filter_map(|row| measured_habit(row, days)).collect();
    found.extend(asks(days));
    found.extend(super::habit_rows::playing_share(days));
    found
}

/// Alive: seen at enough dates, and at two of three of the last ones at which it could be judged.
fn is_habit(judged: &[bool]) -> bool {
    let recent = &judged[judged.len().saturating_sub(RECENT)..];
    let seen = |list: &[bool]| list.iter().filter(|s| **s).count();
    seen(judged) >= DATES_MIN && 3 * seen(recent) >= 2 * recent.len()
}

/// What a row says of one date: the tapes that could be judged, the first that shows it, and the size of the day.
struct DayView<'a> {
    date: &'a str,
    shown_in: Option<&'a str>,
    size: Option<f64>,
}

fn measured_habit(row: &Row, days: &[Day]) -> Option<Habit> {
    let views: Vec<DayView> = days.iter().filter_map(|day| view(row, day)).collect();
    let judged: Vec<bool> = views.iter().map(|v| v.shown_in.is_some()).collect();
    if !is_habit(&judged) {
        return None;
    }
    let shown: Vec<&DayView> = views.iter().filter(|v| v.shown_in.is_some()).collect();
    let sizes: Vec<f64> = shown.iter().filter_map(|v| v.size).collect();
    let size = spread(&sizes);
    let said = size.value.filter(|_| !row.unit.is_empty());
    let sign = |v: f64| if v < 0.0 { '\u{2212}' } else { '+' };
    let tail = said.map_or_else(String::new, |v| format!(", median {}{:.0} {}", sign(v), v.abs(), row.unit));
    let evidence = |v: &&DayView| {
        let folder = v.shown_in?.to_owned();
        Some(HabitEvidence { date: v.date.to_owned(), folder, finding: row.id.to_owned() })
    };
    Some(Habit {
        id: row.id.to_owned(),
        player: row.player.to_owned(),
        statement: format!("{}: {} of {} rehearsals{tail}.", row.words, shown.len(), views.len()),
        seen: shown.len() as u64,
        judged: views.len() as u64,
        size,
        unit: row.unit.to_owned(),
        evidence: shown.iter().filter_map(evidence).collect(),
    })
}

/// The largest reading of the day decides; tapes that cannot be judged are passed over.
fn view<'a>(row: &Row, (date, tapes): &'a Day<'a>) -> Option<DayView<'a>> {
    let judged: Vec<(&str, Seen)> = tapes.iter().filter_map(|(folder, r)| Some((*folder, (row.read)(r)?))).collect();
    let largest = judged.iter().max_by(|a, b| {
        (a.1.shown, a.1.size.abs()).partial_cmp(&(b.1.shown, b.1.size.abs())).unwrap_or(std::cmp::Ordering::Equal)
    })?;
    Some(DayView { date, shown_in: largest.1.shown.then_some(largest.0), size: Some(largest.1.size) })
}

/// Median with the smallest and largest as its ends.
fn spread(sizes: &[f64]) -> Measured {
    let (low, high) = sizes.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    match median(sizes) {
        Some(middle) => Measured::new(middle, low, high, sizes.len() as u64),
        None => Measured::absent("counted_only"),
    }
}

/// Findings with an ask that were made again and again and that no row of the table stands for.
fn asks(days: &[Day]) -> Vec<Habit> {
    let known = |id: &str| ROWS.iter().any(|row| row.findings.contains(&id));
    let mut keys: BTreeMap<(String, String), String> = BTreeMap::new();
    for (_, tapes) in days {
        for f in tapes.iter().flat_map(|(_, r)| &r.findings) {
            if f.severity > 0 && !f.ask.is_empty() && !known(&f.id) {
                keys.insert((f.player.clone(), f.id.clone()), f.ask.clone());
            }
        }
    }
    keys.into_iter().filter_map(|((player, id), ask)| asked_again(days, &player, &id, &ask)).collect()
}

fn asked_again(days: &[Day], player: &str, id: &str, ask: &str) -> Option<Habit> {
    let made = |r: &Report| r.findings.iter().any(|f| f.id == id && f.player == player && f.severity > 0);
    let judged: Vec<bool> = days.iter().map(|(_, tapes)| tapes.iter().any(|(_, r)| made(r))).collect();
    if !is_habit(&judged) {
        return None;
    }
    let seen = judged.iter().filter(|s| **s).count();
    let evidence: Vec<HabitEvidence> = days
        .iter()
        .flat_map(|(date, tapes)| tapes.iter().filter(|(_, r)| made(r)).map(move |(folder, _)| (date, folder)))
        .map(|(date, folder)| HabitEvidence {
            date: (*date).to_owned(),
            folder: (*folder).to_owned(),
            finding: id.to_owned(),
        })
        .collect();
    Some(Habit {
        id: id.to_owned(),
        player: player.to_owned(),
        statement: format!("The same ask was made at {seen} of {} rehearsals: {ask}", judged.len()),
        seen: seen as u64,
        judged: judged.len() as u64,
        size: Measured::absent("counted_only"),
        unit: String::new(),
        evidence,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_habit_is_seen_three_times_and_at_two_of_three_of_the_last_six() {
        let judged = |s: &str| is_habit(&s.chars().map(|c| c == 'x').collect::<Vec<_>>());
        assert!(judged("xxx") && judged("x.xxxx") && judged("xx..xxxx.x"));
        assert!(!judged("xx") && !judged("xxxx......") && !judged("x.x.x.") && !judged(""));
    }
}
