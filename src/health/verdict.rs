//! From readings to what they mean: may balance, low end, loudness over time, tuning and time be believed?
//!
//! Conventions: reasons are plain English for a director; empty when all is well.

use super::{Health, Trust};

/// A low cut above this makes the low end a guess, Hz: the lowest open string of a bass is 41 Hz, its second partial 82.
const LOW_CUT_MATTERS_HZ: f64 = 60.0;
/// Clipping that colours the balance, percent of frames.
const CLIPPING_COLOURS_PERCENT: f64 = 0.2;
/// Clipping that leaves nothing of the waveform, percent of frames.
const CLIPPING_RUINS_PERCENT: f64 = 10.0;
/// Below this high cut the cymbals are missing, Hz.
const HIGH_CUT_MATTERS_HZ: f64 = 7000.0;

fn verdict(faults: &[(bool, String)]) -> Trust {
    let reasons: Vec<&str> = faults.iter().filter(|(bad, _)| *bad).map(|(_, why)| why.as_str()).collect();
    Trust { ok: reasons.is_empty(), reason: reasons.join("; ") }
}

/// Fills in the five verdicts.
pub fn judge(health: &mut Health, silent: bool) {
    let riding = health.gain_riding.value == Some(true);
    let clipped = health.clipped_percent.value.unwrap_or(0.0);
    let low = health.low_cut_hz.value.filter(|hz| *hz > LOW_CUT_MATTERS_HZ);
    let high = health.high_cut_hz.value.filter(|hz| *hz < HIGH_CUT_MATTERS_HZ);
    let nothing = (silent, "the tape holds no sound".to_owned());
    let rides = (riding, "the recorder turned its own level up and down".to_owned());
    let ruined = (clipped > CLIPPING_RUINS_PERCENT, "almost everything is clipped".to_owned());
    let coloured = (clipped > CLIPPING_COLOURS_PERCENT, format!("{clipped:.1} % of the frames are clipped"));
    let no_bass = (low.is_some(), format!("the recorder hears little below {:.0} Hz", low.unwrap_or(0.0)));
    let no_top = (high.is_some(), format!("the recording stops at {:.0} Hz", high.unwrap_or(0.0)));
    health.balance = verdict(&[nothing.clone(), rides.clone(), coloured.clone(), no_bass.clone(), no_top]);
    health.low_end = verdict(&[nothing.clone(), no_bass, coloured.clone()]);
    health.loudness_over_time = verdict(&[nothing.clone(), rides, coloured]);
    health.tuning = verdict(&[nothing.clone(), ruined.clone()]);
    health.time = verdict(&[nothing, ruined]);
}
