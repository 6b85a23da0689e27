//! What the layers picture says in words.
//!
//! Conventions: a layer stands in front when it is louder than every other by more than [`IN_FRONT_LU`], which is more than
//! the known error of two layers of one part.

use super::super::text::Face;
use super::super::words;
use super::{LAYERS, Part, parts, value};
use crate::report::Report;
use crate::stats::Measured;

/// Less than this between two layers is not spoken of.
const IN_FRONT_LU: f64 = 3.0;
/// With more takes than this the column holds the levels alone.
const FORMS_OF: usize = 2;

/// A heading and words a take.
pub fn sentences(report: &Report) -> Vec<(String, Face)> {
    let all = parts(report);
    let takes = report.takes.len();
    let mut out = Vec::new();
    for take in 1..=takes {
        let own: Vec<&Part> = all.iter().filter(|p| p.take == take).collect();
        if own.is_empty() {
            continue;
        }
        out.push((format!("Take {take}"), Face::Bold));
        let form = form_words(&own, report.takes[take - 1].form_bars.as_ref()).filter(|_| takes <= FORMS_OF);
        out.extend(form.map(|s| (s, Face::Regular)));
        out.extend(take_words(&own).into_iter().map(|s| (s, Face::Regular)));
        out.extend(from_close(&own).map(|s| (s, Face::Regular)));
    }
    out
}

/// The form of a take, and which of its parts are on the same changes.
fn form_words(parts: &[&Part], form_bars: Option<&Measured>) -> Option<String> {
    let length = form_bars.and_then(|m| Some(format!("Form of {:.0} bars, {} times round.", words::finite(m)?, m.n?)));
    let mut groups: Vec<Vec<String>> = Vec::new();
    for part in parts {
        let facts = part.facts;
        match groups.iter_mut().find(|g| facts.same_form_as.as_ref() == Some(&g[0])) {
            Some(group) => group.push(facts.label.clone()),
            None => groups.push(vec![facts.label.clone()]),
        }
    }
    let same = |group: &Vec<String>| match group.len() {
        1 => None,
        n if n == parts.len() => Some("every part on the same changes".to_owned()),
        _ => Some(format!("{} on the same changes", part_words(group, parts.len()))),
    };
    let alike: Vec<String> = groups.iter().filter_map(same).collect();
    let alike = (!alike.is_empty()).then(|| words::capital(&format!("{}.", alike.join("; "))));
    match (length, alike) {
        (Some(length), Some(alike)) => Some(format!("{length} {alike}")),
        (length, alike) => length.or(alike),
    }
}

fn take_words(parts: &[&Part]) -> Vec<String> {
    let mut out = Vec::new();
    for layer in &LAYERS {
        let fronts: Vec<String> =
            parts.iter().filter(|p| in_front(p) == Some(layer.name)).map(|p| p.facts.label.clone()).collect();
        if !fronts.is_empty() {
            out.push(format!("{} in front in {}.", words::capital(layer.name), part_words(&fronts, parts.len())));
        }
    }
    for layer in &LAYERS {
        for (reason, what) in [("covered", "not heard over the others"), ("too_uncertain", "too uncertain to tell")] {
            let so = |p: &&&Part| (layer.of)(p.re_band).reason.as_deref() == Some(reason);
            let labels: Vec<String> = parts.iter().filter(so).map(|p| p.facts.label.clone()).collect();
            if !labels.is_empty() {
                out.push(format!("{} {what} in {}.", words::capital(layer.name), part_words(&labels, parts.len())));
            }
        }
    }
    if out.is_empty() {
        out.push("No layer stands clearly in front.".to_owned());
    }
    out
}

/// Whose levels are from recordings close to them.
fn from_close(parts: &[&Part]) -> Option<String> {
    let close = |name: &&str| parts.iter().any(|p| p.facts.layers_from_close.iter().any(|l| l == *name));
    let names: Vec<String> = LAYERS.iter().map(|l| l.name).filter(close).map(str::to_owned).collect();
    (!names.is_empty()).then(|| format!("{} from close recordings.", words::capital(&words::list(&names))))
}

fn part_words(labels: &[String], of: usize) -> String {
    if labels.len() == of {
        return "every part".to_owned();
    }
    format!("part{} {}", if labels.len() == 1 { "" } else { "s" }, words::list(labels))
}

/// The layer that is clearly louder than every other.
fn in_front(part: &Part) -> Option<&'static str> {
    let mut known: Vec<(f64, &'static str)> =
        LAYERS.iter().filter_map(|l| value(part, *l).map(|v| (v, l.name))).collect();
    known.sort_by(|a, b| b.0.total_cmp(&a.0));
    match known.as_slice() {
        [(loudest, name), (next, _), ..] if loudest - next > IN_FRONT_LU => Some(name),
        _ => None,
    }
}
