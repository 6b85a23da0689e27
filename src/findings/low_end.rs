//! Findings that carry the advice: the knob, and the note that the room lifts.

use super::amp::Advice;
use super::types::{Evidence, Finding, Player, Severity, TakeInput};
use crate::measure::tone::{Control, ToneDifference, ToneKind};
use crate::stats::Measured;

/// What these rules look at.
pub struct LowEndInputs<'a> {
    /// The takes.
    pub takes: &'a [TakeInput],
    /// What to turn.
    pub advice: &'a [Advice],
    /// The bass against the target's own.
    pub own: &'a ToneDifference,
    /// Name of the note that stands out, if one does.
    pub note: Option<String>,
    /// Low end over the takes against the target.
    pub excess_db: &'a Measured,
}

/// Half-octave of caution: a note that sticks out less than this is not worth moving furniture for, dB.
const NOTE_DB: f64 = 4.0;
const CAUTION: &str = "A starting point for ears in the room: small steps, one knob at a time.";

/// The findings with those of the low end, ranked anew; the order inside a severity stays.
pub fn with_low_end(mut findings: Vec<Finding>, inputs: &LowEndInputs) -> Vec<Finding> {
    if let Some(knob) = knob(inputs) {
        // One ask for one thing: the knob says it better than the general words.
        findings.retain(|f| f.id != "low_end_above_target");
        findings.push(knob);
    }
    findings.extend(one_note(inputs));
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    findings
}

/// The advice in one sentence, as a player would say it.
pub fn advice_words(advice: &[Advice]) -> String {
    let turn = |a: &Advice| {
        let what = match a.change.control {
            Control::Low => "the low control",
            Control::Mid => "the mid control",
            Control::High => "the high control",
            Control::Level => "the level",
        };
        let way = if a.change.change_db < 0.0 { "down" } else { "up" };
        format!("{what} {way} by about {:.1} dB", a.change.change_db.abs())
    };
    advice.iter().map(turn).collect::<Vec<_>>().join(", then ")
}

fn knob(inputs: &LowEndInputs) -> Option<Finding> {
    let sure: Vec<Advice> = inputs
        .advice
        .iter()
        .filter(|a| !a.change_db.warnings.iter().any(|w| w == "inside_the_noise"))
        .cloned()
        .collect();
    let last = sure.last()?;
    let excess = inputs.excess_db.value?;
    let own = inputs.own.low_db.value;
    let statement = match own {
        Some(low) => format!(
            "The bass has {:.1} dB {} low end than in the target's own takes, on every note.",
            low.abs(),
            if low > 0.0 { "more" } else { "less" }
        ),
        None => format!("The low end is {excess:.1} dB above the target over the takes, and it is the bass."),
    };
    let expected = last
        .expected_db
        .value
        .map_or_else(String::new, |e| format!(" Expected after it: {e:+.1} dB against the target."));
    Some(Finding {
        id: "bass_amp_control",
        player: Player::Bass,
        severity: Severity::Main,
        statement,
        ask: format!("On the bass amplifier turn {}.{expected} {CAUTION}", advice_words(&sure)),
        evidence: evidence(inputs, "amp_advice[0].change_db", &sure[0].change_db, 0.0),
        confidence: 0.9,
    })
}

fn one_note(inputs: &LowEndInputs) -> Option<Finding> {
    let ToneKind::OneNote { .. } = inputs.own.kind else { return None };
    let (db, name) = (inputs.own.note_db?, inputs.note.as_ref()?);
    if db.abs() < NOTE_DB || !inputs.own.note_is_sure {
        return None;
    }
    let (what, where_to) = if db > 0.0 {
        ("booms", "Move the bass amplifier or the recorder by a metre and listen again; leave the knobs alone.")
    } else {
        (
            "is swallowed",
            "Move the bass amplifier or the recorder by a metre and listen again; if it stays, look at the instrument.",
        )
    };
    Some(Finding {
        id: "one_bass_note_stands_out",
        player: Player::Bass,
        severity: Severity::Minor,
        statement: format!(
            "One bass note, {name}, {what}: {:.0} dB against the target's own takes, the other notes not.",
            db.abs()
        ),
        ask: where_to.to_owned(),
        evidence: evidence(inputs, "balance.standing_out[0].db", &Measured::symmetric(db, 2.5, 1), 0.0),
        confidence: 0.9,
    })
}

fn evidence(inputs: &LowEndInputs, measure: &str, value: &Measured, threshold: f64) -> Vec<Evidence> {
    let one = |t: &TakeInput| Evidence {
        start_s: t.start_s,
        end_s: t.end_s,
        measure: measure.to_owned(),
        value: value.clone(),
        threshold,
    };
    inputs.takes.iter().map(one).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::measure::tone::ControlChange;

    fn advice(control: Control, db: f64) -> Advice {
        Advice {
            player: Player::Bass,
            change: ControlChange { control, corner_hz: 100.0, change_db: db },
            change_db: Measured::symmetric(db, 2.0, 60),
            expected_db: Measured::symmetric(1.5, 0.8, 60),
        }
    }

    fn found(advice: &[Advice], own: &ToneDifference, note: Option<&str>) -> Vec<Finding> {
        let excess_db = Measured::symmetric(6.0, 0.5, 60);
        let takes = [TakeInput {
            start_s: 10.0,
            end_s: 100.0,
            integrated_lufs: Measured::absent("silence"),
            true_peak_dbtp: Measured::absent("silence"),
        }];
        let inputs = LowEndInputs { takes: &takes, advice, own, note: note.map(str::to_owned), excess_db: &excess_db };
        with_low_end(Vec::new(), &inputs)
    }

    #[test]
    fn the_ask_names_the_knob_the_size_what_to_expect_and_the_caution() {
        let other = ToneDifference::absent("target_of_other_players");
        let all = found(&[advice(Control::Low, -3.5), advice(Control::Level, -2.0)], &other, None);
        assert_eq!((all.len(), all[0].id), (1, "bass_amp_control"));
        assert!(all[0].ask.contains("the low control down by about 3.5 dB, then the level down by about 2.0 dB"));
        assert!(all[0].ask.contains("+1.5 dB against the target") && all[0].ask.ends_with("one knob at a time."));
        assert_eq!((all[0].evidence[0].start_s, all[0].evidence[0].end_s), (10.0, 100.0));
        assert!(found(&[], &other, None).is_empty());
        let mut unsure = advice(Control::Low, -1.0);
        unsure.change_db = unsure.change_db.with_warning("inside_the_noise");
        assert!(found(&[unsure], &other, None).is_empty());
    }

    #[test]
    fn a_note_that_the_room_lifts_is_named_and_leaves_the_knobs_alone() {
        let room = ToneDifference {
            kind: ToneKind::OneNote { midi: 34 },
            low_db: Measured::symmetric(2.0, 3.0, 20),
            note_db: Some(9.0),
            note_is_sure: true,
        };
        let all = found(&[], &room, Some("Bb1"));
        assert_eq!((all.len(), all[0].id), (1, "one_bass_note_stands_out"));
        assert!(all[0].statement.contains("Bb1") && all[0].ask.contains("leave the knobs alone"));
    }
}
