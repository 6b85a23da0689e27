//! Residual blocks over a stream of rows: five taps of each unit at a distance, a dense layer, added to what came in.
//!
//! Conventions: rows of `WIDTH` numbers, one a step, one after the other in a flat slice. Beyond both ends the rows are zero.

use crate::dsp::dense::Dense;
use crate::dsp::fitted::WeightReader;

/// Taps of a block.
const TAPS: usize = 5;

/// Rows that a block may still need.
struct History<const WIDTH: usize> {
    /// Row by row; the first is step `start`.
    rows: Vec<f32>,
    /// Steps before the tape are negative.
    start: i64,
}

impl<const WIDTH: usize> History<WIDTH> {
    fn end(&self) -> i64 {
        self.start + (self.rows.len() / WIDTH) as i64
    }

    fn row(&self, step: i64) -> &[f32] {
        let at = (step - self.start) as usize * WIDTH;
        &self.rows[at..at + WIDTH]
    }

    /// Forgets everything before `step`.
    fn forget(&mut self, step: i64) {
        let gone = (step - self.start).clamp(0, self.end() - self.start);
        self.rows.drain(..gone as usize * WIDTH);
        self.start += gone;
    }
}

struct Block<const WIDTH: usize> {
    /// Distance of the taps, steps.
    distance: usize,
    /// How many of the taps look back.
    back: usize,
    /// Tap by tap, a weight for every unit.
    taps: [[f32; WIDTH]; TAPS],
    dense: Dense,
    history: History<WIDTH>,
    /// Next step that the block will answer.
    next: i64,
}

/// Blocks one after the other.
pub struct Stack<const WIDTH: usize> {
    blocks: Vec<Block<WIDTH>>,
    taken: i64,
}

impl<const WIDTH: usize> Stack<WIDTH> {
    /// Fitted numbers of so many blocks.
    #[cfg(test)]
    pub const fn numbers(blocks: usize) -> usize {
        blocks * (TAPS + WIDTH + 1) * WIDTH
    }

    /// Blocks at the start of a tape; `shapes`: distance of the taps, steps, and how many of them look back.
    pub fn new(shapes: &[(usize, usize)], weights: &mut WeightReader) -> Self {
        let block = |&(distance, back): &(usize, usize)| {
            let before = distance * back;
            let history = History { rows: vec![0.0; before * WIDTH], start: -(before as i64) };
            Block { distance, back, taps: weights.rows(), dense: weights.dense(WIDTH, WIDTH), history, next: 0 }
        };
        Self { blocks: shapes.iter().map(block).collect(), taken: 0 }
    }

    /// Takes new rows and returns those of the steps that they complete; `over`: no more rows will come.
    pub fn advance(&mut self, fresh: &[f32], over: bool) -> Vec<f32> {
        self.taken += (fresh.len() / WIDTH) as i64;
        let mut rows = fresh.to_vec();
        for block in &mut self.blocks {
            rows = block.advance(&rows, self.taken, over);
        }
        rows
    }
}

impl<const WIDTH: usize> Block<WIDTH> {
    /// New rows in, new rows out; `taken`: rows that the first block has seen.
    fn advance(&mut self, fresh: &[f32], taken: i64, over: bool) -> Vec<f32> {
        let (distance, back, history) = (self.distance as i64, self.back as i64, &mut self.history);
        let ahead = (TAPS as i64 - 1 - back) * distance;
        history.rows.extend_from_slice(fresh);
        if over {
            let missing = (taken + ahead - history.end()).max(0) as usize;
            history.rows.resize(history.rows.len() + missing * WIDTH, 0.0);
        }
        let (first, end) = (self.next, (history.end() - ahead).min(taken).max(self.next));
        let mut tapped = vec![0.0; (end - first) as usize * WIDTH];
        for (step, row) in (first..end).zip(tapped.chunks_exact_mut(WIDTH)) {
            for (tap, weight) in self.taps.iter().enumerate() {
                let source = history.row(step + (tap as i64 - back) * distance);
                for ((y, x), w) in row.iter_mut().zip(source).zip(weight) {
                    *y += x * w;
                }
            }
        }
        let mut result = Vec::new();
        self.dense.apply(&tapped, &mut result);
        for (step, row) in (first..end).zip(result.chunks_exact_mut(WIDTH)) {
            for (y, x) in row.iter_mut().zip(history.row(step)) {
                *y = x + y.max(0.0);
            }
        }
        self.next = end;
        history.forget(end - back * distance);
        result
    }
}
