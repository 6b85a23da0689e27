//! Which pulse is the beat, and where the bars begin: hypotheses, their scores, and the places of the beats in their bars.
//!
//! Conventions: scores are log-odds up to a constant; places in the bar count from 0 here.

use super::evidence::{BeatReadings, LEVEL_FEATURES, PHASE_FEATURES};
use super::pulses::Pulse;
use super::weights::{ENTRANCE_WEIGHT, LEVEL_WEIGHTS, PHASE_WEIGHTS, WALTZ_BIAS, WALTZ_WEIGHTS};

/// Beats in a bar that are tried.
const METERS: [usize; 2] = [4, 3];
/// Cost, in units of a beat's phase score, of a bar that does not go on as expected.
const PHASE_JUMP_COST: f32 = 120.0;
/// The same at a restart.
const PHASE_RESTART_COST: f32 = 40.0;
/// Softness of the comparison with a marked tempo, octaves.
const MARKED_TEMPO_OCTAVES: f64 = 0.12;

/// What the sheet says about the take, if there is a sheet.
#[derive(Clone, Copy, Debug, Default)]
pub struct TimeHints {
    /// Marked tempo, beats a minute.
    pub marked_bpm: Option<f64>,
    /// Beats in a bar, 3 or 4.
    pub beats_in_bar: Option<usize>,
}

/// One reading of a span: this pulse is the beat, and bars of `meter` begin at `first`.
pub struct Hypothesis {
    /// Place of the pulse among the candidates.
    pub pulse: usize,
    /// Beats in a bar.
    pub meter: usize,
    /// First beat that is a downbeat.
    pub first: usize,
    /// Log-odds of the level and the metre.
    pub level: f64,
    /// Log-odds of the phase.
    pub phase: f64,
}

/// Scores one candidate pulse in bars of four and three at every phase.
pub fn score_pulse(pulse: usize, reading: &BeatReadings, hints: &TimeHints) -> Vec<Hypothesis> {
    let mut out = Vec::new();
    let row = reading.level_row();
    let plain: f64 = row.iter().zip(&LEVEL_WEIGHTS).map(|(x, w)| f64::from(*x) * w).sum();
    let marked = hints.marked_bpm.map_or(0.0, |m| ((reading.bpm / m).log2() / MARKED_TEMPO_OCTAVES).powi(2).min(40.0));
    for meter in METERS {
        if hints.beats_in_bar.is_some_and(|m| METERS.contains(&m) && m != meter) {
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
pub fn bar_places(reading: &BeatReadings, restarts: &[usize], meter: usize) -> Vec<usize> {
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
pub fn probabilities(all: &[Hypothesis], best: &Hypothesis, pulses: &[Pulse]) -> (f64, f64) {
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
