//! One sheet a player: the one thing to practise, what went well, the player's own facts, and how they changed since the
//! rehearsal before.
//!
//! Conventions: facts of that player only. A change is better or further away only when its whole interval lies on one side of
//! zero and it is large enough to be noticed; values by other methods, and levels by another recorder, are not compared. The rehearsal before is the last earlier
//! date; of its tapes the one with the most playing.

use std::collections::BTreeMap;

use super::build::{Entry, same_recorder};
use super::measures::{Hears, take_seconds};
use super::sheet_facts::{Fact, facts};
use crate::findings::PRAISE;
use crate::report::folder::date_of;
use crate::report::{Finding, LayerLevels, Report};
use crate::stats::Measured;

/// Players that can have a sheet.
pub const PLAYERS: [&str; 4] = ["bass", "guitar", "piano", "drums"];
/// Most statements under the one thing to practise.
const MOST_ALSO: usize = 3;
/// Most places to listen to.
const MOST_SPANS: usize = 3;

/// A stretch of the tape to listen to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetSpan {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
}

/// Which way is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Toward {
    /// Higher.
    Higher,
    /// Lower.
    Lower,
    /// Nearer to zero.
    Zero,
    /// Neither: a fact.
    Neither,
}

/// What became of a fact since the rehearsal before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChangeVerdict {
    /// Better, beyond the noise.
    Better,
    /// Further away, beyond the noise.
    FurtherAway,
    /// Other than before, beyond the noise, with no better side.
    Changed,
    /// No change beyond the noise.
    Same,
    /// Not comparable: another method or another recorder.
    NotComparable,
    /// No value before, or none now.
    NoPair,
}

/// A fact of the player beside the same of the rehearsal before.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// What it is, in plain words.
    pub label: &'static str,
    /// Unit as it is printed.
    pub unit: &'static str,
    /// This rehearsal.
    pub now: Measured,
    /// The rehearsal before.
    pub before: Measured,
    /// Now minus before.
    pub change: Measured,
    /// What became of it.
    pub verdict: ChangeVerdict,
    /// Which way is better.
    pub toward: Toward,
}

/// A player's sheet in plain values.
#[derive(Clone, Debug, PartialEq)]
pub struct PlayerSheet {
    /// Whose.
    pub player: &'static str,
    /// The one thing to practise; empty when nothing was found to ask for.
    pub practise: String,
    /// Why.
    pub because: String,
    /// Where to listen.
    pub listen: Vec<SheetSpan>,
    /// What else was found.
    pub also: Vec<String>,
    /// What went well.
    pub praise: Vec<String>,
    /// Facts and their change.
    pub changes: Vec<Change>,
    /// Date of the rehearsal before; `None` at the first.
    pub last_date: Option<String>,
}

/// The sheets of every report folder, by folder.
pub fn player_sheets(entries: &[Entry]) -> BTreeMap<String, Vec<PlayerSheet>> {
    let mut days: BTreeMap<String, Vec<&Report>> = BTreeMap::new();
    for report in entries.iter().filter_map(|e| e.report.as_ref().ok()) {
        if let Some(date) = date_of(report.tape.recorded_at.as_deref()) {
            days.entry(date.to_string()).or_default().push(report);
        }
    }
    let before = |report: &Report| {
        let date = date_of(report.tape.recorded_at.as_deref())?.to_string();
        let (day, tapes) = days.range(..date).next_back()?;
        let order = |a: &&&Report, b: &&&Report| {
            take_seconds(a).total_cmp(&take_seconds(b)).then(b.tape.content_hash.cmp(&a.tape.content_hash))
        };
        Some((day.clone(), *tapes.iter().max_by(order)?))
    };
    let sheets = |report: &Report| -> Vec<PlayerSheet> {
        let before = before(report);
        players_of(report, &[]).into_iter().map(|p| sheet(p, report, before.as_ref())).collect()
    };
    entries.iter().filter_map(|e| Some((e.folder.clone(), sheets(e.report.as_ref().ok()?)))).collect()
}

/// Players who were heard on the tape or are `declared`, in the order of [`PLAYERS`].
pub fn players_of(report: &Report, declared: &[&str]) -> Vec<&'static str> {
    let tuned = |pick: fn(&Report) -> &Measured| pick(report).value.is_some();
    let strings = |who: &str| report.passages.iter().any(|p| p.strings.iter().any(|s| s.instrument == who));
    let layer = |pick: fn(&LayerLevels) -> &Measured| {
        let levels = report.takes.iter().flat_map(|t| &t.parts).filter_map(|p| p.layers_re_band_lu.as_ref());
        levels.map(pick).any(|m| m.value.is_some())
    };
    let heard = |player: &str| match player {
        "bass" => tuned(|r| &r.tuning.instruments.bass.offset_from_a440_cents) || strings("bass") || layer(|l| &l.bass),
        "guitar" => tuned(|r| &r.tuning.instruments.guitar.offset_from_a440_cents) || strings("guitar"),
        "piano" => tuned(|r| &r.tuning.instruments.piano.offset_from_a440_cents),
        _ => layer(|l| &l.drums) || report.takes.iter().any(|t| t.feel.hat_on_2_and_4_percent.value.is_some()),
    };
    PLAYERS.into_iter().filter(|p| heard(p) || declared.contains(p)).collect()
}

fn sheet(player: &'static str, report: &Report, before: Option<&(String, &Report)>) -> PlayerSheet {
    let own = |f: &&Finding| f.player == player;
    let asks: Vec<&Finding> =
        report.findings.iter().filter(own).filter(|f| f.severity > 0 && !f.ask.is_empty()).collect();
    // The drums keep the time for everybody.
    let shared =
        |f: &&Finding| player == "drums" && ["band_rushes", "band_drags", "bars_slipped"].contains(&f.id.as_str());
    let first = asks.first().copied().or_else(|| report.findings.iter().find(shared));
    let praise = |id: &&str| {
        report
            .findings
            .iter()
            .find(|f| f.id == **id && f.severity == 0)
            .filter(|f| own(f) || shared(f) || tempo_praise(player, f))
    };
    let changes: Vec<Change> = facts(player)
        .iter()
        .map(|fact| change(fact, report, before.map(|(_, r)| *r)))
        .filter(|c| c.now.value.is_some() || c.before.value.is_some())
        .collect();
    let noted = PRAISE.iter().filter_map(praise).map(|f| f.statement.clone());
    PlayerSheet {
        player,
        practise: first.map_or_else(String::new, |f| to_the_player(&f.ask, player)),
        because: first.map_or_else(String::new, |f| f.statement.clone()),
        listen: first.map_or_else(Vec::new, spans),
        also: asks.iter().skip(1).take(MOST_ALSO).map(|f| f.statement.clone()).collect(),
        praise: changes.iter().filter_map(improved).chain(noted).collect(),
        changes,
        last_date: before.map(|(date, _)| date.clone()),
    }
}

/// Praise for what came nearer since the rehearsal before.
fn improved(c: &Change) -> Option<String> {
    let (before, now) = (c.before.value?, c.now.value.filter(|_| c.verdict == ChangeVerdict::Better)?);
    let decimals = usize::from(c.unit.starts_with('%') && now.abs() < 10.0);
    let number = |v: f64| {
        let digits = format!("{:.decimals$}", v.abs());
        let negative = v < 0.0 && digits.chars().any(|d| ('1'..='9').contains(&d));
        if negative { format!("\u{2212}{digits}") } else { digits }
    };
    Some(format!("Better than last time: {}, from {} to {} {}.", c.label, number(before), number(now), c.unit))
}

/// "Let the bass tune again" becomes "Tune again": the sheet speaks to the player.
fn to_the_player(ask: &str, player: &str) -> String {
    let Some(rest) = ask.strip_prefix(&format!("Let the {player} ")) else { return ask.to_owned() };
    let mut letters = rest.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}

fn tempo_praise(player: &str, finding: &Finding) -> bool {
    player == "drums" && finding.id == "tempo_held"
}

fn spans(finding: &Finding) -> Vec<SheetSpan> {
    let mut found: Vec<SheetSpan> = Vec::new();
    for e in &finding.evidence {
        let span = SheetSpan { start_s: e.start_s, end_s: e.end_s };
        if !found.contains(&span) {
            found.push(span);
        }
    }
    found.truncate(MOST_SPANS);
    found
}

fn change(fact: &Fact, report: &Report, before: Option<&Report>) -> Change {
    let now = (fact.read)(report);
    let (before_value, comparable) = match before {
        None => (Measured::absent("first_rehearsal"), true),
        Some(b) => ((fact.read)(b), is_comparable(fact, b, report)),
    };
    let change = if comparable { difference(&now, &before_value) } else { Measured::absent("not_comparable") };
    let verdict = match (comparable, change.value) {
        (false, _) => ChangeVerdict::NotComparable,
        (true, None) => ChangeVerdict::NoPair,
        (true, Some(_)) => verdict(fact, &now, &before_value, &change),
    };
    Change { label: fact.label, unit: fact.unit, now, before: before_value, change, verdict, toward: fact.toward }
}

fn is_comparable(fact: &Fact, a: &Report, b: &Report) -> bool {
    let id = |r: &Report, family: &str| r.methods.iter().find(|m| m.family == family).map(|m| m.id.clone());
    fact.families.iter().all(|f| id(a, f) == id(b, f)) && (fact.hears == Hears::Anything || same_recorder(a, b))
}

/// Smallest change worth a word, by unit: 3 cents (frequency difference that trained ears notice, handbook figure, from memory),
/// 1.5 % of the tempo (Drake and Botte 1993), 6 ms and 2.5 % of a beat (Friberg and Sundberg 1995).
fn noticed(unit: &str) -> f64 {
    match unit {
        "cents" => 3.0,
        "%" => 1.5,
        "% of a beat" => 2.5,
        "ms" => 6.0,
        _ => 0.0,
    }
}

fn verdict(fact: &Fact, now: &Measured, before: &Measured, change: &Measured) -> ChangeVerdict {
    let sure = change.low.is_some_and(|l| l > 0.0) || change.high.is_some_and(|h| h < 0.0);
    let beyond = sure && change.value.is_some_and(|v| v.abs() >= noticed(fact.unit));
    let (Some(now), Some(before), true) = (now.value, before.value, beyond) else { return ChangeVerdict::Same };
    let better = match fact.toward {
        Toward::Neither => return ChangeVerdict::Changed,
        Toward::Higher => now > before,
        Toward::Lower => now < before,
        Toward::Zero => now.abs() < before.abs(),
    };
    if better { ChangeVerdict::Better } else { ChangeVerdict::FurtherAway }
}

/// `a` minus `b`; each side of the intervals of independent values adds in squares.
pub fn difference(a: &Measured, b: &Measured) -> Measured {
    let (Some(va), Some(vb)) = (a.value, b.value) else { return Measured::absent("no_pair") };
    let side = |end: Option<f64>, value: f64| end.map_or(0.0, |e| (e - value).abs());
    let down = side(a.low, va).hypot(side(b.high, vb));
    let up = side(a.high, va).hypot(side(b.low, vb));
    Measured::new(va - vb, va - vb - down, va - vb + up, 2)
}
