//! Conversions between the units that reports use, and the few turns of phrase that findings and charts share.
//!
//! Conventions: cents and dB are signed, plus = higher or louder; MIDI note 69 = A4; power is mean square, full scale = 1.0.

/// Concert A in Hz (ISO 16); the pitch that `offset_from_a440_cents` is counted from.
pub const TUNING_A4_HZ: f64 = 440.0;
/// MIDI note number of A4.
pub const A4_MIDI: f64 = 69.0;
/// Cents in an octave.
pub const CENTS_PER_OCTAVE: f64 = 1200.0;

/// Equal-tempered frequency of a (fractional) MIDI note number, A4 = 440 Hz.
pub fn midi_to_hz(midi: f64) -> f64 {
    TUNING_A4_HZ * 2f64.powf((midi - A4_MIDI) / 12.0)
}

/// Fractional MIDI note number of a frequency in Hz, A4 = 440 Hz.
pub fn hz_to_midi(hz: f64) -> f64 {
    A4_MIDI + 12.0 * (hz / TUNING_A4_HZ).log2()
}

/// Interval from `reference_hz` up to `hz` in cents.
pub fn hz_ratio_to_cents(hz: f64, reference_hz: f64) -> f64 {
    CENTS_PER_OCTAVE * (hz / reference_hz).log2()
}

/// 10 log10 of a power ratio; `None` for zero, negative or not finite.
pub fn power_to_db(power: f64) -> Option<f64> {
    (power.is_finite() && power > 0.0).then(|| 10.0 * power.log10())
}

/// Power ratio of a level in dB.
pub fn db_to_power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Amplitude ratio of a level in dB.
pub fn db_to_amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// `h:mm:ss` for one hour or more, else `m:ss`.
pub fn seconds_to_clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    let (h, m, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 { format!("{h}:{m:02}:{s:02}") } else { format!("{m}:{s:02}") }
}

/// The items as they are read out: "1, 2 and 3".
pub fn list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The words with a capital first letter.
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Equal temperament, A4 = 440 Hz; values computed from the definition, as printed in handbook tables.
    #[test]
    fn equal_temperament_table_octave_four() {
        for (midi, hz) in
            [(60.0, 261.626), (64.0, 329.628), (67.0, 391.995), (69.0, 440.0), (28.0, 41.203), (43.0, 97.999)]
        {
            assert!((midi_to_hz(midi) - hz).abs() < 0.0006, "{midi}");
            assert!((hz_to_midi(hz) - midi).abs() < 3e-4, "{hz}"); // half of the last printed digit at 41 Hz
        }
    }

    #[test]
    fn reference_shift_442_hz_is_plus_7_85_cents() {
        assert!((hz_ratio_to_cents(442.0, 440.0) - 7.85).abs() < 0.005);
    }

    #[test]
    fn clock_shows_hours_only_when_there_are_any() {
        assert_eq!(seconds_to_clock(61.4), "1:01");
        assert_eq!(seconds_to_clock(3661.0), "1:01:01");
    }
}
