//! The layer network: a mask for every layer from a few seconds of context, computed as the tape streams.
//!
//! Conventions: a step is a row of [`INPUTS`] numbers; out come [`SOURCES`] shares for each of [`BANDS`] bands that sum to 1.
//! Beyond both ends of the tape the hidden rows are zero, as in the training.
//! Method: a dense layer, eight residual blocks (five taps of each unit at growing distances, then a dense layer), a dense
//! layer, softmax over the sources. The answer for a step needs the 52 steps (2.2 s) after it.
//! Source: weights fitted on mixtures of single notes by `benches/layers_fit`.

use super::bands::BANDS;
use super::features::INPUTS;
use super::matrix::{Dense, LANES};
use super::weights::WeightReader;

/// What the network tells apart: bass, drums, guitar, keys, horns, and the rest (noise, hum).
pub const SOURCES: usize = 6;
/// Units of the hidden layers.
const HIDDEN: usize = 144;
/// Outputs before the softmax.
const OUTPUTS: usize = SOURCES * BANDS;
/// Taps of a block.
const TAPS: usize = 5;
/// Distance of the taps and how many of them look back, block by block.
const BLOCKS: [(usize, usize); 8] = [(1, 2), (1, 2), (2, 2), (2, 2), (4, 2), (4, 2), (8, 3), (16, 3)];

/// The fitted numbers.
pub struct Network {
    enter: Dense,
    blocks: Vec<BlockWeights>,
    leave: Dense,
}

struct BlockWeights {
    /// Tap by tap, a weight for every unit.
    taps: [[f32; HIDDEN]; TAPS],
    dense: Dense,
}

impl Network {
    /// Fitted numbers.
    #[cfg(test)]
    pub const NUMBERS: usize =
        (INPUTS + 1) * HIDDEN + BLOCKS.len() * (TAPS + HIDDEN + 1) * HIDDEN + (HIDDEN + 1) * OUTPUTS;

    /// The network of this program.
    pub fn fitted() -> Self {
        let mut weights = WeightReader::new();
        let enter = weights.dense(INPUTS, HIDDEN);
        let blocks = BLOCKS.map(|_| BlockWeights { taps: weights.rows(), dense: weights.dense(HIDDEN, HIDDEN) }).into();
        Self { enter, blocks, leave: weights.dense(HIDDEN, OUTPUTS) }
    }
}

/// Hidden rows that a block may still need.
struct History {
    /// Row by row; the first is step `start`.
    rows: Vec<f32>,
    /// Steps before the tape are negative.
    start: i64,
}

impl History {
    fn end(&self) -> i64 {
        self.start + (self.rows.len() / HIDDEN) as i64
    }

    fn row(&self, step: i64) -> &[f32] {
        let at = (step - self.start) as usize * HIDDEN;
        &self.rows[at..at + HIDDEN]
    }

    /// Forgets everything before `step`.
    fn forget(&mut self, step: i64) {
        let gone = (step - self.start).clamp(0, self.end() - self.start);
        self.rows.drain(..gone as usize * HIDDEN);
        self.start += gone;
    }
}

/// Runs the network over a stream of rows.
pub struct MaskStream {
    network: Network,
    histories: Vec<History>,
    /// Next step that each block will answer.
    next: Vec<i64>,
    taken: i64,
}

impl MaskStream {
    /// A stream at the start of a tape.
    pub fn new(network: Network) -> Self {
        let histories = BLOCKS
            .iter()
            .map(|&(distance, back)| {
                let before = distance * back;
                History { rows: vec![0.0; before * HIDDEN], start: -(before as i64) }
            })
            .collect();
        Self { network, histories, next: vec![0; BLOCKS.len()], taken: 0 }
    }

    /// Takes rows of inputs, one after the other in a flat slice, and appends the shares of every step that they complete:
    /// `SOURCES * BANDS` a step, source by source.
    pub fn push(&mut self, inputs: &[f32], out: &mut Vec<f32>) {
        let mut hidden = Vec::new();
        self.network.enter.apply(inputs, &mut hidden);
        hidden.iter_mut().for_each(|h| *h = h.max(0.0));
        self.taken += (inputs.len() / INPUTS) as i64;
        self.advance(hidden, false, out);
    }

    /// The tape is over: what lies after it counts as zero.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        self.advance(Vec::new(), true, out);
    }

    fn advance(&mut self, mut fresh: Vec<f32>, over: bool, out: &mut Vec<f32>) {
        for at in 0..BLOCKS.len() {
            fresh = self.block(at, &fresh, over);
        }
        let from = out.len();
        self.network.leave.apply(&fresh, out);
        out[from..].chunks_exact_mut(OUTPUTS).for_each(softmax);
    }

    /// One block: its new input rows in, its new output rows out.
    fn block(&mut self, at: usize, fresh: &[f32], over: bool) -> Vec<f32> {
        let (distance, back) = BLOCKS[at];
        let ahead = ((TAPS - 1 - back) * distance) as i64;
        let history = &mut self.histories[at];
        history.rows.extend_from_slice(fresh);
        if over {
            let missing = (self.taken + ahead - history.end()).max(0) as usize;
            history.rows.resize(history.rows.len() + missing * HIDDEN, 0.0);
        }
        let (first, end) = (self.next[at], (history.end() - ahead).min(self.taken).max(self.next[at]));
        let weights = &self.network.blocks[at];
        let mut tapped = vec![0.0; (end - first) as usize * HIDDEN];
        for (step, row) in (first..end).zip(tapped.chunks_exact_mut(HIDDEN)) {
            for (tap, weight) in weights.taps.iter().enumerate() {
                let source = history.row(step + (tap as i64 - back as i64) * distance as i64);
                for ((y, x), w) in row.iter_mut().zip(source).zip(weight) {
                    *y += x * w;
                }
            }
        }
        let mut result = Vec::new();
        weights.dense.apply(&tapped, &mut result);
        for (step, row) in (first..end).zip(result.chunks_exact_mut(HIDDEN)) {
            for (y, x) in row.iter_mut().zip(history.row(step)) {
                *y = x + y.max(0.0);
            }
        }
        self.next[at] = end;
        history.forget(end - (back * distance) as i64);
        result
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
