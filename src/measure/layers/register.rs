//! What of the register of keys and horns is whose, for the tuning.
//!
//! Conventions: pairs of mask bands, means over [`STEPS`] steps (256 ms).
//!
//! A finer grid tells no better where the band stands: single bands over 128 ms 1.3 cents off in the mean, these 1.4 (294 takes).

use std::array::from_fn;
use std::sync::Arc;

use crate::dsp::shelf::Shelf;
use crate::dsp::whose::{KeysAndHorns, WHOSE_BANDS, Whose};

use super::bands::BANDS;
use super::features::STEP_S;

/// First band of the register: its lower edge lies at 260 Hz; sixteen bands on, at 1.1 kHz, it ends.
const FIRST: usize = 10;
const PAIR: usize = 2;
/// Steps in the mean.
const STEPS: usize = 6;
/// Places among the sources.
const KEYS: usize = 3;
const HORNS: usize = 4;

/// Collects what the network answers.
pub struct Register {
    whose: Whose,
    sums: [KeysAndHorns; WHOSE_BANDS],
    steps: usize,
}

const NONE: KeysAndHorns = KeysAndHorns { keys: 0.0, horns: 0.0 };

impl Register {
    /// `edges_hz` of the mask bands; full chunks go to a shelf.
    pub fn new(edges_hz: &[f64], shelf: Option<Arc<dyn Shelf>>) -> Self {
        let edges = from_fn(|at| edges_hz[FIRST + PAIR * at]);
        Self { whose: Whose::new(STEPS as f64 * STEP_S, edges, shelf), sums: [NONE; WHOSE_BANDS], steps: 0 }
    }

    /// The shares of a step, source after source, band after band.
    pub fn push(&mut self, shares: &[f32]) {
        let pair = |source: usize, at: usize| {
            let first = source * BANDS + FIRST + PAIR * at;
            shares[first..first + PAIR].iter().map(|s| f64::from(*s)).sum::<f64>() / PAIR as f64
        };
        for (at, sum) in self.sums.iter_mut().enumerate() {
            sum.keys += pair(KEYS, at);
            sum.horns += pair(HORNS, at);
        }
        self.steps += 1;
        if self.steps == STEPS {
            self.close();
        }
    }

    fn close(&mut self) {
        let steps = self.steps as f64;
        let mean = |sum: KeysAndHorns| KeysAndHorns { keys: sum.keys / steps, horns: sum.horns / steps };
        self.whose.push(&self.sums.map(mean));
        (self.sums, self.steps) = ([NONE; WHOSE_BANDS], 0);
    }

    /// All of the tape.
    pub fn finish(mut self) -> Whose {
        if self.steps > 0 {
            self.close();
        }
        self.whose
    }
}

#[cfg(test)]
mod tests {
    use super::super::bands::BandPlan;
    use super::super::network::SOURCES;
    use super::*;

    #[test]
    fn the_register_is_that_of_the_tones_that_the_tuning_follows() {
        let edges = BandPlan::new().edges_hz();
        assert!(edges[FIRST] < 265.0 && edges[FIRST] > 250.0, "{}", edges[FIRST]);
        let end = edges[FIRST + PAIR * WHOSE_BANDS];
        assert!(end > 1050.0 && end < 1150.0, "{end}");
        assert!((edges.len(), FIRST + PAIR * WHOSE_BANDS) < (BANDS + 2, BANDS));
    }

    #[test]
    fn shares_are_the_means_of_two_bands_and_six_steps() {
        let mut register = Register::new(&BandPlan::new().edges_hz(), None);
        for step in 0..9 {
            let mut shares = vec![0.0; SOURCES * BANDS];
            shares[KEYS * BANDS + FIRST] = 0.6;
            shares[HORNS * BANDS + FIRST + PAIR] = if step < 3 { 1.0 } else { 0.2 };
            register.push(&shares);
        }
        let whose = register.finish().between(0.0, 9.0);
        let of = |hz: f64, s: f64| {
            let KeysAndHorns { keys, horns } = whose.of(hz, s, s);
            [keys, horns].map(|share| (100.0 * share).round())
        };
        assert_eq!((of(270.0, 0.1), of(340.0, 0.1)), ([30.0, 0.0], [0.0, 30.0]));
        assert_eq!(of(340.0, 0.3), [0.0, 10.0], "what is left of the last steps");
    }
}
