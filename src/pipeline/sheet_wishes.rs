//! What a band sheet sets for other rooms: controls of the amplifier, the microphone, thresholds, the festival.

use super::ReviewOptions;
use crate::findings::{AmpCorners, Thresholds};
use crate::measure::balance::{MicCurve, Target};
use crate::season::{AmpChange, FestivalPlan, Goal};
use crate::sheet::{BandSheet, TapeSheet};

/// Minutes on the stage when the sheet has a date and no slot (common practice, no source: 20 minutes).
const USUAL_SLOT_MINUTES: f64 = 20.0;

/// The options of a review with what the sheet of a tape sets; what was asked for on the command line goes first.
pub fn with_sheet(options: &ReviewOptions, sheet: Option<&TapeSheet>) -> ReviewOptions {
    let mut options = options.clone();
    let Some(sheet) = sheet else { return options };
    options.mic_curve = options.mic_curve.or_else(|| MicCurve::from_points(&sheet.microphone_curve));
    let corners = |own: crate::sheet::AmpCorners, usual: AmpCorners| AmpCorners {
        low_hz: own.low_corner_hz.unwrap_or(usual.low_hz),
        mid_hz: own.mid_corner_hz.unwrap_or(usual.mid_hz),
        high_hz: own.high_corner_hz.unwrap_or(usual.high_hz),
    };
    options.bass_amp = corners(sheet.amp.bass, options.bass_amp);
    options.guitar_amp = corners(sheet.amp.guitar, options.guitar_amp);
    if let Some(player) = sheet.recording.as_ref().and_then(|r| r.close_to) {
        let of_player = |t: &&Target| t.close_to.as_deref() == Some(player.word());
        options.target = options.close_targets.iter().find(of_player).cloned().or(options.target);
    }
    options
}

/// The thresholds of the findings; what cannot be one is said in `problems` and the program's own holds.
pub fn thresholds(sheet: Option<&TapeSheet>, problems: &mut Vec<String>) -> Thresholds {
    let own = sheet.map(|s| s.thresholds.clone()).unwrap_or_default();
    Thresholds::with(&own).unwrap_or_else(|error| {
        problems.push(format!("{error}; the program's own thresholds are used"));
        Thresholds::default()
    })
}

/// The festival of a sheet; `None` without a date.
pub fn festival(sheet: &BandSheet) -> Option<FestivalPlan> {
    let festival = &sheet.festival;
    let goal = |g: &crate::sheet::Goal| match g.within {
        Some(size) => Goal::within(&g.measure, size),
        None => Goal { measure: g.measure.clone(), at_least: g.at_least, at_most: g.at_most },
    };
    Some(FestivalPlan {
        date: festival.date.clone()?,
        slot_minutes: festival.slot_minutes.unwrap_or(USUAL_SLOT_MINUTES),
        charts: festival.charts.clone(),
        goals: festival.goal.iter().map(goal).collect(),
        amp_changes: festival
            .amp_change
            .iter()
            .map(|c| AmpChange { date: c.date.clone(), what: c.what.clone() })
            .collect(),
    })
}
