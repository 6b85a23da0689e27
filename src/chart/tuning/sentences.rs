//! What the tuning picture says in words.
//!
//! Conventions: a value is "in tune" when it is under [`IN_TUNE_CENTS`] and known to within [`SURE_CENTS`]; a wider interval
//! is called unsure whatever the value.

use super::super::axes::clock;
use super::super::text::Face;
use super::super::words;
use super::{PLAYERS, Player, Zero};
use crate::findings::STRING_APART;
use crate::report::{PassageFacts, Report};
use crate::stats::Measured;

/// Less than this is in tune. Own choice below the 5 cents of which a player must be told; listeners notice mistuning in
/// music from about 10 to 25 cents (handbook figure, from memory).
const IN_TUNE_CENTS: f64 = 3.0;
/// Half an interval beyond which a value is unsure.
const SURE_CENTS: f64 = 6.0;

/// `-9.1` becomes "9 flat".
pub fn in_words(m: &Measured) -> String {
    let Some(value) = words::finite(m) else { return "not said".to_owned() };
    let unsure = words::interval(m).is_none_or(|(low, high)| (high - low) / 2.0 > SURE_CENTS);
    let said = if value.abs() < IN_TUNE_CENTS && !unsure {
        "in tune".to_owned()
    } else {
        format!("{} {}", words::number(value.abs(), 0, false), if value < 0.0 { "flat" } else { "sharp" })
    };
    if unsure { format!("{said}?") } else { said }
}

/// What the numbers are.
pub fn unit_words() -> String {
    format!("Numbers are cents: 100 make a semitone. A question mark: known less well than {SURE_CENTS:.0} cents.")
}

/// A heading and sentences a player.
pub fn sentences(report: &Report, zero: Zero) -> Vec<(String, Face)> {
    let mut out = Vec::new();
    if let Some(hz) = words::finite(&report.tuning.concert_pitch_hz) {
        let said = format!("The band plays at A = {} Hz.", words::number(hz, 1, false));
        out.push((said, Face::Regular));
    }
    for player in &PLAYERS {
        out.push((words::capital(player.name), Face::Bold));
        out.extend(player_sentences(report, player, zero).into_iter().map(|s| (s, Face::Regular)));
    }
    out
}

fn player_sentences(report: &Report, player: &Player, zero: Zero) -> Vec<String> {
    let values: Vec<(usize, &Measured)> =
        report.takes.iter().map(|t| zero.of_take((player.take)(&t.tuning))).enumerate().collect();
    let mut out = Vec::new();
    let known: Vec<&(usize, &Measured)> = values.iter().filter(|(_, m)| words::finite(m).is_some()).collect();
    match known.as_slice() {
        [] => {
            let why = values.iter().find_map(|(_, m)| m.reason.as_deref());
            let why = why.map_or_else(|| "no playing was found".to_owned(), words::reason_in_words);
            out.push(format!("Not said: {why}."));
        }
        [(_, only)] => out.push(format!("{} over the take.", words::capital(&in_words(only)))),
        [(i, first), .., (k, last)] => out.push(format!(
            "{} in take {}, {} in take {}.",
            words::capital(&in_words(first)),
            i + 1,
            in_words(last),
            k + 1
        )),
    }
    out.extend(drift(report, player));
    let t = (player.rehearsal)(report);
    let times: Vec<String> = t.retuned_at_s.iter().map(|s| clock(*s, report.tape.duration_s)).collect();
    if !times.is_empty() {
        out.push(format!("Pitch jumped (tuned again?) at {}.", words::list(&times)));
    }
    out.extend(tuned_first(report, player));
    out.extend(string_apart(report, player));
    out.extend(left_at(report, player, zero));
    out
}

/// Open strings of a passage as they were left: letter and cents against A4 = 440 Hz, low to high.
pub fn strings_of(passage: &PassageFacts, player: &Player) -> Vec<(&'static str, f64)> {
    let mut own: Vec<_> = passage.strings.iter().filter(|s| s.instrument == player.name).collect();
    own.sort_by_key(|s| s.string_midi);
    own.into_iter()
        .filter_map(|s| {
            let letter = player.strings.iter().find(|(midi, _)| *midi == s.string_midi)?.1;
            Some((letter, words::finite(&s.offset_from_a440_cents)?))
        })
        .collect()
}

/// The strings of the last passage in which the player tuned.
fn left_at(report: &Report, player: &Player, zero: Zero) -> Option<String> {
    let strings = report.passages.iter().rev().map(|p| strings_of(p, player)).find(|s| !s.is_empty())?;
    let said: Vec<String> = strings
        .iter()
        .map(|(letter, cents)| format!("{letter}\u{a0}{}", words::number(cents - zero.cents, 0, true)))
        .collect();
    Some(format!("Strings as last tuned: {}.", said.join(", ")))
}

/// Only a drift whose whole interval lies to one side of zero is spoken of.
fn drift(report: &Report, player: &Player) -> Option<String> {
    let m = &(player.rehearsal)(report).drift_cents_per_min;
    let value = words::finite(m)?;
    let (low, high) = words::interval(m)?;
    (low > 0.0 || high < 0.0).then(|| {
        let way = if value < 0.0 { "Goes flat" } else { "Goes sharp" };
        format!("{way} by {} cents a minute.", words::number(value.abs(), 1, false))
    })
}

/// What was found about the notes of one string.
fn string_apart(report: &Report, player: &Player) -> Option<String> {
    let found = report.findings.iter().find(|f| f.id == STRING_APART && f.player == player.name)?;
    Some(found.statement.clone())
}

fn tuned_first(report: &Report, player: &Player) -> Option<String> {
    let before = (player.rehearsal)(report).tuned_before_first_take_s.as_ref()?;
    Some(match words::finite(before) {
        Some(seconds) => format!("Tuned before the first take, {}.", words::length(seconds)),
        None => "No tuning was heard before the first take.".to_owned(),
    })
}
