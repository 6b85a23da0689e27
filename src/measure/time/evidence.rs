//! Evidence for "this pulse is the beat, and bars of M begin at this phase": one row of numbers a hypothesis.
//!
//! Conventions: all strengths are relative to their mean over the hypothesis' own positions, so that a slow and a fast
//! hypothesis are judged alike. Groups: drive (35 to 95 Hz), bass (95 to 200 Hz and low flux), chords (200 to 800 Hz and
//! middle flux), sticks (0.8 to 4 kHz), cymbals (4 to 16 kHz).

use super::features::{HOP_S, TimeFeatures};
use super::pulses::Pulse;
use super::strength::{GROUPS, Strengths};

/// Positions in a beat at which strength is read.
pub const POSITIONS: usize = 12;
/// Numbers that speak for the level alone.
pub const LEVEL_FEATURES: usize = 7 * GROUPS + 13;
/// Numbers that speak for the phase of the bar, each a mean over the beats.
pub const PHASE_FEATURES: usize = 5 * GROUPS + 5;

/// What is read at each beat of a pulse.
pub struct BeatReadings {
    /// `[beat][position][group]`, relative to the mean over all.
    pub profile: Vec<[[f32; GROUPS]; POSITIONS]>,
    /// Change of the bass chroma and of the chord chroma at each beat, 0..=2, over one beat and over two beats.
    pub change: Vec<[f32; 4]>,
    /// Level of the music from each beat to the next, dB.
    pub level_db: Vec<f32>,
    /// First beat of full playing after a thinner start, if there is one.
    pub entrance: Option<usize>,
    /// Beats a minute.
    pub bpm: f64,
}

impl BeatReadings {
    /// Reads everything along `pulse`; `None` with fewer than eight beats.
    pub fn along(features: &TimeFeatures, strengths: &Strengths, pulse: &Pulse) -> Option<Self> {
        let period = pulse.period()?;
        let n = pulse.beats.len();
        if n < 8 {
            return None;
        }
        let next = |i: usize| if i + 1 < n { (pulse.beats[i + 1] - pulse.beats[i]).min(1.5 * period) } else { period };
        let mut profile: Vec<[[f32; GROUPS]; POSITIONS]> =
            (0..n).map(|i| beat_profile(strengths, pulse.beats[i], next(i))).collect();
        relative_to_mean(&mut profile);
        let level_db: Vec<f32> = (0..n).map(|i| span_level_db(strengths, pulse.beats[i], next(i))).collect();
        let entrance = entrance(&level_db);
        let change = chroma_change(features, strengths, pulse, period);
        Some(Self { profile, change, level_db, entrance, bpm: 60.0 / (period * HOP_S) })
    }

    /// The row for the level.
    pub fn level_row(&self) -> [f32; LEVEL_FEATURES] {
        let n = self.profile.len() as f32;
        let mean_of = |f: &dyn Fn(&[[f32; GROUPS]; POSITIONS]) -> f32| self.profile.iter().map(f).sum::<f32>() / n;
        let mut out = Vec::with_capacity(LEVEL_FEATURES);
        for g in 0..GROUPS {
            let at = |p: usize| mean_of(&|b| b[p][g]);
            let folded: [f32; POSITIONS] = std::array::from_fn(at);
            let top = |r: std::ops::Range<usize>| folded[r].iter().copied().fold(0.0, f32::max);
            let (even, odd) = self.even_odd(g);
            out.extend([
                squash(folded[0]),
                squash(top(5..8)),
                squash(top(7..11)),
                squash(top(2..5)),
                (even - odd).abs() / (even + odd).max(0.1),
                self.repeat(g, 2),
                self.repeat(g, 4),
            ]);
        }
        let mean_change = |k: usize| self.change.iter().map(|c| c[k]).sum::<f32>() / n;
        out.extend((0..4).map(mean_change));
        let octave = (self.bpm / 140.0).log2() as f32;
        out.extend([octave, octave * octave, (octave - 0.5).max(0.0), (-0.5 - octave).max(0.0)]);
        out.extend([self.bar_contrast(4), self.bar_contrast(3), self.bar_contrast(2)]);
        out.extend(self.count_off());
        let mut row = [0.0; LEVEL_FEATURES];
        row.copy_from_slice(&out);
        row
    }

    /// The numbers of one beat, if it were the `place`-th (from 0) of a bar of `meter`.
    pub fn phase_row(&self, beat: usize, place: usize, meter: usize) -> [f32; PHASE_FEATURES] {
        let mut row = [0.0; PHASE_FEATURES];
        let b = &self.profile[beat];
        let share = 1.0 / meter as f32;
        let first = f32::from(place == 0) - share;
        let back = if meter == 4 { if place % 2 == 1 { 0.5 } else { -0.5 } } else { -first / 2.0 };
        let third = if meter == 4 { f32::from(place == 2) - share } else { 0.0 };
        let fourth = f32::from(place + 1 == meter) - share;
        for g in 0..GROUPS {
            let on = squash(b[0][g]);
            let swung = squash(b[7][g].max(b[8][g]).max(b[9][g]).max(b[6][g]));
            row[5 * g..5 * g + 5].copy_from_slice(&[first * on, back * on, third * on, back * swung, fourth * swung]);
        }
        let c = &self.change[beat];
        row[5 * GROUPS..5 * GROUPS + 4].copy_from_slice(&[first * c[0], first * c[1], first * c[2], first * c[3]]);
        row[5 * GROUPS + 4] = third * (c[2] + c[3]);
        row
    }

    fn even_odd(&self, g: usize) -> (f32, f32) {
        let mean = |offset: usize| {
            let values: Vec<f32> = self.profile.iter().skip(offset).step_by(2).map(|b| squash(b[0][g])).collect();
            values.iter().sum::<f32>() / values.len().max(1) as f32
        };
        (mean(0), mean(1))
    }

    /// Correlation of a group's on-beat strengths with themselves `lag` beats later.
    fn repeat(&self, g: usize, lag: usize) -> f32 {
        let x: Vec<f32> = self.profile.iter().map(|b| squash(b[0][g])).collect();
        correlation(&x[..x.len() - lag], &x[lag..])
    }

    /// How much more the chords change at the best of `meter` phases than at the others.
    fn bar_contrast(&self, meter: usize) -> f32 {
        let mean = |phase: usize| {
            let v: Vec<f32> = self.change.iter().skip(phase).step_by(meter).map(|c| c[2] + c[3]).collect();
            v.iter().sum::<f32>() / v.len().max(1) as f32
        };
        let all: Vec<f32> = (0..meter).map(mean).collect();
        let best = all.iter().copied().fold(0.0, f32::max);
        best - (all.iter().sum::<f32>() - best) / (meter - 1) as f32
    }

    /// Stick strength before the entrance on the 2nd, 4th, 6th, 8th beat back, and on the others back.
    fn count_off(&self) -> [f32; 2] {
        let Some(entrance) = self.entrance.filter(|e| *e >= 4) else { return [0.0; 2] };
        let mean = |from: usize| {
            let v: Vec<f32> = (from..=8.min(entrance))
                .step_by(2)
                .map(|back| squash(self.profile[entrance - back][0][3].max(self.profile[entrance - back][0][4])))
                .collect();
            v.iter().sum::<f32>() / v.len().max(1) as f32
        };
        [mean(2) - mean(1), mean(1)]
    }
}

/// Compresses a strength so that one loud hit does not outvote a bar.
fn squash(x: f32) -> f32 {
    (1.0 + x).ln()
}

fn correlation(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len() as f32;
    if n < 3.0 {
        return 0.0;
    }
    let (ma, mb) = (a.iter().sum::<f32>() / n, b.iter().sum::<f32>() / n);
    let (mut ab, mut aa, mut bb) = (0.0, 1e-6, 1e-6);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    ab / (aa * bb).sqrt()
}

/// The strengths around a beat at `at_s` of the tape, `length_s` long.
pub(super) fn beat_profile_at(strengths: &Strengths, at_s: f64, length_s: f64) -> [[f32; GROUPS]; POSITIONS] {
    beat_profile(strengths, at_s / HOP_S - strengths.start_frame as f64, length_s / HOP_S)
}

fn beat_profile(strengths: &Strengths, beat: f64, length: f64) -> [[f32; GROUPS]; POSITIONS] {
    let half = length / (2.0 * POSITIONS as f64);
    std::array::from_fn(|p| {
        let centre = beat + length * p as f64 / POSITIONS as f64;
        let reach = if p == 0 { half.max(3.0) } else { half };
        let a = (centre - reach).round().max(0.0) as usize;
        let b = ((centre + reach).round().max(0.0) as usize + 1).min(strengths.len());
        let mut out = [0.0f32; GROUPS];
        for frame in a..b {
            out.iter_mut().zip(strengths.group(frame)).for_each(|(o, x)| *o = o.max(x));
        }
        out
    })
}

fn relative_to_mean(profile: &mut [[[f32; GROUPS]; POSITIONS]]) {
    let n = (profile.len() * POSITIONS) as f32;
    for g in 0..GROUPS {
        let mean = profile.iter().flatten().map(|p| p[g]).sum::<f32>() / n;
        profile.iter_mut().flatten().for_each(|p| p[g] /= mean.max(1e-6));
    }
}

/// Mean power of 35 to 800 Hz over a beat, dB above the floor of the bytes.
fn span_level_db(strengths: &Strengths, beat: f64, length: f64) -> f32 {
    let a = (beat.max(0.0) as usize).min(strengths.len());
    let b = ((beat + length).max(0.0) as usize).clamp(a, strengths.len());
    let power: f32 = (a..b).map(|frame| strengths.low_power(frame)).sum();
    10.0 * (power / (b - a).max(1) as f32 + 1.0).log10()
}

/// The first beat from which the music stays near its median level, if something thinner came before.
fn entrance(level_db: &[f32]) -> Option<usize> {
    let mut sorted = level_db.to_vec();
    sorted.sort_by(f32::total_cmp);
    let threshold = sorted[sorted.len() / 2] - 9.0;
    let full = |i: usize| level_db[i] > threshold;
    let first =
        (0..level_db.len().saturating_sub(4)).find(|i| full(*i) && (i + 1..i + 4).filter(|j| full(*j)).count() >= 2)?;
    (first < level_db.len() / 2).then_some(first)
}

/// Distance between the chroma before and after each beat.
fn chroma_change(features: &TimeFeatures, strengths: &Strengths, pulse: &Pulse, period: f64) -> Vec<[f32; 4]> {
    let row_of = |frame: f64| strengths.time_s(frame) / TimeFeatures::chroma_hop_s();
    let rows = features.chroma.len();
    let mean = |from: f64, to: f64| -> [f32; 24] {
        let a = (row_of(from).round().max(0.0) as usize).min(rows);
        let b = (row_of(to).round().max(0.0) as usize).clamp(a, rows).max((a + 1).min(rows));
        let mut out = [0.0f32; 24];
        for row in features.chroma.range(a..b) {
            out.iter_mut().zip(row).for_each(|(o, x)| *o += f32::from(*x));
        }
        out
    };
    // A long window reaches 0.17 s to each side: keep clear of the beat itself where the beat is long enough.
    let clear = (0.12 / HOP_S).min(period * 0.3);
    pulse
        .beats
        .iter()
        .map(|beat| {
            let mut out = [0.0; 4];
            for (k, beats) in [1.0, 2.0].iter().enumerate() {
                let before = mean(beat - beats * period + clear * 0.3, beat - clear * 0.3);
                let after = mean(beat + clear, beat + beats * period);
                out[2 * k] = cosine_distance(&before[..12], &after[..12]);
                out[2 * k + 1] = cosine_distance(&before[12..], &after[12..]);
            }
            out
        })
        .collect()
}

/// One minus the correlation of two chroma rows.
fn cosine_distance(a: &[f32], b: &[f32]) -> f32 {
    1.0 - correlation(a, b)
}
