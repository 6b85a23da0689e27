//! Bars that slipped: shorter or longer than the bars around them, beyond the noise.
//!
//! Conventions: plus = the bar went by too fast (rushed). Bars count from 1 at the first downbeat of the take; a pick-up is
//! no bar. A bar's neighbours are up to four bars on each side, in the same stretch of playing.
//!
//! Limits: the beats are smoothed, so a slip of less than a beat's length within one bar spreads over its neighbours.
//! Below [`LEAST_PERCENT`] nothing is listed: listeners miss it too (Drake and Botte, Perception & Psychophysics 54, 1993:
//! 1.5 to 3 % for a run of even intervals).

use super::beats::BeatTrack;
use crate::stats::{Measured, mad_sigma, median};

/// A bar that slipped.
#[derive(Clone, Debug)]
pub struct SlippedBar {
    /// Number of the bar in the take, from 1.
    pub bar: u32,
    /// Start on the tape, s.
    pub start_s: f64,
    /// End on the tape, s.
    pub end_s: f64,
    /// Tempo of the bar against that of its neighbours, percent, plus = rushed.
    pub change_percent: Measured,
}

/// Smallest slip that is listed, percent.
pub const LEAST_PERCENT: f64 = 2.5;
/// A slip stands out from this many standard deviations of the take's other bars and of the onset error.
const SIGMAS: f64 = 3.0;
/// Bars to each side that a bar is compared with.
const NEIGHBOURS: usize = 4;
/// Fewest bars to compare with.
const FEWEST: usize = 4;
/// Error of single onsets that survives the smoother, as a share of their standard deviation.
pub(super) const SMOOTHED_SHARE: f64 = 0.5;

/// One whole bar.
pub(super) struct Bar {
    /// Number in the take, from 1.
    pub number: u32,
    /// Number of its stretch of playing, from 1.
    pub stretch: usize,
    /// Start on the tape, s.
    pub start_s: f64,
    /// End on the tape, s.
    pub end_s: f64,
}

/// The bars of a take that slipped, in time order.
pub fn slipped_bars(track: &BeatTrack) -> Vec<SlippedBar> {
    let bars = bars(track);
    let changes = changes_percent(&bars);
    let known: Vec<f64> = changes.iter().flatten().copied().collect();
    let (Some(spread), false) = (mad_sigma(&known), known.len() < FEWEST) else { return Vec::new() };
    let mut out = Vec::new();
    for (bar, change) in bars.iter().zip(changes) {
        let Some(change) = change else { continue };
        // Two ends, each with the error of a smoothed onset.
        let onset = 100.0 * SMOOTHED_SHARE * track.onset_sd_s * 2f64.sqrt() / (bar.end_s - bar.start_s);
        let noise = onset.hypot(spread);
        if change.abs() >= LEAST_PERCENT.max(SIGMAS * noise) {
            out.push(SlippedBar {
                bar: bar.number,
                start_s: bar.start_s,
                end_s: bar.end_s,
                change_percent: Measured::symmetric(change, 1.96 * noise, 1),
            });
        }
    }
    out
}

/// Of each bar, see [`change_percent`].
pub(super) fn changes_percent(bars: &[Bar]) -> Vec<Option<f64>> {
    (0..bars.len()).map(|at| change_percent(bars, at)).collect()
}

/// The whole bars of a track.
pub(super) fn bars(track: &BeatTrack) -> Vec<Bar> {
    let downbeats: Vec<usize> = (0..track.in_bar.len()).filter(|i| track.in_bar[*i] == 1).collect();
    let stretch = |beat: usize| track.restarts.iter().filter(|r| **r <= beat).count();
    downbeats
        .windows(2)
        .enumerate()
        .filter(|(_, w)| w[1] - w[0] == track.meter && stretch(w[0]) == stretch(w[1]))
        .map(|(k, w)| Bar {
            number: k as u32 + 1,
            stretch: stretch(w[0]),
            start_s: track.times_s[w[0]],
            end_s: track.times_s[w[1]],
        })
        .collect()
}

/// Tempo of a bar against the median of its neighbours, both against the line through their stretch: a steady drift is
/// no slip, at the ends of a stretch neither.
fn change_percent(bars: &[Bar], at: usize) -> Option<f64> {
    let own: Vec<usize> = (0..bars.len()).filter(|j| bars[*j].stretch == bars[at].stretch).collect();
    let x: Vec<f64> = own.iter().map(|j| f64::from(bars[*j].number)).collect();
    let y: Vec<f64> = own.iter().map(|j| bars[*j].end_s - bars[*j].start_s).collect();
    let (start, slope) = super::tempo::line(&x, &y)?;
    let share = |bar: &Bar| (bar.end_s - bar.start_s) / (start + slope * f64::from(bar.number));
    let from = at.saturating_sub(NEIGHBOURS);
    let near: Vec<f64> = (from..(at + NEIGHBOURS + 1).min(bars.len()))
        .filter(|j| *j != at && bars[*j].stretch == bars[at].stretch)
        .map(|j| share(&bars[j]))
        .collect();
    let usual = median(&near).filter(|_| near.len() >= FEWEST)?;
    Some(100.0 * (usual / share(&bars[at]) - 1.0))
}
