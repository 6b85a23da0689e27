//! Harmony, beat by beat: how strongly each of the twelve pitch classes sounds in the bass and above it.
//!
//! Conventions: classes count from C = 0 in the take's own concert pitch, which is found first: the direction of the sum
//! of all peaks of the middle register on the circle of a semitone. Strengths are 0 to [`MOST`], the strongest class of a
//! beat being [`MOST`]; a beat spans from its own time to the next, at most [`LONGEST_BEATS`] usual beats.
//!
//! Limits: partials count for the class they fall on, so a loud bass puts its fifth into its own row. A band half a semitone
//! away from A4 = 440 Hz reads as either neighbour.

use super::TuningReading;
use super::compact::{HOP_S, PeakStore, frame_at};
use crate::stats::{Measured, median};
use crate::units::hz_to_midi;

/// Changes whenever a number of this family may move.
pub const HARMONY_METHOD_ID: &str = "harmony-1";
/// Pitch classes.
pub const CLASSES: usize = 12;
/// The strength of the strongest class of a beat.
pub const MOST: u8 = 9;
/// Bass notes with their strong second and third partials, Hz.
const BASS_HZ: (f64, f64) = (30.0, 185.0);
/// Chords and lines, Hz.
const CHORDS_HZ: (f64, f64) = (185.0, 1_400.0);
/// Where the concert pitch is read, Hz.
const PITCH_HZ: (f64, f64) = (262.0, 1_100.0);
/// A peak counts by how near it lies to a semitone of the concert pitch: standard deviation, cents.
const NEAR_CENTS: f64 = 25.0;
/// After a stop, a beat lasts at most this many usual beats.
const LONGEST_BEATS: f64 = 1.5;
/// Fewest beats that say something of a harmony: two bars.
const FEWEST_BEATS: usize = 8;

/// How strongly the classes sound on one beat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BeatClasses {
    /// In the bass, 0..=`MOST`.
    pub bass: [u8; CLASSES],
    /// Above it.
    pub chords: [u8; CLASSES],
}

impl BeatClasses {
    /// Both rows one after the other, chords first.
    pub fn joined(&self) -> [u8; 2 * CLASSES] {
        std::array::from_fn(|at| if at < CLASSES { self.chords[at] } else { self.bass[at - CLASSES] })
    }
}

/// The harmony of a take.
#[derive(Clone, Debug, PartialEq)]
pub struct Harmony {
    /// The pitch that the classes are counted in, cents from A4 = 440 Hz, plus = sharp; absent with nothing to count.
    pub concert_pitch_cents: Measured,
    /// One entry a beat.
    pub beats: Vec<BeatClasses>,
}

impl TuningReading {
    /// What sounds on each of the beats of a take, by pitch class.
    ///
    /// # Not measurable
    /// `too_few_beats` with fewer than eight, `no_steady_tones_heard` where no peak lies in the middle register.
    pub fn harmony(&self, beat_times_s: &[f64]) -> Harmony {
        let none = |reason: &str| Harmony { concert_pitch_cents: Measured::absent(reason), beats: Vec::new() };
        if beat_times_s.len() < FEWEST_BEATS {
            return none("too_few_beats");
        }
        let spans = spans(beat_times_s);
        let store = &self.store.view();
        let pitch = concert_pitch_cents(store, &spans);
        let Some(cents) = pitch.value else { return none("no_steady_tones_heard") };
        let beats = spans.iter().map(|span| beat_classes(store, *span, cents)).collect();
        Harmony { concert_pitch_cents: pitch, beats }
    }
}

/// Frames of each beat, at least one.
fn spans(beat_times_s: &[f64]) -> Vec<(usize, usize)> {
    let lengths: Vec<f64> = beat_times_s.windows(2).map(|w| w[1] - w[0]).collect();
    let usual = median(&lengths).unwrap_or(0.5);
    let length = |at: usize| lengths.get(at).copied().unwrap_or(usual).min(LONGEST_BEATS * usual);
    let span = |(at, start): (usize, &f64)| {
        let first = frame_at(*start);
        (first, frame_at(start + length(at)).max(first + 1))
    };
    beat_times_s.iter().enumerate().map(span).collect()
}

/// The direction of the sum of all peaks on the circle of a semitone; its interval from the spread of four parts of the take.
fn concert_pitch_cents(store: &PeakStore, spans: &[(usize, usize)]) -> Measured {
    let range = (hz_to_midi(PITCH_HZ.0), hz_to_midi(PITCH_HZ.1));
    let sum = |spans: &[(usize, usize)]| {
        let (mut x, mut y) = (0.0, 0.0);
        for peak in spans.iter().flat_map(|s| s.0..s.1).flat_map(|f| store.stored(f)) {
            let midi = peak.midi();
            if midi >= range.0 && midi < range.1 {
                let (sin, cos) = (std::f64::consts::TAU * midi).sin_cos();
                let weight = peak.amplitude().sqrt();
                (x, y) = (x + weight * cos, y + weight * sin);
            }
        }
        (x, y)
    };
    let direction = |(x, y): (f64, f64)| (x != 0.0 || y != 0.0).then(|| 100.0 * y.atan2(x) / std::f64::consts::TAU);
    let sums: Vec<(f64, f64)> = spans.chunks(spans.len().div_ceil(PARTS).max(1)).map(sum).collect();
    let together = sums.iter().fold((0.0, 0.0), |(x, y), part| (x + part.0, y + part.1));
    let Some(whole) = direction(together) else { return Measured::absent("no_steady_tones_heard") };
    let parts: Vec<f64> = sums.into_iter().filter_map(direction).collect();
    let off = |c: &f64| ((c - whole + 50.0).rem_euclid(100.0) - 50.0).powi(2);
    let variance = parts.iter().map(off).sum::<f64>() / (parts.len().max(2) - 1) as f64;
    // Student's t for four parts, over the root of their number; and what no part shows.
    let half = (3.2 * (variance / parts.len().max(1) as f64).sqrt()).hypot(PITCH_FLOOR_CENTS);
    Measured::symmetric(whole, half, spans.len() as u64)
}

/// Parts of a take whose spread tells how sure its pitch is.
const PARTS: usize = 4;
/// Half of the interval of the pitch at its least, cents: players are not in tune with each other.
const PITCH_FLOOR_CENTS: f64 = 3.0;

fn beat_classes(store: &PeakStore, (first, end): (usize, usize), pitch_cents: f64) -> BeatClasses {
    let (mut bass, mut chords) = ([0.0; CLASSES], [0.0; CLASSES]);
    let edges = [BASS_HZ.0, BASS_HZ.1, CHORDS_HZ.0, CHORDS_HZ.1].map(hz_to_midi);
    for peak in (first..end).flat_map(|f| store.stored(f)) {
        let row = match peak.midi() {
            midi if midi >= edges[0] && midi < edges[1] => &mut bass,
            midi if midi >= edges[2] && midi < edges[3] => &mut chords,
            _ => continue,
        };
        let midi = peak.midi() - pitch_cents / 100.0;
        let off = 100.0 * (midi - midi.round()) / NEAR_CENTS;
        // Root of the amplitude: soft notes of a chord count beside loud ones.
        row[midi.round().rem_euclid(CLASSES as f64) as usize] += peak.amplitude().sqrt() * (-0.5 * off * off).exp();
    }
    BeatClasses { bass: digits(&bass), chords: digits(&chords) }
}

fn digits(strengths: &[f64; CLASSES]) -> [u8; CLASSES] {
    let most = strengths.iter().copied().fold(0.0, f64::max);
    if most <= 0.0 {
        return [0; CLASSES];
    }
    strengths.map(|s| (f64::from(MOST) * s / most).round() as u8)
}

// Frames are looked up by time only; their distance is the store's.
const _: () = assert!(HOP_S < 0.1);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;
    use crate::units::A4_MIDI;

    /// Two bars of a C chord over C, two of F over F, by one peak a note, `cents` sharp.
    fn reading(cents: f64) -> TuningReading {
        let mut store = PeakStore::default();
        let hz = |midi: f64| (440.0 * 2f64.powf((midi - A4_MIDI + cents / 100.0) / 12.0)) as f32;
        let frames = (16.0 * 0.5 / HOP_S) as usize;
        for frame in 0..=frames {
            let notes = if frame * 2 < frames { [36.0, 60.0, 64.0, 67.0] } else { [41.0, 60.0, 65.0, 69.0] };
            let peaks: Vec<Peak> = notes.iter().map(|m| Peak { hz: hz(*m), amplitude: 0.1 }).collect();
            store.push(&peaks);
        }
        TuningReading { store }
    }

    fn beats() -> Vec<f64> {
        (0..16).map(|b| 0.5 * f64::from(b)).collect()
    }

    #[test]
    fn chords_and_roots_are_told_in_the_bands_own_pitch() {
        for cents in [-35.0, 0.0, 20.0] {
            let harmony = reading(cents).harmony(&beats());
            assert!((harmony.concert_pitch_cents.value.unwrap() - cents).abs() < 0.5);
            let (c, f) = (harmony.beats[2], harmony.beats[12]);
            assert_eq!(c.bass, [9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
            assert_eq!(c.chords, [9, 0, 0, 0, 9, 0, 0, 9, 0, 0, 0, 0]);
            assert_eq!(f.bass, [0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0]);
            assert_eq!(f.chords, [9, 0, 0, 0, 0, 9, 0, 0, 0, 9, 0, 0]);
        }
    }

    #[test]
    fn nothing_to_count_is_a_reason_and_no_pitch() {
        assert_eq!(reading(0.0).harmony(&beats()[..7]).concert_pitch_cents.reason.as_deref(), Some("too_few_beats"));
        let empty = TuningReading { store: PeakStore::default() };
        assert_eq!(empty.harmony(&beats()).concert_pitch_cents.reason.as_deref(), Some("no_steady_tones_heard"));
    }
}
