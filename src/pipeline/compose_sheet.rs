//! What the band sheet brings into a report: titles, marked tempi, parts, exposure; and what of it could not be used.

use rayon::prelude::*;

use super::titles::{Named, titles};
use crate::health::Health;
use crate::measure::exposure::{self, Exposure, ExposureReading, MeterReading, Session, calibrate, measure_exposure};
use crate::measure::layers::{NotPlaced, Wanted};
use crate::measure::time::{TakeTime, TimeFeatures, TimeHints, measure_take};
use crate::measure::tuning::TuningHints;
use crate::report::{self, MarkedChart};
use crate::sheet::{Chart, Extent, TapeSheet};
use crate::units::seconds_to_clock;

/// The takes' time, and what the sheet says of each take.
pub struct SheetTakes {
    /// Tempo and feel, measured with the sheet's hints.
    pub time: Vec<TakeTime>,
    /// Title of each take.
    pub named: Vec<Option<Named>>,
    /// What could not be used, in words.
    pub problems: Vec<String>,
}

/// Measures the takes' time; a second time where the sheet has a hint to a take.
pub fn measure_time(features: &TimeFeatures, spans: &[(f64, f64)], sheet: Option<&TapeSheet>) -> SheetTakes {
    let measure = |span: &(f64, f64), hints: &TimeHints| measure_take(features, span.0, span.1, hints);
    let mut time: Vec<TakeTime> = spans.par_iter().map(|span| measure(span, &TimeHints::default())).collect();
    let (named, problems) = sheet.map_or_else(|| (vec![None; spans.len()], Vec::new()), |s| titles(s, &time));
    for (at, span) in spans.iter().enumerate() {
        let Some(chart) = chart_of(sheet, named[at].as_ref()) else { continue };
        let hints = TimeHints { marked_bpm: chart.tempo_bpm, beats_in_bar: chart.beats_in_bar.map(usize::from) };
        if hints.marked_bpm.is_some() || hints.beats_in_bar.is_some() {
            time[at] = measure(span, &hints);
        }
    }
    SheetTakes { time, named, problems }
}

/// The chart of a take.
pub fn chart_of<'a>(sheet: Option<&'a TapeSheet>, named: Option<&Named>) -> Option<&'a Chart> {
    sheet?.chart(&named?.title)
}

/// The marks of the chart, for the report.
pub fn marked(sheet: Option<&TapeSheet>, named: Option<&Named>) -> Option<MarkedChart> {
    let known_by = named?.known_by.to_owned();
    let chart = chart_of(sheet, named);
    Some(MarkedChart {
        known_by,
        tempo_bpm: chart.and_then(|c| c.tempo_bpm),
        feel: chart.and_then(|c| c.feel).map(|f| f.word().to_owned()),
    })
}

/// What the sheet says to the tuning.
pub fn tuning_hints(sheet: Option<&TapeSheet>) -> TuningHints {
    TuningHints {
        concert_pitch_hz: sheet.and_then(|s| s.band.concert_pitch_hz),
        bass_strings: sheet.and_then(|s| s.players.bass.strings),
        ..TuningHints::default()
    }
}

/// The parts of a chart as they are looked for.
pub fn wanted(chart: &Chart) -> Vec<(String, Wanted)> {
    let extent = |e: &Extent| match *e {
        Extent::Bars { from_bar, bars } => Wanted::Bars { first: from_bar, count: bars },
        Extent::Clock { from, to } => Wanted::Clock { from_s: from, to_s: to },
    };
    chart.part.iter().map(|p| (p.label.clone(), extent(&p.extent))).collect()
}

/// Why a part of the sheet was left out, in words.
pub fn left_out(label: &str, why: NotPlaced) -> String {
    let why = match why {
        NotPlaced::FewerBars(bars) => format!("the take has {bars} bars"),
        NotPlaced::ShorterTake(s) => format!("the take lasts {}", seconds_to_clock(s)),
        NotPlaced::NoBars => "no bars were found in the take".to_owned(),
        NotPlaced::BeatLost(s) => format!("the beat is lost at {}, so bars cannot be counted", seconds_to_clock(s)),
    };
    format!("part \"{label}\" is left out: {why}")
}

/// A problem with take number `at` (from 0), with the take in front.
pub fn of_take(at: usize, named: Option<&Named>, problem: &str) -> String {
    let title = named.map(|n| format!(" (\"{}\")", n.title)).unwrap_or_default();
    format!("take {}{title}: {problem}", at + 1)
}

/// Exposure by the sheet's calibration; `None` without one. What could not be used is added to `problems`.
pub fn exposure(
    levels: &ExposureReading,
    health: &Health,
    sheet: Option<&TapeSheet>,
    problems: &mut Vec<String>,
) -> Option<report::Exposure> {
    let level = &sheet?.level;
    let readings: Vec<MeterReading> = level
        .reading
        .iter()
        .map(|r| MeterReading { at_s: r.at, over_s: r.over_s, dba: r.dba, plus_minus_db: r.plus_minus_db })
        .collect();
    let (calibration, refused) = calibrate(levels, &readings, level.full_scale_dba.zip(level.plus_minus_db));
    for (at, why) in refused {
        problems
            .push(format!("the sound level reading at {} {why}; it is not used", seconds_to_clock(readings[at].at_s)));
    }
    let calibration = calibration?;
    let session = Session {
        hours: level.session_hours,
        osha_threshold_dba: level.osha_threshold_dba.unwrap_or(exposure::OSHA_THRESHOLD_DBA),
    };
    // A recorder that turns its own level has no calibration.
    let riding = health.gain_riding.value == Some(true);
    let found = match riding {
        true => Exposure::absent("gain_riding", session),
        false => measure_exposure(levels, &calibration, session),
    };
    Some(facts(found, level.session_hours.is_some()))
}

fn facts(found: Exposure, hours_given: bool) -> report::Exposure {
    report::Exposure {
        leq_dba: found.leq_dba,
        niosh_dose_percent: found.niosh_dose_percent,
        osha_dose_percent: found.osha_dose_percent,
        lex_8h_dba: found.lex_8h_dba,
        caution: exposure::CAUTION.to_owned(),
        session_hours: Some(found.session_hours).filter(|h| *h > 0.0),
        session_hours_source: if hours_given { "sheet" } else { "recording" }.to_owned(),
        osha_threshold_dba: Some(found.osha_threshold_dba),
    }
}
