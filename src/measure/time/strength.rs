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

/// Onset strengths of a span.
pub struct Strengths {
    /// First frame on the tape.
    pub start_frame: usize,
    /// `[frame][CHANNELS]`.
    pub rows: Vec<[f32; CHANNELS]>,
    /// Band levels in dB above the floor of the bytes, `[frame][BANDS]`.
    pub levels_db: Vec<[f32; BANDS]>,
    /// Power of 35 to 800 Hz a frame, on the scale of the bytes' floor.
    pub low_power: Vec<f32>,
    /// Mean strength of each group of channels, `[frame][GROUPS]`.
    pub groups: Vec<[f32; GROUPS]>,
}

impl Strengths {
    /// Strengths of `[start_s, end_s)`, cut to the tape.
    pub fn of_span(features: &TimeFeatures, start_s: f64, end_s: f64) -> Self {
        let first = ((start_s / HOP_S).round().max(0.0) as usize).min(features.len());
        let last = ((end_s / HOP_S).round().max(0.0) as usize).clamp(first, features.len());
        let bytes: Vec<&[u8]> = features.frames.range(first..last).collect();
        let levels_db: Vec<[f32; BANDS]> =
            bytes.iter().map(|row| std::array::from_fn(|b| f32::from(row[b]) * LEVEL_STEP_DB as f32)).collect();
        let floors = floors_db(&levels_db);
        let mut rows: Vec<[f32; CHANNELS]> = (0..levels_db.len())
            .map(|t| {
                let before = &levels_db[t.saturating_sub(RISE_FRAMES)];
                let after = &levels_db[(t + RISE_FRAMES).min(levels_db.len() - 1)];
                std::array::from_fn(|c| {
                    if c < BANDS {
                        (after[c].max(floors[c]) - before[c].max(floors[c])).max(0.0)
                    } else {
                        f32::from(bytes[t][c])
                    }
                })
            })
            .collect();
        scale_to_mean_one(&mut rows);
        let low_power = levels_db.iter().map(|row| row[..LOW_BANDS].iter().map(|db| db_to_power(*db)).sum()).collect();
        let groups = rows.iter().map(grouped).collect();
        Self { start_frame: first, rows, levels_db, low_power, groups }
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True when the span holds no frame.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Seconds on the tape of a (fractional) frame of the span.
    pub fn time_s(&self, frame: f64) -> f64 {
        (self.start_frame as f64 + frame) * HOP_S
    }

    /// The weighted sum of the channels, smoothed over 20 ms, not negative.
    pub fn plain_curve(&self, weights: &[f32; CHANNELS]) -> Vec<f32> {
        let raw: Vec<f32> = self.rows.iter().map(|r| r.iter().zip(weights).map(|(x, w)| x * w).sum()).collect();
        (0..raw.len())
            .map(|t| {
                let at = |d: isize| raw[t.saturating_add_signed(d).min(raw.len() - 1)];
                (at(-2) + 2.0 * at(-1) + 3.0 * at(0) + 2.0 * at(1) + at(2)) / 9.0
            })
            .collect()
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

fn db_to_power(db: f32) -> f32 {
    10f32.powf(db / 10.0)
}

fn grouped(row: &[f32; CHANNELS]) -> [f32; GROUPS] {
    GROUP_CHANNELS.map(|channels| channels.iter().map(|c| row[*c]).sum::<f32>() / channels.len() as f32)
}

fn floors_db(levels: &[[f32; BANDS]]) -> [f32; BANDS] {
    std::array::from_fn(|b| {
        let mut column: Vec<f32> = levels.iter().map(|row| row[b]).collect();
        column.sort_by(f32::total_cmp);
        let loud = column.get(column.len().saturating_sub(1) * 98 / 100).copied().unwrap_or(0.0);
        (loud - DEPTH_DB as f32).max(0.0)
    })
}

fn scale_to_mean_one(rows: &mut [[f32; CHANNELS]]) {
    for _ in 0..2 {
        for c in 0..CHANNELS {
            let mean = rows.iter().map(|r| r[c]).sum::<f32>() / rows.len().max(1) as f32;
            if mean > 1e-6 {
                rows.iter_mut().for_each(|r| r[c] = (r[c] / mean).min(LARGEST_RE_MEAN));
            }
        }
    }
}
