//! What tells a guitar's partial from others: the numbers that the network of [`super::guitar_net`] hears.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; levels in dB; a candidate is a partial between 115 and 275 Hz,
//! where chords on the lower strings have their fundamentals.
//!
//! Method: for each candidate the levels and the pitches, frame by frame around its onset, of the peaks at the octave below, at
//! the partial itself and at its multiples, relative to its own; how far it lies from a partial of the bass note now or just
//! before; how it rises, falls and lasts; and what begins with it.

use std::array;

use crate::stats::quantile;
use crate::units::midi_to_hz;

use super::circle::wrap;
use super::compact::PeakStore;
use super::line::Run;
use super::tracks::{Track, tracks};

/// Numbers that tell of one candidate.
pub const INPUTS: usize = 2 * CELLS + BASS + SHAPE + COMPANY * COMPANION;
const CELLS: usize = MULTIPLES.len() * (BEFORE + AFTER);
/// Multiples of the partial's frequency at which peaks are looked for.
const MULTIPLES: [f64; 8] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0];
/// Frames before its first one, and from that on.
const BEFORE: usize = 3;
const AFTER: usize = 10;
/// A peak belongs to a multiple within this distance, cents; pitches are told up to [`PITCH_MOST`] off.
const NEAR_CENTS: f64 = 35.0;
const PITCH_MOST: f64 = 30.0;
const PITCH_UNIT: f64 = 20.0;
/// Levels below this count as this, above the other as that; and their unit, dB.
const LEVEL_DB: (f64, f64) = (-40.0, 20.0);
const LEVEL_UNIT: f64 = 20.0;
const BASS: usize = 4;
const SHAPE: usize = 18;
/// Others that begin with it, the loudest first, and the numbers of each.
const COMPANY: usize = 4;
const COMPANION: usize = 3;
const COMPANION_LEVEL_MOST: f64 = 1.5;

/// Register of the fundamentals, and the wider one that is followed for what sounds with them, Hz.
const REGISTER_HZ: (f64, f64) = (115.0, 275.0);
const FOLLOWED_HZ: (f64, f64) = (60.0, 540.0);
/// A track within this distance of a bass partial may be the bass, cents; and how far it is told.
const BASS_NEAR_CENTS: f64 = 60.0;
const BASS_MOST: f64 = 2.0;
/// Bass partials that are looked at.
const BASS_PARTIALS: usize = 12;
/// A bass note rings on for this many frames.
const BASS_RINGS: usize = 5;
/// A second partial lies within this distance of twice the frequency, cents.
const SECOND_NEAR_CENTS: f64 = 30.0;
/// A plucked string is loudest within this many frames of its onset.
const PLUCKED_PEAK: usize = 4;
/// What begins with a track within a frame, in this range of pitch and further off than this, is of the same chord, cents.
const CHORD_CENTS: (f64, f64) = (4700.0, 6100.0);
const CHORD_APART_CENTS: f64 = 60.0;
/// Share of the tracks of the register that are weaker than the level to which levels are relative, and where the register ends
/// for it, Hz.
const LOUD_QUANTILE: f64 = 0.7;
const LOUD_BELOW_HZ: f64 = 262.0;

/// A partial that may be a guitar's.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// The partial.
    pub track: Track,
    /// What tells whose it is.
    pub inputs: [f32; INPUTS],
}

/// Every candidate in frames `first..end`, by its first frame, beside the bass line.
pub fn candidates(store: &PeakStore, bass: &[Run], first: usize, end: usize) -> Vec<Candidate> {
    let all = tracks(store, first, end, FOLLOWED_HZ);
    let hz = |t: &Track| midi_to_hz(t.cents / 100.0);
    let levels: Vec<f64> =
        all.iter().filter(|t| (REGISTER_HZ.0..LOUD_BELOW_HZ).contains(&hz(t))).map(|t| decibels(t.amplitude)).collect();
    let loud_db = quantile(&levels, LOUD_QUANTILE).unwrap_or(LEVEL_DB.0);
    let own: Vec<Track> = all.iter().filter(|t| (REGISTER_HZ.0..REGISTER_HZ.1).contains(&hz(t))).copied().collect();
    // Tracks come by their first frame: what overlaps a track began at most the longest track before it.
    let longest = all.iter().map(|t| t.frames).max().unwrap_or(0);
    own.iter()
        .enumerate()
        .map(|(at, t)| {
            let from = all.partition_point(|o| o.first + longest < t.first);
            let to = all.partition_point(|o| o.first < t.first + t.frames);
            let mut inputs = [0.0; INPUTS];
            let (cells, rest) = inputs.split_at_mut(2 * CELLS);
            let (levels, pitches) = cells.split_at_mut(CELLS);
            around(store, t, levels, pitches);
            let (of_bass, rest) = rest.split_at_mut(BASS);
            of_bass.copy_from_slice(&bass_near(t, bass));
            let (of_shape, of_company) = rest.split_at_mut(SHAPE);
            of_shape.copy_from_slice(&shape(store, t, &all[from..to], loud_db));
            of_company.copy_from_slice(company(&own, at).as_flattened());
            Candidate { track: *t, inputs }
        })
        .collect()
}

fn decibels(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-6).log10()
}

/// Levels and pitches of the peaks at the multiples, relative to the track's own.
fn around(store: &PeakStore, t: &Track, levels: &mut [f32], pitches: &mut [f32]) {
    levels.fill((LEVEL_DB.0 / LEVEL_UNIT) as f32);
    let own_db = decibels(t.amplitude);
    for step in 0..BEFORE + AFTER {
        let Some(frame) = (t.first + step).checked_sub(BEFORE).filter(|f| *f < store.frames()) else { continue };
        let peaks: Vec<(f64, f64)> = store.stored(frame).map(|p| (100.0 * p.midi(), p.amplitude())).collect();
        for (row, multiple) in MULTIPLES.iter().enumerate() {
            let target = t.cents + 1200.0 * multiple.log2();
            let from = peaks.partition_point(|p| p.0 < target - NEAR_CENTS);
            let near = peaks[from..].iter().take_while(|p| p.0 < target + NEAR_CENTS);
            let Some(loudest) = near.max_by(|a, b| a.1.total_cmp(&b.1)) else { continue };
            let at = row * (BEFORE + AFTER) + step;
            levels[at] = ((decibels(loudest.1) - own_db).clamp(LEVEL_DB.0, LEVEL_DB.1) / LEVEL_UNIT) as f32;
            pitches[at] = ((loudest.0 - target).clamp(-PITCH_MOST, PITCH_MOST) / PITCH_UNIT) as f32;
        }
    }
}

/// How far the nearest partial of the bass lies, signed and not, which one it is, and whether that is near.
fn bass_near(track: &Track, bass: &[Run]) -> [f32; BASS] {
    let (from, to) = (track.first.saturating_sub(BASS_RINGS), track.first + track.frames);
    let begin = bass.partition_point(|r| r.end <= from);
    let nearest = bass[begin..]
        .iter()
        .take_while(|r| r.first < to)
        .flat_map(|r| (1..=BASS_PARTIALS).map(|n| (r.midi * 100.0 + 1200.0 * (n as f64).log2() - track.cents, n)))
        .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let (away, number) = nearest
        .map(|(cents, n)| (cents / BASS_NEAR_CENTS, n))
        .filter(|n| n.0.abs() < BASS_MOST)
        .unwrap_or((BASS_MOST, 0));
    [away as f32, away.abs() as f32, number as f32 / BASS_PARTIALS as f32, f32::from(u8::from(away.abs() < 1.0))]
}

/// How the partial rises, falls and lasts; `overlapping` are the tracks that may sound with it.
fn shape(store: &PeakStore, t: &Track, overlapping: &[Track], loud_db: f64) -> [f32; SHAPE] {
    let level = ((decibels(t.amplitude) - loud_db) / 10.0).clamp(-3.0, 2.0);
    let slope = t.slope_db_per_s.clamp(-60.0, 30.0) / 20.0;
    let length = (t.frames as f64 / 8.0).ln();
    let octave = (midi_to_hz(t.cents / 100.0) / 180.0).log2();
    let chord = overlapping
        .iter()
        .filter(|o| {
            o.first.abs_diff(t.first) <= 1
                && (o.cents - t.cents).abs() > CHORD_APART_CENTS
                && o.cents >= CHORD_CENTS.0
                && o.cents < CHORD_CENTS.1
        })
        .count();
    let doubled = overlapping
        .iter()
        .filter(|o| (o.cents - t.cents - 1200.0).abs() < SECOND_NEAR_CENTS && o.first + o.frames > t.first)
        .map(|o| 20.0 * (o.amplitude / t.amplitude).log10())
        .fold(LEVEL_DB.0, f64::max);
    [
        level,
        level * level,
        t.rise_frames.min(8) as f64 / 4.0,
        f64::from(u8::from(t.rise_frames <= PLUCKED_PEAK)),
        slope,
        slope * slope,
        length,
        length * length,
        t.wander_cents.min(12.0) / 5.0,
        chord.min(4) as f64 / 2.0,
        f64::from(u8::from(chord >= 2)),
        second_share(store, t),
        doubled.min(20.0) / 20.0,
        octave,
        octave * octave,
        t.wander_cents / 10.0,
        (t.seconds() * 2.0).min(4.0),
        t.rise_frames as f64 / t.frames as f64,
    ]
    .map(|x| x as f32)
}

/// Share of the track's frames that have a peak at twice its frequency.
fn second_share(store: &PeakStore, track: &Track) -> f64 {
    let target = track.cents + 1200.0;
    let heard = (track.first..track.first + track.frames)
        .filter(|&f| store.stored(f).any(|p| (100.0 * p.midi() - target).abs() < SECOND_NEAR_CENTS))
        .count();
    heard as f64 / track.frames as f64
}

/// Of the loudest candidates that begin with the one at `at`: that there is one, how far its place in the semitone is off, and
/// its level.
fn company(own: &[Track], at: usize) -> [[f32; COMPANION]; COMPANY] {
    let t = &own[at];
    let from = own.partition_point(|o| o.first + 1 < t.first);
    let to = own.partition_point(|o| o.first <= t.first + 1);
    let mut others: Vec<&Track> =
        own[from..to].iter().filter(|o| (o.cents - t.cents).abs() > CHORD_APART_CENTS).collect();
    others.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
    array::from_fn(|i| {
        others.get(i).map_or([0.0; COMPANION], |o| {
            let louder = (decibels(o.amplitude) - decibels(t.amplitude)) / LEVEL_UNIT;
            let level = louder.clamp(-COMPANION_LEVEL_MOST, COMPANION_LEVEL_MOST);
            [1.0, (wrap(o.cents - t.cents) / PITCH_UNIT) as f32, level as f32]
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    const ONSET: usize = 20;

    /// A chord of two notes from frame 20 on, the upper one 10 cents sharp and half as loud; their second partials 12 cents sharp.
    fn chord() -> PeakStore {
        let mut store = PeakStore::default();
        for frame in 0..60 {
            let mut peaks = Vec::new();
            if (ONSET..50).contains(&frame) {
                let fall = 10f32.powf(-0.04 * (frame - ONSET) as f32);
                for (midi, amplitude) in [(50.0, 0.1), (55.1, 0.05)] {
                    for (number, share) in [(1.0, 1.0), (2.0, 0.1)] {
                        peaks.push(Peak {
                            hz: (midi_to_hz(midi + 0.12 * (number - 1.0)) * number) as f32,
                            amplitude: amplitude * share * fall,
                        });
                    }
                }
                peaks.sort_by(|a, b| a.hz.total_cmp(&b.hz));
            }
            store.push(&peaks);
        }
        store
    }

    fn cell(c: &Candidate, multiple: usize, step: usize) -> (f32, f32) {
        let at = multiple * (BEFORE + AFTER) + step;
        (c.inputs[at], c.inputs[CELLS + at])
    }

    #[test]
    fn levels_and_pitches_are_told_from_the_onset_on_relative_to_the_partial() {
        let found = candidates(&chord(), &[], 0, 60);
        let low = &found[0];
        assert!((low.track.cents - 5000.0).abs() < 0.2 && low.track.first == ONSET, "{:?}", low.track);
        let silent = (LEVEL_DB.0 / LEVEL_UNIT) as f32;
        assert_eq!(cell(low, 1, BEFORE - 1), (silent, 0.0), "before its onset");
        let (own, octave, between) = (cell(low, 1, BEFORE), cell(low, 3, BEFORE), cell(low, 2, BEFORE));
        assert!(own.0.abs() < 0.03 && own.1.abs() < 0.02, "{own:?}");
        assert!((octave.0 + 1.0).abs() < 0.03 && (octave.1 - 0.6).abs() < 0.02, "20 dB down: {octave:?}");
        assert_eq!(between, (silent, 0.0), "nothing at one and a half times its frequency");
    }

    #[test]
    fn what_begins_with_it_is_told_by_level_and_place_in_the_semitone() {
        let found = candidates(&chord(), &[], 0, 60);
        let [with, place, level] = *found[0].inputs[INPUTS - COMPANY * COMPANION..].first_chunk::<COMPANION>().unwrap();
        assert_eq!(with, 1.0);
        assert!((place - 0.5).abs() < 0.02, "10 of 20 cents: {place}");
        assert!((level + 0.3).abs() < 0.03, "6 dB softer: {level}");
        let second = found[0].inputs[INPUTS - COMPANION];
        assert_eq!(second, 0.0, "no fourth note begins with it");
    }

    #[test]
    fn a_partial_of_the_bass_note_now_or_just_before_is_told() {
        let track = |cents| Track {
            first: 12,
            frames: 10,
            cents,
            wander_cents: 1.0,
            amplitude: 0.1,
            rise_frames: 1,
            slope_db_per_s: -20.0,
        };
        let bass = [Run { first: 0, end: 10, midi: 36.0 }];
        let octave = bass_near(&track(4800.0 + 30.0), &bass);
        assert!((octave[0] + 0.5).abs() < 1e-6 && (octave[1] - 0.5).abs() < 1e-6 && octave[3] == 1.0, "{octave:?}");
        assert!((octave[2] - 2.0 / 12.0).abs() < 1e-6);
        assert_eq!(bass_near(&track(5100.0), &bass)[3], 0.0);
        let ended = |end| bass_near(&track(4800.0), &[Run { first: 0, end, midi: 36.0 }])[3];
        assert_eq!((ended(8), ended(7)), (1.0, 0.0), "five frames it rings, then no longer");
    }
}
