//! What the time picture says in words, a paragraph a take.
//!
//! Conventions: a drift is only spoken of when its whole interval lies to one side of zero.

use super::super::text::Face;
use super::super::words;
use super::parts;
use crate::report::{CrowdedBar, Report, TakeFacts};
use crate::stats::Measured;

/// Swing ratio below which eighths are straight.
const STRAIGHT: f64 = 1.15;
/// Crowded bars that are named.
const MOST_CROWDED: usize = 6;
/// A tempo this near to the marked one is the marked one, percent.
const LEAST_RE_MARKED_PERCENT: f64 = 1.0;
/// Bass against drums under this is together: the smallest displacement of a tone that listeners notice in even intervals
/// shorter than 240 ms (Friberg and Sundberg 1995: 6 ms).
const TOGETHER_MS: f64 = 6.0;

/// Heading and words of every take.
pub fn sentences(report: &Report) -> Vec<(String, Face)> {
    let words = |(i, t)| [(heading(i + 1, t), Face::Bold), (take_words(t), Face::Regular)];
    report.takes.iter().enumerate().flat_map(words).collect()
}

fn heading(number: usize, take: &TakeFacts) -> String {
    match words::finite(&take.tempo.bpm) {
        Some(bpm) => format!("Take {number}: {} beats a minute", words::number(bpm, 1, false)),
        None => format!("Take {number}"),
    }
}

fn take_words(take: &TakeFacts) -> String {
    if words::finite(&take.tempo.bpm).is_none() {
        return format!("No tempo: {}.", words::why_absent(&take.tempo.bpm));
    }
    [half_or_double(take), marked(take), drift(take), phrases(take), parts::moves(take), slips(take)]
        .into_iter()
        .chain([swing(take), parts::swing(take), hat(take), parts::hat(take), backbeat(take)])
        .chain([bass(take), from_close(take), note_lengths(take), comping(take)])
        .flatten()
        .collect::<Vec<_>>()
        .join(" ")
}

/// Against the tempo in the band sheet, where it is off by more than its error and a hundredth.
fn marked(take: &TakeFacts) -> Option<String> {
    let m = &take.time_detail.re_marked_tempo_percent;
    let value = words::finite(m)?;
    let (low, high) = words::interval(m)?;
    let way = if value > 0.0 { "faster" } else { "slower" };
    let beyond = value.abs() >= LEAST_RE_MARKED_PERCENT && (low > 0.0 || high < 0.0);
    beyond.then(|| format!("{} % {way} than marked.", words::number(value.abs(), 0, false)))
}

/// A tempo that may be counted otherwise, and what the director can do about it.
fn half_or_double(take: &TakeFacts) -> Option<String> {
    let unsure = take.tempo.bpm.warnings.iter().any(|w| w == "half_or_double_possible");
    unsure.then(|| "Half or double this tempo is possible: mark it in the band sheet.".to_owned())
}

/// How far the phrases are from each other.
fn phrases(take: &TakeFacts) -> Option<String> {
    let value = words::finite(&take.time_detail.phrase_steadiness_percent)?;
    Some(format!("From phrase to phrase it moves by {} %.", words::number(value, 1, false)))
}

fn drift(take: &TakeFacts) -> Option<String> {
    let m = &take.tempo.drift_percent;
    let value = words::finite(m)?;
    let (low, high) = words::interval(m)?;
    let size = words::number(value.abs(), 1, false);
    Some(match (low > 0.0, high < 0.0) {
        (true, _) => format!("Speeds up by {size} %."),
        (_, true) => format!("Slows down by {size} %."),
        _ => "The tempo held.".to_owned(),
    })
}

fn swing(take: &TakeFacts) -> Option<String> {
    let value = words::finite(&take.feel.swing_ratio)?;
    Some(if value < STRAIGHT {
        "Straight eighths.".to_owned()
    } else {
        let published = take.time_detail.published_swing_ratio;
        let context =
            published.map(|r| format!(" (on recordings at this tempo up to about {})", words::number(r, 1, false)));
        format!("Eighths swing {} to 1{}.", words::number(value, 1, false), context.unwrap_or_default())
    })
}

fn hat(take: &TakeFacts) -> Option<String> {
    let value = words::finite(&take.feel.hat_on_2_and_4_percent)?;
    Some(format!("Hi-hat on 2 and 4 in {} % of the bars.", words::number(value, 0, false)))
}

fn backbeat(take: &TakeFacts) -> Option<String> {
    (take.feel.backbeat_heavy.value == Some(true)).then(|| "Heavy kick and snare, as in rock.".to_owned())
}

fn bass(take: &TakeFacts) -> Option<String> {
    let m = &take.feel.bass_to_drums_ms;
    let value = words::finite(m)?;
    let (low, high) = words::interval(m)?;
    let size = words::number(value.abs(), 0, false);
    Some(match (low > TOGETHER_MS, high < -TOGETHER_MS) {
        (true, _) => format!("Bass {size} ms behind the drums."),
        (_, true) => format!("Bass {size} ms ahead of the drums."),
        _ if value.abs() <= TOGETHER_MS => "Bass and drums together.".to_owned(),
        _ => format!("Bass perhaps {size} ms {} the drums.", if value > 0.0 { "behind" } else { "ahead of" }),
    })
}

/// Where the bass's onsets are from, when not from this recording.
fn from_close(take: &TakeFacts) -> Option<String> {
    let close = take.close.as_ref().filter(|c| words::finite(&c.bass_to_drums_ms).is_some())?;
    let drums = if close.drums_heard.as_deref() == Some("close") { " and drums" } else { "" };
    Some(format!("(From the recording at the bass{drums}, as heard here.)"))
}

/// How much guitar and keys play, and where each has a recording, who of them.
fn comping(take: &TakeFacts) -> Option<String> {
    by_player(take).or_else(|| {
        let hits = words::finite(&take.feel.comping_onsets_per_bar)?;
        let crowded = crowded(&take.time_detail.crowded_bars);
        Some(format!("Guitar and keys: about {} hits a bar.{crowded}", words::number(hits, 0, false)))
    })
}

fn by_player(take: &TakeFacts) -> Option<String> {
    let close = take.close.as_ref()?;
    let a_bar = |m| words::finite(m).map(|v| words::number(v, 1, false));
    let (guitar, piano) = (a_bar(&close.guitar_hits_per_bar)?, a_bar(&close.piano_hits_per_bar)?);
    let both = words::finite(&close.comping_together_percent)
        .map(|v| format!(", {} % of them at once", words::number(v, 0, false)));
    let first = who_is_first(&close.guitar_after_piano_ms).unwrap_or_default();
    let crowded = crowded(&close.crowded_bars);
    Some(format!("Hits a bar: piano {piano}, guitar {guitar}{}{first}.{crowded}", both.unwrap_or_default()))
}

/// Which of the two is first where both play, when that is certain.
fn who_is_first(guitar_after_piano_ms: &Measured) -> Option<String> {
    let value = words::finite(guitar_after_piano_ms)?;
    let (low, high) = words::interval(guitar_after_piano_ms)?;
    let player = if value > 0.0 { "piano" } else { "guitar" };
    (low > 0.0 || high < 0.0).then(|| format!(", the {player} first by {} ms", words::number(value.abs(), 0, false)))
}

/// How long the bass lets its notes sound, where it has a recording.
fn note_lengths(take: &TakeFacts) -> Option<String> {
    let close = take.close.as_ref()?;
    let (ms, percent) = (words::finite(&close.bass_note_length_ms)?, words::finite(&close.bass_note_length_percent)?);
    let (ms, percent) = (words::number(ms, 0, false), words::number(percent, 0, false));
    Some(format!("Bass notes last {ms} ms, {percent} % of the way to the next."))
}

fn crowded(bars: &[CrowdedBar]) -> String {
    let numbers: Vec<String> = bars.iter().map(|b| b.bar.to_string()).collect();
    match numbers.len() {
        0 => String::new(),
        1 => format!(" Crowded: bar {}.", numbers[0]),
        2..=MOST_CROWDED => format!(" Crowded: bars {}.", words::list(&numbers)),
        n => format!(" Crowded: {n} bars, the first is bar {}.", numbers[0]),
    }
}

fn slips(take: &TakeFacts) -> Option<String> {
    let bars: Vec<String> = take.time_detail.slipped_bars.iter().map(|b| b.bar.to_string()).collect();
    match bars.len() {
        0 => None,
        1 => Some(format!("Look at bar {}.", bars[0])),
        2..=8 => Some(format!("Look at bars {}.", words::list(&bars))),
        n => Some(format!("{n} bars slipped, the first is bar {}.", bars[0])),
    }
}
