//! The most likely course of classes over the tape, given what each frame sounds like and that changes are rare.
//!
//! Conventions: classes are indices into [`CLASSES`]; scores are natural logarithms.
//! Source: Viterbi 1967 (IEEE Trans. Inf. Theory 13(2):260), maximum a posteriori path of a Markov chain.

use super::classifier::CLASSES;

/// Neighbouring frames share most of their context, so that each counts for this much of an independent observation.
const EVIDENCE_A_FRAME: f64 = 0.35;
/// A frame can speak against a class no louder than this (natural log).
const LEAST_LOG_PROBABILITY: f64 = -7.0;

/// Price of a change from row to column, in the order of [`CLASSES`]: take, talk, tuning, quiet, other.
const CHANGE: [[f64; CLASSES.len()]; CLASSES.len()] = [
    [0.0, 8.0, 12.0, 7.0, 13.0],
    [7.0, 0.0, 7.0, 6.0, 9.0],
    [8.0, 7.0, 0.0, 7.0, 11.0],
    [7.0, 5.0, 7.0, 0.0, 8.0],
    [10.0, 8.0, 10.0, 8.0, 0.0],
];

/// Index of the class of every frame along the best path.
pub fn best_path(probabilities: &[[f32; CLASSES.len()]]) -> Vec<u8> {
    let mut came_from: Vec<[u8; CLASSES.len()]> = Vec::with_capacity(probabilities.len());
    let mut score = [0.0; CLASSES.len()];
    for frame in probabilities {
        let mut next = [f64::MIN; CLASSES.len()];
        let mut from = [0u8; CLASSES.len()];
        for to in 0..CLASSES.len() {
            for (k, row) in CHANGE.iter().enumerate() {
                let s = score[k] - row[to];
                if s > next[to] {
                    (next[to], from[to]) = (s, k as u8);
                }
            }
            next[to] += EVIDENCE_A_FRAME * f64::from(frame[to]).ln().max(LEAST_LOG_PROBABILITY);
        }
        score = next;
        came_from.push(from);
    }
    let best = (0..CLASSES.len()).max_by(|a, b| score[*a].total_cmp(&score[*b])).unwrap_or(0);
    let mut class = best as u8;
    let mut path = vec![0; probabilities.len()];
    for (at, from) in came_from.iter().enumerate().rev() {
        path[at] = class;
        class = from[usize::from(class)];
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clear(class: usize) -> [f32; CLASSES.len()] {
        let mut p = [0.01; CLASSES.len()];
        p[class] = 0.96;
        p
    }

    #[test]
    fn a_single_stray_frame_does_not_change_the_course() {
        let mut frames = vec![clear(0); 60];
        frames[30] = clear(1);
        assert_eq!(best_path(&frames), vec![0; 60]);
    }

    #[test]
    fn a_lasting_change_is_followed_at_the_frame_where_it_happens() {
        let frames: Vec<_> = (0..80).map(|i| clear(usize::from(i >= 33))).collect();
        let path = best_path(&frames);
        assert_eq!(path.iter().position(|c| *c == 1), Some(33));
    }
}
