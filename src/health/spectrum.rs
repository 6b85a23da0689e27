//! Where the recording chain stops hearing: low cut, high cut, from the loud and from the quiet moments alike.
//!
//! Conventions: levels in dBFS a third octave band, centres 1000 Hz * 2^(k/3) (base-two series), from the long spectra.
//! How a low cut is told: `low_cut`.

use super::low_cut::{CUT_FACTOR, low_cut};
use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{PowerFrame, lanes};
use crate::stats::Measured;

/// Third-octave bands from 25 Hz to 20 kHz.
const BANDS: usize = 30;
const FIRST_BAND: i32 = -16;
/// Levels in 1 dB steps from -130 dBFS.
const LEVELS: usize = 136;
const LOWEST_DBFS: f64 = -130.0;
/// Spectra that a verdict needs.
const LEAST_FRAMES: u64 = 12;
/// Shares of the time that make the quiet and the loud spectrum.
const QUIET_SHARE: f64 = 0.05;
const LOUD_SHARE: f64 = 0.9;

/// Histogram of the level of every band.
#[derive(Clone)]
pub struct BandwidthMeter {
    counts: Vec<[u32; LEVELS]>,
    high: Vec<[u32; LEVELS]>,
    edges: Vec<usize>,
    frames: u64,
}

impl Default for BandwidthMeter {
    fn default() -> Self {
        let edges = (0..=BANDS as i32)
            .map(|b| (centre_hz(b) * 2f64.powf(-1.0 / 6.0) / LONG_FRAMING.bin_hz()).round() as usize)
            .collect();
        Self { counts: vec![[0; LEVELS]; BANDS], high: vec![[0; LEVELS]; HIGH_BANDS], edges, frames: 0 }
    }
}

/// Centre of a third-octave band, Hz.
pub(super) fn centre_hz(band: i32) -> f64 {
    1000.0 * 2f64.powf(f64::from(band + FIRST_BAND) / 3.0)
}

impl BandwidthMeter {
    /// Takes a long spectrum.
    pub fn push(&mut self, spectrum: &PowerFrame) {
        self.frames += 1;
        for (count, edge) in self.counts.iter_mut().zip(self.edges.windows(2)) {
            let sum = lanes::sum(&spectrum.power[edge[0]..edge[1]]);
            count[code(sum)] += 1;
        }
        let bin = |i: usize| ((HIGH_FIRST_HZ + i as f64 * HIGH_STEP_HZ) / LONG_FRAMING.bin_hz()).round() as usize;
        for (i, count) in self.high.iter_mut().enumerate() {
            let sum = lanes::sum(&spectrum.power[bin(i)..bin(i + 1)]);
            count[code(sum)] += 1;
        }
    }

    fn levels(&self, share: f64) -> Vec<f64> {
        let wanted = (self.frames as f64 * share).ceil().max(1.0);
        self.counts.iter().map(|counts| LOWEST_DBFS + place_of(counts, wanted) as f64).collect()
    }

    /// Corner of a high-pass in the chain: -3 dB of the second order that fits.
    pub fn low_cut(&self) -> Measured {
        if self.frames < LEAST_FRAMES {
            return Measured::absent("too_short");
        }
        let bins: Vec<f64> = self.edges.windows(2).map(|edge| (edge[1] - edge[0]) as f64).collect();
        match low_cut(&self.levels(QUIET_SHARE), &bins, &self.levels(LOUD_SHARE)) {
            Ok(corner) => Measured::new(corner, corner / CUT_FACTOR, corner * CUT_FACTOR, self.frames),
            Err(why) => Measured::absent(why),
        }
    }

    /// Frequency above which the chain passes nothing.
    pub fn high_cut(&self, sample_rate_hz: u32) -> Measured {
        if self.frames < LEAST_FRAMES {
            return Measured::absent("too_short");
        }
        let wanted = (self.frames as f64 * HIGH_SHARE).ceil();
        let level: Vec<f64> = self.high.iter().map(|counts| LOWEST_DBFS + place_of(counts, wanted) as f64).collect();
        if level.iter().all(|l| *l < -100.0) {
            return Measured::absent("silent");
        }
        let half = f64::from(sample_rate_hz.min(48_000)) / 2.0;
        let top = ((half * 0.985 - HIGH_FIRST_HZ) / HIGH_STEP_HZ) as usize;
        let cliff = |i: usize| -> f64 {
            let above =
                (((HIGH_FIRST_HZ + i as f64 * HIGH_STEP_HZ) * THIRD - HIGH_FIRST_HZ) / HIGH_STEP_HZ).ceil() as usize;
            if above + 1 >= top.min(level.len()) {
                return 0.0;
            }
            level[i] - level[above..top.min(level.len())].iter().copied().fold(f64::MIN, f64::max)
        };
        let best = (0..level.len()).map(|i| (i, cliff(i))).max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((at, _)) = best.filter(|(_, fall)| *fall >= HIGH_CLIFF_DB) else {
            return Measured::absent("no_high_cut_heard");
        };
        // The edge: the last band that keeps within 6 dB of the one where the fall begins.
        let edge = (at..level.len()).take_while(|i| level[*i] >= level[at] - 6.0).last().unwrap_or(at);
        let hz = HIGH_FIRST_HZ + (edge as f64 + 1.0) * HIGH_STEP_HZ;
        if hz > HIGH_NO_CUT * half {
            return Measured::absent("no_high_cut_heard");
        }
        Measured::new(hz, hz - HIGH_STEP_HZ, hz + HIGH_STEP_HZ, self.frames)
    }
}

/// Bands of the upper range: 250 Hz wide from 2.5 kHz up to 24 kHz.
const HIGH_FIRST_HZ: f64 = 2500.0;
const HIGH_STEP_HZ: f64 = 250.0;
const HIGH_BANDS: usize = 86;
/// Share of the time below the level of a band that counts as loud.
const HIGH_SHARE: f64 = 0.97;
/// A cut this close to half the sampling rate is the converter's own.
const HIGH_NO_CUT: f64 = 0.91;
/// A third of an octave.
const THIRD: f64 = 1.259_921;
/// Fall within a third octave that music and rooms do not have, dB.
const HIGH_CLIFF_DB: f64 = 12.0;

fn place_of(counts: &[u32; LEVELS], wanted: f64) -> usize {
    let mut seen = 0.0;
    let at = counts.iter().position(|n| {
        seen += f64::from(*n);
        seen >= wanted
    });
    at.unwrap_or(0)
}

fn code(sum: f32) -> usize {
    let db = 10.0 * f64::from(sum.max(1e-13)).log10() - LOWEST_DBFS;
    (db.round().max(0.0) as usize).min(LEVELS - 1)
}
