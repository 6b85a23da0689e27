//! One side against another: every measure's difference, and whether it is more than noise.
//!
//! Conventions: a side is one report, one take of it, or all reports of a date; difference = second minus first; its interval
//! joins those of the sides in squares. Measures that stand against different targets, were made by other methods or, where
//! the recorder matters, by other recorders are not compared.

use super::build::{day_value_of, method_key, recorder_key};
use super::measures::{Hears, measures};
use crate::passages::PassageKind;
use crate::report::Report;
use crate::stats::Measured;

/// Whether a difference counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The second is surely higher.
    Higher,
    /// The second is surely lower.
    Lower,
    /// No more than noise.
    Noise,
    /// Not compared; the reason stands beside it.
    NotCompared,
}

/// One measure on both sides.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Difference {
    /// Its id.
    pub measure: String,
    /// In words.
    pub title: String,
    /// Its unit.
    pub unit: String,
    /// On the first side.
    pub first: Measured,
    /// On the second.
    pub second: Measured,
    /// Second minus first.
    pub difference: Measured,
    /// More than noise?
    pub verdict: Verdict,
}

/// The differences of all measures that at least one side has.
pub fn differences(first: &[Report], second: &[Report]) -> Vec<Difference> {
    let recorders: std::collections::BTreeSet<_> = first.iter().chain(second).map(recorder_key).collect();
    let mut rows = Vec::new();
    for m in measures() {
        let (a, b) = (day_value_of(&m, first), day_value_of(&m, second));
        if a.value.is_none() && b.value.is_none() {
            continue;
        }
        let keys: std::collections::BTreeSet<String> =
            first.iter().chain(second).map(|r| method_key(r, m.families)).collect();
        let hindrance = if m.hears == Hears::Recorder && recorders.len() > 1 {
            Some("other_recorder")
        } else if keys.len() > 1 {
            Some(if differs_by_target(&keys) { "other_target_or_microphone_curve" } else { "other_method" })
        } else {
            None
        };
        let difference = hindrance.map_or_else(|| minus(&b, &a), Measured::absent);
        rows.push(Difference {
            measure: m.id.to_owned(),
            title: m.title.to_owned(),
            unit: m.unit.to_owned(),
            first: a,
            second: b,
            verdict: verdict(&difference),
            difference,
        });
    }
    rows
}

/// Do the keys differ only by what follows a plus sign: a target or a microphone's curve?
fn differs_by_target(keys: &std::collections::BTreeSet<String>) -> bool {
    let plain = |k: &String| k.split(' ').map(|f| f.split('+').next().unwrap_or("").to_owned()).collect::<Vec<_>>();
    keys.iter().map(plain).collect::<std::collections::BTreeSet<_>>().len() == 1
}

/// `a` minus `b`, half-widths joined in squares.
pub fn minus(a: &Measured, b: &Measured) -> Measured {
    let (Some(va), Some(vb)) = (a.value, b.value) else {
        return Measured::absent(a.reason.as_deref().or(b.reason.as_deref()).unwrap_or("not_measured"));
    };
    let ends = (a.low.zip(a.high)).zip(b.low.zip(b.high));
    let n = a.n.unwrap_or(0).min(b.n.unwrap_or(0));
    match ends {
        Some(((al, ah), (bl, bh))) => {
            let (down, up) = ((va - al).hypot(bh - vb), (ah - va).hypot(vb - bl));
            Measured::new(va - vb, va - vb - down, va - vb + up, n)
        }
        None => Measured::plain(va - vb, n).with_warning("no_interval"),
    }
}

/// More than noise: the whole interval on one side of zero.
pub fn verdict(difference: &Measured) -> Verdict {
    match (difference.value, difference.low, difference.high) {
        (None, ..) => Verdict::NotCompared,
        (Some(_), Some(low), _) if low > 0.0 => Verdict::Higher,
        (Some(_), _, Some(high)) if high < 0.0 => Verdict::Lower,
        _ => Verdict::Noise,
    }
}

/// The report as if only take `number` (from 1) were on the tape; `None` when it has no such take.
pub fn only_take(report: &Report, number: usize) -> Option<Report> {
    let take = report.takes.get(number.checked_sub(1)?)?.clone();
    let mut only = report.clone();
    only.passages.retain(|p| p.kind == PassageKind::Take && p.start_s < take.end_s && p.end_s > take.start_s);
    let not_by_take = || Measured::absent("not_by_take");
    only.balance.low_end_excess_db = take.low_end_excess_db.clone().unwrap_or_else(not_by_take);
    only.balance.tilt_db_per_octave = not_by_take();
    only.health.clipped_percent = not_by_take();
    let instruments = &mut only.tuning.instruments;
    for (whole, part) in [(&mut instruments.bass, &take.tuning.bass), (&mut instruments.guitar, &take.tuning.guitar)] {
        whole.offset_from_a440_cents = part.offset_from_a440_cents.clone();
        whole.offset_from_band_cents = part.offset_from_band_cents.clone();
    }
    only.takes = vec![take];
    Some(only)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_counts_when_its_whole_interval_does() {
        let m = |v: f64, half: f64| Measured::symmetric(v, half, 9);
        let d = minus(&m(5.0, 3.0), &m(0.0, 4.0));
        assert_eq!((d.value, d.low, d.high), (Some(5.0), Some(0.0), Some(10.0)));
        assert_eq!(verdict(&d), Verdict::Noise);
        assert_eq!(verdict(&minus(&m(5.1, 3.0), &m(0.0, 4.0))), Verdict::Higher);
        assert_eq!(verdict(&minus(&m(-5.1, 3.0), &m(0.0, 4.0))), Verdict::Lower);
        assert_eq!(verdict(&minus(&m(1.0, 0.1), &Measured::absent("silence"))), Verdict::NotCompared);
    }
}
