//! Numbers, dates and reason codes in a director's words.
//!
//! Conventions: a minus is the true minus sign; "minus zero" is zero; an interval is spelled "low to high".

use jiff::civil;

use super::axes::is_positive;
use crate::stats::Measured;
pub use crate::units::{capital, list};

/// Reason codes of readings and warnings of the tape, with their plain words; each fits behind "not said: ".
const REASONS: [(&str, &str); 82] = [
    ("band_pitch_unknown", "the band's own pitch is not known"),
    ("bars_of_three", "the bars have three beats"),
    ("bass_not_clear", "the bass is not clear"),
    ("changes_assumed", "the changes between charts are assumed"),
    ("channel_count_changes", "the number of channels changes inside the file"),
    ("chart_not_played_yet", "a chart has not been played whole under its title"),
    ("clipped", "the recording is overdriven"),
    ("comping_not_separable", "guitar and keys cannot be told from the rest"),
    ("counted_only", "counted only"),
    ("covered", "not heard over the others"),
    ("decoding_given_up", "the file is damaged and was read only in part"),
    ("digital_silence", "the tape is silent"),
    ("downbeat_uncertain", "where the bars begin is uncertain"),
    ("first_rehearsal", "this is the first rehearsal"),
    ("fixed_pitch", "a fixed pitch does not drift"),
    ("frames_missing", "the file is shorter than it says"),
    ("gain_riding", "the recorder turned its level up and down"),
    ("guitar_not_clear", "the guitar is not clear"),
    ("half_or_double_possible", "half or double the tempo is possible"),
    ("header_rebuilt", "the recording was cut off and its header was rebuilt"),
    ("horns_not_clear", "the horns are not clear"),
    ("low_cut_inside_low_end", "the recorder does not hear the lowest part"),
    ("mixed_methods", "measured in different ways"),
    ("near_a_quarter_tone_may_be_other_side", "so far off that flat and sharp cannot be told apart"),
    ("no_bass_heard", "no bass was heard"),
    ("no_charts_named", "no charts were named"),
    ("no_cymbals_heard", "no cymbals were heard"),
    ("no_eighths_heard", "no eighths were heard"),
    ("no_guitar_heard", "no guitar was heard"),
    ("no_high_cut_heard", "the treble is not cut off"),
    ("no_horns_heard", "no horns were heard"),
    ("no_hum_heard", "no mains hum was heard"),
    ("no_kick_heard", "no kick drum was heard"),
    ("no_low_cut_heard", "the bass is not cut off"),
    ("no_marked_tempo", "no tempo is marked"),
    ("no_note_heard", "no note was heard"),
    ("no_pair", "nothing to compare with"),
    ("no_passages", "the tape was not divided into takes and talk"),
    ("no_piano_heard", "no piano was heard"),
    ("no_room_noise_to_judge_by", "the room is never quiet enough to judge"),
    ("no_sample_finite", "the file holds no usable sound"),
    ("no_samples", "the file holds no sound"),
    ("no_steady_beat", "no steady beat was found"),
    ("no_steady_quiet", "the tape has no quiet stretch"),
    ("no_steady_tones_heard", "no steady tones were heard"),
    ("no_takes", "no playing was found"),
    ("no_value_yet", "no value yet"),
    ("not_comparable", "not comparable: another recorder or another method"),
    ("not_finite", "the arithmetic gave no number"),
    ("not_measured", "not measured by this version"),
    ("not_measured_yet", "not measured by this version"),
    ("not_playing", "does not play"),
    ("over", "it is over"),
    ("packets_lost", "parts of the file were lost and are silent here"),
    ("rail_blurred_by_codec", "the file format hides overdrive"),
    ("rate_too_low", "the file holds too little treble"),
    ("reaches_full_scale", "the recording is full to the brim and may be overdriven"),
    ("recorder_hears_no_low_end", "the recorder does not hear the low end"),
    ("recorder_hears_no_middle", "the recorder does not hear the middle"),
    ("recording_not_trusted", "this recording cannot be trusted for it"),
    ("retuned_on_the_way", "tuned again on the way"),
    ("same_day", "all rehearsals are of one day"),
    ("sample_rate_changes", "the sample rate changes inside the file"),
    ("samples_not_finite", "some samples of the file are no numbers"),
    ("silence", "the tape is silent"),
    ("stream_restarts", "the recording starts anew inside the file"),
    ("swing_from_comping", "judged by the comping, not by the cymbals"),
    ("tempo_changes", "the tempo changes inside the take"),
    ("time_stamps_leap", "the clock of the file leaps"),
    ("too_far_ahead", "too far ahead to say"),
    ("too_few_bands", "too few bands are heard"),
    ("too_few_bars", "too few bars to judge"),
    ("too_few_bass_onsets", "too few clear bass notes"),
    ("too_few_beats", "too few beats to judge"),
    ("too_few_notes", "too few notes to judge"),
    ("too_few_part_changes", "too few changes of part"),
    ("too_few_phrases", "too few phrases to judge"),
    ("too_few_rehearsals", "too few rehearsals"),
    ("too_short", "too short to judge"),
    ("too_uncertain", "too uncertain to tell"),
    ("upper_band_missing_he_aac", "the file format leaves out the treble"),
    ("within_onset_error", "not told within 5 ms by one recording of the room"),
];

/// Plain words for a reason code; a code without a row is shown with spaces for its underscores, text as it is.
pub fn reason_in_words(code: &str) -> String {
    let known = REASONS.iter().find(|(c, _)| *c == code).map(|(_, words)| (*words).to_owned());
    known.unwrap_or_else(|| if code.contains(' ') { code.to_owned() } else { code.replace('_', " ") })
}

/// Why `m` says nothing, in plain words.
pub fn why_absent<T>(m: &Measured<T>) -> String {
    let without_reason = if m.value.is_some() { "not_finite" } else { "not_measured" };
    reason_in_words(m.reason.as_deref().unwrap_or(without_reason))
}

/// `value` with `decimals` places and a true minus; `plus` writes the sign of positive numbers too.
pub fn number(value: f64, decimals: usize, plus: bool) -> String {
    let digits = format!("{:.*}", decimals, value.abs());
    let zero = digits.chars().all(|c| c == '0' || c == '.');
    match (zero, value < 0.0, plus) {
        (true, ..) | (false, false, false) => digits,
        (false, true, _) => format!("\u{2212}{digits}"),
        (false, false, true) => format!("+{digits}"),
    }
}

/// The value when it is a number at all.
pub fn finite(m: &Measured) -> Option<f64> {
    m.value.filter(|v| v.is_finite())
}

/// The interval when both ends are numbers.
pub fn interval(m: &Measured) -> Option<(f64, f64)> {
    Some((m.low.filter(|v| v.is_finite())?, m.high.filter(|v| v.is_finite())?))
}

/// "0 % (0 to 24)": a share or a size in percent whose interval ends at none or all of it; `None` of any other value.
///
/// No less than none of it is told. Means of several takes end near all, not at it.
pub fn share_with_ends(m: &Measured, unit: &str) -> Option<String> {
    let (low, high) = interval(m).filter(|(low, high)| unit == "%" && (*low <= 0.0 || *high > 99.999))?;
    let said = |x: f64| number(x.max(0.0), usize::from(high < 10.0), false);
    Some(format!("{} % ({} to {})", said(finite(m)?), said(low), said(high)))
}

/// A length of time: `40 s`, `4 min`, `2 h 05 min`.
pub fn length(seconds: f64) -> String {
    if !is_positive(seconds) {
        return "0 s".to_owned();
    }
    let whole = seconds.round() as u64;
    if whole < 100 {
        return format!("{} s", whole.max(1));
    }
    let minutes = (seconds / 60.0).round() as u64;
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h {:02} min", minutes / 60, minutes % 60) }
}

/// A length to the second: `50 min 12 s`, `1 h 02 min 03 s`.
pub fn exact_length(seconds: f64) -> String {
    let whole = if seconds.is_finite() { seconds.max(0.0).round() as u64 } else { 0 };
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, s) => format!("{m} min {s:02} s"),
        (h, m, s) => format!("{h} h {m:02} min {s:02} s"),
    }
}

/// Share of `part` in `whole`, whole percent; under half a percent is "under 1 %".
pub fn share(part: f64, whole: f64) -> String {
    if !is_positive(whole) || !is_positive(part) {
        return "0 %".to_owned();
    }
    let percent = 100.0 * part / whole;
    if percent < 0.5 { "under 1 %".to_owned() } else { format!("{percent:.0} %") }
}

/// `Tuesday, 14 October 2025, 15:40`; `None` when the text is no date.
pub fn date(iso: &str) -> Option<String> {
    let moment = iso.parse::<civil::DateTime>().ok();
    let day = moment.map(|m| m.date()).or_else(|| iso.get(..10)?.parse().ok())?;
    let words = format!("{}, {} {} {}", weekday(day), day.day(), month(day), day.year());
    // A midnight that the file name or tag did not state is no time of day.
    let timed = iso.len() > 10 && moment.is_some_and(|m| m.time() != civil::Time::midnight());
    Some(match moment.filter(|_| timed) {
        Some(m) => format!("{words}, {}:{:02}", m.hour(), m.minute()),
        None => words,
    })
}

/// `14 Oct`.
pub fn short_date(day: civil::Date) -> String {
    format!("{} {}", day.day(), &month(day)[..3])
}

fn weekday(day: civil::Date) -> &'static str {
    const NAMES: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];
    NAMES[day.weekday().to_monday_zero_offset() as usize % 7]
}

fn month(day: civil::Date) -> &'static str {
    const NAMES: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    NAMES[(day.month() - 1) as usize % 12]
}

/// The sentence with a capital first letter and a full stop.
pub fn sentence(words: &str) -> String {
    let words = words.trim();
    let stop = if words.is_empty() || words.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{}{stop}", capital(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minus_is_a_minus_and_minus_zero_is_zero() {
        assert_eq!(number(-3.12, 1, false), "\u{2212}3.1");
        assert_eq!(number(-0.04, 1, true), "0.0");
        assert_eq!(number(2.0, 1, true), "+2.0");
    }

    #[test]
    fn a_date_is_read_out_in_words() {
        assert_eq!(date("2025-10-14T15:40:00").as_deref(), Some("Tuesday, 14 October 2025, 15:40"));
        assert_eq!(date("2025-10-14").as_deref(), Some("Tuesday, 14 October 2025"));
        assert_eq!(date("2025-10-14T00:00:00").as_deref(), Some("Tuesday, 14 October 2025"));
        assert_eq!(date("yesterday"), None);
        assert_eq!(date("2025-13-41"), None);
        assert_eq!(date("ü2025-10-1"), None);
    }

    #[test]
    fn lengths_are_said_as_people_say_them() {
        assert_eq!(length(40.2), "40 s");
        assert_eq!(length(0.0), "0 s");
        assert_eq!(length(1860.0), "31 min");
        assert_eq!(length(7500.0), "2 h 05 min");
        assert_eq!(exact_length(3012.0), "50 min 12 s");
        assert_eq!(exact_length(f64::NAN), "0 s");
    }

    #[test]
    fn absence_is_said_with_its_reason_and_never_as_zero() {
        assert_eq!(why_absent(&Measured::<f64>::absent("no_guitar_heard")), "no guitar was heard");
        assert_eq!(finite(&Measured::plain(f64::NAN, 1)), None);
        assert_eq!(reason_in_words("a_code_nobody_knows"), "a code nobody knows");
    }

    #[test]
    fn the_table_of_reasons_is_sorted_so_that_a_double_row_shows() {
        assert!(REASONS.windows(2).all(|w| w[0].0 < w[1].0));
    }

    #[test]
    fn a_sentence_has_one_capital_and_one_stop() {
        assert_eq!(sentence("concert pitch 440 Hz"), "Concert pitch 440 Hz.");
        assert_eq!(sentence("Listen. "), "Listen.");
        assert_eq!(sentence(""), "");
    }

    #[test]
    fn a_share_is_never_a_bare_zero_when_there_was_some() {
        assert_eq!(share(3.0, 3000.0), "under 1 %");
        assert_eq!(share(0.0, 3000.0), "0 %");
        assert_eq!(share(1860.0, 3000.0), "62 %");
        assert_eq!(share(1.0, 0.0), "0 %");
    }
}
