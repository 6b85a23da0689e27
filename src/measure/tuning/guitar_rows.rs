//! What the network of the guitar hears, for those who fit it.
//!
//! Conventions: as in [`super::plucked`].

use super::band::band_pitch;
use super::compact::{HOP_S, PeakStore};
use super::line::{LongTermLevel, bass_runs};
use super::plucked::{INPUTS, candidates};

/// The candidates of one take.
#[derive(Clone, Debug)]
pub struct GuitarRows {
    /// The band's pitch, cents from A4 = 440 Hz, where it is known.
    pub band_cents: Option<f64>,
    /// For each candidate its first moment in seconds, its pitch in cents above MIDI 0, and what the network hears.
    pub rows: Vec<(f64, f64, [f32; INPUTS])>,
}

impl GuitarRows {
    /// Of every take, in the order given.
    pub(super) fn of(store: &PeakStore, takes_s: &[(f64, f64)]) -> Vec<Self> {
        let frames: Vec<(usize, usize)> = takes_s.iter().map(|t| store.span(*t)).collect();
        let level = LongTermLevel::of(store, &frames);
        let take = |&(first, end): &(usize, usize)| {
            let runs = bass_runs(store, &level, first, end);
            let rows = candidates(store, &runs, first, end)
                .into_iter()
                .map(|c| (c.track.first as f64 * HOP_S, c.track.cents, c.inputs))
                .collect();
            Self { band_cents: band_pitch(store, (first, end), None).band.value, rows }
        };
        frames.iter().map(take).collect()
    }
}
