//! Numbers with a range and a guess at the slip when they are outside of it; clock times, dates and keys of music.

/// A unit that people write by mistake, and how its numbers become those of the right one.
pub type Slip = (&'static str, fn(f64) -> f64);

/// What a number may be.
pub struct Quantity {
    /// Unit as it is printed.
    pub unit: &'static str,
    /// Smallest.
    pub low: f64,
    /// Largest.
    pub high: f64,
    /// Other units that people write, and how they become this one.
    pub slips: &'static [Slip],
}

/// Beats a minute.
pub const TEMPO: Quantity = Quantity {
    unit: "bpm",
    low: 30.0,
    high: 400.0,
    slips: &[("Hz", |hz| 60.0 * hz), ("ms a beat", |ms| 60_000.0 / ms)],
};
/// Pitch of A4.
pub const CONCERT_PITCH: Quantity = Quantity {
    unit: "Hz",
    low: 400.0,
    high: 480.0,
    slips: &[("cents", |cents| 440.0 * 2f64.powf(cents / 1200.0)), ("kHz", |khz| 1000.0 * khz)],
};
/// Corner of a tone control.
pub const CORNER: Quantity = Quantity { unit: "Hz", low: 20.0, high: 20_000.0, slips: &[("kHz", |khz| 1000.0 * khz)] };
/// A-weighted sound level.
pub const LEVEL: Quantity = Quantity { unit: "dB(A)", low: 30.0, high: 140.0, slips: &[] };
/// A-weighted level of full scale.
pub const FULL_SCALE: Quantity = Quantity { unit: "dB(A)", low: 70.0, high: 160.0, slips: &[] };
/// Uncertainty of a level.
pub const PLUS_MINUS: Quantity = Quantity { unit: "dB", low: 0.1, high: 10.0, slips: &[] };
/// What a meter averages.
pub const AVERAGE: Quantity =
    Quantity { unit: "s", low: 1.0, high: 7200.0, slips: &[("ms", |ms| ms / 1000.0), ("hours", |h| 3600.0 * h)] };
/// Time in the sound.
pub const HOURS: Quantity =
    Quantity { unit: "hours", low: 0.05, high: 24.0, slips: &[("minutes", |m| m / 60.0), ("seconds", |s| s / 3600.0)] };
/// Time on the stage.
pub const SLOT: Quantity =
    Quantity { unit: "minutes", low: 1.0, high: 180.0, slips: &[("seconds", |s| s / 60.0), ("hours", |h| 60.0 * h)] };
/// Lower limit of what counts in the OSHA dose.
pub const OSHA_THRESHOLD: Quantity = Quantity { unit: "dB(A)", low: 0.0, high: 90.0, slips: &[] };

impl Quantity {
    /// The number, or what is wrong with it.
    pub fn check(&self, key: &str, value: f64) -> Result<f64, String> {
        if (self.low..=self.high).contains(&value) {
            return Ok(value);
        }
        let guess = self.slips.iter().find_map(|(unit, convert)| {
            let meant = convert(value);
            (value != 0.0 && (self.low..=self.high).contains(&meant))
                .then(|| format!("; is it in {unit}? that would be {} {}", trimmed(meant), self.unit))
        });
        Err(format!(
            "{key} {} {} is outside {} to {}{}",
            trimmed(value),
            self.unit,
            trimmed(self.low),
            trimmed(self.high),
            guess.unwrap_or_default()
        ))
    }
}

/// A number without needless decimals.
fn trimmed(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Seconds of "m:ss", "h:mm:ss", with decimals of a second where wanted.
pub fn clock(text: &str) -> Option<f64> {
    let fields: Vec<&str> = text.trim().split(':').collect();
    if !(2..=3).contains(&fields.len()) {
        return None;
    }
    let mut total = 0.0;
    for (at, field) in fields.iter().enumerate() {
        let last = at + 1 == fields.len();
        let plain = field.chars().all(|c| c.is_ascii_digit() || (last && c == '.'));
        let value: f64 = field.parse().ok().filter(|_| plain && !field.is_empty())?;
        if at > 0 && (value >= 60.0 || field.split('.').next().is_none_or(|whole| whole.len() != 2)) {
            return None;
        }
        total = 60.0 * total + value;
    }
    Some(total)
}

/// A calendar date as ISO 8601.
pub fn date(text: &str) -> Result<String, String> {
    match text.trim().parse::<jiff::civil::Date>() {
        Ok(date) => Ok(date.to_string()),
        Err(_) => Err(format!("'{text}' is no date of the calendar; write it as 2026-03-14 (year-month-day)")),
    }
}

/// Pitch class of the tonic (0 = C) and whether the key is minor: "F", "Bb minor", "c# min", "Ebm".
pub fn key_of_music(text: &str) -> Option<(u8, bool)> {
    let text = text.trim();
    let letter = text.chars().next()?;
    let place = "C D EF G A B".find(letter.to_ascii_uppercase()).filter(|_| letter.is_ascii_alphabetic())? as i32;
    let mut rest = text[letter.len_utf8()..].trim_start();
    let mut shift = 0;
    for (sign, by) in
        [("♭", -1), ("♯", 1), ("#", 1), ("b", -1), ("-flat", -1), (" flat", -1), ("flat", -1), ("sharp", 1)]
    {
        if let Some(after) = rest.strip_prefix(sign) {
            (rest, shift) = (after, by);
            break;
        }
    }
    let minor = match rest.trim().to_lowercase().as_str() {
        "" | "major" | "maj" | "dur" => false,
        "m" | "-" | "min" | "minor" | "moll" => true,
        _ => return None,
    };
    Some(((place + shift).rem_euclid(12) as u8, minor))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_in_another_unit_is_guessed() {
        let said = TEMPO.check("tempo_bpm", 2.5).unwrap_err();
        assert_eq!(said, "tempo_bpm 2.5 bpm is outside 30 to 400; is it in Hz? that would be 150 bpm");
        assert!(TEMPO.check("tempo_bpm", 500.0).unwrap_err().contains("ms a beat? that would be 120 bpm"));
        assert!(CONCERT_PITCH.check("concert_pitch_hz", 8.0).unwrap_err().contains("cents? that would be 442.04 Hz"));
        assert!(SLOT.check("slot_minutes", 1200.0).unwrap_err().contains("seconds? that would be 20 minutes"));
        assert!(HOURS.check("session_hours", 90.0).unwrap_err().contains("minutes? that would be 1.5 hours"));
        assert!(!LEVEL.check("dba", -20.0).unwrap_err().contains("is it in"));
        assert!(TEMPO.check("tempo_bpm", f64::NAN).is_err() && TEMPO.check("tempo_bpm", 0.0).is_err());
        assert_eq!(TEMPO.check("tempo_bpm", 30.0), Ok(30.0));
    }

    #[test]
    fn clock_times_are_read_and_others_refused() {
        assert_eq!((clock("0:32"), clock("12:05.5"), clock("1:00:01")), (Some(32.0), Some(725.5), Some(3601.0)));
        for bad in ["32", "1:60", "1:5", "", ":", "a:10", "-1:00", "1:00:00:00", "1:2.5", "1e2:00", "1:+5"] {
            assert_eq!(clock(bad), None, "{bad}");
        }
    }

    #[test]
    fn keys_of_music_are_read_in_the_usual_spellings() {
        let read = [
            ("F", (5, false)),
            ("Bb minor", (10, true)),
            ("c# min", (1, true)),
            ("Ebm", (3, true)),
            ("A-flat major", (8, false)),
            ("Cb", (11, false)),
            ("B♭", (10, false)),
            ("g", (7, false)),
            ("D-", (2, true)),
        ];
        for (text, key) in read {
            assert_eq!(key_of_music(text), Some(key), "{text}");
        }
        for bad in ["H", "", "Fx", "F mixed", "12", "é"] {
            assert_eq!(key_of_music(bad), None, "{bad}");
        }
    }

    #[test]
    fn only_dates_of_the_calendar_are_dates() {
        assert_eq!(date("2026-03-14").unwrap(), "2026-03-14");
        assert!(date("2026-02-30").is_err() && date("14.3.2026").is_err());
    }
}
