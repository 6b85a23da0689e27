//! A small fitted network that says what a frame in context sounds like.
//!
//! Conventions: classes in the order of [`CLASSES`]; probabilities sum to 1. The weights are fitted on rendered tapes by
//! the script named in `weights.rs`; a test checks their shape against [`INPUTS`].

use super::PassageKind;
use super::context::INPUTS;
use super::weights::{HIDDEN_BIAS, INPUT_MEAN, INPUT_SCALE, OUTPUT_BIAS, TO_HIDDEN, TO_OUTPUT};

/// What the network tells apart, in the order of its outputs.
pub const CLASSES: [PassageKind; 5] =
    [PassageKind::Take, PassageKind::Talk, PassageKind::Tuning, PassageKind::Quiet, PassageKind::Other];
/// Inputs are held within this many standard deviations.
const INPUT_LIMIT: f32 = 4.0;

/// Probabilities of [`CLASSES`] for one row of features.
pub fn classify(row: &[f32; INPUTS]) -> [f32; CLASSES.len()] {
    let mut hidden = HIDDEN_BIAS;
    for ((x, (mean, scale)), weights) in row.iter().zip(INPUT_MEAN.iter().zip(&INPUT_SCALE)).zip(&TO_HIDDEN) {
        let x = ((x - mean) * scale).clamp(-INPUT_LIMIT, INPUT_LIMIT);
        for (h, w) in hidden.iter_mut().zip(weights) {
            *h += x * w;
        }
    }
    let mut out = OUTPUT_BIAS;
    for (h, weights) in hidden.iter().zip(&TO_OUTPUT) {
        let active = h.tanh();
        for (o, w) in out.iter_mut().zip(weights) {
            *o += active * w;
        }
    }
    softmax(out)
}

fn softmax(mut logits: [f32; CLASSES.len()]) -> [f32; CLASSES.len()] {
    let top = logits.iter().copied().fold(f32::MIN, f32::max);
    let mut sum = 0.0;
    for x in &mut logits {
        *x = (*x - top).exp();
        sum += *x;
    }
    logits.map(|x| x / sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_sum_to_one_whatever_the_row_holds() {
        for value in [-1e9, 0.0, 0.3, 1e9] {
            let p = classify(&[value; INPUTS]);
            assert!((p.iter().sum::<f32>() - 1.0).abs() < 1e-5, "{p:?}");
        }
    }
}
