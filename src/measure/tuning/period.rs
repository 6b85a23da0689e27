//! The period of each note of a close recording.
//!
//! Conventions: notes in seconds of the recording, in time order, each ending before the next begins; pitches in cents above MIDI 0
//! at A4 = 440 Hz.
//!
//! Method: the period at which the sound resembles itself most, by the cumulative mean normalised difference (de Cheveigné and
//! Kawahara 2002, J. Acoust. Soc. Am. 111:1917): the first dip under 0.12 in a window of 50 ms or three periods, every 20 ms from
//! 0.1 s after the onset to the end of the note, at most 1.6 s; the pitch is the middle of the frames. A period is what all
//! partials agree on, the strong and high ones most; on a stiff string it lies a little above the fundamental.
//!
//! Limits: the pitch must be known to a third of an octave.

use crate::dsp::decimate::Decimator;
use crate::stats::median;
use crate::units::{hz_to_midi, midi_to_hz};

use super::compact::LOW_RATE_HZ;

/// What is left out of a note for its attack, and the longest stretch that is read, s.
const ATTACK_S: f64 = 0.1;
const LONGEST_S: f64 = 1.6;
/// Distance of frames, and the shortest window, s; periods in a window.
const HOP_S: f64 = 0.02;
const WINDOW_S: f64 = 0.05;
const WINDOW_PERIODS: f64 = 3.0;
/// A dip this deep ends the search; frames without a dip this deep do not count.
const DIP: f64 = 0.12;
const APERIODIC: f64 = 0.15;
/// Pitches that are looked for, as multiples of the expected.
const RANGE: (f64, f64) = (0.72, 1.4);
/// Frames that make a pitch.
const FEWEST: usize = 2;

/// A note of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CloseNote {
    /// Start and end, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Its pitch, roughly.
    pub midi: f64,
}

/// Reads the periods of notes that are known, block by block.
pub struct PeriodMeter {
    notes: Vec<CloseNote>,
    cents: Vec<Option<f64>>,
    decimator: Decimator,
    /// Decimated samples from `held_from` on.
    held: Vec<f32>,
    held_from: usize,
}

fn sample_at(s: f64) -> usize {
    (s.max(0.0) * LOW_RATE_HZ).round() as usize
}

impl CloseNote {
    /// The stretch that is read.
    fn samples(&self) -> (usize, usize) {
        (sample_at(self.start_s + ATTACK_S), sample_at(self.end_s.min(self.start_s + LONGEST_S)))
    }
}

impl PeriodMeter {
    /// For these notes of a recording.
    pub fn new(notes: Vec<CloseNote>) -> Self {
        Self { notes, cents: Vec::new(), decimator: super::decimator(), held: Vec::new(), held_from: 0 }
    }

    /// Takes samples at the analysis rate.
    pub fn push(&mut self, mono: &[f32]) {
        self.decimator.push(mono, &mut self.held);
        self.read();
    }

    /// Every note with its pitch in cents; `None` for one without a clear period, or behind the end of the recording.
    pub fn finish(mut self) -> Vec<(CloseNote, Option<f64>)> {
        self.decimator.finish(&mut self.held);
        self.read();
        self.cents.resize(self.notes.len(), None);
        self.notes.into_iter().zip(self.cents).collect()
    }

    fn read(&mut self) {
        while let Some(note) = self.notes.get(self.cents.len()) {
            let (from, to) = note.samples();
            if to > self.held_from + self.held.len() {
                break;
            }
            let from = from.max(self.held_from) - self.held_from;
            self.cents.push(self.held.get(from..to.saturating_sub(self.held_from)).and_then(|x| pitch(x, note.midi)));
        }
        // What lies before the next note is of no use any more.
        let next = self.notes.get(self.cents.len()).map_or(usize::MAX, |note| note.samples().0);
        let done = next.saturating_sub(self.held_from).min(self.held.len());
        self.held.drain(..done);
        self.held_from += done;
    }
}

/// The middle of the frames of a note, cents.
fn pitch(x: &[f32], midi: f64) -> Option<f64> {
    let expected_hz = midi_to_hz(midi);
    let window = (LOW_RATE_HZ * WINDOW_S.max(WINDOW_PERIODS / expected_hz)) as usize;
    let (shortest, longest) = (LOW_RATE_HZ / (RANGE.1 * expected_hz), LOW_RATE_HZ / (RANGE.0 * expected_hz));
    let (shortest, longest) = ((shortest as usize).max(2), longest.ceil() as usize + 1);
    let frames: Vec<f64> = x
        .windows(window + longest)
        .step_by((LOW_RATE_HZ * HOP_S) as usize)
        .filter_map(|frame| period(frame, window, shortest, longest))
        .map(|samples| 100.0 * hz_to_midi(LOW_RATE_HZ / samples))
        .collect();
    median(&frames).filter(|_| frames.len() >= FEWEST)
}

/// The period of a frame, samples.
fn period(frame: &[f32], window: usize, shortest: usize, longest: usize) -> Option<f64> {
    let difference = |lag: usize| -> f64 {
        let pairs = frame[..window].iter().zip(&frame[lag..lag + window]);
        f64::from(pairs.map(|(a, b)| (a - b) * (a - b)).sum::<f32>())
    };
    let mut sum = 0.0;
    let normalised: Vec<f64> = (1..=longest)
        .map(|lag| {
            let d = difference(lag);
            sum += d;
            if sum > 0.0 { d * lag as f64 / sum } else { 1.0 }
        })
        .collect();
    let at = |lag: usize| normalised[lag - 1];
    let mut lag = (shortest..longest).find(|lag| at(*lag) < DIP);
    if let Some(lag) = &mut lag {
        while *lag + 1 < longest && at(*lag + 1) < at(*lag) {
            *lag += 1;
        }
    }
    let lag = lag.or_else(|| (shortest..longest).min_by(|a, b| at(*a).total_cmp(&at(*b))))?;
    let (before, here, after) = (at(lag - 1), at(lag), at(lag + 1));
    let bend = before - 2.0 * here + after;
    (here <= APERIODIC && bend > 0.0).then(|| lag as f64 + 0.5 * (before - after) / bend)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two notes of four partials with rests between, at the analysis rate.
    fn line(notes: &[CloseNote], seconds: f64) -> Vec<f32> {
        let rate = f64::from(crate::dsp::ANALYSIS_RATE_HZ);
        let mut out = vec![0.0f32; (seconds * rate) as usize];
        for note in notes {
            for (i, x) in out.iter_mut().enumerate() {
                let t = i as f64 / rate;
                if t >= note.start_s && t < note.end_s {
                    let phase = std::f64::consts::TAU * midi_to_hz(note.midi) * t;
                    *x = (1..5).map(|n| 0.1 * (f64::from(n) * phase + f64::from(n)).sin()).sum::<f64>() as f32;
                }
            }
        }
        out
    }

    #[test]
    fn notes_have_their_pitch_whatever_the_blocks_and_silence_has_none() {
        let note = |start_s, end_s, midi| CloseNote { start_s, end_s, midi };
        let played = [note(0.2, 0.6, 28.13), note(0.7, 1.0, 43.371), note(1.1, 3.4, 35.0)];
        let x = line(&played, 4.0);
        // Known to a quarter of a semitone, and one that nobody played, and one behind the end.
        let mut asked: Vec<CloseNote> =
            played.iter().map(|n| note(n.start_s, n.end_s, (n.midi * 4.0).round() / 4.0)).collect();
        asked.extend([note(3.45, 3.9, 40.0), note(3.95, 4.5, 40.0)]);
        let read = |block: usize| {
            let mut meter = PeriodMeter::new(asked.clone());
            x.chunks(block).for_each(|b| meter.push(b));
            meter.finish().into_iter().map(|n| n.1).collect::<Vec<_>>()
        };
        let found = read(4096);
        for (cents, played) in found.iter().zip(&played) {
            assert!((cents.unwrap() - 100.0 * played.midi).abs() < 0.2, "{cents:?} {played:?}");
        }
        assert_eq!(found[3..], [None, None]);
        assert_eq!(found, read(1000));
    }

    /// De Cheveigné and Kawahara 2002: the period of a stiff string is the one that its strong partials lie nearest to, weighted by
    /// the square of their number times frequency; for partials of equal amplitude the sum over n of n^2 f_n / n.
    #[test]
    fn a_stiff_string_has_the_period_of_its_strong_partials() {
        let (rate, first, b) = (f64::from(crate::dsp::ANALYSIS_RATE_HZ), 55.0, 2e-4);
        let f = |n: u32| crate::dsp::partials::partial_hz(first, b, n);
        let x: Vec<f32> = (0..rate as usize)
            .map(|i| {
                let t = i as f64 / rate;
                (1..7).map(|n| 0.1 * (std::f64::consts::TAU * f(n) * t).sin()).sum::<f64>() as f32
            })
            .collect();
        let mut meter = PeriodMeter::new(vec![CloseNote { start_s: 0.0, end_s: 1.0, midi: 33.0 }]);
        meter.push(&x);
        let weight = |n: u32| f64::from(n * n);
        let mean = (1..7).map(|n| weight(n) * f(n) / f64::from(n)).sum::<f64>() / (1..7).map(weight).sum::<f64>();
        let got = meter.finish()[0].1.unwrap();
        assert!((got - 100.0 * hz_to_midi(mean)).abs() < 0.5, "{got} {}", 100.0 * hz_to_midi(mean));
    }
}
