//! The guitar in the mix: plucked chords in the register between the bass and the comping right hand.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; offsets from the nearest semitone, plus = sharp.
//!
//! Method: partials between 115 and 275 Hz (where chords on the lower strings have their fundamentals) are followed through
//! time; one that lies on a partial of the bass note now or just before is left out. How likely each of the others is a
//! guitar's follows from how it rises, falls and lasts, from its second partial and from what begins with it (a logistic
//! regression fitted on mixes with known truth, `benches/tuning_fit`). The offset is then the likeliest place of one player
//! whose strings and keys are off by one common amount give or take a few cents, beside the band at its own pitch and a
//! uniform background; every key counts as one cell, so that a drum with a pitch cannot pass for a guitar.
//!
//! Limits: a piano's left hand playing short chords in this register reads as a guitar; horns in this register pull the
//! offset towards the band's; a bass line that was followed wrongly leaves bass partials in.

use crate::stats::quantile;
use crate::units::midi_to_hz;

use super::circle::{CIRCLE, STUDENT4_PEAK, kernel, median_and_half_width, offset_of, spread, student4, wrap};
use super::compact::{HOP_S, PeakStore};
use super::line::Run;
use super::tracks::{Track, tracks};

/// Register of the fundamentals, and the wider one that is followed for what sounds with them, Hz.
const REGISTER_HZ: (f64, f64) = (115.0, 275.0);
const FOLLOWED_HZ: (f64, f64) = (60.0, 540.0);
/// A track within this distance of a bass partial is the bass, cents.
const BASS_NEAR_CENTS: f64 = 60.0;
/// Bass partials that are masked.
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
/// Share of the tracks of the register that are weaker than the level to which levels are relative.
const LOUD_QUANTILE: f64 = 0.7;
/// Fewest tracks, least mean probability and least expected guitar partials a second of a take with a guitar.
const FEWEST: usize = 12;
const LEAST_MEAN: f64 = 0.16;
const LEAST_RATE: f64 = 0.7;
/// Spread of a track's offset, cents, and of a short track (fewer frames than this) more.
const TRACK_SIGMA: f64 = 5.0;
const WANDER_FACTOR: f64 = 0.7;
const SHORT_FRAMES: usize = 8;
const SHORT_FACTOR: f64 = 1.4;
/// Spread of keys around the player's common offset, cents.
const KEY_SIGMA: f64 = 4.0;
/// What is not the guitar is at the band's pitch with this share, within this spread, cents.
const BAND_SHARE: f64 = 0.7;
const BAND_SIGMA: f64 = 5.0;
/// Tracks of one chord are not independent: their log-likelihood counts by this.
const TRACK_POWER: f64 = 0.7;
/// Longest duration that adds to a note's weight, seconds.
const FULL_WEIGHT_S: f64 = 0.5;

/// Weights of the regression, in the order of [`Features`].
const WEIGHTS: [f64; FEATURES] =
    [-1.85, 0.17, -0.54, -0.10, 0.28, -0.58, -0.27, 1.11, -0.30, -0.12, 0.31, -0.09, 2.94, 0.45, -1.89, -6.16];
const FEATURES: usize = 16;
type Features = [f64; FEATURES];

/// One partial that is likely the guitar's.
#[derive(Clone, Copy, Debug)]
pub struct GuitarNote {
    /// Middle, seconds.
    pub at_s: f64,
    /// Pitch in cents above MIDI 0.
    pub cents: f64,
    /// Seconds times the probability that it is the guitar's.
    pub weight: f64,
}

/// The guitar of a take.
#[derive(Clone, Debug)]
pub struct GuitarHeard {
    /// Its partials.
    pub notes: Vec<GuitarNote>,
    /// Offset, cents from the nearest semitone.
    pub cents: f64,
    /// Half of the 95 % interval that the likelihood gives, cents.
    pub half_width: f64,
}

/// The guitar in frames `first..end`, beside the bass line and a band that stands at `band_cents`; `None` when none was heard.
pub fn guitar(
    store: &PeakStore,
    bass: &[Run],
    first: usize,
    end: usize,
    band_cents: Option<f64>,
) -> Option<GuitarHeard> {
    let all = tracks(store, first, end, FOLLOWED_HZ);
    let candidates = likely(store, &all, bass);
    let expected: f64 = candidates.iter().map(|c| c.1).sum();
    let seconds = (end.saturating_sub(first)) as f64 * HOP_S;
    if candidates.len() < FEWEST || expected / (candidates.len() as f64) < LEAST_MEAN || expected < LEAST_RATE * seconds
    {
        return None;
    }
    let band = |cents: f64| {
        band_cents.map_or(1.0 / CIRCLE as f64, |b| {
            (-0.5 * (wrap(cents - b) / BAND_SIGMA).powi(2)).exp() / (BAND_SIGMA * std::f64::consts::TAU.sqrt())
        })
    };
    let voices: Vec<Voice> = candidates.iter().map(|(t, p)| Voice::new(t, *p, band(t.cents))).collect();
    let (cents, half_width) = median_and_half_width(&posterior(&voices));
    let notes = candidates
        .iter()
        .zip(&voices)
        .map(|((t, _), v)| {
            let away = wrap(v.cents - cents);
            let own = v.own * student4(away / v.sigma);
            GuitarNote {
                at_s: t.middle_s(),
                cents: ((t.cents - cents) / 100.0).round() * 100.0 + cents + away,
                weight: t.seconds().min(FULL_WEIGHT_S) * own / (own + v.other),
            }
        })
        .collect();
    Some(GuitarHeard { notes, cents: wrap(cents), half_width })
}

/// A track as the likelihood sees it.
struct Voice {
    cents: f64,
    sigma: f64,
    /// Density of the guitar at its own place, and of everything else.
    own: f64,
    other: f64,
}

impl Voice {
    fn new(track: &Track, probability: f64, band: f64) -> Self {
        let short = if track.frames < SHORT_FRAMES { SHORT_FACTOR } else { 1.0 };
        let sigma = TRACK_SIGMA.hypot(WANDER_FACTOR * track.wander_cents) * short;
        let background = BAND_SHARE * band + (1.0 - BAND_SHARE) / CIRCLE as f64;
        Self {
            cents: track.cents,
            sigma,
            own: probability * STUDENT4_PEAK / sigma,
            other: (1.0 - probability) * background,
        }
    }
}

fn posterior(voices: &[Voice]) -> [f64; CIRCLE] {
    let mut cells: std::collections::BTreeMap<i64, [f64; CIRCLE]> = Default::default();
    for v in voices {
        let cell = cells.entry((v.cents / 100.0).round() as i64).or_insert([0.0; CIRCLE]);
        for (j, c) in cell.iter_mut().enumerate() {
            *c += TRACK_POWER * (v.own * student4(wrap(v.cents - offset_of(j)) / v.sigma) + v.other).ln();
        }
    }
    let kernel = kernel(KEY_SIGMA);
    let mut total = [0.0; CIRCLE];
    for cell in cells.values() {
        total.iter_mut().zip(spread(cell, &kernel)).for_each(|(t, l)| *t += l);
    }
    let top = total.iter().copied().fold(f64::MIN, f64::max);
    let mut out = total.map(|t| (t - top).exp());
    let sum: f64 = out.iter().sum();
    out.iter_mut().for_each(|o| *o /= sum);
    out
}

/// Tracks of the register that are not the bass, each with the probability that it is the guitar's.
fn likely(store: &PeakStore, all: &[Track], bass: &[Run]) -> Vec<(Track, f64)> {
    let hz = |t: &Track| midi_to_hz(t.cents / 100.0);
    let levels: Vec<f64> =
        all.iter().filter(|t| (REGISTER_HZ.0..262.0).contains(&hz(t))).map(|t| decibels(t.amplitude)).collect();
    let loud_db = quantile(&levels, LOUD_QUANTILE).unwrap_or(-40.0);
    // Tracks come by their first frame: what overlaps a track began at most the longest track before it.
    let longest = all.iter().map(|t| t.frames).max().unwrap_or(0);
    all.iter()
        .filter(|t| (REGISTER_HZ.0..REGISTER_HZ.1).contains(&hz(t)) && !on_the_bass(t, bass))
        .map(|t| {
            let from = all.partition_point(|o| o.first + longest < t.first);
            let to = all.partition_point(|o| o.first < t.first + t.frames);
            let x = features(store, t, &all[from..to], loud_db);
            let score: f64 = WEIGHTS.iter().zip(x).map(|(w, x)| w * x).sum();
            (*t, 1.0 / (1.0 + (-score).exp()))
        })
        .collect()
}

fn decibels(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-6).log10()
}

/// What tells a guitar's partial; `around` are the tracks that may sound with it.
fn features(store: &PeakStore, t: &Track, around: &[Track], loud_db: f64) -> Features {
    let level = ((decibels(t.amplitude) - loud_db) / 10.0).clamp(-3.0, 2.0);
    let slope = t.slope_db_per_s.clamp(-60.0, 30.0) / 20.0;
    let length = (t.frames as f64 / 8.0).ln();
    let octave = (midi_to_hz(t.cents / 100.0) / 180.0).log2();
    let chord = around
        .iter()
        .filter(|o| {
            o.first.abs_diff(t.first) <= 1
                && (o.cents - t.cents).abs() > CHORD_APART_CENTS
                && o.cents >= CHORD_CENTS.0
                && o.cents < CHORD_CENTS.1
        })
        .count();
    let doubled = around
        .iter()
        .filter(|o| (o.cents - t.cents - 1200.0).abs() < SECOND_NEAR_CENTS && o.first + o.frames > t.first)
        .map(|o| 20.0 * (o.amplitude / t.amplitude).log10())
        .fold(-40.0, f64::max);
    [
        1.0,
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
    ]
}

fn on_the_bass(track: &Track, bass: &[Run]) -> bool {
    let (from, to) = (track.first.saturating_sub(BASS_RINGS), track.first + track.frames);
    let begin = bass.partition_point(|r| r.end <= from);
    bass[begin..].iter().take_while(|r| r.first < to).any(|r| {
        (1..=BASS_PARTIALS).any(|n| (r.midi * 100.0 + 1200.0 * (n as f64).log2() - track.cents).abs() < BASS_NEAR_CENTS)
    })
}

/// Share of the track's frames that have a peak at twice its frequency.
fn second_share(store: &PeakStore, track: &Track) -> f64 {
    let target = track.cents + 1200.0;
    let heard = (track.first..track.first + track.frames)
        .filter(|&f| store.stored(f).any(|p| (100.0 * p.midi() - target).abs() < SECOND_NEAR_CENTS))
        .count();
    heard as f64 / track.frames as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixed pseudo-random numbers, -0.5..0.5.
    fn noise(i: u64) -> f64 {
        let x = (i.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        x as f64 / f64::from(u32::MAX >> 1) - 0.5
    }

    fn track(cents: f64) -> Track {
        Track { first: 0, frames: 10, cents, wander_cents: 1.0, amplitude: 0.1, rise_frames: 1, slope_db_per_s: -20.0 }
    }

    #[test]
    fn the_players_offset_is_found_beside_the_band_and_as_much_background() {
        for truth in [-45.0, -20.0, -9.0, 0.0, 12.0, 33.0, 45.0] {
            let voices: Vec<Voice> = (0..240)
                .map(|i| {
                    let key = 4800.0 + 100.0 * (i % 12) as f64;
                    let offset = match i % 3 {
                        0 => truth + 8.0 * noise(i),
                        1 => 4.0 * noise(i + 77),
                        _ => 100.0 * noise(i + 999),
                    };
                    let band = (-0.5 * (wrap(offset) / BAND_SIGMA).powi(2)).exp() / (BAND_SIGMA * 2.5066);
                    Voice::new(&track(key + offset), if i % 3 == 0 { 0.5 } else { 0.15 }, band)
                })
                .collect();
            let (found, half) = median_and_half_width(&posterior(&voices));
            assert!(wrap(found - truth).abs() < 2.0, "{truth}: {found}");
            assert!(half < 6.0, "{half}");
        }
    }

    #[test]
    fn one_key_that_sounds_all_the_time_does_not_outweigh_the_others() {
        let voices: Vec<Voice> = (0..200)
            .map(|i| {
                let cents = if i < 120 { 5430.0 } else { 4800.0 + 100.0 * f64::from(i % 12) + 8.0 };
                Voice::new(&track(cents), 0.5, 0.01)
            })
            .collect();
        let (found, _) = median_and_half_width(&posterior(&voices));
        assert!((found - 8.0).abs() < 1.5, "{found}");
    }

    #[test]
    fn a_partial_of_the_bass_note_is_not_the_guitars() {
        let bass = [Run { first: 0, end: 10, midi: 36.0 }];
        assert!(on_the_bass(&track(4800.0 + 20.0), &bass), "the octave of C2");
        assert!(!on_the_bass(&track(5100.0), &bass));
    }
}
