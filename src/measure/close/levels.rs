//! How loud players with a recorder close to them are in the room: one take, streamed.
//!
//! Conventions: all recordings on the room's clock at [`ANALYSIS_RATE_HZ`](crate::dsp::ANALYSIS_RATE_HZ), the room's first;
//! powers are K-weighted mean squares of the room's mono mix. Cells are [`CELL_S`] long, counted from the start of the take.
//!
//! Method: the own sound of each close recording ([`Dominance`]), its gain into the room and its leakage into the other
//! recordings ([`Transfer`], [`Gains`]), and over time what was recorded by band: leakage taken off, times the gain; loudness with
//! the gates of BS.1770-5 over blocks of four cells.

use realfft::num_complex::Complex32;

use super::bands::{Bands, SHORT};
use super::dominance::{Dominance, Own};
use super::gains::{Gains, Sent};
use super::transfer::{self, BandPowers, LongFrame, Transfer};
use crate::dsp::ANALYSIS_RATE_HZ;
use crate::dsp::phasors::{PhasorSink, PhasorStream};
use crate::units::{db_to_power, power_to_db};

/// Samples that are taken at a time: the hop of the short frames.
pub const HOP: usize = SHORT / 4;
/// Hops by which the own sound comes late: the smoothing's one and the overlap's three.
const LATE_HOPS: usize = 4;
/// Hops of a cell.
const CELL_HOPS: usize = 5;
/// Length of a cell, s.
pub const CELL_S: f64 = (CELL_HOPS * HOP) as f64 / 48_000.0;
/// Cells of a gating block (427 ms instead of 400).
const BLOCK_CELLS: usize = 4;
/// Offset of the loudness formula and the gates (BS.1770-5 annex 1).
const LOUDNESS_OFFSET_LU: f64 = -0.691;
const GATE_ABSOLUTE_LUFS: f64 = -70.0;
const GATE_RELATIVE_LU: f64 = -10.0;

/// Measures one take.
pub struct LevelMeter {
    dominance: Dominance,
    forth: Vec<PhasorStream>,
    back: Vec<PhasorSink>,
    /// Own sounds and whole recordings wait for the long frames; the room's recording is the last of the whole ones.
    long_own: Vec<Waiting>,
    long_whole: Vec<Waiting>,
    transfer: Transfer,
    bands: Bands,
    /// Power as recorded, cell after cell, `[recording][cell * bands + band]`.
    cells: Vec<Vec<f32>>,
    /// Sums over the take, `[recording][band]`: of power times share, and times its square.
    shared: Vec<Vec<[f64; 2]>>,
    hops: usize,
}

/// Samples on their way into long frames.
struct Waiting {
    stream: PhasorStream,
    samples: Vec<f32>,
}

impl Waiting {
    /// Behind `late` samples of silence.
    fn new(late: usize) -> Self {
        Self { stream: PhasorStream::new(transfer::LENGTH), samples: vec![0.0; late] }
    }

    fn frame(&mut self, hop: usize) -> Vec<Complex32> {
        let mut out = Vec::new();
        self.stream.hop(&self.samples[..hop], &mut out);
        self.samples.drain(..hop);
        out
    }
}

/// The levels of a take.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeLevels {
    /// Power of each player in the room's mono mix, cell after cell.
    cells: Vec<Vec<f32>>,
    /// K-weighted mean square of the room's mono mix, summed over the seconds of the take.
    pub whole_energy: f64,
}

impl LevelMeter {
    /// `mean_powers`: of each recording over the takes, the room's first.
    pub fn new(mean_powers: &[f64]) -> Self {
        let n = mean_powers.len() - 1;
        let bands = Bands::default();
        Self {
            dominance: Dominance::new(mean_powers),
            forth: (0..=n).map(|_| PhasorStream::new(SHORT)).collect(),
            back: (0..n).map(|_| PhasorSink::new(SHORT)).collect(),
            long_own: (0..n).map(|_| Waiting::new(HOP)).collect(),
            long_whole: (0..=n).map(|_| Waiting::new(LATE_HOPS * HOP)).collect(),
            transfer: Transfer::new(&mean_powers[1..], bands.edges_hz()),
            cells: vec![Vec::new(); n],
            shared: vec![vec![[0.0; 2]; bands.count()]; n],
            bands,
            hops: 0,
        }
    }

    /// Takes [`HOP`] samples of every recording.
    pub fn hop(&mut self, samples: &[&[f32]]) {
        let mut spectra = vec![Vec::new(); samples.len()];
        for ((stream, x), out) in self.forth.iter_mut().zip(samples).zip(&mut spectra) {
            stream.hop(x, out);
        }
        let close_first = samples[1..].iter().chain(&samples[..1]);
        self.long_whole.iter_mut().zip(close_first).for_each(|(waiting, x)| waiting.samples.extend_from_slice(x));
        if let Some(mut own) = self.dominance.frame(&spectra) {
            self.keep_powers(&own);
            for ((sink, own), waiting) in self.back.iter_mut().zip(&mut own).zip(&mut self.long_own) {
                sink.hop(&mut own.own, &mut waiting.samples);
            }
        }
        let hop = transfer::LENGTH / 4;
        while self.long_own.iter().chain(&self.long_whole).all(|w| w.samples.len() >= hop) {
            let own: Vec<Vec<Complex32>> = self.long_own.iter_mut().map(|w| w.frame(hop)).collect();
            let mut whole: Vec<Vec<Complex32>> = self.long_whole.iter_mut().map(|w| w.frame(hop)).collect();
            let room = whole.pop().unwrap_or_default();
            self.transfer.add(&LongFrame { room: &room, own: &own, whole: &whole });
        }
    }

    fn keep_powers(&mut self, own: &[Own]) {
        let bands = self.bands.count();
        if self.hops.is_multiple_of(CELL_HOPS) {
            self.cells.iter_mut().for_each(|c| c.resize(c.len() + bands, 0.0));
        }
        self.hops += 1;
        for ((cells, shared), frame) in self.cells.iter_mut().zip(&mut self.shared).zip(own) {
            let from = cells.len() - bands;
            for (band, edge) in self.bands.edges.windows(2).enumerate() {
                let bins = frame.whole[edge[0]..edge[1]].iter().zip(&frame.share[edge[0]..edge[1]]);
                let (mut power, mut once, mut twice) = (0.0f32, 0.0f32, 0.0f32);
                for (x, share) in bins {
                    let square = x.norm_sqr();
                    power += square;
                    once += square * share;
                    twice += square * share * share;
                }
                cells[from + band] += power;
                shared[band][0] += f64::from(once);
                shared[band][1] += f64::from(twice);
            }
        }
    }

    /// The take is over; `None` when it was too short.
    pub fn finish(mut self) -> Option<TakeLevels> {
        let silence = vec![0.0; HOP];
        let all = vec![&silence[..]; self.forth.len()];
        // Lets the last long frame hold the last sound.
        (0..transfer::LENGTH / HOP).for_each(|_| self.hop(&all));
        let found = self.transfer.finish()?;
        // The silence behind the take counts in the means of both, which therefore agree.
        let long_frames_s = self.transfer.seconds();
        let gains = Gains::new(&found, &self.sent(long_frames_s), &self.bands);
        let BandPowers { whole, .. } = found;
        Some(TakeLevels { cells: self.in_room(&gains), whole_energy: whole * long_frames_s })
    }

    /// Mean squares over the seconds of the long frames.
    fn sent(&self, long_frames_s: f64) -> Sent {
        let weights = &self.bands.weights;
        let seconds = HOP as f64 / f64::from(ANALYSIS_RATE_HZ) / long_frames_s;
        let whole = |cells: &Vec<f32>| {
            let mut sums = vec![0.0; weights.len()];
            cells
                .chunks_exact(weights.len())
                .for_each(|c| sums.iter_mut().zip(c).for_each(|(s, p)| *s += f64::from(*p)));
            sums.iter().zip(weights).map(|(s, w)| s * w * seconds).collect()
        };
        // What a regression on the own sound refers to: the square of what it shares with the recording, over its own.
        let own = |[once, twice]: &[f64; 2]| if *twice > 0.0 { once * once / twice } else { 0.0 };
        let own = |shared: &Vec<[f64; 2]>| shared.iter().zip(weights).map(|(s, w)| own(s) * w * seconds).collect();
        Sent { whole: self.cells.iter().map(whole).collect(), own: self.shared.iter().map(own).collect() }
    }

    /// Power of each player in the room, cell after cell.
    fn in_room(&self, gains: &Gains) -> Vec<Vec<f32>> {
        let (weights, bands) = (&self.bands.weights, self.bands.count());
        let count = self.cells.first().map_or(0, |c| c.len() / bands);
        let power = |player: usize, cell: usize| {
            let of = |b: usize| {
                let row = gains.apart[b][player].iter().zip(&self.cells);
                let own: f64 = row.map(|(part, cells)| part * f64::from(cells[cell * bands + b])).sum();
                own.max(0.0) * gains.to_room[player][b] * weights[b]
            };
            ((0..bands).map(of).sum::<f64>() / CELL_HOPS as f64) as f32
        };
        (0..self.cells.len()).map(|player| (0..count).map(|cell| power(player, cell)).collect()).collect()
    }
}

impl TakeLevels {
    /// Loudness of the sum of some players over a span of the take (seconds from its start) in LUFS, and the gating blocks behind
    /// it; `scale` turns the mono mix's powers into the recording's. `None` for silence and spans under a block.
    pub fn lufs(&self, players: &[usize], span: (f64, f64), scale: f64) -> Option<(f64, u64)> {
        let count = self.cells.first().map_or(0, Vec::len);
        let at = |s: f64| ((s / CELL_S).round().max(0.0) as usize).min(count);
        let powers: Vec<f64> = (at(span.0)..at(span.1).max(at(span.0)))
            .map(|cell| players.iter().map(|p| f64::from(self.cells[*p][cell])).sum::<f64>() * scale)
            .collect();
        let blocks: Vec<f64> =
            powers.windows(BLOCK_CELLS).map(|b| b.iter().sum::<f64>() / BLOCK_CELLS as f64).collect();
        let mean_above = |gate: f64| {
            let (sum, n) = blocks.iter().filter(|p| **p > gate).fold((0.0, 0u64), |(s, n), p| (s + p, n + 1));
            (n > 0).then(|| (sum / n as f64, n))
        };
        let absolute = db_to_power(GATE_ABSOLUTE_LUFS - LOUDNESS_OFFSET_LU);
        let (first, _) = mean_above(absolute)?;
        let (power, n) = mean_above(absolute.max(first * db_to_power(GATE_RELATIVE_LU)))?;
        power_to_db(power).map(|db| (db + LOUDNESS_OFFSET_LU, n))
    }
}

#[cfg(test)]
mod tests {
    use super::super::PowerMeter;
    use super::*;

    /// Noise that is loud and soft (12 dB) by turns of `turn` samples.
    fn noise(seed: u64, n: usize, turn: usize) -> Vec<f32> {
        let mut state = seed;
        (0..n)
            .map(|i| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let x = (state >> 33) as f64 / f64::from(1u32 << 30) - 1.0;
                (0.2 * x / (1 + 3 * (i / turn % 2)) as f64) as f32
            })
            .collect()
    }

    fn sum(parts: &[(f32, &[f32])]) -> Vec<f32> {
        (0..parts[0].1.len()).map(|i| parts.iter().map(|(gain, x)| gain * x[i]).sum()).collect()
    }

    fn mean_power(x: &[f32]) -> f64 {
        let mut meter = PowerMeter::default();
        meter.push(x, true);
        meter.mean()
    }

    #[test]
    fn players_are_told_as_loud_as_they_are_in_the_room_whoever_leaks_into_their_recordings() {
        let n = 24 * 48_000 / HOP * HOP;
        let (a, b, other) = (noise(1, n, 17_000), noise(2, n, 29_000), noise(3, n, 23_000));
        let room = sum(&[(0.5, &a), (0.2, &b), (0.4, &other)]);
        let close = [sum(&[(1.0, &a), (0.3, &b), (0.05, &other)]), sum(&[(5.0, &b), (0.8, &a), (0.3, &other)])];
        let means: Vec<f64> = [&room, &close[0], &close[1]].iter().map(|x| mean_power(x)).collect();
        let mut meter = LevelMeter::new(&means);
        for at in (0..n).step_by(HOP) {
            meter.hop(&[&room[at..at + HOP], &close[0][at..at + HOP], &close[1][at..at + HOP]]);
        }
        let levels = meter.finish().unwrap();
        for (player, (gain, x)) in [(0.5, &a), (0.2, &b)].into_iter().enumerate() {
            let (lufs, _) = levels.lufs(&[player], (0.0, 24.0), 1.0).unwrap();
            let expected = LOUDNESS_OFFSET_LU + power_to_db(gain * gain * mean_power(x)).unwrap();
            assert!((lufs - expected).abs() < 0.5, "{player}: {lufs} {expected}");
        }
    }
}
