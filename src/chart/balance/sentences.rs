//! Balance in sentences.

use super::super::words;
use crate::report::{AmpAdvice, AmpControl, BalanceFacts, Report, StandingOutKind};

/// What the panel shows beside the low end, in sentences: its owners, tilt, what sticks out, the deaf ends, the target.
pub fn sentences(report: &Report) -> Vec<String> {
    let balance = &report.balance;
    let mut said: Vec<String> = share_sentence(balance).into_iter().collect();
    said.extend(advice_sentence(&report.amp_advice));
    if let Some(tilt) = words::finite(&balance.tilt_db_per_octave) {
        let way = if tilt < 0.0 { "falls" } else { "rises" };
        let amount = words::number(tilt.abs(), 1, false);
        said.push(format!("From deep to treble the level {way} by {amount} dB an octave."));
    }
    for spot in balance.standing_out.iter().filter(|s| words::finite(&s.db).is_some()).take(2) {
        let kind = match spot.kind {
            StandingOutKind::OneNote => "on one note only: the room or a dead spot",
            StandingOutKind::EveryNote => "on every note: a setting of the amplifier",
        };
        let by = words::number(words::finite(&spot.db).unwrap_or_default(), 1, false);
        let note = spot.note.as_ref().map_or_else(String::new, |n| format!(" ({n})"));
        let place = if spot.kind == StandingOutKind::EveryNote { "Around and below" } else { "At" };
        said.push(format!(
            "{place} {} Hz{note} the bass sticks out by {by} dB, {kind}.",
            words::number(spot.hz, 0, false)
        ));
    }
    said.extend(unheard_sentence(report));
    if !balance.target.name.is_empty() {
        said.push(words::sentence(&format!("target: {}", balance.target.name)));
    }
    said
}

/// The low end against the target in one sentence.
pub fn low_end_sentence(balance: &BalanceFacts) -> String {
    let m = &balance.low_end_excess_db;
    let Some(value) = words::finite(m) else {
        return format!("Low end against the target: not said, {}.", words::why_absent(m));
    };
    let amount = words::number(value.abs(), 1, false);
    let side = if value < 0.0 { "below" } else { "above" };
    match words::interval(m) {
        Some((low, high)) if low <= 0.0 && high >= 0.0 => format!(
            "The low end agrees with the target: {} dB (95 % range {} to {}).",
            words::number(value, 1, true),
            words::number(low, 1, true),
            words::number(high, 1, true)
        ),
        Some((low, high)) => {
            let (near, far) = if value < 0.0 { (-high, -low) } else { (low, high) };
            let (near, far) = (words::number(near, 1, false), words::number(far, 1, false));
            format!("The low end is {amount} dB {side} the target (95 % range {near} to {far}).")
        }
        None => format!("The low end is {amount} dB {side} the target."),
    }
}

/// What to turn on the bass amplifier, in one sentence with its caution; `None` without advice that is more than noise.
pub fn advice_sentence(advice: &[AmpAdvice]) -> Option<String> {
    let sure = |a: &&AmpAdvice| !a.change_db.warnings.iter().any(|w| w == "inside_the_noise");
    let turn = |a: &AmpAdvice| {
        let change = words::finite(&a.change_db)?;
        let what = match a.control {
            AmpControl::Low => "low control",
            AmpControl::Mid => "mid control",
            AmpControl::High => "high control",
            AmpControl::Level => "level",
        };
        let way = if change < 0.0 { "down" } else { "up" };
        Some(format!("{what} {way} by about {} dB", words::number(change.abs(), 1, false)))
    };
    let of = |player: &str| {
        let own = advice.iter().filter(|a| a.instrument == player);
        let turns: Vec<String> = own.filter(sure).filter_map(turn).collect();
        (!turns.is_empty()).then(|| format!("Try at the {player} amplifier: {}.", turns.join(", then ")))
    };
    let said: Vec<String> = ["bass", "guitar"].into_iter().filter_map(of).collect();
    (!said.is_empty()).then(|| format!("{} Small steps, one knob at a time.", said.join(" ")))
}

/// Where the recorder is deaf, in one sentence; `None` when nothing says so.
pub fn unheard_sentence(report: &Report) -> Option<String> {
    let hz = |v: f64| if v < 1000.0 { format!("{v:.0} Hz") } else { format!("{:.1} kHz", v / 1000.0) };
    let low = words::finite(&report.health.low_cut_hz).map(|v| format!("below {}", hz(v)));
    let high = words::finite(&report.health.high_cut_hz).map(|v| format!("above {}", hz(v)));
    let ends: Vec<String> = low.into_iter().chain(high).collect();
    (!ends.is_empty()).then(|| format!("Grey: this recorder does not hear {}.", words::list(&ends)))
}

fn share_sentence(balance: &BalanceFacts) -> Option<String> {
    let s = &balance.low_end_share;
    let parts: Vec<String> = [("bass", &s.bass), ("kick drum", &s.kick), ("everything else", &s.other)]
        .iter()
        .filter_map(|(name, m)| words::finite(m).map(|v| format!("{name} {:.0} %", 100.0 * v)))
        .collect();
    (!parts.is_empty()).then(|| format!("Whose low end it is: {}.", words::list(&parts)))
}
