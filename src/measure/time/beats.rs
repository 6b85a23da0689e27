//! Beats and bars of a take: the best hypothesis of level, metre and phase, refined to the band's mean onset.
//!
//! Conventions: times are seconds on the tape; places in the bar count from 1. The count-off is evidence, not part of the
//! result: the first beat is the first of full playing.
//!
//! Limits: one level and one metre a take; the phase of the bar may change within it (a dropped or added beat, a restart).

use std::ops::Range;

use super::evidence::{BeatReadings, LEVEL_FEATURES, PHASE_FEATURES};
use super::features::{HOP_S, TimeFeatures};
use super::pulses::{PULSE_WEIGHTS, Pulse, candidate_pulses};
use super::strength::Strengths;
use super::weights::{ENTRANCE_WEIGHT, LEVEL_WEIGHTS, PHASE_WEIGHTS, WALTZ_BIAS, WALTZ_WEIGHTS};
use crate::dsp::smooth::whittaker;

/// What the sheet says about the take, if there is a sheet.
#[derive(Clone, Copy, Debug, Default)]
pub struct TimeHints {
    /// Marked tempo, beats a minute.
    pub marked_bpm: Option<f64>,
    /// Beats in a bar, 3 or 4.
    pub beats_in_bar: Option<usize>,
}

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

/// Cost, in units of a beat's phase score, of a bar that does not go on as expected.
const PHASE_JUMP_COST: f32 = 120.0;
/// The same at a restart.
const PHASE_RESTART_COST: f32 = 40.0;
/// Softness of the comparison with a marked tempo, octaves.
const MARKED_TEMPO_OCTAVES: f64 = 0.12;
/// Frames to each side in which a beat's onset is looked for.
const ONSET_REACH_FRAMES: f64 = 6.0;
/// Stiffness of the beat smoother: onset variance over the variance of the tempo's wander from beat to beat.
const BEAT_STIFFNESS: f64 = 6.0;
/// A beat is supported when the curve there is above this, standard deviations.
const SUPPORT: f64 = 0.6;

/// Fewest beats of a take with a tempo.
const FEWEST_BEATS: usize = 16;
/// Largest median change of the beat from one to the next, as a share; chance gives 0.004 and more.
const LARGEST_JERK: f64 = 0.006;
/// The same within a few beats.
const LARGEST_LOCAL_JERK: f64 = 0.02;
/// Least mean strength at the beats, standard deviations; noise gives about 1.55.
const LEAST_CLARITY: f64 = 1.7;
/// Spread of the onsets about the beats that, with an undecided level, speaks for chance, s.
const CHANCE_ONSET_SD_S: f64 = 0.009;
/// Beats to each side that are looked at for steadiness.
const NEIGHBOURS: usize = 3;
/// Weak beats in a row that do not end a run.
const WEAK_INSIDE: usize = 1;
/// Longest rest in time that does not part two runs, beats.
const LONGEST_REST: usize = 12;
/// Largest deviation of a beat's length around a rest in time, as a share.
const LARGEST_REST_CHANGE: f64 = 0.05;
/// Shortest run of beats that is kept.
const SHORTEST_RUN: usize = 8;
/// A beat this far below the median level lies outside the music, dB.
const QUIET_DB: f32 = 12.0;

struct Hypothesis {
    pulse: usize,
    meter: usize,
    /// First beat that is a downbeat.
    first: usize,
    level: f64,
    phase: f64,
}

/// The beats of `[start_s, end_s)`, or why there are none.
pub fn track_beats(
    features: &TimeFeatures,
    start_s: f64,
    end_s: f64,
    hints: &TimeHints,
) -> Result<BeatTrack, &'static str> {
    let strengths = Strengths::of_span(features, start_s, end_s);
    if (strengths.len() as f64) * HOP_S < 4.0 {
        return Err("too_short");
    }
    let pulses = candidate_pulses(&strengths);
    let readings: Vec<Option<BeatReadings>> =
        pulses.iter().map(|p| BeatReadings::along(features, &strengths, p)).collect();
    let hypotheses = score_all(&readings, hints);
    let best = hypotheses.iter().max_by(|a, b| (a.level + a.phase).total_cmp(&(b.level + b.phase)));
    let Some(best) = best else { return Err("no_steady_beat") };
    let Some(reading) = &readings[best.pulse] else { return Err("no_steady_beat") };
    let pulse = &pulses[best.pulse];
    let (level_probability, phase_probability) = probabilities(&hypotheses, best, &pulses);
    let curve = strengths.pulse_curve(&PULSE_WEIGHTS);
    let refined = refine(&curve, pulse);
    let onsets: Vec<(f64, f64)> = refined.iter().map(|b| peak_near(&curve, *b)).collect();
    let runs = steady_runs(reading, pulse, &refined, &onsets);
    let kept: Vec<usize> = runs.iter().cloned().flatten().collect();
    let starts: Vec<usize> = pulse.restarts.iter().copied().chain(runs.iter().map(|r| r.start)).collect();
    let places = bar_places(reading, &starts, best.meter);
    let clarity = kept.iter().map(|i| onsets[*i].1).sum::<f64>() / kept.len().max(1) as f64;
    let residuals: Vec<f64> =
        kept.iter().filter(|i| onsets[**i].1 > SUPPORT).map(|i| (onsets[*i].0 - refined[*i]) * HOP_S).collect();
    let track = BeatTrack {
        times_s: kept.iter().map(|i| strengths.time_s(refined[*i])).collect(),
        in_bar: kept.iter().map(|i| places[*i] as u8 + 1).collect(),
        restarts: (0..kept.len()).filter(|k| starts.contains(&kept[*k])).collect(),
        meter: best.meter,
        clarity,
        onset_sd_s: crate::stats::mad_sigma(&residuals).unwrap_or(0.0),
        level_probability,
        phase_probability,
    };
    track.validated()
}

impl BeatTrack {
    /// The track, unless it is no steadier or clearer than what chance gives.
    fn validated(self) -> Result<Self, &'static str> {
        if self.times_s.len() < FEWEST_BEATS {
            return Err("no_steady_beat");
        }
        let jerk = jerk(&self.times_s).unwrap_or(1.0);
        let by_chance = self.level_probability < 0.3 && self.onset_sd_s > CHANCE_ONSET_SD_S;
        if jerk > LARGEST_JERK || self.clarity < LEAST_CLARITY || by_chance {
            return Err("no_steady_beat");
        }
        Ok(self)
    }
}

/// Median change of a beat's length from one beat to the next, as a share of the beat.
fn jerk(beats: &[f64]) -> Option<f64> {
    let gaps: Vec<f64> = beats.windows(2).map(|w| w[1] - w[0]).collect();
    let changes: Vec<f64> = gaps.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    Some(crate::stats::median(&changes)? / crate::stats::median(&gaps)?)
}

fn score_all(readings: &[Option<BeatReadings>], hints: &TimeHints) -> Vec<Hypothesis> {
    let mut out = Vec::new();
    for (pulse, reading) in readings.iter().enumerate() {
        let Some(reading) = reading else { continue };
        let row = reading.level_row();
        let plain: f64 = row.iter().zip(&LEVEL_WEIGHTS).map(|(x, w)| f64::from(*x) * w).sum();
        let marked =
            hints.marked_bpm.map_or(0.0, |m| ((reading.bpm / m).log2() / MARKED_TEMPO_OCTAVES).powi(2).min(40.0));
        for meter in [4, 3] {
            if hints.beats_in_bar.is_some_and(|m| m != meter) {
                continue;
            }
            let waltz: f64 = if meter == 3 {
                let tail = &row[LEVEL_FEATURES - WALTZ_WEIGHTS.len()..];
                WALTZ_BIAS + tail.iter().zip(&WALTZ_WEIGHTS).map(|(x, w)| f64::from(*x) * w).sum::<f64>()
            } else {
                0.0
            };
            let scores = beat_scores(reading, meter);
            for first in 0..meter {
                let sum: f32 = scores.iter().enumerate().map(|(i, s)| s[(i + meter - first) % meter]).sum();
                let enters = reading.entrance.is_some_and(|e| e % meter == first);
                let phase = f64::from(sum) / scores.len() as f64 + if enters { ENTRANCE_WEIGHT } else { 0.0 };
                out.push(Hypothesis { pulse, meter, first, level: plain + waltz - marked, phase });
            }
        }
    }
    out
}

/// Score of each beat at each place of the bar.
fn beat_scores(reading: &BeatReadings, meter: usize) -> Vec<[f32; 4]> {
    (0..reading.profile.len())
        .map(|i| {
            std::array::from_fn(|place| {
                if place >= meter {
                    return f32::NEG_INFINITY;
                }
                let row: [f32; PHASE_FEATURES] = reading.phase_row(i, place, meter);
                row.iter().zip(&PHASE_WEIGHTS).map(|(x, w)| x * *w as f32).sum()
            })
        })
        .collect()
}

/// The likeliest place of each beat in its bar, from 0: bars go on regularly unless the evidence outweighs a jump.
fn bar_places(reading: &BeatReadings, restarts: &[usize], meter: usize) -> Vec<usize> {
    let mut scores = beat_scores(reading, meter);
    if let Some(entrance) = reading.entrance {
        scores[entrance][0] += ENTRANCE_WEIGHT as f32 * scores.len() as f32;
    }
    let mut total: Vec<f32> = scores[0][..meter].to_vec();
    let mut back: Vec<[usize; 4]> = vec![[0; 4]];
    for (i, score) in scores.iter().enumerate().skip(1) {
        let jump = if restarts.contains(&i) { PHASE_RESTART_COST } else { PHASE_JUMP_COST };
        let best = (0..meter).max_by(|a, b| total[*a].total_cmp(&total[*b])).unwrap_or(0);
        let mut from = [0; 4];
        let next = (0..meter)
            .map(|k| {
                let usual = (k + meter - 1) % meter;
                let stays = total[usual] >= total[best] - jump;
                from[k] = if stays { usual } else { best };
                score[k] + if stays { total[usual] } else { total[best] - jump }
            })
            .collect();
        total = next;
        back.push(from);
    }
    let mut place = (0..meter).max_by(|a, b| total[*a].total_cmp(&total[*b])).unwrap_or(0);
    let mut out = vec![0; scores.len()];
    for i in (0..scores.len()).rev() {
        out[i] = place;
        place = back[i][place];
    }
    out
}

/// Softmax shares: of the best's tempo and alignment, and of its downbeats within them. Pulses that were found twice
/// count as one.
fn probabilities(all: &[Hypothesis], best: &Hypothesis, pulses: &[Pulse]) -> (f64, f64) {
    let same: Vec<bool> = pulses.iter().map(|p| agree(&p.beats, &pulses[best.pulse].beats)).collect();
    let mut level = 0.0;
    let mut downbeats = 0.0;
    let mut other = 0.0;
    let bars = downbeats_of(best, pulses);
    for h in all {
        let weight = (h.level + h.phase - best.level - best.phase).exp();
        if !same[h.pulse] {
            other += weight;
            continue;
        }
        level += weight;
        if h.meter == best.meter && agree(&downbeats_of(h, pulses), &bars) {
            downbeats += weight;
        }
    }
    (level / (level + other), downbeats / level)
}

fn downbeats_of(h: &Hypothesis, pulses: &[Pulse]) -> Vec<f64> {
    pulses[h.pulse].beats.iter().skip(h.first).step_by(h.meter).copied().collect()
}

/// True when nine in ten of the beats of each lie within a sixth of a beat of one of the other.
fn agree(a: &[f64], b: &[f64]) -> bool {
    let covered = |x: &[f64], y: &[f64]| {
        let tolerance = (y[y.len() - 1] - y[0]) / (y.len().max(2) - 1) as f64 / 6.0;
        let near = x.iter().filter(|v| {
            let i = y.partition_point(|w| w < *v);
            [i.wrapping_sub(1), i].iter().filter_map(|k| y.get(*k)).any(|w| (w - **v).abs() <= tolerance)
        });
        10 * near.count() >= 9 * x.len()
    };
    !a.is_empty() && !b.is_empty() && covered(a, b) && covered(b, a)
}

/// Peak of the curve near a place: fractional frame and height.
fn peak_near(curve: &[f32], place: f64) -> (f64, f64) {
    let a = (place - ONSET_REACH_FRAMES).round().max(1.0) as usize;
    let b = ((place + ONSET_REACH_FRAMES).round().max(0.0) as usize).min(curve.len().saturating_sub(2));
    let Some(top) = (a..=b.max(a)).filter(|i| *i + 1 < curve.len()).max_by(|x, y| curve[*x].total_cmp(&curve[*y]))
    else {
        return (place, 0.0);
    };
    let (l, m, r) = (f64::from(curve[top - 1]), f64::from(curve[top]), f64::from(curve[top + 1]));
    let bend = l - 2.0 * m + r;
    let shift = if bend < -1e-9 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (top as f64 + shift, m)
}

/// Beats moved onto the onsets around them and smoothed, each stretch between restarts by itself.
fn refine(curve: &[f32], pulse: &Pulse) -> Vec<f64> {
    let mut out = pulse.beats.clone();
    let mut edges = pulse.restarts.clone();
    edges.push(out.len());
    for stretch in edges.windows(2) {
        let part = &pulse.beats[stretch[0]..stretch[1]];
        let mut smooth = part.to_vec();
        for _ in 0..3 {
            let onsets: Vec<(f64, f64)> = smooth.iter().map(|b| peak_near(curve, *b)).collect();
            let y: Vec<f64> = onsets.iter().map(|o| o.0).collect();
            let weights: Vec<f64> = onsets
                .iter()
                .zip(&smooth)
                .map(|((at, height), old)| (height / 2.0).clamp(0.02, 1.0) / (1.0 + ((at - old) / 3.0).powi(2)))
                .collect();
            smooth = whittaker(&y, &weights, BEAT_STIFFNESS);
        }
        out[stretch[0]..stretch[1]].copy_from_slice(&smooth);
    }
    out
}

/// The stretches of full and steady playing: onsets hold on nearby, the level is that of the music, the beat is even.
fn steady_runs(reading: &BeatReadings, pulse: &Pulse, refined: &[f64], onsets: &[(f64, f64)]) -> Vec<Range<usize>> {
    let n = refined.len();
    let heights: Vec<f64> = onsets.iter().map(|o| o.1).collect();
    let usual = crate::stats::median(&heights).unwrap_or(0.0);
    let held: Vec<bool> = heights.iter().map(|h| *h > SUPPORT.max(0.3 * usual)).collect();
    let mut level = reading.level_db.clone();
    level.sort_by(f32::total_cmp);
    let quiet = level[n / 2] - QUIET_DB;
    let steady: Vec<bool> = (0..n)
        .map(|i| {
            let near = i.saturating_sub(NEIGHBOURS)..(i + NEIGHBOURS + 1).min(n);
            let share = near.clone().filter(|j| held[*j]).count() as f64 / near.len() as f64;
            let even = jerk(&refined[near]).is_some_and(|j| j < LARGEST_LOCAL_JERK);
            share > 0.5 && even && reading.level_db[i] > quiet
        })
        .collect();
    let from = reading.entrance.unwrap_or(0);
    let mut runs: Vec<Range<usize>> = Vec::new();
    for (i, is_steady) in steady.into_iter().enumerate().skip(from) {
        match runs.last_mut() {
            // One weak beat inside a run is kept: somebody rested there.
            Some(run) if is_steady && !pulse.restarts.contains(&i) && i <= run.end + WEAK_INSIDE => run.end = i + 1,
            _ if is_steady => runs.push(i..i + 1),
            _ => {}
        }
    }
    for run in &mut runs {
        while run.start < run.end && !held[run.start] {
            run.start += 1;
        }
        while run.end > run.start && !held[run.end - 1] {
            run.end -= 1;
        }
    }
    runs.retain(|r| r.len() >= SHORTEST_RUN);
    join_rests(runs, pulse, refined)
}

/// Joins runs between which the beat goes on evenly: the band rested in time.
fn join_rests(runs: Vec<Range<usize>>, pulse: &Pulse, refined: &[f64]) -> Vec<Range<usize>> {
    let lengths = |r: Range<usize>| -> Vec<f64> { refined[r].windows(2).map(|w| w[1] - w[0]).collect() };
    let mut out: Vec<Range<usize>> = Vec::new();
    for run in runs {
        if let Some(last) = out.last_mut() {
            let around = lengths(last.end.saturating_sub(SHORTEST_RUN)..(run.start + SHORTEST_RUN).min(run.end));
            let middle = crate::stats::median(&around).unwrap_or(0.0);
            let even = around.iter().all(|l| (l / middle - 1.0).abs() < LARGEST_REST_CHANGE);
            let goes_on = !pulse.restarts.iter().any(|r| *r >= last.end && *r <= run.start);
            if even && goes_on && run.start - last.end <= LONGEST_REST {
                last.end = run.end;
                continue;
            }
        }
        out.push(run);
    }
    out
}
