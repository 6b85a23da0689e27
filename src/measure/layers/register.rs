//! What of the registers of keys and horns, and of the bass, is whose, for the tuning.
//!
//! Conventions: keys and horns in pairs of mask bands, means over [`STEPS`] steps (256 ms); the bass in single bands over [`BASS_STEPS`]
//! (128 ms): a walking bass at 230 beats a minute plays a note in 260 ms.
//!
//! A finer grid tells no better where the band stands: single bands over 128 ms 1.3 cents off in the mean, these 1.4 (294 takes).

use std::sync::Arc;

use crate::dsp::shelf::Shelf;
use crate::dsp::whose::{BASS_BANDS, KEYS_AND_HORNS_BANDS, Shares, Whose};

use super::bands::BANDS;
use super::features::STEP_S;

/// First band of the register of keys and horns: its lower edge lies at 260 Hz; sixteen bands on, at 1.1 kHz, it ends.
const FIRST: usize = 10;
const PAIR: usize = 2;
/// Steps in a mean.
const STEPS: usize = 6;
const BASS_STEPS: usize = 3;
/// Places among the sources.
const BASS: usize = 0;
const KEYS: usize = 3;
const HORNS: usize = 4;

/// Collects what the network answers.
pub struct Register {
    keys_and_horns: Means<2, KEYS_AND_HORNS_BANDS>,
    bass: Means<1, BASS_BANDS>,
}

impl Register {
    /// `edges_hz` of the mask bands; full chunks go to a shelf.
    pub fn new(edges_hz: &[f64], shelf: Option<Arc<dyn Shelf>>) -> Self {
        let pairs: Vec<f64> =
            edges_hz.iter().skip(FIRST).step_by(PAIR).take(KEYS_AND_HORNS_BANDS + 1).copied().collect();
        Self {
            keys_and_horns: Means::new(STEPS, &pairs, shelf.clone()),
            bass: Means::new(BASS_STEPS, &edges_hz[..=BASS_BANDS], shelf),
        }
    }

    /// The shares of a step, source after source, band after band.
    pub fn push(&mut self, shares: &[f32]) {
        let at = |source: usize, band: usize| f64::from(shares[source * BANDS + band]);
        let pair = |source: usize, pair: usize| {
            let first = FIRST + PAIR * pair;
            (first..first + PAIR).map(|band| at(source, band)).sum::<f64>() / PAIR as f64
        };
        self.keys_and_horns.push(|source, band| pair([KEYS, HORNS][source], band));
        self.bass.push(|_, band| at(BASS, band));
    }

    /// All of the tape.
    pub fn finish(self) -> Whose {
        Whose { keys_and_horns: self.keys_and_horns.finish(), bass: self.bass.finish() }
    }
}

/// Means over a few steps.
struct Means<const SOURCES: usize, const WIDTH: usize> {
    told: Shares<SOURCES, WIDTH>,
    sums: [[f64; WIDTH]; SOURCES],
    steps: usize,
    of: usize,
}

impl<const SOURCES: usize, const WIDTH: usize> Means<SOURCES, WIDTH> {
    fn new(of: usize, edges_hz: &[f64], shelf: Option<Arc<dyn Shelf>>) -> Self {
        let told = Shares::new(of as f64 * STEP_S, edges_hz, shelf);
        Self { told, sums: [[0.0; WIDTH]; SOURCES], steps: 0, of }
    }

    fn push(&mut self, share: impl Fn(usize, usize) -> f64) {
        for (source, bands) in self.sums.iter_mut().enumerate() {
            bands.iter_mut().enumerate().for_each(|(band, sum)| *sum += share(source, band));
        }
        self.steps += 1;
        if self.steps == self.of {
            self.close();
        }
    }

    fn close(&mut self) {
        let steps = self.steps as f64;
        self.told.push(&self.sums.map(|bands| bands.map(|sum| sum / steps)));
        (self.sums, self.steps) = ([[0.0; WIDTH]; SOURCES], 0);
    }

    fn finish(mut self) -> Shares<SOURCES, WIDTH> {
        if self.steps > 0 {
            self.close();
        }
        self.told
    }
}

#[cfg(test)]
mod tests {
    use super::super::bands::BandPlan;
    use super::super::network::SOURCES;
    use super::*;

    #[test]
    fn the_registers_are_those_that_the_tuning_reads() {
        let edges = BandPlan::new().edges_hz();
        assert!(edges[FIRST] < 265.0 && edges[FIRST] > 250.0, "{}", edges[FIRST]);
        let end = edges[FIRST + PAIR * KEYS_AND_HORNS_BANDS];
        assert!(end > 1050.0 && end < 1150.0, "{end}");
        assert!((edges.len(), FIRST + PAIR * KEYS_AND_HORNS_BANDS) < (BANDS + 2, BANDS));
        assert!(edges[0] < 30.0 && edges[BASS_BANDS] > 1700.0, "all peaks: {edges:?}");
    }

    #[test]
    fn shares_are_the_means_of_two_bands_and_six_steps_or_of_one_and_three() {
        let mut register = Register::new(&BandPlan::new().edges_hz(), None);
        for step in 0..9 {
            let mut shares = vec![0.0; SOURCES * BANDS];
            shares[KEYS * BANDS + FIRST] = 0.6;
            shares[HORNS * BANDS + FIRST + PAIR] = if step < 3 { 1.0 } else { 0.2 };
            shares[1] = if step < 4 { 0.9 } else { 0.3 };
            register.push(&shares);
        }
        let whose = register.finish();
        let stretch = whose.keys_and_horns.between(0.0, 9.0);
        let of = |hz: f64, s: f64| stretch.of(hz, s, s).map(|share| (100.0 * share).round());
        assert_eq!((of(270.0, 0.1), of(340.0, 0.1)), ([30.0, 0.0], [0.0, 30.0]));
        assert_eq!(of(340.0, 0.3), [0.0, 10.0], "what is left of the last steps");
        let bass = whose.bass.between(0.0, 9.0);
        assert_eq!([0.05, 0.2, 0.3].map(|s| (100.0 * bass.of(60.0, s, s)[0]).round()), [90.0, 50.0, 30.0]);
    }
}
