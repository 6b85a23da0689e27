//! How loud players with a recorder close to them are in the room: one take, streamed.
//!
//! Conventions: all recordings on the room's clock at [`ANALYSIS_RATE_HZ`](crate::dsp::ANALYSIS_RATE_HZ), the room's first;
//! powers are K-weighted mean squares of the room's mono mix. Cells are [`CELL_S`] long, counted from the start of the take.
//!
//! Method: the own sound of each close recording ([`Dominance`]), its transfer into the room ([`Transfer`]), and over time the
//! power of the own sound by band; loudness with the gates of BS.1770-5 over blocks of four cells.

use super::dominance::{Dominance, Own};
use super::transfer::{self, RoomPowers, Transfer};
use crate::dsp::phasors::{PhasorSink, PhasorStream};
use crate::units::{db_to_power, power_to_db};

/// Samples that are taken at a time, and the length of the short frames.
pub const HOP: usize = 1024;
const SHORT: usize = 4 * HOP;
/// Hops by which the own sound comes late: the smoothing's one and the overlap's three.
const LATE_HOPS: usize = 4;
/// Hops of a cell.
const CELL_HOPS: usize = 5;
/// Length of a cell, s.
pub const CELL_S: f64 = (CELL_HOPS * HOP) as f64 / 48_000.0;
/// Cells of a gating block (427 ms instead of 400).
const BLOCK_CELLS: usize = 4;
/// Bands in which the own sound is followed over time.
const BANDS: usize = 32;
/// Edges of the first and the last band, Hz.
const EDGES_HZ: (f64, f64) = (30.0, 16_000.0);
/// Offset of the loudness formula and the gates (BS.1770-5 annex 1).
const LOUDNESS_OFFSET_LU: f64 = -0.691;
const GATE_ABSOLUTE_LUFS: f64 = -70.0;
const GATE_RELATIVE_LU: f64 = -10.0;

/// Measures one take.
pub struct LevelMeter {
    dominance: Dominance,
    forth: Vec<PhasorStream>,
    back: Vec<PhasorSink>,
    long: Vec<PhasorStream>,
    /// What waits for the long frames, the room's first.
    waiting: Vec<Vec<f32>>,
    transfer: Transfer,
    /// First short bin of every band, and the end.
    edges: Vec<usize>,
    edges_hz: Vec<f64>,
    /// Power of the own sound, cell after cell, `[recording][cell * BANDS + band]`.
    cells: Vec<Vec<f32>>,
    /// The squares of the own spectra, summed over the take: what the transfer refers to, `[recording][band]`.
    squares: Vec<[f64; BANDS]>,
    hops: usize,
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
        let rate = |hz: f64| 21.4 * (1.0 + 0.00437 * hz).log10();
        let (low, top) = (rate(EDGES_HZ.0), rate(EDGES_HZ.1));
        let hz = |band: usize| (10f64.powf((low + (top - low) * band as f64 / BANDS as f64) / 21.4) - 1.0) / 0.00437;
        // Each band has a bin at least; what lies outside the bands goes with the outermost.
        let bin_hz = 48_000.0 / SHORT as f64;
        let mut edges = vec![0usize];
        for band in 1..=BANDS {
            let wanted = (hz(band) / bin_hz).round() as usize;
            edges.push(wanted.max(edges[band - 1] + 1));
        }
        edges[BANDS] = SHORT / 2 + 1;
        let mut edges_hz: Vec<f64> = edges.iter().map(|e| (*e as f64 - 0.5) * bin_hz).collect();
        edges_hz[0] = 0.0;
        Self {
            dominance: Dominance::new(mean_powers),
            forth: (0..=n).map(|_| PhasorStream::new(SHORT)).collect(),
            back: (0..n).map(|_| PhasorSink::new(SHORT)).collect(),
            long: (0..=n).map(|_| PhasorStream::new(transfer::LENGTH)).collect(),
            waiting: [vec![0.0; LATE_HOPS * HOP]].into_iter().chain((0..n).map(|_| vec![0.0; HOP])).collect(),
            transfer: Transfer::new(n),
            edges,
            edges_hz,
            cells: vec![Vec::new(); n],
            squares: vec![[0.0; BANDS]; n],
            hops: 0,
        }
    }

    /// Takes [`HOP`] samples of every recording.
    pub fn hop(&mut self, samples: &[&[f32]]) {
        let mut spectra = vec![Vec::new(); samples.len()];
        for ((stream, x), out) in self.forth.iter_mut().zip(samples).zip(&mut spectra) {
            stream.hop(x, out);
        }
        self.waiting[0].extend_from_slice(samples[0]);
        if let Some(mut own) = self.dominance.frame(&spectra) {
            self.keep_powers(&own);
            for ((sink, spectrum), waiting) in self.back.iter_mut().zip(&mut own).zip(&mut self.waiting[1..]) {
                sink.hop(&mut spectrum.spectrum, waiting);
            }
        }
        let long_hop = transfer::LENGTH / 4;
        while self.waiting.iter().all(|w| w.len() >= long_hop) {
            let mut frames = vec![Vec::new(); samples.len()];
            for ((stream, waiting), out) in self.long.iter_mut().zip(&mut self.waiting).zip(&mut frames) {
                stream.hop(&waiting[..long_hop], out);
                waiting.drain(..long_hop);
            }
            self.transfer.add(&frames[0], &frames[1..]);
        }
    }

    fn keep_powers(&mut self, own: &[Own]) {
        if self.hops.is_multiple_of(CELL_HOPS) {
            self.cells.iter_mut().for_each(|c| c.extend([0.0; BANDS]));
        }
        self.hops += 1;
        for ((cells, squares), own) in self.cells.iter_mut().zip(&mut self.squares).zip(own) {
            let from = cells.len() - BANDS;
            for (band, edge) in self.edges.windows(2).enumerate() {
                cells[from + band] += own.power[edge[0]..edge[1]].iter().sum::<f32>();
                squares[band] += f64::from(own.spectrum[edge[0]..edge[1]].iter().map(|x| x.norm_sqr()).sum::<f32>());
            }
        }
    }

    /// The take is over; `None` when it was too short.
    pub fn finish(mut self) -> Option<TakeLevels> {
        let silence = vec![0.0; HOP];
        let all = vec![&silence[..]; self.forth.len()];
        // Lets the last long frame hold the last sound.
        (0..transfer::LENGTH / HOP).for_each(|_| self.hop(&all));
        let RoomPowers { whole, players } = self.transfer.finish(&self.edges_hz)?;
        let count = self.cells.first().map_or(0, |c| c.len() / BANDS);
        // The silence behind the take counts in the means of both, which therefore agree.
        let long_frames_s = self.transfer.seconds();
        let cells = self
            .cells
            .iter()
            .zip(&players)
            .zip(&self.squares)
            .map(|((cells, room), squares)| {
                let factor: [f64; BANDS] = std::array::from_fn(|b| {
                    if squares[b] > 0.0 { room[b] * long_frames_s / (squares[b] * CELL_S) } else { 0.0 }
                });
                (0..count)
                    .map(|c| cells[c * BANDS..].iter().zip(&factor).map(|(p, f)| f64::from(*p) * f).sum::<f64>() as f32)
                    .collect()
            })
            .collect();
        Some(TakeLevels { cells, whole_energy: whole * long_frames_s })
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
