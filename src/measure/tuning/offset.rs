//! How far the bass stands from equal temperament in a take: all its partials weighed together.
//!
//! Conventions: cents, plus = sharp, on the circle of one semitone; pitches in cents above MIDI 0 at A4 = 440 Hz.
//!
//! Method: every note of the bass line gives readings of its partials below 420 Hz, for the attack, the middle and the
//! rest of the note. A reading speaks for the bass, for the band (which plays the same partials at its own pitch, the more
//! often the higher the partial), or for nothing. Readings of one key and partial form a cell: whatever is odd about that
//! string, fret or sample is theirs together, so that a key played often counts no more than a key. The likelihoods of all
//! cells are multiplied for every offset and every stretch of the partials (inharmonicity); the median of the result is the
//! offset, wherever on the circle it lies. [`super::settled`] then looks closer around it.
//!
//! Limits: with a recorder that is deaf below 150 Hz the bass shares all its partials with others.

use crate::dsp::partials::weighted_median;
use crate::dsp::peaks::Peak;
use crate::units::midi_to_hz;

use super::circle::{CIRCLE, STUDENT4_PEAK, kernel, mean, median_and_half_width, offset_of, spread, student4, wrap};
use super::compact::PeakStore;
use super::line::Run;

/// A peak belongs to a partial when it lies this near, cents.
pub const NEAR_CENTS: f64 = 45.0;
/// A little more than that as a ratio: most peaks need no logarithm to be known as too far away.
const NEAR_RATIO: f64 = 1.0265;
/// Partials that are read, and the frequency above which none is.
const PARTIALS: usize = 8;
const HIGHEST_HZ: f64 = 420.0;
/// Shorter runs are passing errors of the line, frames.
const SHORTEST_RUN: usize = 5;
/// Frames from the onset at which the middle and the rest of a note begin.
const MIDDLE_FROM: usize = 4;
const REST_FROM: usize = 8;
/// Spread of a reading, cents, by partial; the attack is this much wilder, and a reading wavers by itself.
const READING_SIGMA: [f64; PARTIALS] = [8.0, 6.0, 5.0, 6.0, 7.0, 7.0, 7.0, 7.0];
const ATTACK_FACTOR: f64 = 3.0;
const WAVER_FACTOR: f64 = 0.7;
/// Each 6 dB under the note's strongest partial, beyond the first 6, widen a reading by this share.
const WEAK_SHARE: f64 = 0.3;
/// Spread of the cells around the common offset, cents, by partial.
const CELL_SIGMA: [f64; PARTIALS] = [8.0, 3.0, 6.0, 8.0, 10.0, 10.0, 10.0, 10.0];
/// Fundamentals of short notes read flat by this much.
const FUNDAMENTAL_CENTS: f64 = -3.0;
/// Share of readings that speak for the band: below and above the register where comping begins.
const BAND_SHARE: (f64, f64) = (0.05, 0.4);
const BAND_FROM_HZ: (f64, f64) = (135.0, 12.0);
const BAND_SIGMA: f64 = 5.0;
/// Share of readings that speak for nothing.
const STRAY_SHARE: f64 = 0.15;
/// Readings of one note are not independent: their log-likelihood counts by this.
const READING_POWER: f64 = 0.5;
/// Stretch of the partials, cents for each unit of n^2 - 1, and the scale of its prior.
const STRETCHES: [f64; 6] = [0.0, 0.15, 0.35, 0.6, 0.9, 1.3];
const STRETCH_SCALE: f64 = 0.15;
/// The bass's offset in a take.
#[derive(Clone, Copy, Debug)]
pub struct BassOffset {
    /// Cents from the nearest semitone, -50..50.
    pub cents: f64,
    /// Share of the weight below the register of the comping instruments, 0..=1.
    pub low_share: f64,
}

/// The strongest peak near `target_hz`: its distance in cents, its amplitude.
pub fn strongest_near(peaks: impl Iterator<Item = Peak>, target_hz: f64) -> Option<(f64, f64)> {
    let mut best: Option<(f64, f64, f64)> = None;
    let (low, high) = (target_hz / NEAR_RATIO, target_hz * NEAR_RATIO);
    for p in peaks.filter(|p| f64::from(p.hz) > low && f64::from(p.hz) < high) {
        let away = 1200.0 * (f64::from(p.hz) / target_hz).log2();
        if away.abs() < NEAR_CENTS {
            let rank = f64::from(p.amplitude) * (1.0 - 0.5 * (away / NEAR_CENTS).powi(2));
            if best.is_none_or(|b| rank > b.0) {
                best = Some((rank, away, f64::from(p.amplitude)));
            }
        }
    }
    best.map(|b| (b.1, b.2))
}

/// One partial of one note in one part of the note.
struct Reading {
    run: usize,
    number: usize,
    hz: f64,
    /// 0 attack, 1 middle, 2 rest.
    part: usize,
    cents: f64,
    waver: f64,
    level_db: f64,
    frames: usize,
}

/// Offset of the bass that plays `runs`; `band_cents` is where the band stands, if known.
pub fn bass_offset(store: &PeakStore, runs: &[Run], band_cents: Option<f64>) -> Option<BassOffset> {
    let runs: Vec<Run> = runs.iter().copied().filter(|r| r.end - r.first >= SHORTEST_RUN).collect();
    let mut readings: Vec<Reading> = runs.iter().enumerate().flat_map(|(i, run)| readings_of(store, i, run)).collect();
    relative_levels(&mut readings, runs.len());
    let centre = common_centre(&readings, &runs)?;
    let key = |r: &Reading| ((100.0 * runs[r.run].midi - centre) / 100.0).round() as i64;
    let mut cells: std::collections::BTreeMap<(i64, usize), [f64; CIRCLE]> = Default::default();
    let (mut low, mut all) = (0.0, 0.0);
    for r in &readings {
        let cell = cells.entry((key(r), r.number)).or_insert([0.0; CIRCLE]);
        let sigma = add_reading(cell, r, band_cents);
        let weight = 1.0 / (sigma * sigma + CELL_SIGMA[r.number - 1].powi(2));
        all += weight;
        low += if r.hz < BAND_FROM_HZ.0 { weight } else { 0.0 };
    }
    let posterior = combine(&cells);
    let (median, _) = median_and_half_width(&posterior);
    Some(BassOffset { cents: wrap(median), low_share: low / all.max(1e-12) })
}

fn readings_of(store: &PeakStore, index: usize, run: &Run) -> Vec<Reading> {
    let f0 = midi_to_hz(run.midi);
    let frames: Vec<Vec<Peak>> = (run.first + 1..run.end).map(|f| store.frame(f).collect()).collect();
    let mut out = Vec::new();
    for number in 1..=PARTIALS {
        let target = f0 * number as f64;
        if target > HIGHEST_HZ {
            break;
        }
        let mut parts: [Vec<(f64, f64)>; 3] = Default::default();
        for (i, peaks) in frames.iter().enumerate() {
            if let Some(found) = strongest_near(peaks.iter().copied(), target) {
                let age = i + 1;
                parts[usize::from(age >= MIDDLE_FROM) + usize::from(age >= REST_FROM)].push(found);
            }
        }
        for (part, found) in parts.iter().enumerate() {
            let Some(middle) = weighted_median(found) else { continue };
            let away: Vec<(f64, f64)> = found.iter().map(|f| ((f.0 - middle).abs(), f.1)).collect();
            let mean = found.iter().map(|f| f.1).sum::<f64>() / found.len() as f64;
            out.push(Reading {
                run: index,
                number,
                hz: target,
                part,
                cents: 100.0 * run.midi + middle,
                waver: weighted_median(&away).unwrap_or(0.0),
                level_db: 20.0 * mean.max(1e-9).log10(),
                frames: found.len(),
            });
        }
    }
    out
}

/// Turns levels into levels relative to the strongest of the note's first four partials.
fn relative_levels(readings: &mut [Reading], runs: usize) {
    let mut strongest = vec![f64::MIN; runs];
    for r in readings.iter().filter(|r| r.number <= 4) {
        strongest[r.run] = strongest[r.run].max(r.level_db);
    }
    readings.iter_mut().for_each(|r| r.level_db -= strongest[r.run]);
}

/// Circular mean of the lowest partials' offsets, by the length of the notes; it tells which readings share a key.
fn common_centre(readings: &[Reading], runs: &[Run]) -> Option<f64> {
    let lowest = readings.iter().filter(|r| r.number <= 2 && r.part == 1);
    let weighted = lowest.map(|r| (r.cents, (runs[r.run].end - runs[r.run].first) as f64));
    mean(weighted).map(|(_, centre)| centre)
}

/// Adds a reading's log-likelihood to its cell; returns the spread of the reading.
fn add_reading(cell: &mut [f64; CIRCLE], r: &Reading, band_cents: Option<f64>) -> f64 {
    let attack = if r.part == 0 { ATTACK_FACTOR } else { 1.0 };
    let weak = 1.0 + WEAK_SHARE * (-r.level_db - 6.0).max(0.0) / 6.0;
    let sigma = (READING_SIGMA[r.number - 1] * attack * weak).hypot(WAVER_FACTOR * r.waver);
    let comping = 1.0 / (1.0 + (-(r.hz - BAND_FROM_HZ.0) / BAND_FROM_HZ.1).exp());
    let band_share = BAND_SHARE.0 + BAND_SHARE.1 * comping;
    let band = band_cents.map_or(1.0 / CIRCLE as f64, |b| {
        (-0.5 * (wrap(r.cents - b) / BAND_SIGMA).powi(2)).exp() / (BAND_SIGMA * std::f64::consts::TAU.sqrt())
    });
    let other = band_share * band + STRAY_SHARE / CIRCLE as f64;
    let own = (1.0 - band_share - STRAY_SHARE) * STUDENT4_PEAK / sigma;
    let power = READING_POWER * ((r.frames.min(4) as f64) / 4.0).sqrt();
    // From place to place the reading lies a cent lower, once round the circle.
    let mut away = wrap(r.cents - offset_of(0));
    for c in cell.iter_mut() {
        *c += power * (own * student4(away / sigma) + other).ln();
        away -= if away < -49.0 { 1.0 - CIRCLE as f64 } else { 1.0 };
    }
    sigma
}

/// Probability of every offset, all cells taken together.
fn combine(cells: &std::collections::BTreeMap<(i64, usize), [f64; CIRCLE]>) -> [f64; CIRCLE] {
    let kernels: Vec<Vec<f64>> = CELL_SIGMA.iter().map(|s| kernel(*s)).collect();
    let mut total = [[0.0; CIRCLE]; STRETCHES.len()];
    for ((_, number), log_likelihood) in cells {
        let cell = spread(log_likelihood, &kernels[number - 1]);
        let squares = (number * number) as f64 - 1.0;
        let base = if *number == 1 { FUNDAMENTAL_CENTS } else { 0.0 };
        for (row, stretch) in total.iter_mut().zip(STRETCHES) {
            let shift = (base + stretch * squares).round() as i64;
            for (j, t) in row.iter_mut().enumerate() {
                *t += cell[(j as i64 + shift).rem_euclid(CIRCLE as i64) as usize];
            }
        }
    }
    for (row, stretch) in total.iter_mut().zip(STRETCHES) {
        row.iter_mut().for_each(|t| *t -= stretch / STRETCH_SCALE);
    }
    let top = total.iter().flatten().copied().fold(f64::MIN, f64::max);
    let mut out = [0.0; CIRCLE];
    for row in &total {
        out.iter_mut().zip(row).for_each(|(o, t)| *o += (t - top).exp());
    }
    let sum: f64 = out.iter().sum();
    out.iter_mut().for_each(|o| *o /= sum);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A walking line of notes of twelve frames: partial levels as given, the bass `cents` off, the band's partial on
    /// top of every third note's upper partials.
    fn line_of(cents: f64, levels: &[f32]) -> (PeakStore, Vec<Run>) {
        let mut store = PeakStore::default();
        let mut runs = Vec::new();
        for i in 0..60usize {
            let midi = 28.0 + ((i * 7) % 17) as f64;
            runs.push(Run { first: i * 12, end: i * 12 + 12, midi });
            for _ in 0..12 {
                let f0 = midi_to_hz(midi + cents / 100.0) as f32;
                let mut peaks: Vec<Peak> =
                    levels.iter().enumerate().map(|(k, a)| Peak { hz: f0 * (k + 1) as f32, amplitude: *a }).collect();
                if i % 3 == 0 {
                    for (k, p) in peaks.iter_mut().enumerate().skip(2) {
                        p.hz = (midi_to_hz(midi) * (k + 1) as f64) as f32;
                    }
                }
                store.push(&peaks);
            }
        }
        (store, runs)
    }

    #[test]
    fn the_offset_comes_back_over_a_semitone_with_the_band_on_top_of_the_partials() {
        for cents in [-45.0, -20.0, -5.0, 0.0, 4.0, 12.0, 45.0] {
            let (store, runs) = line_of(cents, &[0.05, 0.1, 0.06, 0.04]);
            let found = bass_offset(&store, &runs, Some(0.0)).unwrap();
            assert!(wrap(found.cents - cents).abs() < 1.5, "{cents}: {found:?}");
        }
    }

    #[test]
    fn no_line_no_offset() {
        assert!(bass_offset(&PeakStore::default(), &[], None).is_none());
    }
}
