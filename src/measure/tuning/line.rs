//! The bass line: which note the bass plays in each frame of a take.
//!
//! Conventions: pitches are fractional MIDI numbers on a grid of quarter semitones; a run is a stretch of frames in which
//! the line holds one note.
//!
//! Method: for every pitch of the grid, the peaks that lie at its multiples, and at those fractions that would speak for
//! another pitch (a third, a half, three halves ...), are weighed into a score, after the peaks were levelled by the
//! long-term spectrum and by each frame's own power. The weights are those of a conditional logit, fitted on mixes with
//! known bass lines (`benches/tuning_fit`), so that a score is a log-likelihood. The best path through the scores (Viterbi)
//! prefers to stay, may jump at a fixed cost, and may fall silent where no pitch stands out.
//!
//! Limits: a comping instrument much louder than the bass, or a recorder deaf below 150 Hz, leads the line to other notes;
//! the fit in [`super::bass`] then finds little support below 130 Hz and says so.

use crate::stats::quantile;
use crate::units::hz_to_midi;

use super::compact::{PLACES, PeakStore, StoredPeak, midi_of_place, place_of};

/// Lowest pitch looked for: B0 of a five-string bass less a semitone.
pub const LOWEST_MIDI: f64 = 22.0;
/// Steps of the grid a semitone.
const STEPS_PER_SEMITONE: f64 = 4.0;
/// Highest pitch looked for: D3; higher bass notes are left to the comping instruments.
const HIGHEST_MIDI: f64 = 50.0;
const STATES: usize = ((HIGHEST_MIDI - LOWEST_MIDI) * STEPS_PER_SEMITONE) as usize + 1;
/// Multiples of a pitch whose peaks speak for it or against it, with their weight at MIDI 36 and the change of that weight
/// an octave up.
pub const EVIDENCE: [(f64, f64, f64); 18] = [
    (1.0 / 3.0, 0.05, 0.09),
    (0.5, -0.57, -0.51),
    (2.0 / 3.0, -0.63, -0.07),
    (1.0, 4.56, 1.31),
    (4.0 / 3.0, -0.95, -0.44),
    (1.5, -1.05, -0.11),
    (2.0, 5.89, 0.70),
    (2.5, -1.06, 0.58),
    (3.0, 5.30, -0.26),
    (3.5, -1.09, 0.08),
    (4.0, 2.87, -0.87),
    (4.5, -1.34, 0.19),
    (5.0, 2.52, -0.23),
    (6.0, 0.38, -0.21),
    (7.0, 2.54, -0.09),
    (8.0, 0.89, -1.42),
    (9.0, 0.69, 0.70),
    (10.0, -0.04, -0.55),
];
/// Prior of the register: linear and square term, in octaves from MIDI 36.
const REGISTER: [f64; 2] = [0.01, -2.05];
/// Where octaves are counted from.
pub const MIDDLE_MIDI: f64 = 36.0;
/// A peak speaks for pitches within this distance, semitones, less towards the edge.
pub const HALF_WIDTH: f64 = 0.6;
/// Share of the long-term level that is taken out of every peak's level (exponent).
const LEVELLING: f64 = 0.8;
/// Peaks below this frequency make the power by which a frame is levelled, Hz.
const LEVELLED_BELOW_HZ: f64 = 400.0;
/// Cost of a jump and of a step of the grid, in nats.
const JUMP_COST: f64 = 3.0;
const STEP_COST: f64 = 0.5;
/// What silence earns a frame: as much as a pitch with this share of the likelihood (ln 0.02).
const SILENT_SCORE: f64 = -3.9;
/// The weights were fitted on peaks below this frequency, and no multiple of the highest pitch that speaks lies above it.
const FITTED_BELOW_HZ: f64 = 1500.0;
/// A run ends when the line leaves this distance from where the run began, semitones.
const RUN_TOLERANCE: f64 = 0.6;

/// A stretch of frames on one note.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// First frame, tape count.
    pub first: usize,
    /// End, not included.
    pub end: usize,
    /// Median of the line, fractional MIDI number.
    pub midi: f64,
}

/// Long-term level of the peaks, for levelling, from their amplitudes in bands of two semitones from 20 Hz.
#[derive(Clone, Debug)]
pub struct LongTermLevel {
    /// What the amplitude of a peak is multiplied by, for every place of the stored scale.
    gains: Vec<f32>,
}

const BANDS: usize = 40;

/// Place among the bands of a pitch.
fn band_place(midi: f64) -> f64 {
    // 20 Hz.
    const LOWEST_BAND_MIDI: f64 = 15.486_820_576_352_43;
    (midi - LOWEST_BAND_MIDI).max(0.0) / 2.0
}

impl LongTermLevel {
    /// Over the given frames.
    pub fn of(store: &PeakStore, spans: &[(usize, usize)]) -> Self {
        let mut power = vec![0.0f64; BANDS];
        let mut frames = 0usize;
        for &(first, end) in spans {
            let store = store.view();
            for index in first..end {
                frames += 1;
                for p in fitted(&store, index) {
                    let band = (band_place(p.midi()) as usize).min(BANDS - 1);
                    power[band] += p.amplitude().powi(2);
                }
            }
        }
        let level: Vec<f64> = power.iter().map(|p| (p / frames.max(1) as f64 + 1e-12).ln() / 2.0).collect();
        let at = |i: isize| level[i.clamp(0, BANDS as isize - 1) as usize];
        let bands: Vec<f64> = (0..BANDS as isize)
            .map(|i| (at(i - 2) + 2.0 * at(i - 1) + 3.0 * at(i) + 2.0 * at(i + 1) + at(i + 2)) / 9.0)
            .collect();
        let gain = |place| (-LEVELLING * log_amplitude(&bands, midi_of_place(place))).exp() as f32;
        Self { gains: (0..PLACES).map(gain).collect() }
    }

    /// Amplitude of a peak, levelled.
    fn levelled(&self, peak: StoredPeak) -> f64 {
        peak.amplitude() * f64::from(self.gains[peak.place()])
    }
}

/// Natural logarithm of the long-term amplitude around a pitch.
fn log_amplitude(bands: &[f64], midi: f64) -> f64 {
    let place = (band_place(midi) - 0.5).clamp(0.0, (BANDS - 1) as f64);
    let below = (place as usize).min(BANDS - 2);
    let rest = place - below as f64;
    bands[below] * (1.0 - rest) + bands[below + 1] * rest
}

/// The runs of the bass line in frames `first..end`.
pub fn bass_runs(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> Vec<Run> {
    let path = best_path(&scores(store, level, first, end));
    runs(&path, first)
}

/// Peaks of a frame that the weights know.
fn fitted(store: &PeakStore, index: usize) -> impl Iterator<Item = StoredPeak> + '_ {
    let end = place_of(FITTED_BELOW_HZ);
    store.stored(index).take_while(move |p| p.place() < end)
}

/// A frame counts as this share of one that is louder than three in ten, at least: what stands alone in near silence is no note.
const QUIET: (f64, f64) = (0.3, 0.3);

/// Added to the amplitude of each of frames `first..end` before it is levelled by its own power.
pub fn quiet(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> f64 {
    let loudest = |i| fitted(store, i).map(|p| level.levelled(p)).fold(0.0, f64::max);
    let largest: Vec<f64> = (first..end).map(loudest).collect();
    quantile(&largest, QUIET.0).unwrap_or(0.0) * QUIET.1
}

/// Pitch and strength of the peaks of a frame, levelled; `None` where all is silent.
pub fn voices(store: &PeakStore, level: &LongTermLevel, quiet: f64, index: usize) -> Option<Vec<(f64, f64)>> {
    let limit = hz_to_midi(LEVELLED_BELOW_HZ);
    let mut peaks: Vec<(f64, f64)> = fitted(store, index).map(|p| (p.midi(), level.levelled(p))).collect();
    let power: f64 = peaks.iter().filter(|(midi, _)| *midi < limit).map(|(_, w)| w * w).sum();
    let norm = power.sqrt() + quiet;
    if norm <= 0.0 {
        return None;
    }
    peaks.iter_mut().for_each(|(_, w)| *w = (*w / norm).sqrt());
    Some(peaks)
}

/// Log-likelihood of every pitch in every frame.
fn scores(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> Vec<Vec<f32>> {
    let quiet = quiet(store, level, first, end);
    let (kinds, register) = (kinds(), register());
    let frame = |i| match voices(store, level, quiet, i) {
        Some(voices) => frame_scores(&voices, &kinds, &register),
        None => vec![-100.0; STATES],
    };
    (first..end).map(frame).collect()
}

/// One kind of evidence, ready for the grid.
struct Kind {
    /// How far above a pitch its peaks lie, steps.
    above: f32,
    /// Weight for each state.
    weights: Vec<f32>,
}

fn kinds() -> Vec<Kind> {
    EVIDENCE
        .iter()
        .map(|(multiple, weight, slope)| Kind {
            above: (12.0 * multiple.log2() * STEPS_PER_SEMITONE) as f32,
            weights: (0..STATES).map(|s| (weight + slope * octaves(s)) as f32).collect(),
        })
        .collect()
}

/// Prior of each state.
fn register() -> Vec<f32> {
    (0..STATES).map(|s| (REGISTER[0] * octaves(s) + REGISTER[1] * octaves(s).powi(2)) as f32).collect()
}

fn octaves(state: usize) -> f64 {
    (pitch(state) - MIDDLE_MIDI) / 12.0
}

fn pitch(state: usize) -> f64 {
    LOWEST_MIDI + state as f64 / STEPS_PER_SEMITONE
}

/// A peak speaks for states within this many steps.
const REACH: f32 = (HALF_WIDTH * STEPS_PER_SEMITONE) as f32;
/// States that one peak may speak for, and some more that fill the processor's registers.
const TOUCHED: usize = 8;
/// States before the nearest lower one that are touched.
const BEFORE: usize = REACH as usize;
/// The grid with room for what is touched on both sides.
const ROOM: usize = STATES + 2 * TOUCHED;

fn frame_scores(voices: &[(f64, f64)], kinds: &[Kind], register: &[f32]) -> Vec<f32> {
    let mut sum = register.to_vec();
    // Steps from the room's beginning, and strength.
    let voice = |(midi, strength): &(f64, f64)| {
        (((midi - LOWEST_MIDI) * STEPS_PER_SEMITONE) as f32 + TOUCHED as f32, *strength as f32)
    };
    let voices: Vec<(f32, f32)> = voices.iter().map(voice).collect();
    let mut best = [0.0f32; ROOM];
    for Kind { above, weights } in kinds {
        best.fill(0.0);
        for (step, strength) in &voices {
            let step = step - above;
            if step < TOUCHED as f32 - REACH || step > (TOUCHED + STATES - 1) as f32 + REACH {
                continue;
            }
            speak(&mut best, step, *strength);
        }
        sum.iter_mut().zip(&best[TOUCHED..]).zip(weights).for_each(|((s, b), w)| *s += w * b);
    }
    // The grid is finer than the semitones that the weights were fitted on: its pitches share the likelihood.
    let top = sum.iter().copied().fold(f32::MIN, f32::max);
    let total: f32 = sum.iter().map(|s| (s - top).exp()).sum::<f32>() / STEPS_PER_SEMITONE as f32;
    sum.iter_mut().for_each(|s| *s -= top + total.ln());
    sum
}

/// Raises the states around a peak to what it says for them, less with the distance; states out of its reach, for which this
/// would be negative, stay as they are.
fn speak(best: &mut [f32; ROOM], step: f32, strength: f32) {
    let first = step as usize - BEFORE;
    let from = first as f32 - step;
    for (i, b) in best[first..first + TOUCHED].iter_mut().enumerate() {
        let said = strength * (1.0 - (from + i as f32).abs() / REACH);
        *b = if said > *b { said } else { *b };
    }
}

/// Best state of each frame; `STATES` means silent.
fn best_path(scores: &[Vec<f32>]) -> Vec<usize> {
    let mut back: Vec<Vec<u8>> = Vec::with_capacity(scores.len());
    let mut score = vec![0.0f64; STATES + 1];
    for (t, frame) in scores.iter().enumerate() {
        let mut from = vec![0u8; STATES + 1];
        let mut next = vec![0.0f64; STATES + 1];
        let (top, best) = score.iter().enumerate().fold((0, f64::MIN), |m, (i, s)| if *s > m.1 { (i, *s) } else { m });
        for state in 0..=STATES {
            let silent = state == STATES;
            let mut choice = (state, score[state]);
            if !silent && state > 0 && score[state - 1] - STEP_COST > choice.1 {
                choice = (state - 1, score[state - 1] - STEP_COST);
            }
            if !silent && state + 1 < STATES && score[state + 1] - STEP_COST > choice.1 {
                choice = (state + 1, score[state + 1] - STEP_COST);
            }
            let jump = best - if silent { JUMP_COST * 0.6 } else { JUMP_COST };
            if jump > choice.1 && t > 0 {
                choice = (top, jump);
            }
            from[state] = choice.0 as u8;
            next[state] = choice.1 + if silent { SILENT_SCORE } else { f64::from(frame[state]) };
        }
        score = next;
        back.push(from);
    }
    let mut state = score.iter().enumerate().fold((0, f64::MIN), |m, (i, s)| if *s > m.1 { (i, *s) } else { m }).0;
    let mut path = vec![STATES; scores.len()];
    for t in (0..scores.len()).rev() {
        path[t] = state;
        state = back[t][state] as usize;
    }
    path
}

fn runs(path: &[usize], first: usize) -> Vec<Run> {
    let mut out = Vec::new();
    let mut start = 0;
    while start < path.len() {
        if path[start] == STATES {
            start += 1;
            continue;
        }
        let begin = pitch(path[start]);
        let length =
            path[start..].iter().take_while(|s| **s < STATES && (pitch(**s) - begin).abs() <= RUN_TOLERANCE).count();
        let pitches: Vec<f64> = path[start..start + length].iter().map(|s| pitch(*s)).collect();
        let midi = crate::stats::median(&pitches).unwrap_or(begin);
        out.push(Run { first: first + start, end: first + start + length, midi });
        start += length;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    fn store_of(notes: &[(f64, usize)], partial_levels: &[f32]) -> PeakStore {
        let mut store = PeakStore::default();
        for &(midi, frames) in notes {
            let f0 = crate::units::midi_to_hz(midi) as f32;
            let peaks: Vec<Peak> = partial_levels
                .iter()
                .enumerate()
                .map(|(i, a)| Peak { hz: f0 * (i + 1) as f32, amplitude: *a })
                .collect();
            (0..frames).for_each(|_| store.push(&peaks));
        }
        store
    }

    #[test]
    fn a_walking_line_is_followed_note_by_note() {
        let notes = [(28.0, 10), (33.1, 10), (35.0, 10), (38.0, 10), (43.0, 10), (40.0, 10)];
        let store = store_of(&notes, &[0.1, 0.08, 0.05, 0.03, 0.02, 0.01]);
        let level = LongTermLevel::of(&store, &[(0, 60)]);
        let found = bass_runs(&store, &level, 0, 60);
        assert_eq!(found.len(), notes.len(), "{found:?}");
        for (run, note) in found.iter().zip(&notes) {
            assert!((run.midi - note.0).abs() <= 0.13, "{run:?} {note:?}");
        }
    }

    #[test]
    fn a_fundamental_15_db_under_its_partials_keeps_its_octave() {
        let notes = [(29.0, 12), (34.0, 12), (36.0, 12), (31.0, 12)];
        let store = store_of(&notes, &[0.018, 0.1, 0.09, 0.06, 0.04, 0.03]);
        let level = LongTermLevel::of(&store, &[(0, 48)]);
        for (run, note) in bass_runs(&store, &level, 0, 48).iter().zip(&notes) {
            assert!((run.midi - note.0).abs() <= 0.25, "{run:?} {note:?}");
        }
    }

    #[test]
    fn silence_has_no_run() {
        let mut store = PeakStore::default();
        (0..50).for_each(|_| store.push(&[]));
        let level = LongTermLevel::of(&store, &[(0, 50)]);
        assert!(bass_runs(&store, &level, 0, 50).is_empty());
    }
}
