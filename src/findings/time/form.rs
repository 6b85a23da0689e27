//! Rules about the form: the tempo at the changes of the parts, and in the bars that lead into them.

use super::super::confidence::{probability_above, probability_below};
use super::super::thresholds as t;
use super::super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use super::super::words;
use crate::measure::time::PartChange;
use crate::stats::Measured;

/// Most changes that a statement names.
const MOST_NAMED: usize = 3;

/// A change that is told: number of the take from 0, label of the part, place in the report, and the change.
struct Told {
    take: usize,
    label: String,
    at: usize,
    change: PartChange,
}

/// Parts that begin faster or slower than the part before ended.
pub(super) fn part_changes(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::PART_CHANGE_PERCENT);
    let told: Vec<Told> = (0..inputs.takes.len()).flat_map(|take| changes(inputs, take, least)).collect();
    let first = told.first()?;
    let named: Vec<String> = told.iter().take(MOST_NAMED).map(|c| said(c, inputs.takes.len())).collect();
    let more = if told.len() > MOST_NAMED { format!(", and {} more", told.len() - MOST_NAMED) } else { String::new() };
    let sure = |m: &Measured| match m.value {
        Some(v) if v < 0.0 => probability_below(m, -least),
        _ => probability_above(m, least),
    };
    Some(Finding {
        id: "tempo_moves_at_parts",
        player: Player::Band,
        severity: Severity::Minor,
        statement: format!("The tempo changes where parts begin: {}{more}.", words::list(&named)),
        ask: format!(
            "Play the four bars before and after bar {} and tap 2 and 4 through the change.",
            first.change.bar
        ),
        confidence: told.iter().filter_map(|c| sure(&c.change.change_percent)).reduce(f64::max)?.min(0.99),
        evidence: told.iter().filter_map(|c| evidence(inputs, c, least)).collect(),
    })
}

fn changes(inputs: &FindingInputs, take: usize, least: f64) -> Vec<Told> {
    let (Some(parts), Some(time)) = (inputs.parts.get(take), inputs.time.get(take)) else { return Vec::new() };
    let starts: Vec<f64> = parts.iter().skip(1).map(|p| p.start_s).collect();
    let large = |c: &PartChange| c.stands_out && c.change_percent.value.is_some_and(|v| v.abs() >= least);
    // The first part begins no change.
    let label = |change: &PartChange| parts.get(change.start + 1).map_or_else(String::new, |p| p.label.clone());
    let all = time.part_changes(&starts).into_iter().enumerate().filter(|(_, c)| large(c));
    all.map(|(at, change)| Told { take, label: label(&change), at, change }).collect()
}

fn said(told: &Told, takes: usize) -> String {
    let value = told.change.change_percent.value.unwrap_or_default();
    let way = if value > 0.0 { "faster" } else { "slower" };
    let of = if takes > 1 { format!(" of take {}", told.take + 1) } else { String::new() };
    format!("{:.0} % {way} at part {}{of} (bar {})", value.abs(), told.label, told.change.bar)
}

fn evidence(inputs: &FindingInputs, told: &Told, least: f64) -> Option<Evidence> {
    let value = told.change.change_percent.clone();
    Some(Evidence {
        start_s: told.change.at_s,
        end_s: inputs.takes.get(told.take)?.end_s,
        measure: format!("takes[{}].time_detail.part_changes[{}].change_percent", told.take, told.at),
        threshold: least.copysign(value.value.unwrap_or(1.0)),
        value,
    })
}

/// Bars that lead into new parts go by faster than those around them.
pub(super) fn lead_ins(inputs: &FindingInputs) -> Option<Finding> {
    let least = inputs.thresholds.of(t::LEAD_IN_PERCENT);
    let of_take = |take: usize| {
        let starts: Vec<f64> = inputs.parts.get(take)?.iter().skip(1).map(|p| p.start_s).collect();
        let m = inputs.time.get(take)?.lead_in_percent(&starts);
        let rushed = m.value.is_some_and(|v| v >= least) && m.low.is_some_and(|low| low > 0.0);
        rushed.then_some((take, m))
    };
    let told: Vec<(usize, Measured)> = (0..inputs.takes.len()).filter_map(of_take).collect();
    let most = told.iter().filter_map(|(_, m)| m.value).reduce(f64::max)?;
    let takes: Vec<usize> = told.iter().map(|(take, _)| *take).collect();
    Some(Finding {
        id: "lead_ins_rush",
        player: Player::Drums,
        severity: Severity::Minor,
        statement: format!(
            "The bars that lead into new parts go by up to {most:.0} % too fast in {}.",
            words::takes(&takes, inputs.takes.len())
        ),
        ask: "Sing the ride pattern while playing the fill, and land on 1 with the bass.".into(),
        confidence: told.iter().filter_map(|(_, m)| probability_above(m, least)).reduce(f64::max)?.min(0.99),
        evidence: told
            .into_iter()
            .filter_map(|(take, value)| {
                let of = inputs.takes.get(take)?;
                let measure = format!("takes[{take}].time_detail.lead_in_percent");
                Some(Evidence { start_s: of.start_s, end_s: of.end_s, measure, value, threshold: least })
            })
            .collect(),
    })
}
