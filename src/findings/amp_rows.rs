//! Every control of the amplifiers of bass and guitar: what to do, or why nothing is said.
//!
//! Conventions: one row a control, bass before guitar, low, mid, high, level; a row without a change has a reason in
//! lower_snake_case and is no advice.

use super::amp::{Advice, AmpCorners, AmpInputs, BASS_SHARE, allowed_db, why_untold};
use super::tone_stack::StackAdvice;
use super::types::Player;
use crate::measure::tone::{Control, ToneKind};
use crate::stats::Measured;

/// The controls in the order of the report.
pub const CONTROLS: [Control; 4] = [Control::Low, Control::Mid, Control::High, Control::Level];

/// One control.
#[derive(Clone, Debug, PartialEq)]
pub struct AmpRow {
    /// Whose amplifier.
    pub player: Player,
    /// Which control.
    pub control: Control,
    /// Its corner, Hz; `None` for the level.
    pub corner_hz: Option<f64>,
    /// The change, dB, or why there is none.
    pub change_db: Measured,
    /// Low end excess that is expected after it, dB, or why it is not said.
    pub expected_db: Measured,
}

/// Where a control of an amplifier turns, Hz.
pub fn corner_hz(corners: &AmpCorners, control: Control) -> Option<f64> {
    match control {
        Control::Low => Some(corners.low_hz),
        Control::Mid => Some(corners.mid_hz),
        Control::High => Some(corners.high_hz),
        Control::Level => None,
    }
}

/// The rows of a recording of the whole band.
pub fn rows_of_band(inputs: &AmpInputs, guitar: &AmpCorners, advice: &[Advice]) -> Vec<AmpRow> {
    let bass = CONTROLS.map(|control| {
        let found = advice.iter().find(|a| a.change.control == control);
        let (change_db, expected_db) = match found {
            Some(a) => (a.change_db.clone(), a.expected_db.clone()),
            None => silent(why_not(inputs, control, advice)),
        };
        AmpRow { player: Player::Bass, control, corner_hz: corner_hz(&inputs.corners, control), change_db, expected_db }
    });
    let guitar = CONTROLS.map(|control| {
        let (change_db, expected_db) = silent("not_told_from_the_band");
        AmpRow { player: Player::Guitar, control, corner_hz: corner_hz(guitar, control), change_db, expected_db }
    });
    bass.into_iter().chain(guitar).collect()
}

/// The rows of a recording close to one player.
pub fn rows_of_close(
    player: Player,
    corners: [&AmpCorners; 2],
    found: &Result<Vec<StackAdvice>, &'static str>,
) -> Vec<AmpRow> {
    let mut rows = Vec::new();
    for (whose, corners) in [Player::Bass, Player::Guitar].into_iter().zip(corners) {
        for control in CONTROLS {
            let change_db = match found {
                _ if whose != player => Measured::absent("close_to_another_player"),
                _ if control == Control::Level => Measured::absent("level_is_the_recorders"),
                _ if control == Control::Low && player == Player::Guitar => Measured::absent("not_read_for_the_guitar"),
                Err(reason) => Measured::absent(reason),
                Ok(all) => all
                    .iter()
                    .find(|a| a.control == control)
                    .map_or_else(|| Measured::absent("as_in_the_target"), |a| a.change_db.clone()),
            };
            rows.push(AmpRow {
                player: whose,
                control,
                corner_hz: corner_hz(corners, control),
                change_db,
                expected_db: Measured::absent("not_the_low_end_of_the_band"),
            });
        }
    }
    rows
}

fn silent(reason: &str) -> (Measured, Measured) {
    (Measured::absent(reason), Measured::absent("no_change_advised"))
}

/// Why a control of the bass is left alone.
fn why_not<'a>(inputs: &'a AmpInputs, control: Control, advice: &[Advice]) -> &'a str {
    if matches!(control, Control::Mid | Control::High) {
        return "not_told_from_the_band";
    }
    let absent = |m: &'a Measured| m.value.is_none().then(|| m.reason.as_deref().unwrap_or("not_measured"));
    if let Some(reason) = absent(inputs.excess_db).or_else(|| absent(&inputs.shares.bass)) {
        return reason;
    }
    if !inputs.low_end_ok {
        return "recorder_hears_no_low_end";
    }
    let excess = inputs.excess_db.value.unwrap_or(0.0);
    if control == Control::Level && !advice.is_empty() {
        return "the_low_control_is_enough";
    }
    if excess > allowed_db(inputs) && inputs.shares.bass.value.unwrap_or(0.0) < BASS_SHARE {
        return "low_end_is_not_mostly_bass";
    }
    if control == Control::Low && matches!(inputs.own.kind, ToneKind::OneNote { .. }) {
        return "one_note_stands_out";
    }
    if control == Control::Low && inputs.own.low_db.value.is_some() {
        why_untold(&inputs.own.low_db, inputs.shares.bass.value).unwrap_or("as_in_the_target")
    } else {
        "not_surely_beyond_the_target"
    }
}
