//! Groups of takes become charts with names, and what the same chart did week by week.
//!
//! Conventions: a group is a chart when it has two takes or a title. Letters are given in the order in which groups became charts
//! (with their second take, or their first title), so that a later tape does not move the letters of earlier ones; a group with
//! a title uses up its letter too, so that naming one chart does not rename the others.

use super::fingerprint::FEWEST_BEATS;
use super::groups::{Group, PERHAPS, PlayedTake, nearest};
use crate::report::TakeFacts;
use crate::season::chart_types::{ChartPlayed, ChartWeek, TakeOfChart, UnnamedTake};
use crate::season::combine::{Rule, Weighted, combine};
use crate::stats::Measured;

/// Charts in the order in which they became known, and the takes of none.
pub fn named(takes: &[PlayedTake], groups: &[Group]) -> (Vec<ChartPlayed>, Vec<UnnamedTake>) {
    let title = |group: &Group| group.takes.iter().find_map(|at| takes[*at].title());
    let became_known = |group: &Group| {
        let titled = group.takes.iter().find(|at| takes[**at].title().is_some());
        titled.into_iter().chain(group.takes.get(1)).min().copied()
    };
    let mut known: Vec<(usize, &Group)> = groups.iter().filter_map(|g| Some((became_known(g)?, g))).collect();
    known.sort_by_key(|(since, group)| (*since, group.takes[0]));
    let charts = known
        .iter()
        .enumerate()
        .map(|(number, (_, group))| {
            let name = title(group).map_or_else(|| format!("chart {}", letters(number)), str::to_owned);
            chart(name, title(group).is_some(), group, takes)
        })
        .collect();
    let alone = groups.iter().filter(|g| became_known(g).is_none()).flat_map(|g| &g.takes);
    (charts, alone.map(|at| unnamed(*at, takes, groups)).collect())
}

/// A to Z, then AA, AB.
fn letters(number: usize) -> String {
    let letter = char::from(b'A' + (number % 26) as u8);
    if number < 26 { letter.to_string() } else { format!("{}{letter}", letters(number / 26 - 1)) }
}

fn chart(name: String, titled: bool, group: &Group, takes: &[PlayedTake]) -> ChartPlayed {
    let of_chart = |(at, log_odds): (&usize, &f64)| {
        let played = &takes[*at];
        let by_sheet = played.title().is_some();
        let called = if titled && !by_sheet { format!("probably {name}") } else { name.clone() };
        TakeOfChart {
            date: played.date.to_owned(),
            folder: played.folder.to_owned(),
            take: played.at + 1,
            start_s: played.take.start_s,
            called,
            known_by: if by_sheet { "sheet" } else { "harmony" }.to_owned(),
            confidence: if by_sheet { 1.0 } else { 1.0 / (1.0 + (-log_odds).exp()) },
        }
    };
    let mut dates: Vec<&str> = group.takes.iter().map(|at| takes[*at].date).collect();
    dates.dedup();
    let week = |date: &&str| week(date, group.takes.iter().map(|at| &takes[*at]).filter(|t| t.date == *date));
    ChartPlayed {
        takes: group.takes.iter().zip(&group.log_odds).map(of_chart).collect(),
        weeks: dates.iter().map(week).collect(),
        name,
        titled,
    }
}

fn week<'a>(date: &str, played: impl Iterator<Item = &'a PlayedTake<'a>>) -> ChartWeek {
    let played: Vec<&PlayedTake> = played.collect();
    let trusted = |read: fn(&TakeFacts) -> &Measured, trust: fn(&PlayedTake) -> bool| {
        let weighted = |p: &&PlayedTake| Weighted {
            measured: if trust(p) { read(p.take).clone() } else { Measured::absent("not_trusted") },
            weight: p.take.end_s - p.take.start_s,
        };
        combine(&played.iter().map(weighted).collect::<Vec<_>>(), Rule::Mean, "no_takes")
    };
    let time = |read: fn(&TakeFacts) -> &Measured| trusted(read, |p| p.report.health.trusted_for.time.ok);
    let tuning = |read: fn(&TakeFacts) -> &Measured| trusted(read, |p| p.report.health.trusted_for.tuning.ok);
    ChartWeek {
        date: date.to_owned(),
        takes: played.len(),
        bpm: time(|t| &t.tempo.bpm),
        drift_percent: time(|t| &t.tempo.drift_percent),
        steadiness_percent: time(|t| &t.tempo.steadiness_percent),
        swing_ratio: time(|t| &t.feel.swing_ratio),
        bass_offset_from_band_cents: tuning(|t| &t.tuning.bass.offset_from_band_cents),
        guitar_offset_from_band_cents: tuning(|t| &t.tuning.guitar.offset_from_band_cents),
        repeats: super::repeats::repeats(&played),
    }
}

fn unnamed(at: usize, takes: &[PlayedTake], groups: &[Group]) -> UnnamedTake {
    let played = &takes[at];
    let beats = played.take.harmony.as_ref().map(|h| h.chords.len());
    let reason = match (played.take.tempo.bpm.value, beats) {
        (None, _) => "no_steady_beat",
        (_, None) => "no_harmony",
        (_, Some(beats)) if beats < FEWEST_BEATS => "too_short",
        _ if !played.is_known() => "no_harmony",
        _ if nearest(at, groups, takes) >= PERHAPS => "undecided",
        _ => "no_other_take_like_it",
    };
    UnnamedTake {
        date: played.date.to_owned(),
        folder: played.folder.to_owned(),
        take: played.at + 1,
        reason: reason.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!([0, 1, 25, 26, 27, 52, 702].map(letters), ["A", "B", "Z", "AA", "AB", "BA", "AAA"]);
    }
}
