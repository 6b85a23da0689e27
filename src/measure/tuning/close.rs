//! The bass through a recorder close to it: note by note, each as a note alone.
//!
//! Conventions: offsets in cents from equal temperament at A4 = 440 Hz on the close recording's own clock, plus = sharp.
//!
//! Method: the notes of the bass line, each with its period ([`super::period`]); the offset of a take is the middle (weighted
//! median) of its notes on the circle of a semitone. The interval is the scatter of the notes and what is known of the method.
//!
//! Limits: the pitch is that of what sounds. Recorded basses sound 1 to 11 cents sharp while a note of 0.3 to 0.5 s lasts, against the
//! same note left to ring for 1.6 s; a stiff string's period lies above its fundamental (4.3 cents on the demo band's). Others
//! that leak into the recording pull it towards their own tuning.
//! Accuracy: fourteen mixes (`benches/close`, others 11 to 24 dB under the bass) against the periods of the dry stems by another
//! program: middle 0.7 cents, eleven within 1, worst 5.1 (a bass 25 cents sharp, the others 11 dB under it).

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

use super::TuningReading;
use super::compact::{HOP_S, frame_at};
use super::line::{LongTermLevel, bass_runs};
use super::period::CloseNote;

/// A note is read when it lasts at least this many frames (0.24 s).
const SHORTEST: usize = 6;
/// Notes of a take that make an offset.
const FEWEST: usize = 8;
/// Notes further than this from the middle are misread, cents.
const NEAR_CENTS: f64 = 25.0;
/// A note counts by its length, up to this, s.
const LONGEST_WEIGHT_S: f64 = 1.0;
/// Known error besides the scatter (95 %), cents: what leaks into the recording. With the others 14 dB under the bass or more it would be
/// a fifth of this.
const SYSTEMATIC_CENTS: f64 = 5.0;

/// The notes of the bass line in each of `takes` (seconds of the close recording).
pub fn close_notes(reading: &TuningReading, takes: &[(f64, f64)]) -> Vec<Vec<CloseNote>> {
    let store = &reading.store;
    let at = |s: f64| frame_at(s).min(store.frames());
    let frames: Vec<(usize, usize)> = takes.iter().map(|t| (at(t.0), at(t.1))).collect();
    let level = LongTermLevel::of(store, &frames);
    let of_take = |&(first, end): &(usize, usize)| {
        let runs = bass_runs(&store.view(), &level, first, end);
        runs.iter()
            .filter(|r| r.end - r.first >= SHORTEST)
            .map(|r| CloseNote { start_s: r.first as f64 * HOP_S, end_s: r.end as f64 * HOP_S, midi: r.midi })
            .collect()
    };
    frames.iter().map(of_take).collect()
}

/// Offset of the bass from its notes and their pitches.
///
/// # Not measurable
/// `too_few_notes` with fewer than eight clear notes.
pub fn close_bass(notes: &[(CloseNote, Option<f64>)]) -> Measured {
    let clear: Vec<(f64, f64)> = notes
        .iter()
        .filter_map(|(note, cents)| Some(((*cents)?, (note.end_s - note.start_s).min(LONGEST_WEIGHT_S))))
        .collect();
    middle(&clear)
}

fn wrap(cents: f64) -> f64 {
    (cents + 50.0).rem_euclid(100.0) - 50.0
}

/// The middle of the notes' offsets on the circle of a semitone.
fn middle(notes: &[(f64, f64)]) -> Measured {
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (cents, weight) in notes {
        let angle = cents / 100.0 * std::f64::consts::TAU;
        (sine, cosine) = (sine + weight * angle.sin(), cosine + weight * angle.cos());
    }
    let round = 100.0 * f64::atan2(sine, cosine) / std::f64::consts::TAU;
    let all: Vec<(f64, f64)> = notes.iter().map(|(c, w)| (wrap(c - round), *w)).collect();
    let Some(rest) = weighted_median(&all) else { return Measured::absent("too_few_notes") };
    let near: Vec<(f64, f64)> = all.into_iter().filter(|(c, _)| (c - rest).abs() < NEAR_CENTS).collect();
    if near.len() < FEWEST {
        return Measured::absent("too_few_notes");
    }
    let total: f64 = near.iter().map(|n| n.1).sum();
    let squares: f64 = near.iter().map(|(c, w)| w * (c - rest).powi(2)).sum::<f64>() / total;
    // A median of normal scatter is 1.2533 times as uncertain as a mean.
    let scatter = 1.96 * 1.2533 * (squares / near.len() as f64).sqrt();
    Measured::symmetric(wrap(round + rest), scatter.hypot(SYSTEMATIC_CENTS), near.len() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn misread_notes_do_not_move_the_middle_and_the_circle_has_no_edge() {
        let mut notes: Vec<(f64, f64)> = (0..20).map(|i| (3300.0 + 49.0 + f64::from(i % 5), 0.5)).collect();
        notes.extend([(3310.0, 0.5), (3390.0, 0.5)]);
        let m = middle(&notes);
        let off = wrap(m.value.unwrap() - 51.0);
        assert!(off.abs() < 0.1, "{m:?}");
        assert_eq!(m.n, Some(20));
        assert_eq!(middle(&notes[..7]).reason.as_deref(), Some("too_few_notes"));
    }
}
