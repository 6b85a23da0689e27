//! The habits that are looked for, in one table, and how each is read from a report.
//!
//! Conventions: cents plus = sharp, against the band's own pitch; percent of tempo plus = rushing. A reading shows a habit
//! only beyond what is noticed and beyond its own interval; `None` where the report does not tell.

use super::habits::Day;
use super::types::{Habit, HabitEvidence};
use crate::passages::PassageKind;
use crate::report::{InstrumentTuning, Report, TakeFacts, TakeTuning};
use crate::stats::{Measured, median};
use crate::units::TUNING_A4_HZ;

/// What a report says of a habit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// It is shown, beyond noise.
    pub shown: bool,
    /// Its size, in the unit of the row.
    pub size: f64,
}

/// A row of the table.
pub struct Row {
    /// Code.
    pub id: &'static str,
    /// Whose.
    pub player: &'static str,
    /// What returns, in plain words.
    pub words: &'static str,
    /// Unit of its size; empty when it is only counted.
    pub unit: &'static str,
    /// Findings that say the same of one tape.
    pub findings: &'static [&'static str],
    /// How it is read.
    pub read: fn(&Report) -> Option<Seen>,
}

/// Smallest offset at the start that counts, cents: half of what is called out of tune (about 10 cents, handbook figure, from
/// memory), beyond the 3 that are noticed.
const START_CENTS: f64 = 5.0;
/// Smallest change of pitch over the takes that counts, cents: what trained ears notice (handbook figure, from memory).
const CHANGE_CENTS: f64 = 3.0;
/// The near end of the interval must lie beyond this, cents.
const SURE_CENTS: f64 = 2.0;
/// Smallest change of tempo that counts, percent, and where its near end must lie (Drake and Botte 1993: 3 %, at best 1.5 %).
const TEMPO_PERCENT: (f64, f64) = (3.0, 1.5);
/// Hi-hat on 2 and 4 surely in fewer bars than this, percent.
const HAT_PERCENT: f64 = 50.0;
/// Lead-in before the first take from which missing tuning means something, seconds.
const LEAD_IN_S: f64 = 20.0;
/// Fewest strings whose middle stands for the instrument.
const STRINGS_MIN: usize = 3;
/// Fewest rehearsals for the playing share.
const SHARE_MIN: usize = 3;

#[rustfmt::skip]
pub const ROWS: [Row; 13] = [
    Row { id: "bass_starts_sharp", player: "bass", words: "Bass starts sharp", unit: "cents",
        findings: &["bass_tuned_sharp", "bass_sharp_of_band"], read: |r| above(&starts(r, "bass", |t| &t.bass)?, START_CENTS, SURE_CENTS) },
    Row { id: "bass_starts_flat", player: "bass", words: "Bass starts flat", unit: "cents",
        findings: &["bass_tuned_flat", "bass_flat_of_band"], read: |r| below(&starts(r, "bass", |t| &t.bass)?, START_CENTS, SURE_CENTS) },
    Row { id: "guitar_starts_sharp", player: "guitar", words: "Guitar starts sharp", unit: "cents",
        findings: &["guitar_tuned_sharp", "guitar_sharp_of_band"], read: |r| above(&starts(r, "guitar", |t| &t.guitar)?, START_CENTS, SURE_CENTS) },
    Row { id: "guitar_starts_flat", player: "guitar", words: "Guitar starts flat", unit: "cents",
        findings: &["guitar_tuned_flat", "guitar_flat_of_band"], read: |r| below(&starts(r, "guitar", |t| &t.guitar)?, START_CENTS, SURE_CENTS) },
    Row { id: "bass_falls", player: "bass", words: "Bass falls from the first take to the last", unit: "cents",
        findings: &["bass_falls"], read: |r| below(&change_over_takes(r, &r.tuning.instruments.bass)?, CHANGE_CENTS, 0.0) },
    Row { id: "bass_rises", player: "bass", words: "Bass rises from the first take to the last", unit: "cents",
        findings: &["bass_rises"], read: |r| above(&change_over_takes(r, &r.tuning.instruments.bass)?, CHANGE_CENTS, 0.0) },
    Row { id: "guitar_falls", player: "guitar", words: "Guitar falls from the first take to the last", unit: "cents",
        findings: &["guitar_falls"], read: |r| below(&change_over_takes(r, &r.tuning.instruments.guitar)?, CHANGE_CENTS, 0.0) },
    Row { id: "guitar_rises", player: "guitar", words: "Guitar rises from the first take to the last", unit: "cents",
        findings: &["guitar_rises"], read: |r| above(&change_over_takes(r, &r.tuning.instruments.guitar)?, CHANGE_CENTS, 0.0) },
    Row { id: "band_rushes", player: "band", words: "The band rushes", unit: "%",
        findings: &["band_rushes"], read: |r| above(&tempo_change(r)?, TEMPO_PERCENT.0, TEMPO_PERCENT.1) },
    Row { id: "band_drags", player: "band", words: "The band drags", unit: "%",
        findings: &["band_drags"], read: |r| below(&tempo_change(r)?, TEMPO_PERCENT.0, TEMPO_PERCENT.1) },
    Row { id: "rushes_into_parts", player: "band", words: "Rushes where a part begins, after the drum fill", unit: "",
        findings: &[], read: rushes_into_parts },
    Row { id: "hat_not_on_2_and_4", player: "drums", words: "The hi-hat does not close on 2 and 4", unit: "",
        findings: &["hat_not_on_2_and_4"], read: hat },
    Row { id: "no_tuning_before_first_take", player: "band", words: "Playing begins without tuning", unit: "",
        findings: &["no_tuning_before_first_take"], read: without_tuning },
];

fn above(m: &Measured, least: f64, sure: f64) -> Option<Seen> {
    let size = m.value.filter(|v| v.is_finite())?;
    Some(Seen { shown: size >= least && m.low.is_none_or(|low| low > sure), size })
}

fn below(m: &Measured, least: f64, sure: f64) -> Option<Seen> {
    let size = m.value.filter(|v| v.is_finite())?;
    Some(Seen { shown: size <= -least && m.high.is_none_or(|high| high < -sure), size })
}

/// A player's offset from the band as the rehearsal begins: the middle of the strings as tuned before the first take, else
/// the first take.
pub fn starts(
    report: &Report,
    player: &str,
    take: fn(&TakeTuning) -> &crate::report::PlayerTuning,
) -> Option<Measured> {
    if !report.health.trusted_for.tuning.ok {
        return None;
    }
    let first = report.takes.first()?;
    let strings = strings_before(report, player, first.start_s);
    if strings.len() >= STRINGS_MIN {
        let values: Vec<f64> = strings.iter().filter_map(|m| m.value).collect();
        let halves: Vec<f64> = strings.iter().filter_map(|m| Some((m.high? - m.low?) / 2.0)).collect();
        let half = median(&halves).unwrap_or(0.0);
        return Some(Measured::symmetric(median(&values)? - band_cents(report), half, values.len() as u64));
    }
    Some(take(&first.tuning).offset_from_band_cents.clone()).filter(|m| m.value.is_some())
}

/// The last sounding of each open string before `first_take_s`.
fn strings_before<'a>(report: &'a Report, player: &str, first_take_s: f64) -> Vec<&'a Measured> {
    let mut last: std::collections::BTreeMap<u8, &Measured> = std::collections::BTreeMap::new();
    for passage in report.passages.iter().filter(|p| p.start_s < first_take_s) {
        for s in passage.strings.iter().filter(|s| s.instrument == player) {
            last.insert(s.string_midi, &s.offset_from_a440_cents);
        }
    }
    last.into_values().filter(|m| m.value.is_some()).collect()
}

fn band_cents(report: &Report) -> f64 {
    let hz = report.tuning.concert_pitch_hz.value.filter(|hz| *hz > 0.0);
    hz.map_or(0.0, |hz| 1200.0 * (hz / TUNING_A4_HZ).log2())
}

/// Drift of a player from the start of the first take to the end of the last, cents; not told once it was tuned on the way.
pub fn change_over_takes(report: &Report, tuning: &InstrumentTuning) -> Option<Measured> {
    if !report.health.trusted_for.tuning.ok || !tuning.retuned_at_s.is_empty() {
        return None;
    }
    let minutes = (report.takes.last()?.end_s - report.takes.first()?.start_s) / 60.0;
    let m = &tuning.drift_cents_per_min;
    Some(Measured::new(m.value? * minutes, m.low? * minutes, m.high? * minutes, m.n.unwrap_or(1)))
}

/// Middle of the takes' change of tempo.
fn tempo_change(report: &Report) -> Option<Measured> {
    if !report.health.trusted_for.time.ok {
        return None;
    }
    let part = |pick: fn(&Measured) -> Option<f64>| {
        median(&report.takes.iter().filter_map(|t| pick(&t.tempo.drift_percent)).collect::<Vec<_>>())
    };
    let n = report.takes.len() as u64;
    Some(Measured::new(part(|m| m.value)?, part(|m| m.low)?, part(|m| m.high)?, n))
}

/// Shown when a bar that rushed lies where a part begins; judged where there are such places and bars.
fn rushes_into_parts(report: &Report) -> Option<Seen> {
    let judged = |t: &&TakeFacts| t.parts.len() > 1 && t.time_detail.bar_picture.bars > 0;
    let takes: Vec<&TakeFacts> = report.takes.iter().filter(judged).collect();
    if takes.is_empty() || !report.health.trusted_for.time.ok {
        return None;
    }
    let rushed = takes
        .iter()
        .flat_map(|t| t.time_detail.slipped_bars.iter().map(move |bar| (t, bar)))
        .filter(|(t, bar)| {
            let length = bar.end_s - bar.start_s;
            let near = |at: f64| at >= bar.start_s - 0.25 * length && at <= bar.end_s + 0.25 * length;
            bar.change_percent.low.is_some_and(|low| low > 0.0) && t.parts.iter().skip(1).any(|p| near(p.start_s))
        })
        .count();
    Some(Seen { shown: rushed > 0, size: rushed as f64 })
}

/// Shown when the hi-hat surely misses 2 and 4 in most bars of half of the takes or more.
fn hat(report: &Report) -> Option<Seen> {
    let sure = |m: &&Measured| m.value.is_some() && !m.warnings.iter().any(|w| w == "downbeat_uncertain");
    let known: Vec<&Measured> = report.takes.iter().map(|t| &t.feel.hat_on_2_and_4_percent).filter(sure).collect();
    if known.is_empty() || !report.health.trusted_for.time.ok {
        return None;
    }
    let missing = known.iter().filter(|m| m.high.is_some_and(|h| h < HAT_PERCENT)).count();
    Some(Seen { shown: 2 * missing >= known.len(), size: missing as f64 })
}

fn without_tuning(report: &Report) -> Option<Seen> {
    let first = report.takes.first()?.start_s;
    let tuned = report.passages.iter().any(|p| p.kind == PassageKind::Tuning && p.start_s < first);
    (tuned || first >= LEAD_IN_S).then_some(Seen { shown: !tuned, size: f64::from(u8::from(!tuned)) })
}

/// Not a habit to mend but a fact to know: how much of the tape is playing, from three rehearsals on.
pub fn playing_share(days: &[Day]) -> Option<Habit> {
    let share = |(_, tapes): &Day| {
        let sum = |pick: fn(&Report) -> f64| tapes.iter().map(|(_, r)| pick(r)).sum::<f64>();
        let whole = sum(|r| r.tape.duration_s);
        (whole > 0.0).then(|| 100.0 * sum(|r| r.time_use.take_s) / whole)
    };
    let shares: Vec<f64> = days.iter().filter_map(share).collect();
    if shares.len() < SHARE_MIN {
        return None;
    }
    let (low, high) = shares.iter().fold((f64::INFINITY, 0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    let middle = median(&shares)?;
    Some(Habit {
        id: "playing_share".into(),
        player: "band".into(),
        statement: format!(
            "The band plays {middle:.0} % of the tape: median of {} rehearsals, between {low:.0} and {high:.0}.",
            shares.len()
        ),
        seen: shares.len() as u64,
        judged: days.len() as u64,
        size: Measured::new(middle, low, high, shares.len() as u64),
        unit: "%".into(),
        evidence: days
            .iter()
            .flat_map(|(date, tapes)| tapes.iter().map(move |(folder, _)| (date, folder)))
            .map(|(date, folder)| HabitEvidence {
                date: (*date).to_owned(),
                folder: (*folder).to_owned(),
                finding: "playing_share_percent".into(),
            })
            .collect(),
    })
}
