//! The bass line: which note the bass plays in each frame of a take.
//!
//! Conventions: pitches are fractional MIDI numbers on a grid of quarter semitones; a run is a stretch of frames in which
//! the line holds one note.
//!
//! Method: every spectral peak votes for the fundamentals of which it may be a partial (harmonic sum), after the peaks were
//! levelled by the long-term spectrum and by each frame's own power; the best path through the votes (Viterbi) prefers to
//! stay, may jump at a fixed cost, and may fall silent. Low peaks vote more than high ones, since nothing but bass and kick
//! plays below about 125 Hz.
//!
//! Limits: a comping instrument much louder than the bass, or a recorder deaf below 150 Hz, leads the line to other notes;
//! the fit in [`super::bass`] then finds little support below 130 Hz and says so.

use crate::dsp::peaks::Peak;
use crate::stats::quantile;

use super::compact::PeakStore;

/// Lowest pitch looked for: B0 of a five-string bass less a semitone.
const LOWEST_MIDI: f64 = 22.0;
/// Steps of the grid a semitone.
const STEPS_PER_SEMITONE: f64 = 4.0;
/// Highest pitch looked for: D3; higher bass notes are left to the comping instruments.
const HIGHEST_MIDI: f64 = 50.0;
const STATES: usize = ((HIGHEST_MIDI - LOWEST_MIDI) * STEPS_PER_SEMITONE) as usize + 1;
/// Partials that vote, and how much less each next one counts.
const PARTIALS: usize = 8;
const DECAY: f64 = 0.7;
/// A vote spreads over +-0.56 semitones around its pitch.
const VOTE_HALF_WIDTH: f64 = 0.56;
/// Weight of a peak falls to a half at this frequency, with 12 dB an octave above.
const LOW_PASS_HZ: f64 = 300.0;
/// Share of the long-term level that is taken out of every peak's level (exponent).
const LEVELLING: f64 = 0.9;
/// Cost of pitch above E2, in votes an octave.
const HEIGHT_COST: f64 = 0.7;
const HEIGHT_FROM_MIDI: f64 = 40.0;
/// Cost of a jump; votes are scaled so that a clear note has 3.
const JUMP_COST: f64 = 3.0;
const STEP_COST: f64 = 0.15;
const CLEAR_VOTE: f64 = 3.0;
/// What silence earns a frame.
const SILENT_VOTE: f64 = 1.0;
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

/// Long-term level of the peaks, for levelling: natural log of the amplitude in bands of two semitones from 20 Hz.
#[derive(Clone, Debug)]
pub struct LongTermLevel {
    bands: Vec<f64>,
}

const BANDS: usize = 40;

fn band_place(hz: f64) -> f64 {
    (hz.max(20.0) / 20.0).log2() * 6.0
}

impl LongTermLevel {
    /// Over the given frames.
    pub fn of(store: &PeakStore, spans: &[(usize, usize)]) -> Self {
        let mut power = vec![0.0f64; BANDS];
        let mut frames = 0usize;
        for &(first, end) in spans {
            for index in first..end {
                frames += 1;
                for p in store.frame(index) {
                    let band = (band_place(f64::from(p.hz)) as usize).min(BANDS - 1);
                    power[band] += f64::from(p.amplitude).powi(2);
                }
            }
        }
        let level: Vec<f64> = power.iter().map(|p| (p / frames.max(1) as f64 + 1e-12).ln() / 2.0).collect();
        let at = |i: isize| level[i.clamp(0, BANDS as isize - 1) as usize];
        let bands = (0..BANDS as isize)
            .map(|i| (at(i - 2) + 2.0 * at(i - 1) + 3.0 * at(i) + 2.0 * at(i + 1) + at(i + 2)) / 9.0)
            .collect();
        Self { bands }
    }

    fn amplitude(&self, hz: f64) -> f64 {
        let place = (band_place(hz) - 0.5).clamp(0.0, (BANDS - 1) as f64);
        let below = (place as usize).min(BANDS - 2);
        let rest = place - below as f64;
        (self.bands[below] * (1.0 - rest) + self.bands[below + 1] * rest).exp()
    }
}

/// The runs of the bass line in frames `first..end`.
pub fn bass_runs(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> Vec<Run> {
    let votes = votes(store, level, first, end);
    let path = best_path(&votes);
    runs(&path, first)
}

/// Levelled peak amplitudes of one frame.
fn levelled(peaks: &[Peak], level: &LongTermLevel) -> Vec<f64> {
    peaks.iter().map(|p| f64::from(p.amplitude) / level.amplitude(f64::from(p.hz)).powf(LEVELLING)).collect()
}

fn votes(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> Vec<Vec<f32>> {
    let frames: Vec<Vec<Peak>> = (first..end).map(|i| store.frame(i).collect()).collect();
    let weights: Vec<Vec<f64>> = frames.iter().map(|f| levelled(f, level)).collect();
    let largest: Vec<f64> = weights.iter().map(|w| w.iter().copied().fold(0.0, f64::max)).collect();
    let quiet = quantile(&largest, 0.3).unwrap_or(0.0) * 0.3;
    let mut all: Vec<Vec<f32>> =
        frames.iter().zip(&weights).map(|(peaks, weights)| frame_votes(peaks, weights, quiet)).collect();
    let best: Vec<f64> = all.iter().map(|v| f64::from(v.iter().copied().fold(0.0, f32::max))).collect();
    let scale = CLEAR_VOTE / quantile(&best, 0.7).filter(|q| *q > 0.0).unwrap_or(1.0);
    for frame in &mut all {
        for (state, v) in frame.iter_mut().enumerate() {
            let midi = LOWEST_MIDI + state as f64 / STEPS_PER_SEMITONE;
            *v = (f64::from(*v) * scale - HEIGHT_COST * (midi - HEIGHT_FROM_MIDI).max(0.0) / 12.0) as f32;
        }
    }
    all
}

fn frame_votes(peaks: &[Peak], weights: &[f64], quiet: f64) -> Vec<f32> {
    let power: f64 = peaks.iter().zip(weights).filter(|(p, _)| p.hz < 400.0).map(|(_, w)| w * w).sum();
    let norm = power.sqrt() + quiet;
    let mut sum = vec![0.0f32; STATES];
    if norm <= 0.0 {
        return sum;
    }
    let mut best = vec![0.0f32; STATES];
    for number in 1..=PARTIALS {
        best.fill(0.0);
        for (p, w) in peaks.iter().zip(weights) {
            let hz = f64::from(p.hz);
            let midi = crate::units::hz_to_midi(hz / number as f64);
            let vote = (w / norm).sqrt() / (1.0 + (hz / LOW_PASS_HZ).powi(2));
            let low = ((midi - VOTE_HALF_WIDTH - LOWEST_MIDI) * STEPS_PER_SEMITONE).ceil().max(0.0) as usize;
            let high = ((midi + VOTE_HALF_WIDTH - LOWEST_MIDI) * STEPS_PER_SEMITONE).floor();
            if high < 0.0 {
                continue;
            }
            for (state, b) in best.iter_mut().enumerate().take(high as usize + 1).skip(low) {
                let away = (LOWEST_MIDI + state as f64 / STEPS_PER_SEMITONE - midi).abs();
                *b = b.max((vote * (1.0 - away / VOTE_HALF_WIDTH).max(0.0)) as f32);
            }
        }
        let decay = DECAY.powi(number as i32 - 1) as f32;
        sum.iter_mut().zip(&best).for_each(|(s, b)| *s += decay * b);
    }
    sum
}

/// Best state of each frame; `STATES` means silent.
fn best_path(votes: &[Vec<f32>]) -> Vec<usize> {
    let mut back: Vec<Vec<u8>> = Vec::with_capacity(votes.len());
    let mut score = vec![0.0f64; STATES + 1];
    for (t, frame) in votes.iter().enumerate() {
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
            next[state] = choice.1 + if silent { SILENT_VOTE } else { f64::from(frame[state]) };
        }
        score = next;
        back.push(from);
    }
    let mut state = score.iter().enumerate().fold((0, f64::MIN), |m, (i, s)| if *s > m.1 { (i, *s) } else { m }).0;
    let mut path = vec![STATES; votes.len()];
    for t in (0..votes.len()).rev() {
        path[t] = state;
        state = back[t][state] as usize;
    }
    path
}

fn runs(path: &[usize], first: usize) -> Vec<Run> {
    let pitch = |state: usize| LOWEST_MIDI + state as f64 / STEPS_PER_SEMITONE;
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
