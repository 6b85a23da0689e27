//! How a player's own sound reaches the room's recorder: the transfer of each close recording into the room, by frequency.
//!
//! Conventions: complex spectra of long frames, Hann window; powers are mean squares, K-weighted (BS.1770-5).
//!
//! Method: least squares of the room's spectra on those of all close recordings together, frequency by frequency (Bendat and
//! Piersol, Random Data, chapter 7: multiple-input systems; from memory). Frames are long against the room's reverberation,
//! which would else be lost. What chance alone adds to the square of a transfer, from the residual, is taken off.
//! Limits: fewer than [`FEWEST_A_RECORDING`] independent frames for each recording give no answer.

use realfft::num_complex::{Complex32, Complex64};

use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::weighting::k_weighting_db;
use crate::units::db_to_power;

/// Length of a frame: 2.7 s.
pub const LENGTH: usize = 131_072;
/// Highest frequency, Hz.
const TOP_HZ: f64 = 20_000.0;
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
    /// Cross powers of the close recordings, upper triangle, and with the room, bin after bin.
    sums: Vec<Complex32>,
    /// Power of the room, bin after bin.
    room: Vec<f32>,
}

/// Powers in the room.
#[derive(Clone, Debug, PartialEq)]
pub struct RoomPowers {
    /// K-weighted mean square of the room.
    pub whole: f64,
    /// Of each player, `[recording][band]`.
    pub players: Vec<Vec<f64>>,
}

impl Transfer {
    /// For so many close recordings.
    pub fn new(recordings: usize) -> Self {
        let bins = (TOP_HZ / f64::from(ANALYSIS_RATE_HZ) * LENGTH as f64) as usize;
        let cells = recordings * (recordings + 1) / 2 + recordings;
        Self { recordings, frames: 0, sums: vec![Complex32::default(); cells * bins], room: vec![0.0; bins] }
    }

    /// Adds a frame: the room's spectrum and those of the close recordings.
    pub fn add(&mut self, room: &[Complex32], close: &[Vec<Complex32>]) {
        let n = self.recordings;
        let cells = n * (n + 1) / 2 + n;
        self.frames += 1;
        for (bin, sums) in self.sums.chunks_exact_mut(cells).enumerate() {
            let mut at = 0;
            for i in 0..n {
                let x = close[i][bin];
                for other in &close[i..n] {
                    sums[at] += x * other[bin].conj();
                    at += 1;
                }
                sums[n * (n + 1) / 2 + i] += room[bin] * x.conj();
            }
            self.room[bin] += room[bin].norm_sqr();
        }
    }

    /// Seconds that the frames stand for.
    pub fn seconds(&self) -> f64 {
        (self.frames * (LENGTH / 4)) as f64 / f64::from(ANALYSIS_RATE_HZ)
    }

    /// Powers in the room by band; `edges_hz` are the edges of the bands. `None` for a take that is too short.
    pub fn finish(&self, edges_hz: &[f64]) -> Option<RoomPowers> {
        let (n, frames) = (self.recordings, self.frames as f64);
        let independent = frames / DEPENDENT;
        if n == 0 || independent < FEWEST_A_RECORDING * n as f64 + n as f64 {
            return None;
        }
        let bands = edges_hz.len() - 1;
        let mut players = vec![vec![0.0; bands]; n];
        let mut whole = 0.0;
        let cells = n * (n + 1) / 2 + n;
        let bin_hz = f64::from(ANALYSIS_RATE_HZ) / LENGTH as f64;
        let mut weight = 0.0;
        for (bin, sums) in self.sums.chunks_exact(cells).enumerate() {
            let hz = bin as f64 * bin_hz;
            if bin % WEIGHT_STEP == 0 {
                weight =
                    db_to_power(k_weighting_db(f64::from(ANALYSIS_RATE_HZ), hz + bin_hz * WEIGHT_STEP as f64 / 2.0));
            }
            whole += weight * f64::from(self.room[bin]);
            let Some(band) = edges_hz.partition_point(|e| *e <= hz).checked_sub(1).filter(|b| *b < bands) else {
                continue;
            };
            for (player, power) in self.of_bin(sums, f64::from(self.room[bin]), independent).into_iter().enumerate() {
                players[player][band] += weight * power;
            }
        }
        let scale = mean_square_scale() / frames;
        players.iter_mut().flatten().for_each(|p| *p = (*p * scale).max(0.0));
        Some(RoomPowers { whole: whole * scale, players })
    }

    /// Power of each player in the room in one bin, summed over the frames; chance taken off, so that it may be negative.
    fn of_bin(&self, sums: &[Complex32], room: f64, independent: f64) -> Vec<f64> {
        let n = self.recordings;
        let wide = |c: Complex32| Complex64::new(f64::from(c.re), f64::from(c.im));
        // The normal equations: sum_i H_i <X_i X_j*> = <R X_j*>.
        let mut matrix = vec![vec![Complex64::default(); n]; n];
        let pairs = (0..n).flat_map(|i| (i..n).map(move |j| (i, j)));
        for ((i, j), sum) in pairs.zip(sums) {
            let cross = wide(*sum);
            matrix[j][i] = cross;
            matrix[i][j] = cross.conj();
        }
        let at = n * (n + 1) / 2;
        let own: Vec<f64> = (0..n).map(|i| matrix[i][i].re).collect();
        let ridge = RIDGE * own.iter().sum::<f64>() / n as f64;
        let side: Vec<Complex64> = sums[at..at + n].iter().map(|c| wide(*c)).collect();
        if ridge <= 0.0 || !ridge.is_finite() {
            return vec![0.0; n];
        }
        (0..n).for_each(|i| matrix[i][i] += ridge);
        let Some(inverse) = inverted(matrix) else { return vec![0.0; n] };
        let transfers: Vec<Complex64> =
            inverse.iter().map(|row| row.iter().zip(&side).map(|(a, b)| a * b).sum()).collect();
        let explained: f64 = transfers.iter().zip(&side).map(|(h, s)| (h * s.conj()).re).sum();
        let residual = (room - explained).max(0.0) / (independent - n as f64) * independent;
        let chance = |i: usize| residual * inverse[i][i].re / independent;
        (0..n).map(|i| (transfers[i].norm_sqr() - chance(i)) * own[i]).collect()
    }
}

/// From the squared magnitude of a one-sided spectrum of Hann frames to the mean square.
fn mean_square_scale() -> f64 {
    2.0 / (LENGTH as f64 * 0.375 * LENGTH as f64)
}

/// Inverse by Gauss and Jordan; `None` where there is none.
fn inverted(mut matrix: Vec<Vec<Complex64>>) -> Option<Vec<Vec<Complex64>>> {
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
