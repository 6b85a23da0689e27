//! How the players' own sounds reach the room's recorder and each other's recorders: powers by band, from long frames.
//!
//! Conventions: complex spectra of long frames, Hann window; powers are mean squares, K-weighted (BS.1770-5).
//!
//! Method: least squares of a recording's spectra on those of all players' own sounds together, frequency by frequency (Bendat
//! and Piersol, Random Data, chapter 7: multiple-input systems; from memory). Frames are long against the room's reverberation,
//! which would else be lost. What chance alone adds to the square of a transfer, from the residual, is taken off.
//! What lossy coding took from the treble is given back ([`Treble`]).
//! Limits: fewer than [`FEWEST_A_RECORDING`] independent frames for each recording give no answer.

use realfft::num_complex::{Complex32, Complex64};

use super::coded::Treble;
use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::weighting::k_weighting_db;
use crate::units::db_to_power;

/// Length of a frame: 2.7 s.
pub const LENGTH: usize = 131_072;
/// Frames at a hop of a quarter that are as good as one alone (Hann: 1.9).
const DEPENDENT: f64 = 1.9;
/// Independent frames that are needed for each recording.
const FEWEST_A_RECORDING: f64 = 2.0;
/// Bins are worked on up to the frequency above which K-weighting was made once: every this many bins.
const WEIGHT_STEP: usize = 16;
/// Added to the diagonal, share of the mean power, each recording at the same loudness. However soft, what the masks leave of a
/// player in another's own sound is the same sound, and would explain a part of it (cymbals in a guitar's); this much of noise in each
/// own sound it does not outweigh. On four mixes 1e-6, 1e-4, 1e-3, 1e-2 told drums 0.51, 0.39, 0.37, 0.41 dB too soft.
const RIDGE: f64 = 1e-3;

/// Sums over the long frames of a take.
pub struct Transfer {
    /// Mean power of each close recording.
    mean_powers: Vec<f64>,
    edges_hz: Vec<f64>,
    treble: Treble,
    frames: usize,
    /// Bin after bin: cross powers of the own sounds (upper triangle), of the room with them, of every recording with them.
    sums: Vec<Complex32>,
    /// Bin after bin: power of the room and of every recording.
    powers: Vec<f32>,
}

/// Powers by band, K-weighted mean squares.
#[derive(Clone, Debug, PartialEq)]
pub struct BandPowers {
    /// Of the room in all bands.
    pub whole: f64,
    /// Of the room.
    pub room: Vec<f64>,
    /// Of each player's own sound in the room, as far as it is the same sound, `[player][band]`.
    pub in_room: Vec<Vec<f64>>,
    /// Of each player's own sound in each recording, `[recording][player][band]`.
    pub in_recordings: Vec<Vec<Vec<f64>>>,
}

/// A frame of all recordings.
pub struct LongFrame<'a> {
    /// The room.
    pub room: &'a [Complex32],
    /// The own sound of each player.
    pub own: &'a [Vec<Complex32>],
    /// Each close recording as it is.
    pub whole: &'a [Vec<Complex32>],
}

impl Transfer {
    /// For close recordings of these mean powers over the takes; `edges_hz` are the edges of the bands.
    pub fn new(mean_powers: &[f64], edges_hz: Vec<f64>) -> Self {
        let (recordings, bins) = (mean_powers.len(), LENGTH / 2 + 1);
        Self {
            mean_powers: mean_powers.to_vec(),
            treble: Treble::new(&edges_hz),
            edges_hz,
            frames: 0,
            sums: vec![Complex32::default(); cells(recordings) * bins],
            powers: vec![0.0; (recordings + 1) * bins],
        }
    }

    /// Adds a frame.
    pub fn add(&mut self, frame: &LongFrame) {
        let n = self.mean_powers.len();
        self.frames += 1;
        self.treble.add(frame.room, frame.own);
        let bins = self.sums.chunks_exact_mut(cells(n)).zip(self.powers.chunks_exact_mut(n + 1));
        for (bin, (sums, powers)) in bins.enumerate() {
            let (pairs, sides) = sums.split_at_mut(pairs(n));
            let mut at = 0;
            for i in 0..n {
                for other in &frame.own[i..n] {
                    pairs[at] += frame.own[i][bin] * other[bin].conj();
                    at += 1;
                }
            }
            let heard = [frame.room].into_iter().chain(frame.whole.iter().map(Vec::as_slice));
            for ((side, power), heard) in sides.chunks_exact_mut(n).zip(powers).zip(heard) {
                side.iter_mut().zip(frame.own).for_each(|(sum, own)| *sum += heard[bin] * own[bin].conj());
                *power += heard[bin].norm_sqr();
            }
        }
    }

    /// Seconds that the frames stand for.
    pub fn seconds(&self) -> f64 {
        (self.frames * (LENGTH / 4)) as f64 / f64::from(ANALYSIS_RATE_HZ)
    }

    /// Powers by band. `None` for a take that is too short.
    pub fn finish(&self) -> Option<BandPowers> {
        let n = self.mean_powers.len();
        let independent = self.frames as f64 / DEPENDENT;
        if n == 0 || independent < FEWEST_A_RECORDING * n as f64 + n as f64 {
            return None;
        }
        let bands = self.edges_hz.len() - 1;
        // The room first, then every recording.
        let mut found = vec![vec![vec![0.0; bands]; n]; n + 1];
        let (mut whole, mut room) = (0.0, vec![0.0; bands]);
        let bin_hz = f64::from(ANALYSIS_RATE_HZ) / LENGTH as f64;
        let scale = mean_square_scale() / self.frames as f64;
        let mut weight = 0.0;
        let bins = self.sums.chunks_exact(cells(n)).zip(self.powers.chunks_exact(n + 1));
        for (bin, (sums, powers)) in bins.enumerate() {
            let hz = bin as f64 * bin_hz;
            if bin % WEIGHT_STEP == 0 {
                let middle_hz = hz + bin_hz * WEIGHT_STEP as f64 / 2.0;
                weight = scale * db_to_power(k_weighting_db(f64::from(ANALYSIS_RATE_HZ), middle_hz));
            }
            whole += weight * f64::from(powers[0]);
            let Some(band) = self.edges_hz.partition_point(|e| *e <= hz).checked_sub(1).filter(|b| *b < bands) else {
                continue;
            };
            room[band] += weight * f64::from(powers[0]);
            let Some(players) = Players::of_bin(&self.mean_powers, &sums[..pairs(n)]) else { continue };
            for ((found, side), power) in found.iter_mut().zip(sums[pairs(n)..].chunks_exact(n)).zip(powers) {
                let heard = players.heard_in(side, f64::from(*power), independent);
                found.iter_mut().zip(heard).for_each(|(found, power)| found[band] += weight * power);
            }
        }
        found.iter_mut().flatten().flatten().for_each(|p| *p = p.max(0.0));
        let mut in_room = found.remove(0);
        let factors = self.treble.factors(&room, &in_room);
        in_room.iter_mut().for_each(|of| of.iter_mut().zip(&factors).for_each(|(power, factor)| *power *= factor));
        Some(BandPowers { whole, room, in_room, in_recordings: found })
    }
}

/// Cross powers of the own sounds.
fn pairs(recordings: usize) -> usize {
    recordings * (recordings + 1) / 2
}

/// Sums of a bin.
fn cells(recordings: usize) -> usize {
    pairs(recordings) + (recordings + 1) * recordings
}

/// The own sounds of all players in one bin.
struct Players {
    own: Vec<f64>,
    inverse: Vec<Vec<Complex64>>,
}

impl Players {
    /// `None` where nothing sounds.
    fn of_bin(mean_powers: &[f64], sums: &[Complex32]) -> Option<Self> {
        let n = mean_powers.len();
        // The normal equations: sum_i H_i <X_i X_j*> = <R X_j*>.
        let mut matrix = vec![vec![Complex64::default(); n]; n];
        let pairs = (0..n).flat_map(|i| (i..n).map(move |j| (i, j)));
        for ((i, j), sum) in pairs.zip(sums) {
            let cross = wide(*sum);
            matrix[j][i] = cross;
            matrix[i][j] = cross.conj();
        }
        let own: Vec<f64> = (0..n).map(|i| matrix[i][i].re).collect();
        // A recording of silence has no loudness to be brought to.
        let loudness: Vec<f64> = mean_powers.iter().map(|p| if *p > 0.0 { *p } else { 1.0 }).collect();
        let ridge = RIDGE * own.iter().zip(&loudness).map(|(own, loud)| own / loud).sum::<f64>() / n as f64;
        if ridge <= 0.0 || !ridge.is_finite() {
            return None;
        }
        (0..n).for_each(|i| matrix[i][i] += ridge * loudness[i]);
        Some(Self { own, inverse: inverted(matrix)? })
    }

    /// Power of each player in a recording, summed over the frames; chance taken off, so that it may be negative. `side`: cross
    /// powers of that recording with the own sounds, `power`: its own.
    fn heard_in(&self, side: &[Complex32], power: f64, independent: f64) -> Vec<f64> {
        let n = self.own.len();
        let side: Vec<Complex64> = side.iter().map(|c| wide(*c)).collect();
        let transfers: Vec<Complex64> =
            self.inverse.iter().map(|row| row.iter().zip(&side).map(|(a, b)| a * b).sum()).collect();
        let explained: f64 = transfers.iter().zip(&side).map(|(h, s)| (h * s.conj()).re).sum();
        let residual = (power - explained).max(0.0) / (independent - n as f64) * independent;
        let chance = |i: usize| residual * self.inverse[i][i].re / independent;
        (0..n).map(|i| (transfers[i].norm_sqr() - chance(i)) * self.own[i]).collect()
    }
}

fn wide(c: Complex32) -> Complex64 {
    Complex64::new(f64::from(c.re), f64::from(c.im))
}

/// From the squared magnitude of a one-sided spectrum of Hann frames to the mean square.
fn mean_square_scale() -> f64 {
    2.0 / (LENGTH as f64 * 0.375 * LENGTH as f64)
}

/// Inverse by Gauss and Jordan; `None` where there is none.
pub fn inverted(mut matrix: Vec<Vec<Complex64>>) -> Option<Vec<Vec<Complex64>>> {
    let n = matrix.len();
    let unit = |i: usize| (0..n).map(|j| Complex64::new(f64::from(u8::from(i == j)), 0.0)).collect::<Vec<_>>();
    let mut inverse: Vec<Vec<Complex64>> = (0..n).map(unit).collect();
    for column in 0..n {
        let pivot =
            (column..n).max_by(|a, b| matrix[*a][column].norm_sqr().total_cmp(&matrix[*b][column].norm_sqr()))?;
        matrix.swap(column, pivot);
        inverse.swap(column, pivot);
        let divisor = matrix[column][column];
        if divisor.norm_sqr() <= 0.0 || !divisor.is_finite() {
            return None;
        }
        for k in 0..n {
            matrix[column][k] /= divisor;
            inverse[column][k] /= divisor;
        }
        for row in (0..n).filter(|r| *r != column) {
            let factor = matrix[row][column];
            for k in 0..n {
                let (m, i) = (matrix[column][k], inverse[column][k]);
                matrix[row][k] -= factor * m;
                inverse[row][k] -= factor * i;
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise: the spectra of a player's own sound, frame after frame, so many bins.
    fn noise(seed: u64, frames: usize, bins: usize) -> Vec<Vec<Complex32>> {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0) as f32
        };
        (0..frames).map(|_| (0..bins).map(|_| Complex32::new(next(), next())).collect()).collect()
    }

    /// Power that is found of a loud player in the room, against the true one: beside a second recording in whose own sound
    /// is left of the loud one only a trace, less distorted by coding than the loud one's own. `gain`: of that second recorder.
    fn found_beside_a_trace(gain: f32) -> f64 {
        let (frames, bins) = (60, LENGTH / 2 + 1);
        let (sound, coding) = (noise(1, frames, bins), noise(2, frames, bins));
        let mut transfer = Transfer::new(&[1.0, f64::from(gain * gain)], vec![0.0, 24_000.0]);
        for (sound, coding) in sound.iter().zip(&coding) {
            let loud: Vec<Complex32> = sound.iter().zip(coding).map(|(s, c)| s + c * 0.3).collect();
            let trace: Vec<Complex32> = sound.iter().map(|s| s * 1e-3 * gain).collect();
            transfer.add(&LongFrame { room: sound, own: &[loud, trace], whole: &[sound.clone(), sound.clone()] });
        }
        let found = transfer.finish().unwrap();
        found.in_room[0][0] / found.room[0]
    }

    #[test]
    fn a_trace_in_a_neighbours_own_sound_does_not_explain_a_player_away() {
        // 9 percent of the loud recording is coding noise, hence 1 / 1.09 of the room is found again; the trace would take it all.
        for gain in [0.01, 1.0, 100.0] {
            let share = found_beside_a_trace(gain);
            assert!((share - 1.0 / 1.09).abs() < 0.015, "{gain}: {share}");
        }
    }

    #[test]
    fn an_inverse_times_its_matrix_is_one() {
        let matrix: Vec<Vec<Complex64>> = (0..4)
            .map(|i| {
                (0..4)
                    .map(|j| Complex64::new(f64::from(i * j % 3) + f64::from(u8::from(i == j)) * 4.0, f64::from(i - j)))
                    .collect()
            })
            .collect();
        let inverse = inverted(matrix.clone()).unwrap();
        for (i, row) in matrix.iter().enumerate() {
            for j in 0..4 {
                let sum: Complex64 = row.iter().zip(&inverse).map(|(m, other)| m * other[j]).sum();
                assert!((sum - f64::from(u8::from(i == j))).norm() < 1e-12);
            }
        }
        assert!(inverted(vec![vec![Complex64::default(); 2]; 2]).is_none());
    }
}
