//! The bass through a recorder close to it: note by note, each as a note alone.
//!
//! Conventions: offsets in cents from equal temperament at A4 = 440 Hz on the close recording's own clock, plus = sharp.
//!
//! Method: the notes of the bass line, each read by the single-note detector without its attack; the offset of a take is the
//! middle (weighted median) of its notes on the circle of a semitone. The interval is the scatter of the notes and what is known of the method.
//!
//! Limits: a note's pitch is what its partials sound at, and those of one string do not agree: on recorded uprights the first and
//! the fourth lie up to 20 cents apart. Twelve mixes with known truth (`benches/close`), the others 11 to 17 dB under the bass: middle 2.3
//! cents off, within 0.5 on two; the worst 7.9, such an upright. With all partials the middle is 1.3 and five are within 0.5, but a
//! stiff string, whose pitch is that of its fundamental, is read 1.8 cents sharp.

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

use super::TuningReading;
use super::circle::{mean, wrap};
use super::compact::HOP_S;
use super::line::{LongTermLevel, bass_runs};
use super::single::single_note_of;

/// A note is read when it lasts at least this many frames (0.24 s).
const SHORTEST: usize = 6;
/// Notes of a take that make an offset.
const FEWEST: usize = 8;
/// Notes further than this from the middle are misread, cents.
const NEAR_CENTS: f64 = 25.0;
/// A note that is less certain than this by itself does not count, cents.
const CERTAIN_CENTS: f64 = 15.0;
/// Partials of a note that are measured: the upper ones of a stiff string are sharp.
const PARTIALS: u32 = 3;
/// Known error besides the scatter (95 %), cents: which partial leads the ear differs between basses. Held the truth on ten
/// of the twelve mixes that it was chosen on.
const SYSTEMATIC_CENTS: f64 = 5.0;

/// Offset of the bass in each of `takes` (seconds of the close recording).
///
/// # Not measurable
/// `too_few_notes` with fewer than eight clear notes.
pub fn close_bass(reading: &TuningReading, takes: &[(f64, f64)]) -> Vec<Measured> {
    let store = &reading.store;
    let frames: Vec<(usize, usize)> = takes.iter().map(|t| store.span(*t)).collect();
    let level = LongTermLevel::of(store, &frames);
    let of_take = |&(first, end): &(usize, usize)| {
        let store = &store.view();
        let runs = bass_runs(store, &level, first, end);
        let notes: Vec<(f64, f64)> = runs
            .iter()
            .filter(|r| r.end - r.first >= SHORTEST)
            .filter_map(|r| {
                let note = single_note_of(store, r.first as f64 * HOP_S, r.end as f64 * HOP_S, PARTIALS);
                let half = (note.high? - note.low?) / 2.0;
                let seconds = (r.end - r.first) as f64 * HOP_S;
                (half < CERTAIN_CENTS).then_some((note.value?, seconds.min(1.0)))
            })
            .collect();
        middle(&notes)
    };
    frames.iter().map(of_take).collect()
}

/// The middle of the notes' offsets on the circle of a semitone.
fn middle(notes: &[(f64, f64)]) -> Measured {
    let round = mean(notes.iter().copied()).map_or(0.0, |(_, place)| place);
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
