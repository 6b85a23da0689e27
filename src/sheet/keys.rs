//! The keys that a sheet may have, table by table, and the known one that is nearest to a misspelt one.

/// Tables by name, each with its keys; a test holds them against the types.
const TABLES: &[(&str, &[&str])] = &[
    (
        "",
        &["band", "players", "amp", "chart", "recording", "rehearsal", "level", "microphone", "festival", "thresholds"],
    ),
    ("band", &["name", "room", "concert_pitch_hz", "style"]),
    ("players", &["bass", "guitar", "piano", "drums", "horns"]),
    ("player", &["instrument", "strings"]),
    ("amp", &["bass", "guitar"]),
    ("amp.bass", &["low_corner_hz", "mid_corner_hz", "high_corner_hz"]),
    ("chart", &["title", "tempo_bpm", "key", "feel", "beats_in_bar", "part"]),
    ("chart.part", &["label", "from_bar", "bars", "from", "to"]),
    ("recording", &["file", "close_to", "channels", "order"]),
    ("rehearsal", &["date", "order"]),
    ("level", &["full_scale_dba", "plus_minus_db", "reading", "session_hours", "osha_threshold_dba"]),
    ("level.reading", &["file", "at", "dba", "over_s", "plus_minus_db"]),
    ("microphone", &["curve"]),
    ("festival", &["date", "slot_minutes", "charts", "goal", "amp_change"]),
    ("festival.goal", &["measure", "at_least", "at_most", "within"]),
    ("festival.amp_change", &["date", "what"]),
];

/// Words that stand for units in key names.
const UNITS: [&str; 7] = ["_hz", "_bpm", "_db", "_dba", "_s", "_minutes", "_hours"];

/// The keys of a table.
pub fn known_keys(table: &str) -> &'static [&'static str] {
    TABLES.iter().find(|(name, _)| *name == table).map_or(&[], |(_, keys)| keys)
}

/// What to say of the unknown `key` in `table`, which is called `shown` in the sheet.
pub fn unknown_key(key: &str, table: &str, shown: &str) -> String {
    let place = if shown.is_empty() { "at the top of the sheet".to_owned() } else { format!("in [{shown}]") };
    let known = known_keys(table);
    let guess = match (nearest(key, known), elsewhere(key, table)) {
        (Some(near), _) => format!("did you mean '{near}'?"),
        (None, Some(home)) => format!("it belongs in [{home}]"),
        (None, None) => format!("the keys here are: {}", known.join(", ")),
    };
    format!("unknown key '{key}' {place}; {guess}")
}

/// Another table that has the key.
fn elsewhere(key: &str, table: &str) -> Option<&'static str> {
    let home = TABLES.iter().find(|(name, keys)| *name != table && keys.contains(&key))?.0;
    Some(match home {
        "player" => "players.bass",
        "" => return None,
        other => other,
    })
}

/// The word of `known` that `word` is most likely a slip for.
pub fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    let plain = word.to_lowercase().replace(['-', ' '], "_");
    let bare = |key: &str| UNITS.iter().find_map(|unit| key.strip_suffix(unit).map(str::to_owned));
    let distance = |key: &str| {
        let whole = strsim::damerau_levenshtein(&plain, key);
        // A unit that was left out or taken wrong is the likeliest slip.
        let stem = match (bare(&plain), bare(key)) {
            (Some(a), Some(b)) => strsim::damerau_levenshtein(&a, &b) + 1,
            (None, Some(b)) => strsim::damerau_levenshtein(&plain, &b) + 1,
            _ => whole,
        };
        whole.min(stem)
    };
    let best = known.iter().map(|key| (distance(key), *key)).min()?;
    (best.0 <= 1 + plain.chars().count() / 4).then_some(best.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_key_and_nonsense_finds_none() {
        let chart = known_keys("chart");
        assert_eq!(nearest("tempo", chart), Some("tempo_bpm"));
        assert_eq!(nearest("tempo_hz", chart), Some("tempo_bpm"));
        assert_eq!(nearest("titel", chart), Some("title"));
        assert_eq!(nearest("beats-in-bar", chart), Some("beats_in_bar"));
        assert_eq!(nearest("xylophone", chart), None);
        assert_eq!(nearest("concert_pich", known_keys("band")), Some("concert_pitch_hz"));
    }

    #[test]
    fn a_key_in_the_wrong_table_is_told_where_it_belongs() {
        assert!(unknown_key("concert_pitch_hz", "", "").contains("belongs in [band]"));
        assert!(unknown_key("strings", "band", "band").contains("belongs in [players.bass]"));
        assert!(unknown_key("zzzzzzz", "microphone", "microphone").contains("the keys here are: curve"));
    }
}
