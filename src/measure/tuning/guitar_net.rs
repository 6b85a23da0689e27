//! Whose a partial is, and what its pitch says of the guitar: a small network.
//!
//! Conventions: cents; a candidate is a row of [`INPUTS`] numbers ([`super::plucked`]).
//!
//! Method: two layers of units with the curve x / (1 + exp(-x)). It answers how likely the partial is a guitar's, how far it then
//! scatters around the note that was played, and by how much it stands above it: a partial that others share is pulled, a
//! plucked string begins sharp, a stiff one has its fundamental low.
//! Source: weights fitted on mixes with known notes by `benches/tuning_fit/guitar.py`, so that the offset of the take comes out
//! likely, not each partial alone.

use std::sync::LazyLock;

use crate::dsp::dense::{Dense, LANES};
use crate::dsp::fitted::WeightReader;

use super::plucked::{Candidate, INPUTS};

static WEIGHTS: &[u8] = include_bytes!("guitar.f16");

/// Units of the two layers, and outputs, of which [`ANSWERS`] are used.
const UNITS: (usize, usize) = (96, 32);
const OUTPUTS: usize = LANES;
const ANSWERS: usize = 3;
/// Natural logarithm of the scatter in cents: what an output of 0 means, and the range.
const LOG_SIGMA: f32 = 1.6;
const LOG_SIGMA_RANGE: (f32, f32) = (0.3, 3.2);
/// Unit of the third output, cents.
const SHARP_CENTS: f32 = 3.0;

/// What is believed of one candidate.
#[derive(Clone, Copy, Debug)]
pub struct Belief {
    /// Probability that it is the guitar's.
    pub probability: f64,
    /// Scatter around the note that was played.
    pub sigma_cents: f64,
    /// How far it stands above that note.
    pub sharp_cents: f64,
}

struct Network {
    enter: Dense,
    middle: Dense,
    leave: Dense,
}

static NETWORK: LazyLock<Network> = LazyLock::new(|| {
    let mut weights = WeightReader::new(WEIGHTS);
    Network {
        enter: weights.dense(INPUTS, UNITS.0),
        middle: weights.dense(UNITS.0, UNITS.1),
        leave: weights.dense(UNITS.1, OUTPUTS),
    }
});

/// What is believed of each candidate.
pub fn beliefs(candidates: &[Candidate]) -> Vec<Belief> {
    let rows: Vec<f32> = candidates.iter().flat_map(|c| c.inputs).collect();
    let curved = |mut units: Vec<f32>| {
        units.iter_mut().for_each(|x| *x /= 1.0 + (-*x).exp());
        units
    };
    let first = curved(NETWORK.enter.of(&rows));
    let second = curved(NETWORK.middle.of(&first));
    NETWORK.leave.of(&second).as_chunks::<OUTPUTS>().0.iter().map(belief).collect()
}

fn belief(out: &[f32; OUTPUTS]) -> Belief {
    let [odds, spread, sharp] = *out.first_chunk::<ANSWERS>().unwrap_or(&[0.0; ANSWERS]);
    Belief {
        probability: f64::from(1.0 / (1.0 + (-odds).exp())),
        sigma_cents: f64::from((spread + LOG_SIGMA).clamp(LOG_SIGMA_RANGE.0, LOG_SIGMA_RANGE.1).exp()),
        sharp_cents: f64::from(sharp * SHARP_CENTS),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tracks::Track;
    use super::*;

    fn candidate(inputs: &[f32]) -> Candidate {
        let track = Track {
            first: 0,
            frames: 10,
            cents: 5000.0,
            wander_cents: 1.0,
            amplitude: 0.1,
            rise_frames: 1,
            slope_db_per_s: -20.0,
        };
        Candidate { track, inputs: inputs.try_into().unwrap() }
    }

    #[test]
    fn the_network_answers_as_another_program_says() {
        // Answers of numpy in double precision (benches/tuning_fit/guitar.py) on the same file of weights.
        let vector: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/fixtures/tuning/guitar_net.json")).unwrap();
        let rows: Vec<Vec<f32>> = serde_json::from_value(vector["inputs"].clone()).unwrap();
        let answers: Vec<[f64; 3]> = serde_json::from_value(vector["answers"].clone()).unwrap();
        let candidates: Vec<Candidate> = rows.iter().map(|r| candidate(r)).collect();
        let found = beliefs(&candidates);
        assert_eq!(found.len(), answers.len());
        for (b, [p, sigma, sharp]) in found.iter().zip(answers) {
            assert!((b.probability - p).abs() < 1e-3, "{b:?} {p}");
            assert!((b.sigma_cents - sigma).abs() < 1e-2 * sigma, "{b:?} {sigma}");
            assert!((b.sharp_cents - sharp).abs() < 1e-2, "{b:?} {sharp}");
        }
    }

    #[test]
    fn the_file_holds_exactly_the_numbers_of_the_network() {
        let numbers = (INPUTS + 1) * UNITS.0 + (UNITS.0 + 1) * UNITS.1 + (UNITS.1 + 1) * OUTPUTS;
        assert_eq!(WEIGHTS.len(), 2 * numbers);
        assert!(WeightReader::new(WEIGHTS).numbers(numbers).iter().all(|x| x.is_finite()));
    }
}
