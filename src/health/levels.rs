//! Noise floor, offset from zero, dead channels: plain sums over the native samples.
//!
//! Conventions: levels are the mean square of a stretch of 4096 frames, mean of the live channels, dBFS re full scale = 1.0,
//! so that a full-scale sine reads -3.01.

use crate::dsp::Block;
use crate::stats::{Measured, quantile};

/// Frames of a stretch.
const STRETCH: usize = 4096;
/// Sums that run side by side.
const LANES: usize = 8;
/// Codes of the level: half decibels from -140 dBFS.
const CODES: usize = 320;
const LOWEST_DBFS: f64 = -140.0;
/// Share of the stretches that are the quietest ones.
const QUIET_SHARE: f64 = 0.04;
/// A stretch of nothing but zeros or last-bit noise, dBFS; no microphone is that quiet.
const SILENCE_DBFS: f64 = -110.0;
/// A channel this far below the loudest one is dead, dB.
const DEAD_DB: f64 = 60.0;

#[derive(Clone, Default)]
struct Channel {
    sum: f64,
    squares: f64,
    /// Sums of the open stretch by place in it, modulo eight, so that the cut into blocks changes nothing.
    stretch: [f32; LANES],
    stretch_squares: [f32; LANES],
    /// Offsets of the stretches: sum, sum of squares.
    means: (f64, f64),
}

impl Channel {
    /// Adds samples that begin at place `at` of the stretch.
    fn add(&mut self, samples: &[f32], at: usize) {
        let head = samples.len().min((LANES - at % LANES) % LANES);
        let (whole, rest) = samples[head..].as_chunks::<LANES>();
        let mut single = |x: f32, lane: usize| {
            self.stretch[lane] += x;
            self.stretch_squares[lane] += x * x;
        };
        samples[..head].iter().enumerate().for_each(|(i, x)| single(*x, (at + i) % LANES));
        // Copies: the sums stay in registers.
        let (mut sums, mut squares) = (self.stretch, self.stretch_squares);
        for chunk in whole {
            for ((sum, squares), x) in sums.iter_mut().zip(&mut squares).zip(chunk) {
                *sum += x;
                *squares += x * x;
            }
        }
        (self.stretch, self.stretch_squares) = (sums, squares);
        for (lane, x) in rest.iter().enumerate() {
            self.stretch[lane] += x;
            self.stretch_squares[lane] += x * x;
        }
    }
}

/// Sums of every channel and a histogram of the level.
#[derive(Clone)]
pub struct LevelMeter {
    channels: Vec<Channel>,
    counts: Vec<u64>,
    inside: usize,
    frames: u64,
    stretches: u64,
}

impl Default for LevelMeter {
    fn default() -> Self {
        Self { channels: Vec::new(), counts: vec![0; CODES], inside: 0, frames: 0, stretches: 0 }
    }
}

impl LevelMeter {
    /// Takes the samples of a block.
    pub fn push(&mut self, block: &Block) {
        if self.channels.len() < block.channels.len() {
            self.channels.resize(block.channels.len(), Channel::default());
        }
        let frames = block.channels.first().map_or(0, Vec::len);
        let mut from = 0;
        while from < frames {
            let to = frames.min(from + STRETCH - self.inside);
            for (channel, samples) in self.channels.iter_mut().zip(&block.channels) {
                channel.add(&samples[from..to], self.inside);
            }
            self.inside += to - from;
            self.frames += (to - from) as u64;
            from = to;
            if self.inside == STRETCH {
                self.close();
            }
        }
    }

    fn close(&mut self) {
        let n = self.inside as f64;
        let mut power = 0.0;
        for channel in &mut self.channels {
            let sum: f64 = channel.stretch.iter().map(|x| f64::from(*x)).sum();
            let squares: f64 = channel.stretch_squares.iter().map(|x| f64::from(*x)).sum();
            let mean = sum / n;
            // The offset is no noise.
            power += (squares / n - mean * mean).max(0.0);
            channel.means.0 += mean;
            channel.means.1 += mean * mean;
            channel.sum += sum;
            channel.squares += squares;
            (channel.stretch, channel.stretch_squares) = ([0.0; LANES], [0.0; LANES]);
        }
        let dbfs = 10.0 * (power / self.channels.len().max(1) as f64).max(1e-14).log10();
        let code = (2.0 * (dbfs - LOWEST_DBFS)).round().clamp(0.0, CODES as f64 - 1.0) as usize;
        self.counts[code] += 1;
        self.stretches += 1;
        self.inside = 0;
    }

    /// Closes the last, shorter stretch.
    pub fn end(&mut self) {
        if self.inside > 0 {
            self.close();
        }
    }

    /// True when nothing but digital silence was heard.
    pub fn silent(&self) -> bool {
        let first = (2.0 * (SILENCE_DBFS - LOWEST_DBFS)) as usize;
        self.counts[first..].iter().all(|n| *n == 0)
    }

    /// Level of the quietest stretches that are not digital silence.
    pub fn noise_floor(&self, riding: bool) -> Measured {
        if self.frames == 0 {
            return Measured::absent("no_samples");
        }
        let first = (2.0 * (SILENCE_DBFS - LOWEST_DBFS)) as usize;
        let levels: Vec<f64> = (first..CODES)
            .flat_map(|c| std::iter::repeat_n(LOWEST_DBFS + c as f64 * 0.5, self.counts[c].min(1 << 20) as usize))
            .collect();
        if levels.is_empty() {
            return Measured::absent("digital_silence");
        }
        // 95 % interval of a quantile by the binomial spread of its rank.
        let n = levels.len() as f64;
        let half = 1.96 * (QUIET_SHARE * (1.0 - QUIET_SHARE) / n).sqrt();
        let at = |q: f64| quantile(&levels, q.clamp(0.0, 1.0));
        let (Some(value), Some(low), Some(high)) = (at(QUIET_SHARE), at(QUIET_SHARE - half), at(QUIET_SHARE + half))
        else {
            return Measured::absent("digital_silence");
        };
        let reading = Measured::new(value, low - 0.25, high + 0.25, levels.len() as u64);
        // Room noise is steady: when the quietest stretches spread, the tape holds no quiet moment.
        let spread = at(0.10).zip(at(0.01)).map_or(0.0, |(a, b)| a - b);
        let reading = if spread > 6.0 { reading.with_warning("no_steady_quiet") } else { reading };
        if riding { reading.with_warning("gain_riding") } else { reading }
    }

    /// Offset from zero of the worst channel.
    pub fn dc_offset(&self) -> Measured {
        let Some(worst) =
            self.channels.iter().max_by(|a, b| a.sum.abs().total_cmp(&b.sum.abs())).filter(|_| self.frames > 0)
        else {
            return Measured::absent("no_samples");
        };
        let n = self.stretches as f64;
        let mean = worst.means.0 / n;
        let variance = (worst.means.1 / n - mean * mean).max(0.0);
        let half = 1.96 * (variance / n).sqrt() + 0.5 / 32_768.0;
        Measured::symmetric(worst.sum / self.frames as f64, half, self.frames)
    }

    /// Channels without signal beside channels with signal, counted from 1.
    pub fn dead_channels(&self) -> Vec<u16> {
        let power = |c: &Channel| {
            let mean = c.sum / self.frames.max(1) as f64;
            (c.squares / self.frames.max(1) as f64 - mean * mean).max(0.0)
        };
        let loudest = self.channels.iter().map(power).fold(0.0, f64::max);
        let limit = loudest * 10f64.powf(-DEAD_DB / 10.0);
        (1u16..).zip(&self.channels).filter(|(_, c)| loudest > 1e-10 && power(c) <= limit).map(|(i, _)| i).collect()
    }
}
