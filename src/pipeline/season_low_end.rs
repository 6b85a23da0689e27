//! What the bass's amplifier did from one rehearsal to the next, in the words of the season's picture.
//!
//! Conventions: rehearsals in date order, each against the one before; only whole tapes of the room by one recorder and one
//! method. Said is only what lies beyond the noise in the bass's notes and has moved the band's low end the
//! same way.

use super::compare::{difference_of, recorders, tone_methods};
use super::compare_knob::knob_back;
use super::compose_low_end::note_name;
use super::season_words::short;
use crate::measure::tone::{ToneDifference, ToneKind};
use crate::report::Report;
use crate::season::compare::differences;
use crate::season::{Entry, Season};

/// Half-widths are stretched from 95 % to 98 %, as for everything that is said over the weeks.
const STRETCH: f64 = 2.326 / 1.96;
/// A room's note that sticks out less is not worth moving furniture for, dB.
const NOTE_DB: f64 = 4.0;
/// Least by which the band's low end must have moved the same way, dB; its own interval is that of other tunes in the long run.
const LEAST_MOVE_DB: f64 = 1.0;
/// The measure that must agree.
const LOW_END: &str = "low_end_excess_db";

/// Sentences, the newest change first.
pub fn bass_changes(season: &Season, entries: &[Entry]) -> Vec<String> {
    let days: Vec<(&str, Vec<Report>)> = season
        .rehearsals
        .iter()
        .map(|r| (r.date.as_str(), r.tapes.iter().filter_map(|t| room_report(entries, &t.folder)).collect()))
        .filter(|(_, reports): &(&str, Vec<Report>)| !reports.is_empty())
        .collect();
    let said = days.windows(2).filter_map(|pair| sentence(&pair[0], &pair[1]));
    let mut said: Vec<String> = said.collect();
    said.reverse();
    said
}

/// The report of a tape of the whole band.
fn room_report(entries: &[Entry], folder: &str) -> Option<Report> {
    let report = entries.iter().find(|e| e.folder == folder)?.report.as_ref().ok()?;
    let close = report.amp_advice.iter().any(|a| a.change_db.reason.as_deref() == Some("close_to_another_player"));
    (!close).then(|| report.clone())
}

fn sentence((from, before): &(&str, Vec<Report>), (to, after): &(&str, Vec<Report>)) -> Option<String> {
    if recorders(before, after) > 1 || tone_methods(before, after) > 1 {
        return None;
    }
    let tone = difference_of(before, after);
    let low_end = differences(before, after).into_iter().find(|d| d.measure == LOW_END)?;
    let (since, on) = (short(from)?, short(to)?);
    if let (ToneKind::OneNote { midi }, Some(db)) = (tone.kind, tone.note_db) {
        let way = if db > 0.0 { "booms" } else { "is swallowed" };
        return (db.abs() >= NOTE_DB && tone.note_is_sure).then(|| {
            let note = note_name(midi);
            format!("One bass note, {note}, {way} on {on}, not on {since}: the room, no knob; move the amplifier")
        });
    }
    let (value, wanted) = (tone.low_db.value?, stretched(&tone)?);
    let agrees = |moved: f64| moved * wanted > 0.0 && moved.abs() >= LEAST_MOVE_DB;
    let knob = knob_back(&Ok(tone), before, after);
    let (change, moved) = (knob.change_db.value?, low_end.difference.value?);
    agrees(moved).then(|| {
        format!(
            "Bass on {on} against {since}: {:.1} dB {} low on every note; turn low {} by about {:.1} dB",
            value.abs(),
            if value > 0.0 { "more" } else { "less" },
            if change < 0.0 { "down" } else { "up" },
            change.abs(),
        )
    })
}

/// The end of the 98 % interval that is nearer to zero; `None` when it holds zero.
fn stretched(tone: &ToneDifference) -> Option<f64> {
    let (value, low, high) = (tone.low_db.value?, tone.low_db.low?, tone.low_db.high?);
    let half = STRETCH * (high - low) / 2.0;
    (value.abs() > half).then_some(value.signum() * (value.abs() - half))
}
