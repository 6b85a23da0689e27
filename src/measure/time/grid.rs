//! The beats of a track as frames of a span, with lengths and places, for the measures of feel.

use super::beats::BeatTrack;
use super::features::HOP_S;
use super::strength::Strengths;

/// One beat.
#[derive(Clone, Copy, Debug)]
pub struct GridBeat {
    /// Fractional frame of the span.
    pub frame: f64,
    /// Frames to the next beat; `None` at the end and before a restart.
    pub length: Option<f64>,
    /// Place in the bar, from 0.
    pub place: usize,
}

/// The beats of a take.
#[derive(Clone, Debug)]
pub struct Grid {
    /// Beats in time order.
    pub beats: Vec<GridBeat>,
    /// Median length, frames.
    pub period: f64,
    /// Beats in a bar.
    pub meter: usize,
}

impl Grid {
    /// The grid of a track; `None` without a beat that has a length.
    pub fn new(track: &BeatTrack, strengths: &Strengths) -> Option<Self> {
        let frame = |i: usize| track.times_s[i] / HOP_S - strengths.start_frame as f64;
        let n = track.times_s.len();
        let beats: Vec<GridBeat> = (0..n)
            .map(|i| GridBeat {
                frame: frame(i),
                length: (i + 1 < n && !track.restarts.contains(&(i + 1))).then(|| frame(i + 1) - frame(i)),
                place: usize::from(track.in_bar[i]) - 1,
            })
            .collect();
        let period = crate::stats::median(&beats.iter().filter_map(|b| b.length).collect::<Vec<_>>())?;
        Some(Self { beats, period, meter: track.meter })
    }

    /// The whole bars: each a slice of `meter` beats from a downbeat on, without a restart inside.
    pub fn bars(&self) -> impl Iterator<Item = &[GridBeat]> {
        self.beats.windows(self.meter).filter(|w| {
            w.iter().enumerate().all(|(k, b)| b.place == k) && w[..w.len() - 1].iter().all(|b| b.length.is_some())
        })
    }
}
