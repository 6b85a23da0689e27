//! Rules about the sound of the takes: low end against the target, loudest against quietest take.

use super::confidence::{probability_above, probability_below};
use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity, TakeInput};
use crate::stats::Measured;
use crate::units::seconds_to_clock;

/// All findings about the sound of the takes.
pub fn sound_findings(inputs: &FindingInputs) -> Vec<Finding> {
    [low_end(inputs), takes_apart(inputs)].into_iter().flatten().collect()
}

/// Speaks when the value lies beyond the target's spread and its whole interval on that side of the target: the spread is
/// already the room for taste, so the interval need not clear it as well.
fn low_end(inputs: &FindingInputs) -> Option<Finding> {
    let excess = inputs.low_end_excess_db;
    let spread =
        inputs.low_end_spread_db.filter(|s| s.is_finite()).unwrap_or(inputs.thresholds.of(t::LOW_END_SPREAD_DB)).abs();
    let value = excess.value.filter(|_| inputs.health.low_end.ok)?;
    if value > spread && excess.low? > 0.0 {
        let statement = format!(
            "The low end is {value:.1} dB above the target over the takes; good recordings spread by {spread:.1} dB."
        );
        let ask =
            "Try a little less low on the bass amplifier, in small steps, and listen from the far end of the room.";
        let swamping = value > spread + inputs.thresholds.of(t::LOW_END_SWAMPING_DB);
        let severity = if swamping { Severity::First } else { Severity::Main };
        let confidence = probability_above(excess, spread)?;
        return Some(low_end_finding(inputs, "low_end_above_target", severity, statement, ask, (spread, confidence)));
    }
    // Too little is only said without reserve: a recorder that is going deaf down there looks the same.
    if value < -spread && excess.high? < 0.0 && excess.warnings.is_empty() {
        let below = -value;
        let statement = format!(
            "The low end is {below:.1} dB below the target over the takes; good recordings spread by {spread:.1} dB."
        );
        let ask = "Listen from the far end of the room whether the bass can be heard there.";
        let confidence = probability_below(excess, -spread)?;
        return Some(low_end_finding(
            inputs,
            "low_end_below_target",
            Severity::Minor,
            statement,
            ask,
            (-spread, confidence),
        ));
    }
    None
}

fn low_end_finding(
    inputs: &FindingInputs,
    id: &'static str,
    severity: Severity,
    statement: String,
    ask: &str,
    (threshold, confidence): (f64, f64),
) -> Finding {
    let measure = "balance.low_end_excess_db";
    let evidence = inputs.takes.iter().map(|take| (take.start_s, take.end_s)).map(|(start_s, end_s)| Evidence {
        start_s,
        end_s,
        measure: measure.to_owned(),
        value: inputs.low_end_excess_db.clone(),
        threshold,
    });
    // Whose it is, is only said once it is measured.
    let is_bass = inputs.low_end_share_bass.low.is_some_and(|low| low > 0.5);
    let player = if is_bass { Player::Bass } else { Player::Band };
    Finding {
        id,
        player,
        severity,
        statement,
        ask: ask.to_owned(),
        evidence: evidence.collect(),
        confidence: confidence.min(0.99),
    }
}

fn takes_apart(inputs: &FindingInputs) -> Option<Finding> {
    if !inputs.health.loudness_over_time.ok {
        return None;
    }
    let loudness = |take: &TakeInput| take.integrated_lufs.value;
    let heard: Vec<(usize, &TakeInput)> =
        inputs.takes.iter().enumerate().filter(|(_, k)| loudness(k).is_some()).collect();
    let by_loudness = |a: &&(usize, &TakeInput), b: &&(usize, &TakeInput)| {
        loudness(a.1).unwrap_or(0.0).total_cmp(&loudness(b.1).unwrap_or(0.0))
    };
    let (loud, soft) = (heard.iter().max_by(by_loudness)?, heard.iter().min_by(by_loudness)?);
    let apart = difference(&loud.1.integrated_lufs, &soft.1.integrated_lufs)?;
    let lu = apart.value.filter(|_| apart.low.is_some_and(|low| low > inputs.thresholds.of(t::TAKES_APART_LU)))?;
    let statement = format!(
        "Take {} at {} is {lu:.1} LU louder than take {} at {}.",
        loud.0 + 1,
        seconds_to_clock(loud.1.start_s),
        soft.0 + 1,
        seconds_to_clock(soft.1.start_s)
    );
    let evidence = [loud, soft].map(|(at, take)| Evidence {
        start_s: take.start_s,
        end_s: take.end_s,
        measure: format!("takes[{at}].loudness.integrated_lufs"),
        value: take.integrated_lufs.clone(),
        threshold: loudness(soft.1).unwrap_or(0.0) + inputs.thresholds.of(t::TAKES_APART_LU),
    });
    let confidence = probability_above(&apart, inputs.thresholds.of(t::TAKES_APART_LU))?.min(0.99);
    Some(Finding {
        id: "takes_apart_in_loudness",
        player: Player::Band,
        severity: Severity::Note,
        statement,
        ask: "Decide together whether the charts ask for that.".into(),
        evidence: evidence.to_vec(),
        confidence,
    })
}

/// `a` minus `b`; half-widths of independent values add in squares, each side on its own.
pub fn difference(a: &Measured, b: &Measured) -> Option<Measured> {
    let (va, vb) = (a.value?, b.value?);
    let side = |from: Option<f64>, value: f64| from.map_or(0.0, |end| (end - value).abs());
    let down = side(a.low, va).hypot(side(b.high, vb));
    let up = side(a.high, va).hypot(side(b.low, vb));
    Some(Measured::new(va - vb, va - vb - down, va - vb + up, 2))
}
