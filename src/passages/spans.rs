//! From a course of classes to passages: what is too short joins its neighbours, pauses of a speaker stay talk.
//!
//! Conventions: spans are half-open in frames, in order, without holes.

use super::PassageKind;
use super::features::FRAMES_A_SECOND;

/// A stretch of frames of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// What it is.
    pub kind: PassageKind,
    /// First frame.
    pub from: usize,
    /// End, not included.
    pub to: usize,
}

impl Span {
    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        (self.to - self.from) as f64 / FRAMES_A_SECOND
    }
}

/// A speaker's pause when nothing follows it but silence or noise; longer ones are quiet. Common practice, no source.
const LONGEST_LAST_PAUSE_S: f64 = 2.4;
/// The same when the speaker goes on or players answer: thinking, reading, raising instruments belong to being told.
const LONGEST_PAUSE_IN_TALK_S: f64 = 4.0;
/// A rest that the whole band holds inside a take. Common practice, no source.
const LONGEST_REST_IN_TAKE_S: f64 = 1.9;
/// Anything shorter is not a take but a lick.
const SHORTEST_TAKE_S: f64 = 4.0;
/// A shout over the band shorter than this does not end the take.
const LONGEST_SHOUT_S: f64 = 1.6;
/// Two strings, one after the other.
const SHORTEST_TUNING_S: f64 = 2.6;
/// Shorter stretches of any kind belong to their neighbours.
const SHORTEST_S: f64 = 0.6;

/// Cuts a course of kinds into spans.
pub fn spans_of(path: &[PassageKind]) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for (at, kind) in path.iter().enumerate() {
        match spans.last_mut() {
            Some(last) if last.kind == *kind => last.to = at + 1,
            _ => spans.push(Span { kind: *kind, from: at, to: at + 1 }),
        }
    }
    spans
}

/// Joins neighbours of one kind.
pub fn join(spans: &mut Vec<Span>) {
    let mut joined: Vec<Span> = Vec::with_capacity(spans.len());
    for span in spans.iter() {
        match joined.last_mut() {
            Some(last) if last.kind == span.kind => last.to = span.to,
            _ => joined.push(*span),
        }
    }
    *spans = joined;
}

/// Gives every span that breaks a rule to its neighbours.
pub fn tidy(spans: &mut Vec<Span>) {
    use PassageKind::{Other, Quiet, Take, Talk, Tuning};
    join(spans);
    relabel(spans, |before, span, after| {
        let inside = |kind| before == Some(kind) && after == Some(kind);
        let s = span.seconds();
        match span.kind {
            Take => None,
            Talk if inside(Take) && s < LONGEST_SHOUT_S => Some(Take),
            Quiet | Tuning | Other if inside(Take) && s < LONGEST_REST_IN_TAKE_S => Some(Take),
            Quiet if before == Some(Talk) && s < pause_allowed(after) => Some(Talk),
            // One note held at either end of the music is no tuning: that takes two strings at least.
            Tuning if s < SHORTEST_TUNING_S && before == Some(Take) => Some(Take),
            Tuning if s < SHORTEST_TUNING_S && after == Some(Take) => Some(Take),
            _ if s < SHORTEST_S => before.or(after),
            _ => None,
        }
    });
    relabel(spans, |before, span, after| match span.kind {
        Take if span.seconds() < SHORTEST_TAKE_S && (before.is_some() || after.is_some()) => Some(Other),
        _ => None,
    });
    relabel(spans, |before, span, after| match span.kind {
        Other if span.seconds() < LONGEST_SHOUT_S => match (before, after) {
            (Some(Talk), _) | (_, Some(Talk)) => Some(Talk),
            _ => before.or(after),
        },
        _ => None,
    });
}

fn pause_allowed(after: Option<PassageKind>) -> f64 {
    match after {
        Some(PassageKind::Take | PassageKind::Tuning | PassageKind::Talk) => LONGEST_PAUSE_IN_TALK_S,
        _ => LONGEST_LAST_PAUSE_S,
    }
}

fn relabel(
    spans: &mut Vec<Span>,
    rule: impl Fn(Option<PassageKind>, &Span, Option<PassageKind>) -> Option<PassageKind>,
) {
    for at in 0..spans.len() {
        let before = (at > 0).then(|| spans[at - 1].kind);
        let after = spans.get(at + 1).map(|s| s.kind);
        if let Some(kind) = rule(before, &spans[at], after) {
            spans[at].kind = kind;
        }
    }
    join(spans);
}
