//! Findings that return from rehearsal to rehearsal.
//!
//! Conventions: a habit is a finding with an ask that was made at three dates or more and at no fewer than half of the last six
//! rehearsals; it is counted, not estimated. Order: player, then finding.

use std::collections::BTreeMap;

use super::types::{Habit, HabitEvidence};
use crate::report::Report;

/// Fewest dates.
const DATES_MIN: usize = 3;
/// How many rehearsals back it must be alive.
const RECENT: usize = 6;

/// Habits in rehearsals given as (date, [(folder, report)]), in date order.
pub fn habits(days: &[(&str, Vec<(&str, &Report)>)]) -> Vec<Habit> {
    let mut found: BTreeMap<(String, String), Vec<(usize, HabitEvidence)>> = BTreeMap::new();
    let mut words: BTreeMap<(String, String), String> = BTreeMap::new();
    for (at, (date, tapes)) in days.iter().enumerate() {
        for (folder, report) in tapes {
            for f in report.findings.iter().filter(|f| f.severity > 0 && !f.ask.is_empty()) {
                let key = (f.player.clone(), f.id.clone());
                words.insert(key.clone(), f.ask.clone());
                let evidence =
                    HabitEvidence { date: (*date).to_owned(), folder: (*folder).to_owned(), finding: f.id.clone() };
                found.entry(key).or_default().push((at, evidence));
            }
        }
    }
    found.into_iter().filter_map(|(key, seen)| habit(&key, seen, days.len(), &words)).collect()
}

fn habit(
    key: &(String, String),
    seen: Vec<(usize, HabitEvidence)>,
    rehearsals: usize,
    words: &BTreeMap<(String, String), String>,
) -> Option<Habit> {
    let mut dates: Vec<usize> = seen.iter().map(|(at, _)| *at).collect();
    dates.dedup();
    let recent_from = rehearsals.saturating_sub(RECENT);
    let recent = dates.iter().filter(|at| **at >= recent_from).count();
    if dates.len() < DATES_MIN || 2 * recent < rehearsals - recent_from {
        return None;
    }
    let ask = words.get(key).map_or("", String::as_str);
    let statement = format!("At {} of {rehearsals} rehearsals the same ask was made: {ask}", dates.len());
    Some(Habit { player: key.0.clone(), statement, evidence: seen.into_iter().map(|(_, e)| e).collect() })
}
