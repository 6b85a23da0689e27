//! Beats and bars of a take: the best hypothesis of level, metre and phase, refined to the band's mean onset.
//!
//! Conventions: times are seconds on the tape; places in the bar count from 1. The count-off is evidence, not part of the
//! result: the first beat is the first of full playing.
//!
//! Limits: one metre a take; the phase of the bar may change within it (a dropped or added beat, a restart).

use rayon::prelude::*;

use super::evidence::BeatReadings;
use super::features::{HOP_S, TimeFeatures};
use super::hypotheses::{Hypothesis, TimeHints, bar_places, probabilities, score_pulse};
use super::pieces;
use super::pulses::{PULSE_WEIGHTS, candidate_pulses};
use super::runs::{SUPPORT, jerk, peak_near, refine, smoothed, steady_runs};
use super::strength::Strengths;

/// The beats of a take.
#[derive(Clone, Debug)]
pub struct BeatTrack {
    /// Beats, s, rising.
    pub times_s: Vec<f64>,
    /// Place of each beat in its bar, from 1.
    pub in_bar: Vec<u8>,
    /// Places in `times_s` at which the band starts afresh; the first is 0.
    pub restarts: Vec<usize>,
    /// Beats in a bar.
    pub meter: usize,
    /// Mean onset strength at the beats, in standard deviations of the curve.
    pub clarity: f64,
    /// Standard deviation of single onsets about the smoothed beats, s.
    pub onset_sd_s: f64,
    /// Probability of the tempo's level among the hypotheses.
    pub level_probability: f64,
    /// Probability of the phase of the bar, given the level.
    pub phase_probability: f64,
}

/// Fewest beats of a take with a tempo.
const FEWEST_BEATS: usize = 16;
/// Largest median change of the beat from one to the next, as a share; chance gives 0.004 and more.
const LARGEST_JERK: f64 = 0.006;
/// Least mean strength at the beats, standard deviations; noise gives about 1.55.
const LEAST_CLARITY: f64 = 1.7;
/// Below this probability the level is undecided.
const LEAST_LEVEL_PROBABILITY: f64 = 0.5;
/// Fewest beats of a take whose level is undecided.
const FEWEST_UNDECIDED: usize = 32;
/// Spread of the onsets about the beats that, with an undecided level, speaks for chance, s.
const CHANCE_ONSET_SD_S: f64 = 0.009;

/// The beats of `[start_s, end_s)`, or why there are none.
///
/// A span in which the band stops or falls apart is read once more piece by piece, see [`super::pieces`].
pub fn track_beats(
    features: &TimeFeatures,
    start_s: f64,
    end_s: f64,
    hints: &TimeHints,
) -> Result<BeatTrack, &'static str> {
    let whole = decode(features, start_s, end_s, hints)?;
    match pieces::by_pieces(features, (start_s, end_s), hints, &whole) {
        Some(track) => Ok(track),
        None => whole.validated(),
    }
}

/// The likeliest beats of a span, read as one; whether they are steady is not asked.
pub(super) fn decode(
    features: &TimeFeatures,
    start_s: f64,
    end_s: f64,
    hints: &TimeHints,
) -> Result<BeatTrack, &'static str> {
    let strengths = Strengths::of_span(features, start_s, end_s).with_groups();
    if (strengths.len() as f64) * HOP_S < 4.0 {
        return Err("too_short");
    }
    let pulses = candidate_pulses(&strengths);
    // No more readings at a time than threads: they are large, and only the best one is needed again.
    let read = |at: usize| BeatReadings::along(features, &strengths, &pulses[at]);
    let scored = |at| read(at).map_or_else(Vec::new, |r| score_pulse(at, &r, hints));
    let hypotheses: Vec<Hypothesis> = (0..pulses.len()).into_par_iter().flat_map_iter(scored).collect();
    let best = hypotheses.iter().max_by(|a, b| (a.level + a.phase).total_cmp(&(b.level + b.phase)));
    let Some(best) = best else { return Err("no_steady_beat") };
    let Some(reading) = &read(best.pulse) else { return Err("no_steady_beat") };
    let pulse = &pulses[best.pulse];
    let (level_probability, phase_probability) = probabilities(&hypotheses, best, &pulses);
    let curve = strengths.pulse_curve(&PULSE_WEIGHTS);
    let mut refined = refine(&curve, pulse);
    let onsets: Vec<(f64, f64)> = refined.iter().map(|b| peak_near(&curve, *b)).collect();
    let runs = steady_runs(reading, pulse, &refined, &onsets);
    // Once more without the beats beyond the ends, which lean on whatever sounds there.
    for run in &runs {
        let again = smoothed(&curve, &pulse.beats[run.clone()]);
        refined[run.clone()].copy_from_slice(&again);
    }
    let kept: Vec<usize> = runs.iter().cloned().flatten().collect();
    let starts: Vec<usize> = pulse.restarts.iter().copied().chain(runs.iter().map(|r| r.start)).collect();
    let places = bar_places(reading, &starts, best.meter);
    let clarity = kept.iter().map(|i| onsets[*i].1).sum::<f64>() / kept.len().max(1) as f64;
    let residuals: Vec<f64> =
        kept.iter().filter(|i| onsets[**i].1 > SUPPORT).map(|i| (onsets[*i].0 - refined[*i]) * HOP_S).collect();
    Ok(BeatTrack {
        times_s: kept.iter().map(|i| strengths.time_s(refined[*i])).collect(),
        in_bar: kept.iter().map(|i| places[*i] as u8 + 1).collect(),
        restarts: (0..kept.len()).filter(|k| starts.contains(&kept[*k])).collect(),
        meter: best.meter,
        clarity,
        onset_sd_s: crate::stats::mad_sigma(&residuals).unwrap_or(0.0),
        level_probability,
        phase_probability,
    })
}

impl BeatTrack {
    /// The track, unless it is no steadier or clearer than what chance gives.
    pub(super) fn validated(self) -> Result<Self, &'static str> {
        if self.times_s.len() < FEWEST_BEATS {
            return Err("no_steady_beat");
        }
        let jerk = jerk(&self.times_s).unwrap_or(1.0);
        let undecided = self.level_probability < LEAST_LEVEL_PROBABILITY;
        let scattered = self.onset_sd_s > CHANCE_ONSET_SD_S;
        let by_chance = undecided && (scattered || self.times_s.len() < FEWEST_UNDECIDED);
        if jerk > LARGEST_JERK || self.clarity < LEAST_CLARITY || by_chance {
            return Err("no_steady_beat");
        }
        Ok(self)
    }

    /// The beats for whose places `keeps` says so; those after ones that go start afresh.
    pub(super) fn keep(self, keeps: impl Fn(usize) -> bool) -> Self {
        let kept: Vec<usize> = (0..self.times_s.len()).filter(|i| keeps(*i)).collect();
        let afresh = |k: &usize| *k == 0 || self.restarts.contains(&kept[*k]) || kept[*k] != kept[k - 1] + 1;
        Self {
            times_s: kept.iter().map(|i| self.times_s[*i]).collect(),
            in_bar: kept.iter().map(|i| self.in_bar[*i]).collect(),
            restarts: (0..kept.len()).filter(afresh).collect(),
            ..self
        }
    }

    /// The middle distance from a beat to the next, s.
    pub(super) fn usual_length_s(&self) -> Option<f64> {
        crate::stats::median(&self.times_s.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>())
    }

    /// The beats of a part, or `None` without any.
    pub fn between(&self, start_s: f64, end_s: f64) -> Option<Self> {
        let first = self.times_s.partition_point(|t| *t < start_s);
        let last = self.times_s.partition_point(|t| *t < end_s);
        if first == last {
            return None;
        }
        let inside = self.restarts.iter().filter(|r| **r > first && **r < last).map(|r| r - first);
        Some(Self {
            times_s: self.times_s[first..last].to_vec(),
            in_bar: self.in_bar[first..last].to_vec(),
            restarts: std::iter::once(0).chain(inside).collect(),
            ..self.clone()
        })
    }

    /// Stretches of `[start_s, end_s)` longer than `shortest_s` and than `shortest_beats` of the usual length without a beat.
    pub fn gaps(&self, (start_s, end_s): (f64, f64), shortest_s: f64, shortest_beats: f64) -> Vec<(f64, f64)> {
        let shortest_s = shortest_s.max(shortest_beats * self.usual_length_s().unwrap_or(0.0));
        let edges: Vec<f64> = std::iter::once(start_s).chain(self.times_s.iter().copied()).chain([end_s]).collect();
        edges.windows(2).filter(|w| w[1] - w[0] > shortest_s).map(|w| (w[0], w[1])).collect()
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Bars of four from the first beat on, whatever the breaks.
    pub fn track_of(times_s: Vec<f64>, restarts: Vec<usize>) -> BeatTrack {
        BeatTrack {
            in_bar: (0..times_s.len()).map(|i| (i % 4) as u8 + 1).collect(),
            times_s,
            restarts,
            meter: 4,
            clarity: 2.0,
            onset_sd_s: 0.004,
            level_probability: 0.9,
            phase_probability: 0.9,
        }
    }

    #[test]
    fn beats_after_ones_that_go_start_afresh() {
        let track = track_of((0..12).map(f64::from).collect(), vec![0, 9]).keep(|i| !(4..7).contains(&i));
        assert_eq!(track.times_s, [0.0, 1.0, 2.0, 3.0, 7.0, 8.0, 9.0, 10.0, 11.0]);
        assert_eq!((track.restarts, track.in_bar[4]), (vec![0, 4, 6], 4));
    }
}
