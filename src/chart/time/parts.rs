//! What the time picture says of the parts of a take: where the tempo moves, and in which parts swing and hi-hat differ.
//!
//! Conventions: parts are only compared where their intervals do not meet, and the difference is one that is heard.

use super::super::words;
use crate::report::{PartTime, TakeFacts};
use crate::stats::Measured;

/// Swing ratios this far apart are told (own choice: a third of the way from even to 2 to 1).
const SWING_APART: f64 = 0.3;
/// Shares of bars with the hi-hat this far apart are told, percent (own choice: half of the bars).
const HAT_APART_PERCENT: f64 = 50.0;
/// Smallest change of tempo at a part that is told, percent (listeners: 1.5 to 3 %, see the slipped bars).
const LEAST_CHANGE_PERCENT: f64 = 2.0;
/// Smallest rush of the bars that lead into parts, percent.
const LEAST_LEAD_IN_PERCENT: f64 = 1.5;

/// Where in the form the tempo moves.
pub fn moves(take: &TakeFacts) -> Option<String> {
    let mut said = Vec::new();
    for change in take.time_detail.part_changes.iter().filter(|c| c.stands_out) {
        let Some(value) = words::finite(&change.change_percent).filter(|v| v.abs() >= LEAST_CHANGE_PERCENT) else {
            continue;
        };
        let way = if value > 0.0 { "faster" } else { "slower" };
        said.push(format!("Part {} begins {} % {way} (bar {}).", change.label, size(value), change.bar));
    }
    let m = &take.time_detail.lead_in_percent;
    if let (Some(value), Some((low, high))) = (words::finite(m), words::interval(m)) {
        let beyond = value.abs() >= LEAST_LEAD_IN_PERCENT && (low > 0.0 || high < 0.0);
        let way = if value > 0.0 { "rush" } else { "drag" };
        said.extend(beyond.then(|| format!("The bars before new parts {way} by {} %.", size(value))));
    }
    (!said.is_empty()).then(|| said.join(" "))
}

fn size(percent: f64) -> String {
    words::number(percent.abs(), 0, false)
}

/// The parts with the least and the most swing, where they differ.
pub fn swing(take: &TakeFacts) -> Option<String> {
    let ((low, least), (high, most)) = apart(take, |t| &t.swing_ratio, SWING_APART)?;
    let ratio = |v: f64| words::number(v, 1, false);
    Some(format!("Least in part {low} ({}), most in part {high} ({}).", ratio(least), ratio(most)))
}

/// The parts with the fewest and the most bars with the hi-hat on 2 and 4, where they differ.
pub fn hat(take: &TakeFacts) -> Option<String> {
    let ((low, least), (high, most)) = apart(take, |t| &t.hat_on_2_and_4_percent, HAT_APART_PERCENT)?;
    Some(format!("In part {high} {} %, in part {low} {} %.", size(most), size(least)))
}

type Told<'a> = (&'a str, f64);

/// Label and value of the lowest and of the highest part, if they differ by `least` and their intervals do not meet.
fn apart<'a>(take: &'a TakeFacts, read: fn(&PartTime) -> &Measured, least: f64) -> Option<(Told<'a>, Told<'a>)> {
    let known = take.parts.iter().filter_map(|p| {
        let m = read(p.time.as_ref()?);
        Some((p.label.as_str(), words::finite(m)?, words::interval(m)?))
    });
    let all: Vec<_> = known.collect();
    let low = all.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let high = all.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (high.1 - low.1 >= least && high.2.0 > low.2.1).then_some(((low.0, low.1), (high.0, high.1)))
}
