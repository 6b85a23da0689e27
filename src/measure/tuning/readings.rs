//! Readings of the partials of a bass note.
//!
//! Conventions: cents, plus = sharp; partials count from 1 in readings and from 0 in tables; frames as in [`super::compact`].
//!
//! Method: of each partial below 300 Hz the middle of the peaks near it, in the steady part of the note: after the attack, before
//! the next note reaches into the frame.
//!
//! Limits: where another player's partial is stronger within half a semitone, it is read instead.

use crate::dsp::partials::weighted_median;
use crate::dsp::peaks::Peak;
use crate::dsp::whose::BassStretch;
use crate::units::midi_to_hz;

use super::compact::{PeakStore, moment_s};
use super::line::Run;
use super::offset::strongest_near;

/// Partials that are read.
pub const PARTIALS: usize = 6;
/// The frequency above which no partial is read.
const HIGHEST_HZ: f64 = 300.0;
/// Where the partials of a plucked string stand in the first half second, against the pitch that it comes to, cents:
/// middle over basses (five recorded ones, eight of two sound fonts).
pub const PARTIAL_CENTS: [f64; PARTIALS] = [-3.0, 0.5, 1.0, 1.5, 2.5, 2.5];
/// Spread of that over basses.
pub const PARTIAL_SPREAD: [f64; PARTIALS] = [2.5, 1.5, 2.0, 3.0, 5.0, 5.0];
/// Frames left out at the start (at most a third of the note) and at the end of a note: half a window reaches over them.
pub const ATTACK: usize = 3;
const TAIL: usize = 2;
/// A reading wavers by itself by this much of its wander; each decibel below the note's loudest partial, beyond the first
/// eight, adds half a cent.
const WAVER_FACTOR: f64 = 0.7;
const WEAK: (f64, f64) = (8.0, 0.5);

/// One partial of one note.
pub struct Reading {
    /// Which note.
    pub run: usize,
    /// Partial, from 1.
    pub number: usize,
    /// Pitch that it speaks for.
    pub cents: f64,
    /// Spread that the reading has by itself.
    pub own_sigma: f64,
    /// Where the partial lies.
    pub hz: f64,
    /// Frames behind it.
    pub frames: usize,
    /// What of its band's power is the bass's meanwhile, where that is known, 0..=1.
    pub share: Option<f64>,
}

/// One reading of each partial of a run; `whose` the power is, where that is known.
pub fn readings_of(store: &PeakStore, index: usize, run: &Run, whose: Option<&BassStretch>) -> Vec<Reading> {
    let f0 = midi_to_hz(run.midi);
    let length = run.end - run.first;
    let skip = ATTACK.min((length / 3).max(1));
    let end = (length - TAIL).max(skip + 2).min(length);
    let frames: Vec<Vec<Peak>> = (run.first + skip..run.first + end).map(|f| store.frame(f).collect()).collect();
    let span_s = (moment_s(run.first + skip), moment_s(run.first + end));
    let mut out = Vec::new();
    let mut levels = Vec::new();
    for number in 1..=PARTIALS {
        let target = f0 * number as f64;
        if target > HIGHEST_HZ {
            break;
        }
        let found: Vec<(f64, f64)> =
            frames.iter().filter_map(|peaks| strongest_near(peaks.iter().copied(), target)).collect();
        let Some(at) = weighted_median(&found) else { continue };
        let away: Vec<(f64, f64)> = found.iter().map(|f| ((f.0 - at).abs(), f.1)).collect();
        let mean = found.iter().map(|f| f.1).sum::<f64>() / found.len() as f64;
        levels.push(20.0 * mean.max(1e-9).log10());
        out.push(Reading {
            run: index,
            number,
            cents: 100.0 * run.midi + at,
            own_sigma: WAVER_FACTOR * weighted_median(&away).unwrap_or(0.0),
            hz: target,
            frames: found.len(),
            share: whose.map(|whose| whose.of(target, span_s.0, span_s.1)[0]),
        });
    }
    let top = levels.iter().take(4).copied().fold(f64::MIN, f64::max);
    for (r, level) in out.iter_mut().zip(levels) {
        r.own_sigma = r.own_sigma.hypot((top - level - WEAK.0).max(0.0) * WEAK.1);
    }
    out
}
