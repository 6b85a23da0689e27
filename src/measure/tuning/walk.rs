//! The bass line where [`super::line`] does not make the bass clear: which note it plays in each frame of a take, by a network.
//!
//! Conventions: as in [`super::line`], on a grid of semitones that stands at the quarter nearest to the bass.
//!
//! Method: what every key's multiples sound like ([`super::walk_rows`]) is judged by a small network, with the frames around
//! ([`super::walk_net`]). The best path through its answers (Viterbi) jumps at a fixed cost, and falls silent where no bass sounds. The grid
//! stands first where the strongest keys sound best, then where the notes so found lie.
//!
//! Limits: fitted on mixes, not on recorders close to the bass, where it finds fewer notes. It takes part of a note's attack with it, so that
//! basses which are clear already are told no better by it, and whether notes still fall is told worse.

use rayon::prelude::*;

use super::circle::mean;
use super::compact::PeakStore;
use super::line::{LongTermLevel, Run};
use super::offset::strongest_near;
use super::walk_net::{Answer, REACH, answers};
use super::walk_rows::{KEYS, Listener, PLACES_OF_GRID, strongest};
use crate::units::midi_to_hz;

/// Cost of a jump to another key and of one into silence, in nats.
const JUMP_COST: f64 = 2.0;
const SILENCE_COST: f64 = 1.2;
/// Frames whose answers are found together; what is heard around them is heard anew.
const TOGETHER: usize = 256;
/// Frames at the start of a note that are left out: until then half of the window still holds the note before.
const BEGUN: usize = 1;
/// Every so many frames say where the grid stands at first.
const SAMPLED: usize = 4;

/// The runs of the bass line in frames `first..end`.
pub fn walking_runs(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> Vec<Run> {
    let place = sounding_place(store, level, first, end);
    let runs = runs_at(store, level, (first, end), place);
    match standing_place(store, &runs) {
        Some(better) if better != place => runs_at(store, level, (first, end), better),
        _ => runs,
    }
}

/// The place of the grid at which its strongest keys sound best.
fn sounding_place(store: &PeakStore, level: &LongTermLevel, first: usize, end: usize) -> usize {
    let mut listener = Listener::new(store, level, (first, end), 0);
    let mut best = (0, f32::MIN);
    for place in 0..PLACES_OF_GRID {
        listener = listener.at(place);
        let sum = (first..end).step_by(SAMPLED).map(|i| strongest(&listener.rows(store, i))).sum();
        if sum > best.1 {
            best = (place, sum);
        }
    }
    best.0
}

/// The place of the grid nearest to the notes of the runs, by their first two partials.
fn standing_place(store: &PeakStore, runs: &[Run]) -> Option<usize> {
    let offsets = runs.iter().flat_map(|run| {
        (run.first..run.end).flat_map(move |frame| {
            [1.0, 2.0].into_iter().filter_map(move |number| {
                let (away, _) = strongest_near(store.frame(frame), number * midi_to_hz(run.midi))?;
                Some((100.0 * run.midi + away, 1.0))
            })
        })
    });
    let (_, cents) = mean(offsets)?;
    Some((cents / 100.0 * PLACES_OF_GRID as f64).round().rem_euclid(PLACES_OF_GRID as f64) as usize)
}

fn runs_at(store: &PeakStore, level: &LongTermLevel, frames: (usize, usize), place: usize) -> Vec<Run> {
    let listener = Listener::new(store, level, frames, place);
    let path = best_path(&heard(store, &listener, frames));
    runs(&path, frames.0, |key| listener.midi(key))
}

/// What the network answers for every frame.
fn heard(store: &PeakStore, listener: &Listener, (first, end): (usize, usize)) -> Vec<Answer> {
    let starts: Vec<usize> = (first..end).step_by(TOGETHER).collect();
    let piece = |start: &usize| {
        let store = &store.view();
        let until = (start + TOGETHER).min(end);
        let (from, to) = (start.saturating_sub(REACH).max(first), (until + REACH).min(end));
        let frames: Vec<_> = (from..to).map(|index| listener.rows(store, index)).collect();
        answers(&frames, (REACH - (start - from), REACH - (to - until)))
    };
    starts.par_iter().flat_map_iter(piece).collect()
}

/// Best key of each frame; [`KEYS`] where the bass is silent.
fn best_path(scores: &[Answer]) -> Vec<usize> {
    let mut back: Vec<[u8; KEYS + 1]> = Vec::with_capacity(scores.len());
    let mut score = [0.0f64; KEYS + 1];
    for frame in scores {
        let best = top(&score);
        let mut from = [0u8; KEYS + 1];
        let before = score;
        for (state, (to, said)) in score.iter_mut().zip(frame).enumerate() {
            let jump = before[best] - if state == KEYS { SILENCE_COST } else { JUMP_COST };
            let (came, value) = if jump > before[state] { (best, jump) } else { (state, before[state]) };
            from[state] = came as u8;
            *to = value + f64::from(*said);
        }
        back.push(from);
    }
    let mut state = top(&score);
    let mut path = vec![KEYS; scores.len()];
    for (at, from) in path.iter_mut().zip(&back).rev() {
        *at = state;
        state = usize::from(from[state]);
    }
    path
}

/// Place of the largest.
fn top(score: &[f64; KEYS + 1]) -> usize {
    score.iter().enumerate().fold((0, f64::MIN), |m, (i, s)| if *s > m.1 { (i, *s) } else { m }).0
}

fn runs(path: &[usize], first: usize, midi: impl Fn(usize) -> f64) -> Vec<Run> {
    let mut start = first;
    let mut out = Vec::new();
    for stretch in path.chunk_by(|a, b| a == b) {
        let end = start + stretch.len();
        if stretch[0] < KEYS && stretch.len() > BEGUN {
            out.push(Run { first: start + BEGUN, end, midi: midi(stretch[0]) });
        }
        start = end;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    /// Notes of so many frames, `cents` off, each with the partials given.
    fn store_of(notes: &[(f64, usize)], cents: f64, partial_levels: &[f32]) -> PeakStore {
        let mut store = PeakStore::default();
        for &(midi, frames) in notes {
            let f0 = midi_to_hz(midi + cents / 100.0) as f32;
            let partial = |(i, a): (usize, &f32)| Peak { hz: f0 * (i + 1) as f32, amplitude: *a };
            let peaks: Vec<Peak> = partial_levels.iter().enumerate().map(partial).collect();
            (0..frames).for_each(|_| store.push(&peaks));
        }
        store
    }

    fn followed(store: &PeakStore) -> Vec<Run> {
        let end = store.frames();
        walking_runs(store, &LongTermLevel::of(store, &[(0, end)]), 0, end)
    }

    #[test]
    fn a_walking_line_is_followed_note_by_note_wherever_it_is_tuned() {
        let notes = [(28.0, 10), (33.0, 10), (35.0, 10), (38.0, 10), (43.0, 10), (40.0, 10)];
        for cents in [-50.0, -26.0, 0.0, 12.0, 30.0, 49.0] {
            let found = followed(&store_of(&notes, cents, &[0.1, 0.08, 0.05, 0.03, 0.02, 0.01]));
            assert_eq!(found.len(), notes.len(), "{cents}: {found:?}");
            for (i, (run, note)) in found.iter().zip(&notes).enumerate() {
                assert!((run.midi - note.0 - cents / 100.0).abs() <= 0.13, "{cents}: {run:?} {note:?}");
                assert!(run.first.abs_diff(10 * i) <= 3 && run.end.abs_diff(10 * i + 10) <= 3, "{cents}: {run:?}");
            }
        }
    }

    #[test]
    fn a_fundamental_15_db_under_its_partials_keeps_its_octave() {
        let notes = [(29.0, 12), (34.0, 12), (36.0, 12), (31.0, 12)];
        let found = followed(&store_of(&notes, 0.0, &[0.018, 0.1, 0.09, 0.06, 0.04, 0.03]));
        assert_eq!(found.len(), notes.len(), "{found:?}");
        assert!(found.iter().zip(&notes).all(|(run, note)| (run.midi - note.0).abs() <= 0.25), "{found:?}");
    }

    #[test]
    fn silence_has_no_run() {
        assert!(followed(&store_of(&[(28.0, 50)], 0.0, &[])).is_empty());
        assert!(followed(&PeakStore::default()).is_empty());
    }

    #[test]
    fn the_path_stays_where_a_jump_costs_more_than_it_earns() {
        let answer = |key: usize, by: f32| std::array::from_fn(|k| if k == key { -0.1 } else { -0.1 - by });
        let held = |between: f32| {
            best_path(&[answer(3, 2.0), answer(3, 2.0), answer(9, between), answer(3, 2.0), answer(3, 2.0)])
        };
        assert_eq!(held(3.9), [3; 5], "there and back costs four");
        assert_eq!(held(4.1), [3, 3, 9, 3, 3]);
        assert_eq!(best_path(&[]), Vec::<usize>::new());
    }
}
