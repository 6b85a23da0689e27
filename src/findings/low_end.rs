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
    let sure: Vec<Advice> =
        inputs.advice.iter().filter(|a| !a.change_db.warnings.iter().any(|w| w == "inside_the_noise")).cloned().collect();
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
    let expected = last.expected_db.value.map_or_else(String::new, |e| format!(" Expected after it: {e:+.1} dB against the target."));
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
    if db.abs() < NOTE_DB {
        return None;
    }
    let (what, where_to) = if db > 0.0 {
        ("booms", "Move the bass amplifier or the recorder by a metre and listen again; leave the knobs alone.")
    } else {
        ("is swallowed", "Move the bass amplifier or the recorder by a metre and listen again; if it stays, look at the instrument.")
    };
    Some(Finding {
        id: "one_bass_note_stands_out",
        player: Player::Bass,
        severity: Severity::Minor,
        statement: format!("One bass note, {name}, {what}: {:.0} dB against the target's own takes, the other notes not.", db.abs()),
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
