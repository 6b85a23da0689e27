//! The meter of the room: shared spectra in, passages out.

use std::sync::Arc;

use crate::dsp::shelf::Shelf;
use crate::dsp::{ANALYSIS_RATE_HZ, Block, Meter};

use super::classifier::{CLASSES, classify};
use super::context::{Context, INPUTS, Reference, SILENCE_DBFS, on_open_string, total_dbfs};
use super::decode::best_path;
use super::edges::refine;
use super::features::{FRAMES_A_SECOND, FeatureMeter, Frame};
use super::spans::{Span, join, spans_of, tidy};
use super::{Passage, PassageKind};

/// Frames of a melody lie within this of the loud ones, dB; it lasts so long and has so many pitches.
const MELODY_RANGE_DB: f64 = 25.0;
const MELODY_LEAST_S: f64 = 1.5;
const MELODY_NOTES: usize = 4;
/// Confidence of a take that is one only because there is nothing else on the tape.
const LONE_CONFIDENCE: f64 = 0.5;
/// Talk of less mean probability than this may be a melody.
const DOUBTFUL_TALK: f64 = 0.4;
/// Share of the pitches of a tuning that lie on open strings.
const OPEN_STRING_SHARE: f64 = 0.45;
/// A half, as shares are coded.
const HALF: u8 = 128;
/// Index of quiet among [`CLASSES`].
const QUIET: usize = 3;
/// Index of other among [`CLASSES`].
const OTHER: usize = 4;
/// A moment is not quiet when this share of the frames around it stands this far over the room noise, dB.
const BUSY_SHARE: f64 = 0.3;
const CLEAR_OF_NOISE_DB: f64 = 9.0;
const BUSY_REACH: usize = 8;
/// The room at rest stays within this over the quietest moments, dB, for this many frames on both sides.
const REST_DB: f64 = 4.0;
const REST_REACH: usize = 4;
/// What a busy moment leaves of the probability of quiet.
const QUIET_WHEN_BUSY: f32 = 0.02;

/// Collects compact features while the tape runs by and cuts it into passages at the end.
#[derive(Default)]
pub struct PassageMeter {
    features: FeatureMeter,
    end_sample: u64,
}

impl PassageMeter {
    /// A meter at rest that keeps its frames on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { features: FeatureMeter::on(shelf), end_sample: 0 }
    }
}

impl Meter for PassageMeter {
    type Reading = Vec<Passage>;

    fn push(&mut self, block: &Block) {
        self.end_sample = self.end_sample.max(block.mono_start_frame + block.mono.len() as u64);
        self.features.push(block);
    }

    fn finish(self) -> Vec<Passage> {
        find_passages(&self.features.finish(), self.end_sample as f64 / f64::from(ANALYSIS_RATE_HZ))
    }
}

/// Cuts a tape of `duration_s` into passages.
pub fn find_passages(frames: &[Frame], duration_s: f64) -> Vec<Passage> {
    if duration_s <= 0.0 {
        return Vec::new();
    }
    let Some(reference) = Reference::of(frames) else {
        return vec![Passage { kind: PassageKind::Quiet, start_s: 0.0, end_s: duration_s, confidence: 1.0 }];
    };
    let probabilities = probabilities(frames, &reference);
    let path: Vec<PassageKind> = best_path(&probabilities).into_iter().map(|c| CLASSES[usize::from(c)]).collect();
    let mut spans = spans_of(&path);
    tidy(&mut spans);
    absorb_held_notes(&mut spans, frames);
    if only_music(&spans, &probabilities, frames, &reference) {
        return vec![Passage { kind: PassageKind::Take, start_s: 0.0, end_s: duration_s, confidence: LONE_CONFIDENCE }];
    }
    refine(&mut spans, frames);
    spans.iter().map(|span| passage(span, &probabilities, frames.len(), duration_s)).collect()
}

fn probabilities(frames: &[Frame], reference: &Reference) -> Vec<[f32; CLASSES.len()]> {
    let mut context = Context::new(frames, reference);
    let mut row = [0f32; INPUTS];
    frames
        .iter()
        .enumerate()
        .map(|(at, frame)| {
            if total_dbfs(frame) < SILENCE_DBFS {
                return CLASSES.map(|c| if c == PassageKind::Quiet { 0.96 } else { 0.01 });
            }
            context.row(at, &mut row);
            let mut p = classify(&row);
            if busy_share(frames, at, reference) >= BUSY_SHARE {
                p[QUIET] *= QUIET_WHEN_BUSY;
            } else if at_rest(frames, at, reference) {
                p[QUIET] += p[OTHER];
                p[OTHER] = 0.0;
            }
            p
        })
        .collect()
}

/// A tape on which nobody speaks and no band plays, and yet a melody sounds most of the time that anything sounds: one
/// player alone is the music.
fn only_music(spans: &[Span], probabilities: &[[f32; CLASSES.len()]], frames: &[Frame], reference: &Reference) -> bool {
    let speaks = |s: &Span| s.kind == PassageKind::Talk && mean_probability(s, probabilities) >= DOUBTFUL_TALK;
    if spans.iter().any(|s| s.kind == PassageKind::Take || speaks(s)) {
        return false;
    }
    let loud: Vec<&Frame> = frames.iter().filter(|f| total_dbfs(f) > reference.loud_dbfs - MELODY_RANGE_DB).collect();
    let tonal = |f: &&&Frame| f.harmonic > HALF && f.narrow.iter().any(|n| *n > HALF / 2);
    let pitches: Vec<f64> = loud.iter().filter(tonal).filter_map(|f| f.pitch_midi()).collect();
    let strings = pitches.iter().filter(|p| on_open_string(**p)).count();
    let mut notes: Vec<i64> = pitches.iter().map(|p| p.round() as i64).collect();
    notes.sort_unstable();
    notes.dedup();
    let long_enough = pitches.len() as f64 > MELODY_LEAST_S * FRAMES_A_SECOND;
    long_enough && 2 * pitches.len() > loud.len() && 2 * strings < pitches.len() && notes.len() >= MELODY_NOTES
}

/// Is everything within 0.35 s as quiet as the tape ever gets? Then what sounds is the room itself, whatever it sounds like.
fn at_rest(frames: &[Frame], at: usize, reference: &Reference) -> bool {
    let limit = reference.quietest_dbfs + REST_DB;
    let around = &frames[at.saturating_sub(REST_REACH)..(at + REST_REACH + 1).min(frames.len())];
    limit < reference.loud_dbfs - CLEAR_OF_NOISE_DB
        && around.iter().all(|f| f.wide.iter().all(|w| Frame::level_dbfs(*w) <= limit))
}

/// Share of the frames within 0.7 s that stand clear of the room noise.
fn busy_share(frames: &[Frame], at: usize, reference: &Reference) -> f64 {
    let around = &frames[at.saturating_sub(BUSY_REACH)..(at + BUSY_REACH + 1).min(frames.len())];
    let limit = reference.quietest_dbfs + CLEAR_OF_NOISE_DB;
    let busy = around.iter().filter(|f| f.wide.iter().any(|w| Frame::level_dbfs(*w) > limit)).count();
    busy as f64 / around.len() as f64
}

/// Mean probability of a span's kind over its frames.
fn mean_probability(span: &Span, probabilities: &[[f32; CLASSES.len()]]) -> f64 {
    let class = CLASSES.iter().position(|c| *c == span.kind).unwrap_or(0);
    let inside = &probabilities[span.from..span.to];
    inside.iter().map(|p| f64::from(p[class])).sum::<f64>() / inside.len() as f64
}

/// A tuning that runs into a take without a word or a rest between is one only when open strings sound.
fn absorb_held_notes(spans: &mut Vec<Span>, frames: &[Frame]) {
    for at in 0..spans.len() {
        let touches = |other: usize| spans.get(other).is_some_and(|s| s.kind == PassageKind::Take);
        if spans[at].kind == PassageKind::Tuning && (touches(at + 1) || (at > 0 && touches(at - 1))) {
            let inside = &frames[spans[at].from..spans[at].to];
            let pitches: Vec<f64> = inside.iter().filter(|f| f.harmonic > HALF).filter_map(Frame::pitch_midi).collect();
            let strings = pitches.iter().filter(|p| on_open_string(**p)).count();
            if (strings as f64) < OPEN_STRING_SHARE * pitches.len() as f64 {
                spans[at].kind = PassageKind::Take;
            }
        }
    }
    join(spans);
}

fn passage(span: &Span, probabilities: &[[f32; CLASSES.len()]], frames: usize, duration_s: f64) -> Passage {
    Passage {
        kind: span.kind,
        start_s: span.from as f64 / FRAMES_A_SECOND,
        end_s: if span.to == frames { duration_s } else { span.to as f64 / FRAMES_A_SECOND },
        confidence: mean_probability(span, probabilities).clamp(0.0, 1.0),
    }
}
