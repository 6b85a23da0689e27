//! How the players' own sounds reach the room's recorder and each other's recorders: powers by band, from long frames.
//!
//! Conventions: complex spectra of long frames, Hann window; powers are mean squares, K-weighted (BS.1770-5).
//!
//! Method: least squares of a recording's spectra on those of all players' own sounds together, frequency by frequency (Bendat
//! and Piersol, Random Data, chapter 7: multiple-input systems; from memory). Frames are long against the room's reverberation,
//! which would else be lost. What chance alone adds to the square of a transfer, from the residual, is taken off.
//! Limits: fewer than [`FEWEST_A_RECORDING`] independent frames for each recording give no answer.

use realfft::num_complex::{Complex32, Complex64};

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
/// Added to the diagonal against numerical trouble, share of the mean power.
const RIDGE: f64 = 1e-6;

/// Sums over the long frames of a take.
pub struct Transfer {
    recordings: usize,
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
    /// For so many close recordings.
    pub fn new(recordings: usize) -> Self {
        let bins = LENGTH / 2 + 1;
        Self {
            recordings,
            frames: 0,
            sums: vec![Complex32::default(); cells(recordings) * bins],
            powers: vec![0.0; (recordings + 1) * bins],
        }
    }

    /// Adds a frame.
    pub fn add(&mut self, frame: &LongFrame) {
        let n = self.recordings;
        self.frames += 1;
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

    /// Powers by band; `edges_hz` are the edges of the bands. `None` for a take that is too short.
    pub fn finish(&self, edges_hz: &[f64]) -> Option<BandPowers> {
        let n = self.recordings;
        let independent = self.frames as f64 / DEPENDENT;
        if n == 0 || independent < FEWEST_A_RECORDING * n as f64 + n as f64 {
            return None;
        }
        let bands = edges_hz.len() - 1;
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
            let Some(band) = edges_hz.partition_point(|e| *e <= hz).checked_sub(1).filter(|b| *b < bands) else {
                continue;
            };
            room[band] += weight * f64::from(powers[0]);
            let Some(players) = Players::of_bin(n, &sums[..pairs(n)]) else { continue };
            for ((found, side), power) in found.iter_mut().zip(sums[pairs(n)..].chunks_exact(n)).zip(powers) {
                let heard = players.heard_in(side, f64::from(*power), independent);
                found.iter_mut().zip(heard).for_each(|(found, power)| found[band] += weight * power);
            }
        }
        found.iter_mut().flatten().flatten().for_each(|p| *p = p.max(0.0));
        let in_room = found.remove(0);
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
    fn of_bin(n: usize, sums: &[Complex32]) -> Option<Self> {
        // The normal equations: sum_i H_i <X_i X_j*> = <R X_j*>.
        let mut matrix = vec![vec![Complex64::default(); n]; n];
        let pairs = (0..n).flat_map(|i| (i..n).map(move |j| (i, j)));
        for ((i, j), sum) in pairs.zip(sums) {
            let cross = wide(*sum);
            matrix[j][i] = cross;
            matrix[i][j] = cross.conj();
        }
        let own: Vec<f64> = (0..n).map(|i| matrix[i][i].re).collect();
        let ridge = RIDGE * own.iter().sum::<f64>() / n as f64;
        if ridge <= 0.0 || !ridge.is_finite() {
            return None;
        }
        (0..n).for_each(|i| matrix[i][i] += ridge);
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
