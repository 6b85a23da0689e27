//! Takes into groups of one chart each.
//!
//! Conventions: takes are gone through in their order; each joins the group whose takes it is most like, by the mean of the log
//! odds over up to [`EXAMPLES`] takes of the group, when that is at least [`JOIN`], else it begins a group of its own. Groups that turn
//! out alike are put together afterwards. Takes with the same title from a band sheet are always one group, with two titles never.
//! Cost: a take is held against a few takes of each group, never against all.

use rayon::prelude::*;

use super::fingerprint::{Fingerprint, fingerprint};
use super::likeness::{MOST_SURE, likeness};
use crate::report::{Report, TakeFacts};

/// Mean log odds from which a take joins a group: 3 to 1. Chosen on the rendered tapes called "choose" in `benches/charts_fit`, where
/// 0.5 to 1.5 group alike.
pub const JOIN: f64 = 1.2;
/// Log odds from which a take might well belong to a group: 1 to 4.
pub const PERHAPS: f64 = -1.4;
/// Log odds below which one example is enough to tell that a take is not of its group.
const SURELY_OTHER: f64 = -4.0;
/// Takes of a group that others are held against: its longest.
const EXAMPLES: usize = 5;
/// The same when two groups are held against each other.
const EXAMPLES_OF_GROUPS: usize = 2;

/// A take, and what tells it from others.
pub struct PlayedTake<'a> {
    /// Date of the rehearsal.
    pub date: &'a str,
    /// Report folder.
    pub folder: &'a str,
    /// Its report.
    pub report: &'a Report,
    /// Number on the tape, from 0.
    pub at: usize,
    /// The take.
    pub take: &'a TakeFacts,
    method: &'a str,
    known_by: Option<Fingerprint>,
}

impl<'a> PlayedTake<'a> {
    /// The take with its fingerprint.
    pub fn new(date: &'a str, folder: &'a str, report: &'a Report, at: usize, take: &'a TakeFacts) -> Self {
        let method = report.methods.iter().find(|m| m.family == "harmony").map_or("", |m| m.id.as_str());
        Self { date, folder, report, at, take, method, known_by: fingerprint(take) }
    }

    /// Title of the band sheet.
    pub fn title(&self) -> Option<&'a str> {
        Some(self.take.title.as_str()).filter(|t| !t.is_empty())
    }

    /// Can it be recognised at all?
    pub fn is_known(&self) -> bool {
        self.known_by.is_some()
    }
}

/// Takes of one chart, by their place in the list of all takes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group {
    /// The takes, in order.
    pub takes: Vec<usize>,
    /// For each of them, the log odds that it belongs to the others; infinite where the band sheet says so.
    pub log_odds: Vec<f64>,
}

/// Groups in the order of their first takes; every take is in one group, alone if it is like no other.
pub fn grouped(takes: &[PlayedTake]) -> Vec<Group> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for at in 0..takes.len() {
        match home(at, &groups, takes) {
            Some(group) => groups[group].push(at),
            None => groups.push(vec![at]),
        }
    }
    put_together(&mut groups, takes);
    for group in &mut groups {
        group.sort_unstable();
    }
    groups.sort_unstable();
    groups
        .into_iter()
        .map(|g| Group { log_odds: g.iter().map(|at| belonging(*at, &g, takes)).collect(), takes: g })
        .collect()
}

fn title_of<'a>(group: &[usize], takes: &[PlayedTake<'a>]) -> Option<&'a str> {
    group.iter().find_map(|at| takes[*at].title())
}

/// The group that a take joins: that of its title, else the one it is most like.
fn home(at: usize, groups: &[Vec<usize>], takes: &[PlayedTake]) -> Option<usize> {
    let own = takes[at].title();
    if let Some(same) = own.and_then(|own| groups.iter().position(|g| title_of(g, takes) == Some(own))) {
        return Some(same);
    }
    let scores: Vec<f64> = groups
        .par_iter()
        .map(|group| match (own, title_of(group, takes)) {
            (Some(_), Some(_)) => -MOST_SURE,
            _ => belonging(at, group, takes),
        })
        .collect();
    let mut best: Option<usize> = None;
    for (group, score) in scores.iter().enumerate() {
        if *score >= JOIN && best.is_none_or(|b| *score > scores[b]) {
            best = Some(group);
        }
    }
    best
}

/// Mean log odds of a take against the examples of a group, itself left out; pairs that tempo rules out count as surely different.
fn belonging(at: usize, group: &[usize], takes: &[PlayedTake]) -> f64 {
    let others: Vec<usize> = examples(group, takes).into_iter().filter(|other| *other != at).collect();
    if takes[at].title().is_some() && others.iter().any(|o| takes[*o].title() == takes[at].title()) {
        return f64::INFINITY;
    }
    // Most groups are other charts, and the first example tells.
    let first = others.first().and_then(|other| pair_likeness(&takes[at], &takes[*other]));
    match first {
        Some(odds) if odds < SURELY_OTHER => odds,
        _ => mean_odds(&[at], &others, takes),
    }
}

fn mean_odds(some: &[usize], others: &[usize], takes: &[PlayedTake]) -> f64 {
    let pairs = some.iter().flat_map(|a| others.iter().map(move |b| (*a, *b)));
    let odds: Vec<f64> = pairs.map(|(a, b)| pair_odds(&takes[a], &takes[b])).collect();
    if odds.is_empty() { -MOST_SURE } else { odds.iter().sum::<f64>() / odds.len() as f64 }
}

fn pair_odds(a: &PlayedTake, b: &PlayedTake) -> f64 {
    pair_likeness(a, b).unwrap_or(-MOST_SURE)
}

/// Log odds of a pair whose tempi, methods and lengths allow it to be one chart.
fn pair_likeness(a: &PlayedTake, b: &PlayedTake) -> Option<f64> {
    let (x, y) = (a.known_by.as_ref()?, b.known_by.as_ref()?);
    if a.method != b.method { None } else { likeness(x, y).map(|l| l.log_odds) }
}

/// The longest takes of a group that can be recognised, of equals the first; all of it when it is small.
fn examples(group: &[usize], takes: &[PlayedTake]) -> Vec<usize> {
    let mut known: Vec<usize> = group.iter().copied().filter(|at| takes[*at].is_known()).collect();
    let beats = |at: usize| takes[at].known_by.as_ref().map_or(0, |f| f.rows.len());
    known.sort_by(|a, b| beats(*b).cmp(&beats(*a)).then(a.cmp(b)));
    known.truncate(EXAMPLES);
    known
}

/// Puts groups together that are alike, the surest pair first.
fn put_together(groups: &mut Vec<Vec<usize>>, takes: &[PlayedTake]) {
    let alike = |a: &[usize], b: &[usize]| {
        let titled = title_of(a, takes).is_some() && title_of(b, takes).is_some();
        let few = |group: &[usize]| examples(group, takes).into_iter().take(EXAMPLES_OF_GROUPS).collect::<Vec<_>>();
        if titled { -MOST_SURE } else { mean_odds(&few(a), &few(b), takes) }
    };
    // Scores of all pairs (a, b), a < b; only those of the group that grew are asked again.
    let row = |a: usize, groups: &[Vec<usize>]| -> Vec<f64> {
        (a + 1..groups.len()).into_par_iter().map(|b| alike(&groups[a], &groups[b])).collect()
    };
    let mut scores: Vec<Vec<f64>> = (0..groups.len()).map(|a| row(a, groups)).collect();
    loop {
        let mut best: Option<(usize, usize)> = None;
        for (a, row) in scores.iter().enumerate() {
            for (offset, score) in row.iter().enumerate() {
                if *score >= JOIN && best.is_none_or(|(x, y)| *score > scores[x][y - x - 1]) {
                    best = Some((a, a + 1 + offset));
                }
            }
        }
        let Some((a, b)) = best else { return };
        let moved = groups.remove(b);
        groups[a].extend(moved);
        scores.remove(b);
        for (c, row) in scores.iter_mut().enumerate().take(b) {
            row.remove(b - c - 1);
        }
        scores[a] = row(a, groups);
        for (c, row) in scores.iter_mut().enumerate().take(a) {
            row[a - c - 1] = alike(&groups[c], &groups[a]);
        }
    }
}

/// The largest mean log odds of a take that is alone against any other group.
pub fn nearest(at: usize, groups: &[Group], takes: &[PlayedTake]) -> f64 {
    let others = groups.iter().filter(|g| !g.takes.contains(&at));
    others.map(|g| mean_odds(&[at], &examples(&g.takes, takes), takes)).fold(-MOST_SURE, f64::max)
}
