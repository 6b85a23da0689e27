//! The layer network: a mask for every layer from a few seconds of context, computed as the tape streams, and how many hits of
//! guitar and keys fall into each step.
//!
//! Conventions: a step is a row of [`INPUTS`] numbers; out come [`SOURCES`] shares for each of [`BANDS`] bands that sum to 1,
//! and a rate of hits. Beyond both ends of the tape the hidden rows are zero, as in the training.
//! Method: a dense layer, eight residual blocks (see [`stack`](super::stack)), a dense layer, softmax over the sources. The
//! answer for a step needs the 52 steps (2.2 s) after it. The hits come from a branch that hears the first and the last hidden
//! row: a dense layer, three blocks, a dense layer, the exponential; it needs 8 steps more.
//! Source: weights fitted on mixtures of single notes by `benches/layers_fit`.

use crate::dsp::dense::{Dense, LANES};

use super::bands::BANDS;
use super::features::INPUTS;
use super::stack::Stack;
use super::weights;

/// What the network tells apart: bass, drums, guitar, keys, horns, and the rest (noise, hum).
pub const SOURCES: usize = 6;
/// Units of the hidden layers.
const HIDDEN: usize = 256;
/// Outputs before the softmax.
const OUTPUTS: usize = SOURCES * BANDS;
/// Distance of the taps and how many of them look back, block by block.
const BLOCKS: [(usize, usize); 8] = [(1, 2), (1, 2), (2, 2), (2, 2), (4, 2), (4, 2), (8, 3), (16, 3)];
/// Units of the branch of the hits.
const HIT_HIDDEN: usize = 96;
/// Its blocks.
const HIT_BLOCKS: [(usize, usize); 3] = [(1, 2), (1, 2), (2, 2)];
/// Highest rate that the branch may answer, hits a step.
const HIGHEST_RATE: f32 = 2.5;

/// The fitted numbers.
pub struct Network {
    enter: Dense,
    blocks: Stack<HIDDEN>,
    leave: Dense,
    hits_enter: Dense,
    hits_blocks: Stack<HIT_HIDDEN>,
    hits_leave: [f32; HIT_HIDDEN],
    hits_bias: f32,
}

impl Network {
    /// Fitted numbers of the masks.
    #[cfg(test)]
    pub const NUMBERS: usize = (INPUTS + 1) * HIDDEN + Stack::<HIDDEN>::numbers(BLOCKS.len()) + (HIDDEN + 1) * OUTPUTS;
    /// Fitted numbers of the hits.
    #[cfg(test)]
    pub const HIT_NUMBERS: usize =
        (2 * HIDDEN + 1) * HIT_HIDDEN + Stack::<HIT_HIDDEN>::numbers(HIT_BLOCKS.len()) + HIT_HIDDEN + 1;

    /// The network of this program.
    pub fn fitted() -> Self {
        let (mut masks, mut hits) = (weights::masks(), weights::hits());
        Self {
            enter: masks.dense(INPUTS, HIDDEN),
            blocks: Stack::new(&BLOCKS, &mut masks),
            leave: masks.dense(HIDDEN, OUTPUTS),
            hits_enter: hits.dense(2 * HIDDEN, HIT_HIDDEN),
            hits_blocks: Stack::new(&HIT_BLOCKS, &mut hits),
            hits_leave: hits.rows::<1, HIT_HIDDEN>()[0],
            hits_bias: hits.rows::<1, 1>()[0][0],
        }
    }
}

/// What the network answers, step after step.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answers {
    /// `SOURCES * BANDS` shares a step, source by source.
    pub shares: Vec<f32>,
    /// Hits of guitar and keys a step, one that both play counted once; a few steps behind the shares.
    pub hit_rates: Vec<f32>,
}

/// Runs the network over a stream of rows.
pub struct MaskStream {
    network: Network,
    /// First hidden rows of the steps whose last ones are not known yet.
    first: Vec<f32>,
}

impl MaskStream {
    /// A stream at the start of a tape.
    pub fn new(network: Network) -> Self {
        Self { network, first: Vec::new() }
    }

    /// Takes rows of inputs, one after the other in a flat slice, and appends what they complete.
    pub fn push(&mut self, inputs: &[f32], out: &mut Answers) {
        let mut hidden = Vec::new();
        self.network.enter.apply(inputs, &mut hidden);
        hidden.iter_mut().for_each(|h| *h = h.max(0.0));
        self.first.extend_from_slice(&hidden);
        self.advance(&hidden, false, out);
    }

    /// The tape is over: what lies after it counts as zero.
    pub fn finish(&mut self, out: &mut Answers) {
        self.advance(&[], true, out);
    }

    fn advance(&mut self, fresh: &[f32], over: bool, out: &mut Answers) {
        let last = self.network.blocks.advance(fresh, over);
        let from = out.shares.len();
        self.network.leave.apply(&last, &mut out.shares);
        out.shares[from..].chunks_exact_mut(OUTPUTS).for_each(softmax);
        let pairs = self.first.chunks_exact(HIDDEN).zip(last.chunks_exact(HIDDEN));
        let joined: Vec<f32> = pairs.flat_map(|(first, last)| first.iter().chain(last)).copied().collect();
        self.first.drain(..last.len());
        self.hits(&joined, over, &mut out.hit_rates);
    }

    /// The branch of the hits.
    fn hits(&mut self, joined: &[f32], over: bool, out: &mut Vec<f32>) {
        let network = &mut self.network;
        let mut hidden = Vec::new();
        network.hits_enter.apply(joined, &mut hidden);
        hidden.iter_mut().for_each(|h| *h = h.max(0.0));
        let last = network.hits_blocks.advance(&hidden, over);
        out.extend(last.chunks_exact(HIT_HIDDEN).map(|row| {
            let sum: f32 = row.iter().zip(&network.hits_leave).map(|(h, w)| h * w).sum();
            (sum + network.hits_bias).exp().min(HIGHEST_RATE)
        }));
    }
}

/// Softmax over the sources, band by band.
fn softmax(logits: &mut [f32]) {
    const { assert!(BANDS.is_multiple_of(LANES)) };
    let mut top = [f32::MIN; BANDS];
    for row in logits.chunks_exact(BANDS) {
        for (t, x) in top.iter_mut().zip(row) {
            *t = t.max(*x);
        }
    }
    let mut sum = [0.0; BANDS];
    for row in logits.chunks_exact_mut(BANDS) {
        for ((x, t), s) in row.iter_mut().zip(&top).zip(&mut sum) {
            *x = (*x - t).exp();
            *s += *x;
        }
    }
    for row in logits.chunks_exact_mut(BANDS) {
        for (x, s) in row.iter_mut().zip(&sum) {
            *x /= s;
        }
    }
}
