//! The tables of a sheet, one function each.

use std::collections::BTreeMap;

use super::feel::Feel;
use super::parts::parts;
use super::quantity::{self as q, key_of_music};
use super::read::refuse_name;
use super::table::Table;
use super::types::{
    AmpChange, AmpCorners, Amps, Band, Chart, Festival, Goal, Instrument, Level, LevelReading, Microphone, Player,
    Players, Recording, Rehearsal,
};

/// Length of a meter's average where none is given, s.
const USUAL_AVERAGE_S: f64 = 10.0;
/// How far a sound level meter may be off where nothing is given, dB: about class 2 of IEC 61672-1 in a room.
const USUAL_PLUS_MINUS_DB: f64 = 2.0;
/// What a channel may hear besides a player.
const ROOM: &str = "room";

/// `[band]`.
pub fn band(root: &Table) -> Band {
    let Some(t) = root.table("band", "band", "band") else { return Band::default() };
    Band {
        name: t.text("name"),
        room: t.text("room"),
        concert_pitch_hz: t.number("concert_pitch_hz", &q::CONCERT_PITCH),
        style: t.text("style"),
    }
}

/// `[players]`.
pub fn players(root: &Table) -> Players {
    let Some(t) = root.table("players", "players", "players") else { return Players::default() };
    let player = |key: &'static str, shown: &'static str, strings: Option<(u32, u32)>| {
        let Some(t) = t.table(key, "player", shown) else { return Instrument::default() };
        let instrument = match key {
            "bass" => t.word("instrument", &[("upright", "upright"), ("electric", "electric")]).map(str::to_owned),
            _ => t.text("instrument"),
        };
        let strings = match strings {
            Some((low, high)) => t.whole("strings", low, high).map(|n| n as u8),
            None if t.has("strings") => {
                t.say("strings", format!("strings of the {key} are not asked for; the line counts for nothing"));
                None
            }
            None => None,
        };
        Instrument { instrument, strings }
    };
    Players {
        bass: player("bass", "players.bass", Some((4, 6))),
        guitar: player("guitar", "players.guitar", Some((6, 8))),
        piano: player("piano", "players.piano", None),
        drums: player("drums", "players.drums", None),
        horns: player("horns", "players.horns", None),
    }
}

/// `[amp]`.
pub fn amps(root: &Table) -> Amps {
    let Some(t) = root.table("amp", "amp", "amp") else { return Amps::default() };
    let corners = |key, shown| {
        t.table(key, "amp.bass", shown).map_or_else(AmpCorners::default, |t| {
            let corners = AmpCorners {
                low_corner_hz: t.number("low_corner_hz", &q::CORNER),
                mid_corner_hz: t.number("mid_corner_hz", &q::CORNER),
                high_corner_hz: t.number("high_corner_hz", &q::CORNER),
            };
            let AmpCorners { low_corner_hz: low, mid_corner_hz: mid, high_corner_hz: high } = corners;
            let given: Vec<f64> = [low, mid, high].into_iter().flatten().collect();
            if given.windows(2).any(|w| w[0] >= w[1]) {
                t.say(
                    "",
                    "the corners of the tone controls do not rise from low to mid to high; they are left out".into(),
                );
                return AmpCorners::default();
            }
            corners
        })
    };
    Amps { bass: corners("bass", "amp.bass"), guitar: corners("guitar", "amp.guitar") }
}

/// `[[chart]]`.
pub fn charts(root: &Table) -> Vec<Chart> {
    let mut charts: Vec<Chart> = Vec::new();
    for t in root.tables("chart", "chart", "chart") {
        let title = t.text("title").unwrap_or_default();
        if title.is_empty() && !t.has("title") {
            t.say("title", "a chart without a title; it counts for nothing".to_owned());
        } else if charts.iter().any(|c| c.title == title) {
            t.say("title", format!("a chart called \"{title}\" is there already; this one counts for nothing"));
        } else if !title.is_empty() {
            charts.push(chart(&t, title));
        }
    }
    charts
}

fn chart(t: &Table, title: String) -> Chart {
    let key = t.text("key").and_then(|text| {
        let key = key_of_music(&text);
        if key.is_none() {
            t.say("key", format!("key \"{text}\" is not known; write it as \"F\", \"Bb minor\" or \"C# minor\""));
        }
        key
    });
    Chart {
        title,
        tempo_bpm: t.number("tempo_bpm", &q::TEMPO),
        key,
        feel: t.word("feel", &Feel::ALL),
        beats_in_bar: t.whole("beats_in_bar", 3, 4).map(|n| n as u8),
        part: parts(t),
    }
}

/// `[[recording]]`.
pub fn recordings(root: &Table) -> Vec<Recording> {
    let mut recordings: Vec<Recording> = Vec::new();
    let words: Vec<(Player, &str)> = Player::ALL.iter().map(|p| (*p, p.word())).collect();
    for t in root.tables("recording", "recording", "recording") {
        let Some(file) = t.text("file") else {
            if !t.has("file") {
                t.say("file", "a recording without a file; it counts for nothing".to_owned());
            }
            continue;
        };
        if recordings.iter().any(|r| r.file == file) {
            t.say("file", format!("the recording '{file}' is there already; this one counts for nothing"));
            continue;
        }
        let close_to = t.word("close_to", &words);
        recordings.push(Recording { file, close_to, channels: channels(&t, &words), order: t.texts("order") });
    }
    recordings
}

fn channels(t: &Table, words: &[(Player, &str)]) -> Vec<String> {
    let mut channels = t.texts("channels");
    let known: Vec<&str> = words.iter().map(|(_, w)| *w).chain([ROOM]).collect();
    if let Some(bad) = channels.iter().find(|c| !known.contains(&c.as_str())) {
        refuse_name(t, "channels", "channel", bad, &known);
        channels.clear();
    }
    if !channels.is_empty() && t.has("close_to") {
        t.say("channels", "a recording has either close_to or channels; the channels count".to_owned());
    }
    channels
}

/// `[[rehearsal]]`.
pub fn rehearsals(root: &Table) -> Vec<Rehearsal> {
    let mut rehearsals: Vec<Rehearsal> = Vec::new();
    for t in root.tables("rehearsal", "rehearsal", "rehearsal") {
        let order = t.texts("order");
        let Some(date) = t.date("date") else {
            if !t.has("date") {
                t.say("date", "a rehearsal without a date; it counts for nothing".to_owned());
            }
            continue;
        };
        if rehearsals.iter().any(|r| r.date == date) {
            t.say("date", format!("the rehearsal of {date} is there already; this one counts for nothing"));
            continue;
        }
        rehearsals.push(Rehearsal { date, order });
    }
    rehearsals
}

/// `[level]`.
pub fn level(root: &Table) -> Level {
    let Some(t) = root.table("level", "level", "level") else { return Level::default() };
    let reading = |t: &Table| {
        for needed in ["file", "at", "dba"] {
            if !t.has(needed) {
                t.say(needed, format!("a reading of a sound level meter needs {needed}; it counts for nothing"));
            }
        }
        Some(LevelReading {
            file: t.text("file")?,
            at: t.clock("at")?,
            dba: t.number("dba", &q::LEVEL)?,
            over_s: t.number("over_s", &q::AVERAGE).unwrap_or(USUAL_AVERAGE_S),
            plus_minus_db: t.number("plus_minus_db", &q::PLUS_MINUS).unwrap_or(USUAL_PLUS_MINUS_DB),
        })
    };
    let full_scale_dba = t.number("full_scale_dba", &q::FULL_SCALE);
    Level {
        full_scale_dba,
        plus_minus_db: t.number("plus_minus_db", &q::PLUS_MINUS).or(full_scale_dba.map(|_| USUAL_PLUS_MINUS_DB)),
        reading: t.tables("reading", "level.reading", "level.reading").iter().filter_map(reading).collect(),
        session_hours: t.number("session_hours", &q::HOURS),
        osha_threshold_dba: t.number("osha_threshold_dba", &q::OSHA_THRESHOLD),
    }
}

/// `[microphone]`.
pub fn microphone(root: &Table) -> Microphone {
    let curve = root.table("microphone", "microphone", "microphone").and_then(|t| t.text("curve"));
    Microphone { curve }
}

/// `[festival]`; `measures` are those that can be a goal.
pub fn festival(root: &Table, measures: &[&str]) -> Festival {
    let Some(t) = root.table("festival", "festival", "festival") else { return Festival::default() };
    let goal = |t: &Table| {
        let ends = ["at_least", "at_most", "within"];
        if !t.has("measure") || !ends.iter().any(|end| t.has(end)) {
            t.say("measure", "a goal needs measure, and at_least, at_most or within; it counts for nothing".to_owned());
        }
        let [at_least, at_most, within] = ends.map(|end| t.any_number(end));
        let measure = t.text("measure")?;
        at_least.or(at_most).or(within)?;
        if !measures.is_empty() && !measures.contains(&measure.as_str()) {
            refuse_name(t, "measure", "measure", &measure, measures);
            return None;
        }
        Some(Goal { measure, at_least, at_most, within })
    };
    let amp_change = |t: &Table| {
        for needed in ["date", "what"] {
            if !t.has(needed) {
                t.say(needed, format!("a change at the amplifier needs {needed}; it counts for nothing"));
            }
        }
        Some(AmpChange { date: t.date("date")?, what: t.text("what")? })
    };
    Festival {
        date: t.date("date"),
        slot_minutes: t.number("slot_minutes", &q::SLOT),
        charts: t.texts("charts"),
        goal: t.tables("goal", "festival.goal", "festival.goal").iter().filter_map(goal).collect(),
        amp_change: t
            .tables("amp_change", "festival.amp_change", "festival.amp_change")
            .iter()
            .filter_map(amp_change)
            .collect(),
    }
}

/// `[thresholds]`; `known` are their names.
pub fn thresholds(root: &Table, known: &[&str]) -> BTreeMap<String, f64> {
    let Some(t) = root.names_table("thresholds") else { return BTreeMap::new() };
    let mut thresholds = BTreeMap::new();
    for name in t.names() {
        if !known.is_empty() && !known.contains(&name.as_str()) {
            refuse_name(&t, &name, "threshold", &name, known);
        } else if let Some(value) = t.any_number(&name) {
            thresholds.insert(name, value);
        }
    }
    thresholds
}
