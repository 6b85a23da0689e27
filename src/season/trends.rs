//! Lines over the weeks: where they must be broken, and whether they rise or fall beyond noise.
//!
//! Conventions: the trend of a measure belongs to its last unbroken line; earlier lines stand beside it, each with its own.

use super::measures::{Hears, Measure, measures};
use super::slope::{Point, direction, theil_sen};
use super::types::{LineBreak, Recorder, Rehearsal, Trend, TrendLine, TrendVerdict};
use crate::stats::{Measured, median};

/// Ratio of two low cuts from which they are of different recorders: an octave. Own choice, wider than the 95 % interval of
/// one reading (a factor of about 1.7 from end to end).
const LOW_CUT_RATIO: f64 = 2.0;
/// Low cuts under this are all alike: nothing that is played lies below (lowest note of a five-string bass, B0 = 30.9 Hz).
const LOW_CUT_FLOOR_HZ: f64 = 31.0;
const DAYS_A_WEEK: f64 = 7.0;
/// Half of a 95 % interval in standard deviations.
const Z_95: f64 = 1.96;

/// One trend a measure that has any value, in the order of the measure table.
pub fn trends(rehearsals: &[Rehearsal]) -> Vec<Trend> {
    measures().filter_map(|m| trend(&m, rehearsals)).collect()
}

fn trend(m: &Measure, rehearsals: &[Rehearsal]) -> Option<Trend> {
    let lines = lines(m, rehearsals);
    let (last, before) = lines.split_last()?;
    let slope_per_week = slope(m, last);
    let broken_at = lines.iter().filter_map(|line| line.begins.clone()).collect();
    let date = |r: Option<&&Rehearsal>| r.map(|r| r.date.clone());
    Some(Trend {
        measure: m.id.to_owned(),
        verdict: verdict(m, last),
        slope_per_week,
        broken_at,
        from_date: date(last.rehearsals.first()),
        to_date: date(last.rehearsals.last()),
        earlier: before.iter().filter_map(|line| earlier(m, line)).collect(),
    })
}

fn slope(m: &Measure, line: &Line) -> Measured {
    theil_sen(&points(m, line))
}

/// The rehearsals of a line as points.
pub fn points(m: &Measure, line: &Line) -> Vec<Point> {
    line.rehearsals.iter().filter_map(|r| point(m.id, r)).collect()
}

fn earlier(m: &Measure, line: &Line) -> Option<TrendLine> {
    let slope_per_week = slope(m, line);
    Some(TrendLine {
        from_date: line.rehearsals.first()?.date.clone(),
        to_date: line.rehearsals.last()?.date.clone(),
        verdict: verdict(m, line),
        slope_per_week,
    })
}

fn verdict(m: &Measure, line: &Line) -> TrendVerdict {
    match direction(&points(m, line)) {
        None => TrendVerdict::TooFew,
        Some(0) => TrendVerdict::NoChangeBeyondNoise,
        Some(way) if way > 0 => TrendVerdict::Up,
        Some(_) => TrendVerdict::Down,
    }
}

/// An unbroken run of rehearsals that carry the measure.
pub struct Line<'a> {
    /// Why and where it begins; `None` for the first.
    pub begins: Option<LineBreak>,
    /// Its rehearsals, in date order.
    pub rehearsals: Vec<&'a Rehearsal>,
}

/// The lines of a measure, in date order; rehearsals without a value are passed over.
pub fn lines<'a>(m: &Measure, rehearsals: &'a [Rehearsal]) -> Vec<Line<'a>> {
    let mut found: Vec<Line<'a>> = Vec::new();
    for r in rehearsals.iter().filter(|r| r.values.get(m.id).is_some_and(|v| v.value.is_some())) {
        let reason = found.last().map(|line| break_reason(m, &line.rehearsals, r));
        match (found.last_mut(), reason) {
            (Some(line), Some(None)) => line.rehearsals.push(r),
            (_, reason) => {
                let begins = reason.flatten().map(|why| LineBreak { date: r.date.clone(), reason: why.to_owned() });
                found.push(Line { begins, rehearsals: vec![r] });
            }
        }
    }
    found
}

/// Why `next` cannot go on the line of `before`.
fn break_reason(m: &Measure, before: &[&Rehearsal], next: &Rehearsal) -> Option<&'static str> {
    let last = before.last()?;
    if last.methods.get(m.id) != next.methods.get(m.id) {
        return Some("method_changed");
    }
    // Against the whole line, so that small steps cannot add up unseen.
    let cuts: Vec<f64> = before.iter().filter_map(|r| r.recorder.low_cut_hz).collect();
    if m.hears == Hears::Recorder && recorder_changed(median(&cuts), &last.recorder, &next.recorder) {
        return Some("recorder_changed");
    }
    None
}

/// Does `next` hear otherwise than `last`, whose line heard down to `usual_cut_hz`? A cut that was not found says nothing.
pub fn recorder_changed(usual_cut_hz: Option<f64>, last: &Recorder, next: &Recorder) -> bool {
    if (last.sample_rate_hz, last.channels, &last.codec) != (next.sample_rate_hz, next.channels, &next.codec) {
        return true;
    }
    match (usual_cut_hz, next.low_cut_hz) {
        (Some(a), Some(b)) => {
            let ratio = a.max(LOW_CUT_FLOOR_HZ) / b.max(LOW_CUT_FLOOR_HZ);
            !(1.0 / LOW_CUT_RATIO..=LOW_CUT_RATIO).contains(&ratio)
        }
        _ => false,
    }
}

/// Weeks since 1970-01-01; `None` when `date` is no date.
pub fn weeks(date: &str) -> Option<f64> {
    let day: jiff::civil::Date = date.parse().ok()?;
    let epoch = jiff::civil::date(1970, 1, 1);
    let days = epoch.until(day).ok()?.get_days();
    Some(f64::from(days) / DAYS_A_WEEK)
}

fn point(id: &str, r: &Rehearsal) -> Option<Point> {
    let m = r.values.get(id)?;
    Some(Point { week: weeks(&r.date)?, value: m.value?, sigma: m.half_width() / Z_95 })
}
