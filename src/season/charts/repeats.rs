//! The tempo between repeats of one chart at one rehearsal.
//!
//! Conventions: beats a minute, plus = faster than the time before. A change is told when it is larger than the errors of both tempi
//! together and than [`LEAST_BPM`]; a tempo whose level is uncertain, or that changes within the take, is not compared.

use super::groups::PlayedTake;
use crate::season::chart_types::Repeat;
use crate::stats::Measured;

/// Smaller changes are not spoken of, beats a minute.
pub const LEAST_BPM: f64 = 1.0;
/// Warnings of a tempo that is not compared.
const UNSURE: [&str; 2] = ["half_or_double_possible", "tempo_changes"];

/// Each take of a chart against the one before it; `played`: the takes of one chart and one date, in order.
pub fn repeats(played: &[&PlayedTake]) -> Vec<Repeat> {
    let one = |(before, pair): (usize, &[&PlayedTake])| {
        let change_bpm = change_bpm(pair[0], pair[1]);
        let verdict = verdict(&change_bpm);
        let time = before + 2;
        Repeat {
            folder: pair[1].folder.to_owned(),
            take: pair[1].at + 1,
            time,
            said: verdict.map_or_else(String::new, |v| said(time, v, &change_bpm)),
            verdict: verdict.map(str::to_owned),
            change_bpm,
        }
    };
    played.windows(2).enumerate().map(one).collect()
}

fn change_bpm(before: &PlayedTake, now: &PlayedTake) -> Measured {
    for take in [before, now] {
        let bpm = &take.take.tempo.bpm;
        if !take.report.health.trusted_for.time.ok {
            return Measured::absent("not_trusted");
        }
        if let Some(unsure) = UNSURE.iter().find(|u| bpm.warnings.iter().any(|w| w == *u)) {
            return Measured::absent(unsure);
        }
    }
    difference(&before.take.tempo.bpm, &now.take.tempo.bpm)
}

/// The second less the first, with the errors of both.
fn difference(before: &Measured, now: &Measured) -> Measured {
    let half = |m: &Measured| Some((m.high? - m.low?) / 2.0);
    match (before.value, now.value, half(before), half(now)) {
        (Some(a), Some(b), Some(x), Some(y)) => Measured::symmetric(b - a, x.hypot(y), 2),
        _ => Measured::absent("no_steady_beat"),
    }
}

fn verdict(change: &Measured) -> Option<&'static str> {
    let (value, low, high) = (change.value?, change.low?, change.high?);
    Some(match value.abs() >= LEAST_BPM {
        true if low > 0.0 => "faster",
        true if high < 0.0 => "slower",
        _ => "same",
    })
}

fn said(time: usize, verdict: &str, change: &Measured) -> String {
    let nth = match time {
        2 => "second".to_owned(),
        3 => "third".to_owned(),
        n => format!("{n}th"),
    };
    match verdict {
        "same" => format!("{nth} time at the tempo of the time before"),
        _ => format!("{nth} time {:.0} bpm {verdict}", change.value.unwrap_or_default().abs()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_is_told_beyond_the_errors_of_both_and_not_within() {
        let bpm = |value: f64| Measured::symmetric(value, 0.6, 100);
        let change = difference(&bpm(132.0), &bpm(136.0));
        assert!((change.high.unwrap() - 4.0 - 0.6 * 2f64.sqrt()).abs() < 1e-9, "{change:?}");
        assert_eq!(verdict(&change), Some("faster"));
        assert_eq!(said(2, "faster", &change), "second time 4 bpm faster");
        let wide = |value: f64| Measured::symmetric(value, 4.0, 100);
        assert_eq!(verdict(&difference(&wide(136.0), &wide(132.0))), Some("same"));
        assert_eq!(verdict(&difference(&bpm(136.0), &bpm(132.5))), Some("slower"));
        assert_eq!(verdict(&difference(&bpm(136.0), &Measured::absent("no_steady_beat"))), None);
    }
}
