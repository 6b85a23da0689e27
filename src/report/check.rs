//! What the types cannot say about a report: order, cover, lengths, reasons. For tests and for debugging a pipeline.

use super::types::{PassageFacts, Report, TakeFacts};
use serde_json::Value;

/// Two times nearer than this are the same after rounding to 0.01 s.
const SAME_TIME_S: f64 = 0.0101;

/// Everything in which `report` breaks its contract, in plain words; empty when it is whole.
pub fn contract_faults(report: &Report) -> Vec<String> {
    let mut faults = passage_faults(&report.passages, report.tape.duration_s);
    for (at, take) in report.takes.iter().enumerate() {
        faults.extend(take_faults(take).into_iter().map(|f| format!("takes[{at}]: {f}")));
    }
    if report.takes.windows(2).any(|w| w[1].start_s < w[0].end_s - SAME_TIME_S) {
        faults.push("takes overlap or are out of order".to_owned());
    }
    let t = &report.time_use;
    if (t.take_s + t.talk_s + t.tuning_s + t.quiet_s + t.other_s - report.tape.duration_s).abs() > 0.1 {
        faults.push("time_use does not add up to the duration".to_owned());
    }
    if report.findings.windows(2).any(|w| w[1].severity > w[0].severity) {
        faults.push("findings are not ranked by severity".to_owned());
    }
    if let Ok(tree) = serde_json::to_value(report) {
        measured_faults(&tree, "", &mut faults);
    }
    faults
}

fn passage_faults(passages: &[PassageFacts], duration_s: f64) -> Vec<String> {
    let mut faults = Vec::new();
    let starts_late = passages.first().is_none_or(|p| p.start_s.abs() > SAME_TIME_S);
    let ends_early = passages.last().is_none_or(|p| (p.end_s - duration_s).abs() > SAME_TIME_S);
    if duration_s > 0.0 && (starts_late || ends_early) {
        faults.push("passages do not cover the whole tape".to_owned());
    }
    if passages.windows(2).any(|w| (w[1].start_s - w[0].end_s).abs() > SAME_TIME_S) {
        faults.push("passages have a hole or overlap".to_owned());
    }
    if passages.iter().any(|p| p.end_s <= p.start_s || !(0.0..=1.0).contains(&p.confidence)) {
        faults.push("a passage is empty or its confidence is no probability".to_owned());
    }
    faults
}

fn take_faults(take: &TakeFacts) -> Vec<String> {
    let mut faults = Vec::new();
    let beats = &take.tempo.beat_times_s;
    if beats.len() != take.tempo.beat_in_bar.len() {
        faults.push("beat_times_s and beat_in_bar differ in length".to_owned());
    }
    if beats.windows(2).any(|w| w[1] <= w[0]) {
        faults.push("beats are not in time order".to_owned());
    }
    if take.end_s <= take.start_s {
        faults.push("the take is empty".to_owned());
    }
    faults
}

/// Absent without a reason, or an interval that does not hold its value.
fn measured_faults(tree: &Value, path: &str, faults: &mut Vec<String>) {
    match tree {
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(at, item)| measured_faults(item, &format!("{path}[{at}]"), faults));
        }
        Value::Object(fields) => {
            if fields.get("value").is_some_and(|v| !v.is_object()) {
                measured_fault(tree, path, faults);
            }
            for (name, field) in fields {
                measured_faults(field, &format!("{path}.{name}"), faults);
            }
        }
        _ => {}
    }
}

fn measured_fault(measured: &Value, path: &str, faults: &mut Vec<String>) {
    let number = |name: &str| measured.get(name).and_then(Value::as_f64);
    if measured["value"].is_null() && measured.get("reason").is_none_or(|r| r.as_str().is_none_or(str::is_empty)) {
        faults.push(format!("{path}: nothing to say and no reason why"));
    }
    if let (Some(value), Some(low), Some(high)) = (number("value"), number("low"), number("high"))
        && !(low <= value && value <= high)
    {
        faults.push(format!("{path}: {value} is not inside {low}..{high}"));
    }
}
