//! What a take is known by: its harmony, beat by beat, as the twelve numbers that tell chords best.
//!
//! Conventions: the strengths of the pitch classes are averaged over `CONTEXT_BEATS` beats, the take's own mean is taken away,
//! and the twelve classes of chords and bass become their discrete Fourier components over the circle of semitones; one
//! mixture of chords and bass is kept of each (see `weights`). Another key would only turn these components, so no key is
//! better told than another. A beat on which nothing changes has a short row and counts for little.

use super::weights::MIXTURES;
use crate::report::TakeFacts;

/// Numbers a beat.
pub const DIMENSIONS: usize = 12;
/// Fewest beats by which a take is known again: eight bars.
pub const FEWEST_BEATS: usize = 32;
/// Most beats that are looked at; forms repeat.
pub const MOST_BEATS: usize = 512;
/// Beats over which strengths are averaged: a walking bass visits the notes of a chord one after the other.
const CONTEXT_BEATS: usize = 8;
/// Rows this many times shorter than usual still count for something.
const FLOOR: f64 = 1.5;
const CLASSES: usize = 12;

/// One row a beat.
pub type Rows = Vec<[f32; DIMENSIONS]>;

/// What a take is known by.
#[derive(Clone, Debug)]
pub struct Fingerprint {
    /// Beats a minute.
    pub bpm: f64,
    /// Half or double the tempo is possible.
    pub level_unsure: bool,
    /// Mean strength of each class over the take, chords then bass, their own mean taken away.
    pub profile: [f64; 2 * CLASSES],
    /// One row a beat.
    pub rows: Rows,
    /// One row every two beats, for a take whose beats were counted twice as fast.
    pub halved: Rows,
}

/// The fingerprint of a take; `None` where its report says too little.
pub fn fingerprint(take: &TakeFacts) -> Option<Fingerprint> {
    let harmony = take.harmony.as_ref()?;
    let beats: Vec<[f64; 2 * CLASSES]> = harmony
        .chords
        .iter()
        .zip(&harmony.bass)
        .take(MOST_BEATS)
        .map(|(chords, bass)| strengths(chords, bass))
        .collect::<Option<_>>()?;
    if beats.len() < FEWEST_BEATS {
        return None;
    }
    let pairs: Vec<[f64; 2 * CLASSES]> =
        beats.chunks_exact(2).map(|pair| std::array::from_fn(|c| (pair[0][c] + pair[1][c]) / 2.0)).collect();
    Some(Fingerprint {
        bpm: take.tempo.bpm.value?,
        level_unsure: take.tempo.bpm.warnings.iter().any(|w| w == "half_or_double_possible"),
        profile: profile(&beats),
        rows: rows(&beats),
        halved: rows(&pairs),
    })
}

/// Twelve digits of the chords and twelve of the bass; `None` when the words are not that.
fn strengths(chords: &str, bass: &str) -> Option<[f64; 2 * CLASSES]> {
    let mut found = [0.0; 2 * CLASSES];
    for (word, into) in [chords, bass].iter().zip(found.chunks_exact_mut(CLASSES)) {
        if word.len() != CLASSES {
            return None;
        }
        for (digit, strength) in word.chars().zip(into) {
            *strength = f64::from(digit.to_digit(10)?);
        }
    }
    Some(found)
}

fn mean_of(beats: &[[f64; 2 * CLASSES]]) -> [f64; 2 * CLASSES] {
    std::array::from_fn(|c| beats.iter().map(|b| b[c]).sum::<f64>() / beats.len().max(1) as f64)
}

fn profile(beats: &[[f64; 2 * CLASSES]]) -> [f64; 2 * CLASSES] {
    let mean = mean_of(beats);
    std::array::from_fn(|c| {
        let own = &mean[c / CLASSES * CLASSES..][..CLASSES];
        mean[c] - own.iter().sum::<f64>() / CLASSES as f64
    })
}

fn rows(beats: &[[f64; 2 * CLASSES]]) -> Rows {
    let averaged: Vec<[f64; 2 * CLASSES]> = (0..beats.len())
        .map(|at| {
            let first = at.saturating_sub(CONTEXT_BEATS / 2);
            mean_of(&beats[first..(at + CONTEXT_BEATS / 2).min(beats.len())])
        })
        .collect();
    let mean = mean_of(&averaged);
    let mixed: Vec<[f64; DIMENSIONS]> =
        averaged.iter().map(|b| mix(&std::array::from_fn(|c| b[c] - mean[c]))).collect();
    let length = |row: &[f64; DIMENSIONS]| row.iter().map(|v| v * v).sum::<f64>().sqrt();
    let usual = crate::stats::median(&mixed.iter().map(length).collect::<Vec<_>>()).unwrap_or(0.0);
    mixed.iter().map(|row| scaled(row, length(row).hypot(FLOOR * usual))).collect()
}

fn scaled(row: &[f64; DIMENSIONS], by: f64) -> [f32; DIMENSIONS] {
    if by > 0.0 { row.map(|v| (v / by) as f32) } else { [0.0; DIMENSIONS] }
}

/// Fourier components over the circle of semitones, chords and bass mixed: the real parts of numbers 0 to 6, then the imaginary
/// parts of 1 to 5.
fn mix(strengths: &[f64; 2 * CLASSES]) -> [f64; DIMENSIONS] {
    let mut out = [0.0; DIMENSIONS];
    for (number, [chords, bass]) in MIXTURES.iter().enumerate() {
        let (c, b) = (component(&strengths[..CLASSES], number), component(&strengths[CLASSES..], number));
        let times = |w: &(f64, f64), x: (f64, f64)| (w.0 * x.0 - w.1 * x.1, w.0 * x.1 + w.1 * x.0);
        let (c, b) = (times(chords, c), times(bass, b));
        out[number] = c.0 + b.0;
        if (1..=5).contains(&number) {
            out[6 + number] = c.1 + b.1;
        }
    }
    out
}

fn component(classes: &[f64], number: usize) -> (f64, f64) {
    classes.iter().enumerate().fold((0.0, 0.0), |(x, y), (class, strength)| {
        let (sin, cos) = (-std::f64::consts::TAU * (number * class % CLASSES) as f64 / CLASSES as f64).sin_cos();
        (x + strength * cos, y + strength * sin)
    })
}
