//! To how many decimals each number is written: one table, by the unit in the field's name.
//!
//! Conventions: a field that has no unit in its own name takes the resolution of the object around it (`bass` inside
//! `layers_lufs`); a value that names its measure (`evidence`, `trends`) takes the resolution of that measure.
//! The table is also printed into the JSON Schema, so that it cannot drift from what is written.

/// Decimals of a number that no row of the tables covers.
pub const DECIMALS_OTHERWISE: i32 = 4;

/// Whole field names that differ from the rule of their unit: name, decimals, why.
pub const BY_NAME: [(&str, i32, &str); 17] = [
    ("offset_s", 4, "two recorders are laid upon each other within milliseconds"),
    ("beat_times_s", 3, "a millisecond: beats are judged in ms"),
    ("mid_hz", 2, "exact base-10 mid-band frequencies"),
    ("concert_pitch_hz", 2, "0.01 Hz is 0.04 cents at A4"),
    ("clipped_percent", 4, "a hundred clipped frames in an hour at 48 kHz still show"),
    ("dc_offset", 5, "full scale = 1.0"),
    ("low_end_share", 3, "share, 0..=1"),
    ("bar_picture", 3, "shares, 0..=1"),
    ("confidence", 2, "probability, 0..=1"),
    ("drift_cents_per_min", 2, "0.01 cents a minute is half a cent in a period"),
    ("slope_per_week", 3, "unless its measure says otherwise"),
    ("weeks_left", 2, "a day is 0.14 weeks"),
    ("size", 2, "of a habit, in its own unit"),
    ("minutes", 2, ""),
    ("form_bars", 0, "a count"),
    ("bpm", 2, ""),
    ("db", 2, ""),
];

/// Ends of field names, with the decimals of their unit; the first that fits counts.
pub const BY_UNIT: [(&str, i32); 19] = [
    ("_ppm", 1),
    ("_hours", 2),
    ("_ms", 1),
    ("_s", 2),
    ("_hz", 1),
    ("_cents", 1),
    ("_per_min", 2),
    ("_db", 2),
    ("_dbfs", 2),
    ("_dbtp", 2),
    ("_dba", 2),
    ("_lufs", 2),
    ("_lu", 2),
    ("_per_octave", 2),
    ("_percent", 2),
    ("_bpm", 2),
    ("_ratio", 2),
    ("_per_bar", 2),
    ("_minutes", 2),
];

/// Decimals of the field called `name`, or `None` when its name carries no unit.
pub fn decimals_of(name: &str) -> Option<i32> {
    if name == "hz" {
        return Some(1);
    }
    let named = BY_NAME.iter().find(|(n, _, _)| *n == name).map(|(_, d, _)| *d);
    named.or_else(|| BY_UNIT.iter().find(|(end, _)| name.ends_with(end)).map(|(_, d)| *d))
}

/// Decimals of a measure given as a path such as `takes[0].loudness.integrated_lufs`: the last part that has a unit.
pub fn decimals_of_path(path: &str) -> Option<i32> {
    path.rsplit('.').find_map(|part| decimals_of(part.split('[').next().unwrap_or(part)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_in_the_name_decides_and_a_named_field_overrules_it() {
        assert_eq!(decimals_of("start_s"), Some(2));
        assert_eq!(decimals_of("beat_times_s"), Some(3));
        assert_eq!(decimals_of("bass_to_drums_ms"), Some(1));
        assert_eq!(decimals_of("lex_8h_dba"), Some(2));
        assert_eq!(decimals_of("bass"), None);
    }

    #[test]
    fn a_path_takes_the_unit_of_its_last_part_that_has_one() {
        assert_eq!(decimals_of_path("takes[3].parts[1].layers_lufs.bass"), Some(2));
        assert_eq!(decimals_of_path("health.clipped_percent"), Some(4));
        assert_eq!(decimals_of_path("passages"), None);
    }
}
