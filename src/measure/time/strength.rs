//! Onset strength a channel over one span, each channel on its own scale.
//!
//! Conventions: frames as in [`features`](super::features), counted from the start of the span; channels are the bands
//! followed by the two fluxes; a channel's mean over the span is 1.

use super::features::{BANDS, FRAME_BYTES, HOP_S, LEVEL_STEP_DB, TimeFeatures};

/// Channels of onset strength.
pub const CHANNELS: usize = FRAME_BYTES;
/// Groups of channels: drive (35 to 95 Hz), bass (95 to 200 Hz and low flux), chords (200 to 800 Hz and middle flux),
/// sticks (0.8 to 4 kHz), cymbals (4 to 16 kHz).
pub const GROUPS: usize = 5;
const GROUP_CHANNELS: [&[usize]; GROUPS] = [&[0], &[1, 8], &[2, 3, 9], &[4, 5], &[6, 7]];
/// Bands below 800 Hz.
const LOW_BANDS: usize = 4;
/// Frames to each side over which a level rises.
const RISE_FRAMES: usize = 2;
/// Levels this far below the loudest frames of the band are treated as silence, dB.
const DEPTH_DB: f64 = 45.0;
/// A single frame counts for at most this many means.
const LARGEST_RE_MEAN: f32 = 12.0;

/// Frames whose groups are held at most: 22 minutes, 2.6 MB.
const MOST_HELD_FRAMES: usize = 1 << 17;

/// What the strengths of each channel are multiplied by, and the most that is left of a single frame.
#[derive(Clone, Copy)]
struct Scale {
    factor: [f32; CHANNELS],
    most: [f32; CHANNELS],
}

impl Scale {
    /// Changes nothing.
    const NONE: Self = Self { factor: [1.0; CHANNELS], most: [f32::INFINITY; CHANNELS] };

    /// A channel in which nothing rises stays as it is.
    fn by(means: [f32; CHANNELS]) -> Self {
        let mut scale = Self::NONE;
        for (c, mean) in means.into_iter().enumerate().filter(|(_, mean)| *mean > 1e-6) {
            (scale.factor[c], scale.most[c]) = (1.0 / mean, LARGEST_RE_MEAN);
        }
        scale
    }
}

/// Onset strengths of a span: a view of the features, each value made when it is asked for.
pub struct Strengths<'a> {
    features: &'a TimeFeatures,
    /// First frame on the tape.
    pub start_frame: usize,
    len: usize,
    /// Silence of each band, dB above the floor of the bytes.
    floors: [f32; BANDS],
    power_of_byte: Vec<f32>,
    /// By the means of the channels as they rise, and again once single frames are cut.
    scales: [Scale; 2],
    /// The groups of every frame, where they are asked for again and again; see [`Strengths::with_groups`].
    groups: Vec<[f32; GROUPS]>,
}

impl<'a> Strengths<'a> {
    /// Strengths of `[start_s, end_s)`, cut to the tape.
    pub fn of_span(features: &'a TimeFeatures, start_s: f64, end_s: f64) -> Self {
        let first = ((start_s / HOP_S).round().max(0.0) as usize).min(features.len());
        let last = ((end_s / HOP_S).round().max(0.0) as usize).clamp(first, features.len());
        let floors = floors_db(features, first..last);
        let power_of_byte = (0..=u8::MAX).map(|byte| db_to_power(level_db(byte))).collect();
        let mut out = Self {
            features,
            start_frame: first,
            len: last - first,
            floors,
            power_of_byte,
            scales: [Scale::NONE; 2],
            groups: Vec::new(),
        };
        for pass in 0..2 {
            let mut sums = [0.0f32; CHANNELS];
            for t in 0..out.len {
                sums.iter_mut().zip(out.row(t)).for_each(|(sum, x)| *sum += x);
            }
            out.scales[pass] = Scale::by(sums.map(|sum| sum / out.len.max(1) as f32));
        }
        out
    }

    /// Makes the groups of every frame beforehand, unless the span is too long to hold them: 20 bytes a frame.
    pub fn with_groups(mut self) -> Self {
        if self.len <= MOST_HELD_FRAMES {
            self.groups = (0..self.len).map(|t| grouped(&self.row(t))).collect();
        }
        self
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.len
    }

    /// True when the span holds no frame.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    fn bytes(&self, frame: usize) -> &[u8] {
        self.features.frames.get(self.start_frame + frame.min(self.len - 1)).unwrap_or(&[0; FRAME_BYTES])
    }

    /// Strength of each channel at a frame of the span.
    pub fn row(&self, frame: usize) -> [f32; CHANNELS] {
        let (before, after) = (self.bytes(frame.saturating_sub(RISE_FRAMES)), self.bytes(frame + RISE_FRAMES));
        let here = self.bytes(frame);
        let mut row: [f32; CHANNELS] = std::array::from_fn(|c| {
            if c < BANDS {
                (level_db(after[c]).max(self.floors[c]) - level_db(before[c]).max(self.floors[c])).max(0.0)
            } else {
                f32::from(here[c])
            }
        });
        // No branch by channel, so that all channels are worked on together.
        for scale in &self.scales {
            for ((x, factor), most) in row.iter_mut().zip(&scale.factor).zip(&scale.most) {
                let scaled = *x * factor;
                *x = if scaled < *most { scaled } else { *most };
            }
        }
        row
    }

    /// Level of a band at a frame of the span, dB above the floor of the bytes.
    pub fn level_db(&self, frame: usize, band: usize) -> f32 {
        level_db(self.bytes(frame)[band])
    }

    /// Power of 35 to 800 Hz at a frame, on the scale of the bytes' floor.
    pub fn low_power(&self, frame: usize) -> f32 {
        self.bytes(frame)[..LOW_BANDS].iter().map(|byte| self.power_of_byte[usize::from(*byte)]).sum()
    }

    /// Mean strength of each group of channels at a frame.
    pub fn group(&self, frame: usize) -> [f32; GROUPS] {
        self.groups.get(frame).copied().unwrap_or_else(|| grouped(&self.row(frame)))
    }

    /// Seconds on the tape of a (fractional) frame of the span.
    pub fn time_s(&self, frame: f64) -> f64 {
        (self.start_frame as f64 + frame) * HOP_S
    }

    /// The weighted sum of the channels, smoothed over 20 ms, not negative.
    pub fn plain_curve(&self, weights: &[f32; CHANNELS]) -> Vec<f32> {
        let mut curve: Vec<f32> =
            (0..self.len).map(|t| self.row(t).iter().zip(weights).map(|(x, w)| x * w).sum()).collect();
        let n = curve.len();
        // In place: the two values before a frame are kept as they were.
        let (mut two_ago, mut one_ago) = match curve.first() {
            Some(first) => (*first, *first),
            None => return curve,
        };
        for t in 0..n {
            let (here, next, after) = (curve[t], curve[(t + 1).min(n - 1)], curve[(t + 2).min(n - 1)]);
            curve[t] = (two_ago + 2.0 * one_ago + 3.0 * here + 2.0 * next + after) / 9.0;
            (two_ago, one_ago) = (one_ago, here);
        }
        curve
    }

    /// One curve: the weighted sum of the channels, smoothed over 20 ms, zero mean, unit standard deviation.
    pub fn pulse_curve(&self, weights: &[f32; CHANNELS]) -> Vec<f32> {
        let mut curve = self.plain_curve(weights);
        let n = curve.len().max(1) as f32;
        let mean = curve.iter().sum::<f32>() / n;
        let sd = (curve.iter().map(|x| (x - mean).powi(2)).sum::<f32>() / n).sqrt().max(1e-6);
        curve.iter_mut().for_each(|x| *x = (*x - mean) / sd);
        curve
    }
}

fn level_db(byte: u8) -> f32 {
    f32::from(byte) * LEVEL_STEP_DB as f32
}

fn db_to_power(db: f32) -> f32 {
    10f32.powf(db / 10.0)
}

fn grouped(row: &[f32; CHANNELS]) -> [f32; GROUPS] {
    GROUP_CHANNELS.map(|channels| channels.iter().map(|c| row[*c]).sum::<f32>() / channels.len() as f32)
}

/// The level [`DEPTH_DB`] below the loudest frames of each band, from counts of the bytes.
fn floors_db(features: &TimeFeatures, frames: std::ops::Range<usize>) -> [f32; BANDS] {
    let n = frames.len();
    let mut counts = [[0usize; 256]; BANDS];
    for row in features.frames.range(frames) {
        counts.iter_mut().zip(row).for_each(|(count, byte)| count[usize::from(*byte)] += 1);
    }
    let rank = n.saturating_sub(1) * 98 / 100;
    counts.map(|count| {
        let mut below = 0;
        let loud = count.iter().position(|c| {
            below += c;
            below > rank
        });
        (level_db(loud.unwrap_or(0) as u8) - DEPTH_DB as f32).max(0.0)
    })
}
