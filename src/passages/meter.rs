//! The meter of the room: shared spectra in, passages out.

use crate::dsp::{ANALYSIS_RATE_HZ, Block, Meter};

use super::classifier::{CLASSES, classify};
use super::context::{Context, INPUTS, Reference, SILENCE_DBFS, total_dbfs};
use super::decode::best_path;
use super::edges::refine;
use super::features::{FRAMES_A_SECOND, FeatureMeter, Frame};
use super::spans::{Span, spans_of, tidy};
use super::{Passage, PassageKind};

/// Index of quiet among [`CLASSES`].
const QUIET: usize = 3;
/// A moment is not quiet when this share of the frames around it stands this far over the room noise, dB.
const BUSY_SHARE: f64 = 0.3;
const CLEAR_OF_NOISE_DB: f64 = 9.0;
const BUSY_REACH: usize = 8;
/// What is then left of the probability of quiet.
const QUIET_WHEN_BUSY: f32 = 0.02;

/// Collects compact features while the tape runs by and cuts it into passages at the end.
#[derive(Default)]
pub struct PassageMeter {
    features: FeatureMeter,
    end_sample: u64,
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
    let path: Vec<PassageKind> = best_path(&probabilities).into_iter().map(|c| CLASSES[c]).collect();
    let mut spans = spans_of(&path);
    tidy(&mut spans);
    refine(&mut spans, frames);
    spans.iter().map(|span| passage(span, &probabilities, frames.len(), duration_s)).collect()
}

fn probabilities(frames: &[Frame], reference: &Reference) -> Vec<[f32; CLASSES.len()]> {
    let context = Context::new(frames, reference);
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
            }
            p
        })
        .collect()
}

/// Share of the frames within 0.7 s that stand clear of the room noise.
fn busy_share(frames: &[Frame], at: usize, reference: &Reference) -> f64 {
    let around = &frames[at.saturating_sub(BUSY_REACH)..(at + BUSY_REACH + 1).min(frames.len())];
    let limit = reference.quietest_dbfs + CLEAR_OF_NOISE_DB;
    let busy = around.iter().filter(|f| f.wide.iter().any(|w| Frame::level_dbfs(*w) > limit)).count();
    busy as f64 / around.len() as f64
}

fn passage(span: &Span, probabilities: &[[f32; CLASSES.len()]], frames: usize, duration_s: f64) -> Passage {
    let class = CLASSES.iter().position(|c| *c == span.kind).unwrap_or(0);
    let inside = &probabilities[span.from..span.to];
    let mean = inside.iter().map(|p| f64::from(p[class])).sum::<f64>() / inside.len() as f64;
    Passage {
        kind: span.kind,
        start_s: span.from as f64 / FRAMES_A_SECOND,
        end_s: if span.to == frames { duration_s } else { span.to as f64 / FRAMES_A_SECOND },
        confidence: mean.clamp(0.0, 1.0),
    }
}
