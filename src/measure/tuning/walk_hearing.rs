//! What the network of the bass line hears, for those who fit it.
//!
//! Conventions: as in [`super::walk_rows`].

use super::compact::{HOP_S, PeakStore};
use super::line::LongTermLevel;
use super::walk_rows::{FrameRows, Listener};

/// Every frame of one take.
#[derive(Clone, Debug)]
pub struct WalkRows {
    /// Moment of the first frame's middle and distance between frames, seconds.
    pub times_s: (f64, f64),
    /// Pitch of the lowest key, fractional MIDI number.
    pub lowest_midi: f64,
    /// Frame by frame, key by key.
    pub frames: Vec<FrameRows>,
}

impl WalkRows {
    /// Of every take, on the grid at the place that is given with it.
    pub(super) fn of(store: &PeakStore, takes_s: &[(f64, f64)], places: &[usize]) -> Vec<Self> {
        let frames: Vec<(usize, usize)> = takes_s.iter().map(|t| store.span(*t)).collect();
        let level = LongTermLevel::of(store, &frames);
        let take = |(&(first, end), &place): (&(usize, usize), &usize)| {
            let listener = Listener::new(store, &level, (first, end), place);
            Self {
                times_s: (first as f64 * HOP_S, HOP_S),
                lowest_midi: listener.midi(0),
                frames: (first..end).map(|index| listener.rows(store, index)).collect(),
            }
        };
        frames.iter().zip(places).map(take).collect()
    }
}
