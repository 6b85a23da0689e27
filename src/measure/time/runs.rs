//! Beats on the onsets around them, and the stretches in which the band plays steadily.
//!
//! Conventions: beats are fractional frames of the span; a run is a range of places in the pulse.

use std::ops::Range;

use super::evidence::BeatReadings;
use super::pulses::Pulse;
use crate::dsp::smooth::whittaker;

/// Frames to each side in which a beat's onset is looked for.
const ONSET_REACH_FRAMES: f64 = 6.0;
/// Stiffness of the beat smoother: onset variance over the variance of the tempo's wander from beat to beat.
const BEAT_STIFFNESS: f64 = 6.0;
/// A beat is supported when the curve there is above this, standard deviations.
pub const SUPPORT: f64 = 0.6;
/// The same within a few beats.
const LARGEST_LOCAL_JERK: f64 = 0.02;
/// Beats to each side that are looked at for steadiness.
const NEIGHBOURS: usize = 3;
/// Weak beats in a row that do not end a run.
const WEAK_INSIDE: usize = 1;
/// Longest rest in time that does not part two runs, beats.
const LONGEST_REST: usize = 6;
/// Largest deviation of a beat's length around a rest in time, as a share.
const LARGEST_REST_CHANGE: f64 = 0.05;
/// Largest distance of the first onset after a rest from where the beat would have gone on, beats.
const LARGEST_REST_PHASE: f64 = 0.2;
/// Shortest run of beats that is kept.
const SHORTEST_RUN: usize = 8;
/// A beat this far below the median level lies outside the music, dB.
const QUIET_DB: f32 = 12.0;

/// Peak of the curve near a place: fractional frame and height.
pub fn peak_near(curve: &[f32], place: f64) -> (f64, f64) {
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
pub fn refine(curve: &[f32], pulse: &Pulse) -> Vec<f64> {
    let mut edges = pulse.restarts.clone();
    edges.push(pulse.beats.len());
    edges.windows(2).flat_map(|stretch| smoothed(curve, &pulse.beats[stretch[0]..stretch[1]])).collect()
}

/// One stretch of beats, moved onto the onsets around them and smoothed; onsets far from the beat weigh little.
pub fn smoothed(curve: &[f32], beats: &[f64]) -> Vec<f64> {
    let mut smooth = beats.to_vec();
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
    smooth
}

/// The stretches of full and steady playing: onsets hold on nearby, the level is that of the music, the beat is even.
pub fn steady_runs(reading: &BeatReadings, pulse: &Pulse, refined: &[f64], onsets: &[(f64, f64)]) -> Vec<Range<usize>> {
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
    join_rests(runs, pulse, refined, onsets)
}

/// Joins runs between which the beat goes on evenly: the band rested in time.
fn join_rests(runs: Vec<Range<usize>>, pulse: &Pulse, refined: &[f64], onsets: &[(f64, f64)]) -> Vec<Range<usize>> {
    let lengths = |r: Range<usize>| -> Vec<f64> { refined[r].windows(2).map(|w| w[1] - w[0]).collect() };
    let mut out: Vec<Range<usize>> = Vec::new();
    for run in runs {
        if let Some(last) = out.last_mut() {
            let around = lengths(last.end.saturating_sub(SHORTEST_RUN)..(run.start + SHORTEST_RUN).min(run.end));
            let middle = crate::stats::median(&around).unwrap_or(0.0);
            let even = around.iter().all(|l| (l / middle - 1.0).abs() < LARGEST_REST_CHANGE);
            let goes_on = !pulse.restarts.iter().any(|r| *r >= last.end && *r <= run.start);
            // The smoother bends the beats of a stop into time: ask the onsets on both sides.
            let rest = (onsets[run.start].0 - onsets[last.end - 1].0) / middle;
            let in_phase = (rest - rest.round()).abs() < LARGEST_REST_PHASE;
            if even && goes_on && in_phase && run.start - last.end <= LONGEST_REST {
                last.end = run.end;
                continue;
            }
        }
        out.push(run);
    }
    out
}

/// Median change of a beat's length from one beat to the next, as a share of the beat.
pub fn jerk(beats: &[f64]) -> Option<f64> {
    let gaps: Vec<f64> = beats.windows(2).map(|w| w[1] - w[0]).collect();
    let changes: Vec<f64> = gaps.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    Some(crate::stats::median(&changes)? / crate::stats::median(&gaps)?)
}
