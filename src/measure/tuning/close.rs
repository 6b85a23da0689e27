//! The bass through a recorder close to it: note by note, each as a note alone.
//!
//! Conventions: offsets in cents from equal temperament at A4 = 440 Hz on the close recording's own clock, plus = sharp.
//!
//! Method: the notes of the bass line, each read by the single-note detector without its attack; the offset of a take is the
//! middle (weighted median) of its notes on the circle of a semitone. Where the recorder heard the open strings, ten partials are read, and
//! by how much notes of the take's usual length begin sharp is learnt from the strings, read the same way, against where they come to
//! rest ([`super::beginning`]), and the takes lean on where the strings stand themselves ([`super::strings_say`], [`super::leaning`]). Without them
//! three partials are read as they are: the upper ones of a stiff string are sharp. The interval is the scatter of the notes and what is known
//! of the method.
//!
//! Limits: a note's pitch is what its partials sound at, and those of one string do not agree: on recorded uprights the first and
//! the fourth lie up to 20 cents apart. Mixes with known truth (`benches/close`), the others 10 to 25 dB under the bass, its strings heard
//! before the take: of 28 basses by formula, whose pitch is exact, middle 0.45 cents off, mean 0.5, worst 1.5, the truth inside on all; of 60
//! recorded and sampled ones 0.6, 1.0, 4.1, inside on 59; fourteen of these were rendered when most of the rules stood. What a string begins sharp by is
//! one number for all strings: string by string was no nearer.

use crate::dsp::partials::weighted_median;
use crate::stats::{Measured, median};

use super::TuningReading;
use super::beginning::{Known, first_note, shared};
use super::circle::{mean, wrap};
use super::close_leaning::{NEAR_CENTS, Note, Take, lean_on};
use super::compact::{HOP_S, PeakStore};
use super::line::{LongTermLevel, Run, bass_runs};
use super::single::single_note_of;
use super::strings::{OpenString, soundings};

/// A note is read when it lasts at least this many frames (0.24 s).
const SHORTEST: usize = 6;
/// Notes of a take that make an offset.
const FEWEST: usize = 8;
/// A note that is less certain than this by itself does not count, cents.
const CERTAIN_CENTS: f64 = 15.0;
/// Partials of a note that are measured, where the open strings tell how it begins and where they do not.
const PARTIALS: u32 = 10;
const PARTIALS_ALONE: u32 = 3;
/// What is known of how a bass begins its notes before its strings are heard close by: they are read so well that strings which agree are
/// believed. Chosen on 31 mixes of recorded basses together with fourteen of basses by formula, whose strings agree within 0.4 cents.
const CLOSE_BY: Known = Known { kinds: [(0.8, 0.0, 2.0), (0.2, 9.0, 5.0)], spread: (0.5, 3.0), floor: 0.3 };
/// Known error besides the scatter (95 %), cents: which partial leads the ear differs between basses. Held the truth on ten
/// of the twelve mixes that it was chosen on.
const SYSTEMATIC_CENTS: f64 = 5.0;
/// The same where the open strings were heard.
const SYSTEMATIC_BY_STRINGS_CENTS: f64 = 2.5;
/// Offset of the bass in each of `takes`, beside the open strings that sound in `tuning_s` (seconds of the close recording);
/// `bass_strings` is how many the bass has, where that is known.
///
/// # Not measurable
/// `too_few_notes` with fewer than eight clear notes.
pub fn close_bass(
    reading: &TuningReading,
    takes: &[(f64, f64)],
    tuning_s: &[(f64, f64)],
    bass_strings: Option<u8>,
) -> Vec<Measured> {
    let store = &reading.store.view();
    let strings: Vec<OpenString> =
        tuning_s.iter().flat_map(|(start_s, end_s)| soundings(store, *start_s, *end_s, bass_strings)).collect();
    let frames: Vec<(usize, usize)> = takes.iter().map(|t| store.span(*t)).collect();
    let level = LongTermLevel::of(store, &frames);
    let of_take = |&(first, end): &(usize, usize)| {
        let mut runs = bass_runs(store, &level, first, end);
        runs.retain(|r| r.end - r.first >= SHORTEST);
        let lengths: Vec<f64> = runs.iter().map(|r| (r.end - r.first) as f64).collect();
        let reader = median(&lengths).map_or(Reader::UNKNOWN, |frames| Reader::of(store, &strings, frames as usize));
        let notes: Vec<Note> = runs.iter().filter_map(|r| note(store, r, &reader)).collect();
        let told =
            middle(&notes.iter().map(|n| (n.pitch_cents, n.seconds)).collect::<Vec<_>>(), reader.systematic_cents);
        Take { notes, told }
    };
    let read: Vec<Take> = frames.iter().map(of_take).collect();
    lean_on(&strings, &read, takes, tuning_s)
}

fn note(store: &PeakStore, run: &Run, reader: &Reader) -> Option<Note> {
    let (start_s, end_s) = (run.first as f64 * HOP_S, run.end as f64 * HOP_S);
    let note = single_note_of(store, start_s, end_s, reader.partials);
    let half = (note.high? - note.low?) / 2.0;
    (half < CERTAIN_CENTS).then_some(Note {
        at_s: (start_s + end_s) / 2.0,
        pitch_cents: note.value? - reader.sharp_cents,
        seconds: (end_s - start_s).min(1.0),
    })
}

/// How the notes of a bass are read.
#[derive(Clone, Copy, Debug)]
struct Reader {
    /// Partials that notes are read by.
    partials: u32,
    /// By how much they are read sharp of where they come to rest.
    sharp_cents: f64,
    /// Half of a 95 % interval that more notes do not take away.
    systematic_cents: f64,
}

impl Reader {
    /// Of a bass whose open strings were not heard.
    const UNKNOWN: Self = Self { partials: PARTIALS_ALONE, sharp_cents: 0.0, systematic_cents: SYSTEMATIC_CENTS };

    /// Of notes of `frames` on the bass that the `strings` are of.
    fn of(store: &PeakStore, strings: &[OpenString], frames: usize) -> Self {
        let sharp: Vec<f64> = strings.iter().filter_map(|s| read_sharp(store, s, frames)).collect();
        shared(&sharp, &CLOSE_BY).map_or(Self::UNKNOWN, |(sharp_cents, sigma)| Self {
            partials: PARTIALS,
            sharp_cents,
            systematic_cents: SYSTEMATIC_BY_STRINGS_CENTS.hypot(1.96 * sigma),
        })
    }
}

/// By how much the first `frames` of an open string are read sharp of where it comes to rest; none of one that sounds too short, or
/// under another note.
fn read_sharp(store: &PeakStore, string: &OpenString, frames: usize) -> Option<f64> {
    let run = first_note(store, string, frames)?;
    let begun = single_note_of(store, run.first as f64 * HOP_S, run.end as f64 * HOP_S, PARTIALS);
    let sharp = wrap(begun.value? - 100.0 * run.midi);
    (sharp.abs() < NEAR_CENTS).then_some(sharp)
}

/// The middle of the notes' offsets on the circle of a semitone.
fn middle(notes: &[(f64, f64)], systematic_cents: f64) -> Measured {
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
    Measured::symmetric(wrap(round + rest), scatter.hypot(systematic_cents), near.len() as u64)
}

#[cfg(test)]
mod tests {
    use super::super::compact::frame_at;
    use super::*;
    use crate::dsp::peaks::Peak;
    use crate::units::midi_to_hz;

    #[test]
    fn misread_notes_do_not_move_the_middle_and_the_circle_has_no_edge() {
        let mut notes: Vec<(f64, f64)> = (0..20).map(|i| (3300.0 + 49.0 + f64::from(i % 5), 0.5)).collect();
        notes.extend([(3310.0, 0.5), (3390.0, 0.5)]);
        let m = middle(&notes, SYSTEMATIC_CENTS);
        let off = wrap(m.value.unwrap() - 51.0);
        assert!(off.abs() < 0.1, "{m:?}");
        assert_eq!(m.n, Some(20));
        assert_eq!(middle(&notes[..7], SYSTEMATIC_CENTS).reason.as_deref(), Some("too_few_notes"));
    }
    /// Frames of a plucked note whose ten partials begin `sharp` cents above `midi` and come to it.
    fn pluck(store: &mut PeakStore, midi: f64, sharp: f64, frames: usize) {
        for frame in 0..frames {
            let now = midi + sharp / 100.0 * (-(frame as f64) / 12.0).exp();
            let level = 0.1 * (-(frame as f32) / 20.0).exp();
            let partial = |n: usize| Peak { hz: (midi_to_hz(now) * n as f64) as f32, amplitude: level / n as f32 };
            store.push(&(1..=10).map(partial).filter(|p| p.hz < 1500.0).collect::<Vec<_>>());
        }
    }

    /// Four open strings from 0 s on, then from 8 s a walking line of notes of 0.4 s, all 6 cents sharp once at rest.
    fn recording(sharp: f64) -> TuningReading {
        with_strings(sharp, 6.0)
    }

    /// The same with the open strings at `strings_cents`.
    fn with_strings(sharp: f64, strings_cents: f64) -> TuningReading {
        let mut store = PeakStore::default();
        for midi in [28.0, 33.0, 38.0, 43.0] {
            pluck(&mut store, midi + strings_cents / 100.0, sharp, 40);
        }
        while store.frames() < frame_at(8.0) {
            store.push(&[]);
        }
        for i in 0..80 {
            pluck(&mut store, 28.06 + f64::from((i * 7) % 17), sharp, 10);
        }
        TuningReading { store }
    }

    #[test]
    fn notes_that_begin_sharp_are_told_where_the_open_strings_come_to_rest() {
        let (take, tuning) = ([(8.0, 40.0)], [(0.0, 6.6)]);
        for (sharp, most) in [(0.0, 0.5), (5.0, 0.8), (16.0, 2.0)] {
            let by_strings = &close_bass(&recording(sharp), &take, &tuning, None)[0];
            assert!((by_strings.value.unwrap() - 6.0).abs() < most, "{sharp}: {by_strings:?}");
            assert!(by_strings.low.unwrap() < 6.0 && by_strings.high.unwrap() > 6.0, "{sharp}: {by_strings:?}");
        }
        let steady = &close_bass(&recording(0.0), &take, &tuning, None)[0];
        let alone = &close_bass(&recording(0.0), &take, &[], None)[0];
        assert!(steady.half_width() < alone.half_width() - 1.0, "{steady:?} {alone:?}");
        // Without the strings nothing tells that the notes have not come to rest: frames 3 to 9, 16 exp(-6 / 12) = 9.7.
        let alone = close_bass(&recording(16.0), &take, &[], None)[0].value.unwrap();
        assert!((alone - 15.7).abs() < 2.0, "{alone}");
    }

    #[test]
    fn takes_lean_on_open_strings_that_hold_and_not_on_those_of_another_tuning() {
        let told = |strings_cents: f64| {
            close_bass(&with_strings(0.0, strings_cents), &[(8.0, 40.0)], &[(0.0, 6.6)], None).remove(0)
        };
        let (low, even, high, retuned) = (told(4.0), told(6.0), told(7.5), told(36.0));
        assert!((even.value.unwrap() - 6.0).abs() < 0.5 && even.n == Some(80), "{even:?}");
        for (leant, strings) in [(&low, 4.0), (&high, 7.5)] {
            let moved = (leant.value.unwrap() - 6.0) / (strings - 6.0);
            assert!(moved > 0.2 && moved < 0.8, "{strings}: {leant:?}");
        }
        assert!((retuned.value.unwrap() - 6.0).abs() < 1.0, "{retuned:?}");
        // Notes that the strings bear out are known better than by themselves.
        let alone = close_bass(&recording(0.0), &[(8.0, 40.0)], &[], None).remove(0);
        assert!(
            even.half_width() < alone.half_width() && retuned.half_width() > even.half_width(),
            "{even:?} {alone:?}"
        );
    }
}
