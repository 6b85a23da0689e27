//! Where the recording chain stops hearing: low cut, high cut, from the loud and from the quiet moments alike.
//!
//! Conventions: levels in dBFS a third octave band, centres 1000 Hz * 2^(k/3) (base-two series), from the long spectra.
//! A chain attenuates everything it records: a low cut is believed only when the music and the room noise both show it.

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
const QUIET_SHARE: f64 = 0.1;
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

fn centre_hz(band: i32) -> f64 {
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
        let quiet = density(&self.levels(QUIET_SHARE));
        if quiet[..NOISE_FIT].iter().any(|l| *l < -125.0) {
            return Measured::absent("no_room_noise_to_judge_by");
        }
        let Some(corner) = cut_of_noise(&quiet) else {
            return Measured::absent("no_low_cut_heard");
        };
        // Music that reaches deep refutes the cut: 6 dB below the range above it at most.
        let reach = reach_of_music(&self.levels(LOUD_SHARE));
        if reach < LEAST_REACH * corner {
            return Measured::absent("no_low_cut_heard");
        }
        Measured::new(corner, corner / 1.25, corner * 1.25, self.frames)
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

/// Bands of the fit to the room noise: 25 Hz to 1 kHz.
const NOISE_FIT: usize = 17;
/// Bands whose loud level stands for the music above the cut: 160 to 500 Hz.
const ABOVE_CUT: std::ops::Range<usize> = 8..14;
/// Music ends where it falls this far below its level above, dB.
const REACH_DB: f64 = 7.0;
/// A second-order cut leaves -7 dB at 0.73 of its corner; music that reaches below this share of the corner refutes it.
const LEAST_REACH: f64 = 0.5;
/// A corner explains the noise when it leaves less than this share of the misfit, and when there was misfit, dB^2.
const EXPLAINED: f64 = 0.35;
const LEAST_MISFIT: f64 = 4.0;

/// Levels a Hz instead of levels a band, on an arbitrary common scale.
fn density(levels: &[f64]) -> Vec<f64> {
    levels.iter().enumerate().map(|(b, l)| l - 10.0 * (centre_hz(b as i32) / centre_hz(0)).log10()).collect()
}

/// Lowest band centre down to which the loud spectrum keeps up, Hz.
fn reach_of_music(levels: &[f64]) -> f64 {
    let above = levels[ABOVE_CUT].iter().sum::<f64>() / ABOVE_CUT.len() as f64;
    (0..ABOVE_CUT.start)
        .find(|b| levels[*b] >= above - REACH_DB)
        .map_or(centre_hz(ABOVE_CUT.start as i32), |b| centre_hz(b as i32))
}

/// Corner of the second-order high-pass that explains the fall of the room noise towards the low end, if it explains much.
fn cut_of_noise(density: &[f64]) -> Option<f64> {
    // Hum and other lines stand out of the noise by themselves: a band is held to 3 dB over its lower neighbours.
    let smooth: Vec<f64> = (0..NOISE_FIT)
        .map(|b| {
            let around = if b == 0 { density[1] } else { density[b - 1].max(density[b + 1]) };
            density[b].min(around + 2.0)
        })
        .collect();
    let fit = |corner: Option<f64>| -> f64 {
        let y: Vec<f64> = (smooth.iter().enumerate())
            .map(|(b, l)| l + corner.map_or(0.0, |c| 10.0 * (1.0 + (c / centre_hz(b as i32)).powi(4)).log10()))
            .collect();
        residual_of_line(&y)
    };
    let plain = fit(None);
    let (corner, least) = (0..33)
        .map(|i| 40.0 * 2f64.powf(f64::from(i) / 10.0))
        .map(|c| (c, fit(Some(c))))
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    (least < EXPLAINED * plain && plain > LEAST_MISFIT).then_some(corner)
}

/// Mean squared distance in dB from the best straight line that does not rise with frequency.
fn residual_of_line(y: &[f64]) -> f64 {
    let n = y.len() as f64;
    let mx = (n - 1.0) / 2.0;
    let my = y.iter().sum::<f64>() / n;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (i, v) in y.iter().enumerate() {
        sxy += (i as f64 - mx) * (v - my);
        sxx += (i as f64 - mx).powi(2);
    }
    let slope = (sxy / sxx).clamp(-2.5, 0.3);
    y.iter().enumerate().map(|(i, v)| (v - my - slope * (i as f64 - mx)).powi(2)).sum::<f64>() / n
}
