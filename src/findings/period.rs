//! Rules about how the period was spent: playing share, tuning before the first take.

use super::thresholds as t;
use super::types::{Evidence, Finding, FindingInputs, Player, Severity};
use crate::passages::{Passage, PassageKind};
use crate::stats::Measured;
use crate::units::seconds_to_clock;

/// All findings about how the period was spent.
pub fn period_findings(inputs: &FindingInputs) -> Vec<Finding> {
    [talk_share(inputs), playing_share(inputs), tuning_first(inputs)].into_iter().flatten().collect()
}

/// Share of the tape that is takes, percent. The interval takes each passage as right with its stated confidence.
pub fn playing_share_percent(passages: &[Passage]) -> Measured {
    share_percent(passages, PassageKind::Take)
}

fn share_percent(passages: &[Passage], kind: PassageKind) -> Measured {
    let total: f64 = passages.iter().map(|p| p.end_s - p.start_s).sum();
    if total <= 0.0 {
        return Measured::absent("no_passages");
    }
    let taken: f64 = passages.iter().filter(|p| p.kind == kind).map(|p| p.end_s - p.start_s).sum();
    let variance: f64 =
        passages.iter().map(|p| (p.end_s - p.start_s).powi(2) * p.confidence * (1.0 - p.confidence)).sum();
    let (share, half) = (100.0 * taken / total, 100.0 * 1.96 * variance.max(0.0).sqrt() / total);
    Measured::new(share, (share - half).max(0.0), (share + half).min(100.0), passages.len() as u64)
}

fn playing_share(inputs: &FindingInputs) -> Option<Finding> {
    let measured = playing_share_percent(inputs.passages);
    let share = measured.value.filter(|_| inputs.duration_s >= inputs.thresholds.of(t::PERIOD_S))?;
    let (low, high) =
        (inputs.thresholds.of(t::PLAYING_SHARE_LOW_PERCENT), inputs.thresholds.of(t::PLAYING_SHARE_HIGH_PERCENT));
    let experienced = inputs.thresholds.of(t::PLAYING_SHARE_EXPERIENCED_PERCENT);
    let (id, severity, statement, ask, threshold) = if share < low || share > high {
        (
            "playing_share_unusual",
            Severity::Minor,
            format!("Playing fills {share:.0} % of the tape, outside the usual {low:.0} to {high:.0} %."),
            "Check on the timeline whether playing and talk were told apart as they were.",
            if share < low { low } else { high },
        )
    } else {
        (
            "playing_share",
            Severity::Note,
            format!(
                "The band played for {share:.0} % of the tape; experienced teachers spend more than half of the period playing."
            ),
            "",
            experienced,
        )
    };
    let measure = "playing_share_percent".to_owned();
    let evidence = Evidence { start_s: 0.0, end_s: inputs.duration_s, measure, value: measured, threshold };
    let confidence = mean_confidence(inputs.passages);
    Some(Finding {
        id,
        player: Player::Band,
        severity,
        statement,
        ask: ask.into(),
        evidence: vec![evidence],
        confidence,
    })
}

/// Talk that fills more of the period than the threshold, surely.
fn talk_share(inputs: &FindingInputs) -> Option<Finding> {
    if inputs.duration_s < inputs.thresholds.of(t::PERIOD_S) {
        return None;
    }
    let measured = share_percent(inputs.passages, PassageKind::Talk);
    let most = inputs.thresholds.of(t::TALK_SHARE_PERCENT);
    let share = measured.value.filter(|_| measured.low.is_some_and(|low| low > most))?;
    let talk = |p: &&Passage| p.kind == PassageKind::Talk;
    let longest =
        inputs.passages.iter().filter(talk).max_by(|a, b| {
            (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)).then(b.start_s.total_cmp(&a.start_s))
        })?;
    let confidence = super::confidence::probability_above(&measured, most)?.min(0.99);
    let statement = format!(
        "Talk fills {share:.0} % of the tape, the longest stretch {:.0} minutes from {}.",
        ((longest.end_s - longest.start_s) / 60.0).max(1.0),
        seconds_to_clock(longest.start_s)
    );
    Some(Finding {
        id: "talk_share_high",
        player: Player::Band,
        severity: Severity::Minor,
        statement,
        ask: "Name one thing to listen for and play it at once.".into(),
        evidence: vec![Evidence {
            start_s: 0.0,
            end_s: inputs.duration_s,
            measure: "talk_share_percent".into(),
            value: measured,
            threshold: most,
        }],
        confidence,
    })
}

/// Mean confidence of the passages, weighted by their length.
fn mean_confidence(passages: &[Passage]) -> f64 {
    let total: f64 = passages.iter().map(|p| p.end_s - p.start_s).sum();
    let weighted: f64 = passages.iter().map(|p| (p.end_s - p.start_s) * p.confidence).sum();
    if total > 0.0 { (weighted / total).clamp(0.0, 1.0) } else { 0.0 }
}

fn tuning_first(inputs: &FindingInputs) -> Option<Finding> {
    let first_take = inputs.takes.first()?.start_s;
    let before: Vec<&Passage> = inputs.passages.iter().filter(|p| p.start_s < first_take).collect();
    let tuned: Vec<&&Passage> = before.iter().filter(|p| p.kind == PassageKind::Tuning).collect();
    let tuned_s: f64 = tuned.iter().map(|p| p.end_s - p.start_s).sum();
    let value = Measured::plain(tuned_s, before.len() as u64);
    let evidence = |threshold| Evidence {
        start_s: 0.0,
        end_s: first_take,
        measure: "tuning_before_first_take_s".into(),
        value: value.clone(),
        threshold,
    };
    if let Some(surest) = tuned.iter().map(|p| p.confidence).reduce(f64::max) {
        return Some(Finding {
            id: "tuned_before_first_take",
            player: Player::Band,
            severity: Severity::Note,
            statement: format!("The band took {tuned_s:.0} s to tune before the first take."),
            ask: String::new(),
            evidence: vec![evidence(0.0)],
            confidence: surest,
        });
    }
    if first_take < inputs.thresholds.of(t::LEAD_IN_S) {
        return None;
    }
    let confidence = before.iter().map(|p| p.confidence).reduce(f64::min)?;
    Some(Finding {
        id: "no_tuning_before_first_take",
        player: Player::Band,
        severity: Severity::Main,
        statement: format!("No tuning was heard in the {} before the first take.", seconds_to_clock(first_take)),
        ask: "Let guitar and bass tune with care before the first note.".into(),
        evidence: vec![evidence(0.0)],
        confidence,
    })
}
