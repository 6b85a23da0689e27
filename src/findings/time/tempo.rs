//! Rules about the tempo: rushing, dragging, bars that slipped, and praise for a tempo that held.

use super::super::confidence::probability_above;
use super::super::thresholds as t;
use super::super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::super::words;
use super::{Said, finding, middle, numbers, takes_with};
use crate::measure::time::TakeTime;
use crate::stats::Measured;
use crate::units::seconds_to_clock;

/// Most bars that a statement names.
const BARS_NAMED: usize = 4;

fn drift(time: &TakeTime) -> &Measured {
    &time.tempo.drift_percent
}

pub(super) fn rushing(inputs: &FindingInputs) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::TEMPO_CHANGE_PERCENT), inputs.thresholds.of(t::TEMPO_HELD_PERCENT));
    let takes = takes_with(inputs, drift, |m| m.value.is_some_and(|v| v >= least) && m.low.is_some_and(|l| l >= sure));
    tempo_change(inputs, &takes, true, least)
}

pub(super) fn dragging(inputs: &FindingInputs) -> Option<Finding> {
    let (least, sure) = (inputs.thresholds.of(t::TEMPO_CHANGE_PERCENT), inputs.thresholds.of(t::TEMPO_HELD_PERCENT));
    let takes =
        takes_with(inputs, drift, |m| m.value.is_some_and(|v| v <= -least) && m.high.is_some_and(|h| h <= -sure));
    tempo_change(inputs, &takes, false, least)
}

fn tempo_change(inputs: &FindingInputs, takes: &[(usize, &Measured)], faster: bool, least: f64) -> Option<Finding> {
    let change = middle(takes)?;
    let way = if faster { "speeds up" } else { "slows down" };
    let from_to = match takes {
        [(at, _)] => inputs.time.get(*at).and_then(|t| ends(t, change)),
        _ => None,
    };
    let from_to = from_to.map_or_else(String::new, |(a, b)| format!(", from {a:.0} to {b:.0} beats a minute"));
    let statement = format!(
        "The band {way} by {:.0} % in {}{from_to}.",
        change.abs(),
        words::takes(&numbers(takes), inputs.takes.len())
    );
    let main = change.abs() >= inputs.thresholds.of(t::TEMPO_CHANGE_MAIN_PERCENT);
    let said = Said {
        id: if faster { "band_rushes" } else { "band_drags" },
        player: Player::Band,
        severity: if main { Severity::Main } else { Severity::Minor },
        statement,
        ask: if faster {
            "Sing the first phrase again after the last one, tap 2 and 4, and compare the two tempi."
        } else {
            "Play the last chorus with the drums on the ride alone and everybody tapping 2 and 4."
        },
        measure: "tempo.drift_percent",
        threshold: if faster { least } else { -least },
        above: faster,
    };
    finding(inputs, takes, said)
}

/// Tempo at the first and the last beat of a straight line through a take.
fn ends(time: &TakeTime, change_percent: f64) -> Option<(f64, f64)> {
    let bpm = time.tempo.bpm.value?;
    let start = bpm / (1.0 + change_percent / 200.0);
    Some((start, start * (1.0 + change_percent / 100.0)))
}

/// Bars that slipped, all takes together; the take with most of them is named.
pub(super) fn slips(inputs: &FindingInputs) -> Option<Finding> {
    let per_take = inputs.time.iter().enumerate().take(inputs.takes.len());
    let (at, time) = per_take.max_by_key(|(at, time)| (time.slipped_bars.len(), std::cmp::Reverse(*at)))?;
    let bars = &time.slipped_bars;
    let first = bars.first()?;
    let named: Vec<String> = bars.iter().take(BARS_NAMED).map(|b| b.bar.to_string()).collect();
    let more = if bars.len() > BARS_NAMED { format!(" and {} more", bars.len() - BARS_NAMED) } else { String::new() };
    let way = if first.change_percent.value? > 0.0 { "fast" } else { "slow" };
    let one = bars.len() == 1;
    let size = first.change_percent.value?.abs();
    let place = part_begins_at(inputs, at, first.start_s, first.end_s)
        .map_or_else(String::new, |label| format!(", where part {label} begins"));
    let statement = if one {
        format!(
            "Bar {} of take {} at {} goes by {size:.0} % too {way}{place}.",
            named[0],
            at + 1,
            seconds_to_clock(first.start_s)
        )
    } else {
        let from = seconds_to_clock(first.start_s);
        format!("Time slips in bars {}{more} of take {}, first at {from}{place}.", words::list(&named), at + 1)
    };
    let many = bars.len() as f64 >= inputs.thresholds.of(t::SLIPPED_BARS);
    let least = crate::measure::time::slips::LEAST_PERCENT;
    let sure = |m: &Measured| {
        let size = m.value?.abs();
        probability_above(&Measured::symmetric(size, m.half_width(), 1), least)
    };
    Some(Finding {
        id: "bars_slipped",
        player: Player::Band,
        severity: if many { Severity::Main } else { Severity::Minor },
        statement,
        ask: "Count these bars aloud, then play from four bars before to four bars after.".into(),
        confidence: bars.iter().filter_map(|b| sure(&b.change_percent)).reduce(f64::max)?.min(0.99),
        evidence: bars
            .iter()
            .enumerate()
            .map(|(k, b)| Evidence {
                start_s: b.start_s,
                end_s: b.end_s,
                measure: format!("takes[{at}].time_detail.slipped_bars[{k}].change_percent"),
                value: b.change_percent.clone(),
                threshold: least.copysign(b.change_percent.value.unwrap_or(1.0)),
            })
            .collect(),
    })
}

/// Label of the part that begins inside the span or right after it; the first part of a take begins no change.
fn part_begins_at(inputs: &FindingInputs, take: usize, start_s: f64, end_s: f64) -> Option<String> {
    let parts = inputs.parts.get(take)?;
    let bar = end_s - start_s;
    let near = |at: f64| at >= start_s - 0.25 * bar && at <= end_s + 0.25 * bar;
    parts.iter().skip(1).find(|p| near(p.start_s)).map(|p| p.label.clone())
}

/// Praise: every take that could be judged held its tempo.
pub(super) fn held(inputs: &FindingInputs) -> Option<Finding> {
    let most = inputs.thresholds.of(t::TEMPO_HELD_PERCENT);
    let known = takes_with(inputs, drift, |_| true);
    let inside = |m: &Measured| m.value.is_some_and(|v| v.abs() < most);
    if known.is_empty() || !known.iter().all(|(_, m)| inside(m)) {
        return None;
    }
    let statement = format!("The tempo held in {}.", words::takes(&numbers(&known), inputs.takes.len()));
    let said = Said {
        id: "tempo_held",
        player: Player::Band,
        severity: Severity::Note,
        statement,
        ask: "",
        measure: "tempo.drift_percent",
        threshold: most,
        above: false,
    };
    finding(inputs, &known, said)
}
