//! What the time family keeps of a tape: band levels, two flux curves and two chroma curves, one byte a value.
//!
//! Conventions: frames every [`HOP_S`]; frame `i` is centred on `i * HOP_S`. Band levels are in steps of
//! [`LEVEL_STEP_DB`] above [`LEVEL_FLOOR_DBFS`]. Flux is the mean rise of a bin over [`FLUX_LAG_FRAMES`], in steps of
//! [`FLUX_STEP_OCTAVES`] octaves of power. Chroma rows hold twelve pitch classes from C, the largest being 255.
//!
//! Limits: a bin of the low stream is 23 Hz wide, so two bass notes a semitone apart are told apart by their upper
//! partials only. 2.3 kB a second of tape.

use std::collections::VecDeque;
use std::sync::Arc;

use multiversion::multiversion;

use crate::dsp::block::{ANALYSIS_RATE_HZ, Block, Meter};
use crate::dsp::decimate::Decimator;
use crate::dsp::lanes;
use crate::dsp::logarithm::log2_fast;
use crate::dsp::paired::FrameStream;
use crate::dsp::rows::Rows;
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::{Framing, LONG_FRAMING, hann_periodic};
use crate::units::A4_MIDI;

/// Samples between frames at the analysis rate.
const HOP_SAMPLES: usize = 240;
/// Seconds between frames.
pub const HOP_S: f64 = HOP_SAMPLES as f64 / ANALYSIS_RATE_HZ as f64;
/// Number of bands.
pub const BANDS: usize = 8;
/// Edges of the bands in Hz; the first two come from the low stream.
pub const BAND_EDGES_HZ: [(f64, f64); BANDS] = [
    (35.0, 95.0),
    (95.0, 200.0),
    (200.0, 400.0),
    (400.0, 800.0),
    (800.0, 1_800.0),
    (1_800.0, 4_000.0),
    (4_000.0, 8_000.0),
    (8_000.0, 16_000.0),
];
/// Bytes a frame: the bands, the low flux, the middle flux.
pub const FRAME_BYTES: usize = BANDS + 2;
/// Bytes a chroma row.
pub const CHROMA_BYTES: usize = 24;
/// Place of the low flux (47 to 375 Hz) in a frame.
pub const LOW_FLUX: usize = BANDS;
/// Place of the middle flux (280 Hz to 4 kHz) in a frame.
pub const MIDDLE_FLUX: usize = BANDS + 1;
/// Level that byte 0 stands for.
pub const LEVEL_FLOOR_DBFS: f64 = -115.0;
/// Level a step of the byte.
pub const LEVEL_STEP_DB: f64 = 0.5;
/// Frames between the two spectra that the flux compares.
pub const FLUX_LAG_FRAMES: usize = 4;
/// Octaves of power a step of a flux byte.
pub const FLUX_STEP_OCTAVES: f64 = 1.0 / 48.0;

const HIGH_LENGTH: usize = 1024;
const LOW_FACTOR: usize = 16;
const LOW_LENGTH: usize = 128;
const LOW_HOP: usize = HOP_SAMPLES / LOW_FACTOR;
const LOW_FLUX_BINS: std::ops::Range<usize> = 2..17;
const MIDDLE_FLUX_BINS: std::ops::Range<usize> = 6..86;
/// Bins weaker than this below full scale do not make flux (power re full scale, a bin).
const FLUX_FLOOR_POWER: f32 = 1e-9;
/// Chroma ranges in Hz: bass with its second and third partials, and the chords.
const CHROMA_RANGES_HZ: [(f64, f64); 2] = [(40.0, 220.0), (220.0, 1_600.0)];

/// The kept features of a whole tape.
#[derive(Clone, Debug)]
pub struct TimeFeatures {
    /// Rows of [`FRAME_BYTES`].
    pub frames: Rows,
    /// Rows of [`CHROMA_BYTES`]: twelve classes of the bass, twelve of the chords.
    pub chroma: Rows,
}

impl TimeFeatures {
    /// The same features, to be read for a while: what they read from their shelf goes with them.
    pub fn view(&self) -> Self {
        Self { frames: self.frames.view(), chroma: self.chroma.view() }
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.frames.len()
    }

    /// True when the tape had no sample.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty()
    }

    /// Seconds between chroma rows.
    pub fn chroma_hop_s() -> f64 {
        LONG_FRAMING.hop_s()
    }
}

/// A running short transform with one power spectrum a hop.
fn transform(length: usize, hop: usize) -> FrameStream {
    let energy: f32 = hann_periodic(length).iter().map(|w| w * w).sum();
    FrameStream::new(Framing { length, hop }, 2.0 / (length as f32 * energy))
}

/// Mean rise of a bin against the largest of it and its neighbours some frames ago.
struct Flux {
    bins: std::ops::Range<usize>,
    past: Vec<Vec<f32>>,
    next: usize,
}

impl Flux {
    fn new(bins: std::ops::Range<usize>) -> Self {
        let row = vec![log2_fast(FLUX_FLOOR_POWER); bins.len() + 2];
        Self { past: vec![row; FLUX_LAG_FRAMES], bins, next: 0 }
    }

    fn step(&mut self, power: &[f32]) -> u8 {
        let slot = self.next % FLUX_LAG_FRAMES;
        self.next += 1;
        let range = self.bins.start - 1..self.bins.end + 1;
        let now: Vec<f32> = power[range].iter().map(|p| log2_fast(p + FLUX_FLOOR_POWER)).collect();
        let old = &self.past[slot];
        let sum = rise(&now, old);
        let mean = sum / self.bins.len() as f32;
        self.past[slot] = now;
        to_byte(f64::from(mean) / FLUX_STEP_OCTAVES)
    }
}

/// Sum of what each bin but the edges rose above the largest of it and its neighbours.
#[multiversion(targets("x86_64+avx2"))]
fn rise(now: &[f32], old: &[f32]) -> f32 {
    let larger = |a: f32, b: f32| if b > a { b } else { a };
    let inner = now.len() - 2;
    let (left, middle, right) = (&old[..inner], &old[1..=inner], &old[2..]);
    let risen = |at: usize| larger(0.0, now[at + 1] - larger(larger(left[at], middle[at]), right[at]));
    let mut lanes = [0.0f32; lanes::WIDTH];
    let whole = inner / lanes::WIDTH * lanes::WIDTH;
    for at in (0..whole).step_by(lanes::WIDTH) {
        lanes.iter_mut().enumerate().for_each(|(lane, sum)| *sum += risen(at + lane));
    }
    lanes.iter().sum::<f32>() + (whole..inner).map(risen).sum::<f32>()
}

/// Meter of the time family.
pub struct TimeMeter {
    decimator: Decimator,
    high: FrameStream,
    low: FrameStream,
    low_samples: Vec<f32>,
    low_ranges: [std::ops::Range<usize>; 2],
    high_ranges: [std::ops::Range<usize>; BANDS - 2],
    low_flux: Flux,
    middle_flux: Flux,
    /// Bytes of the low stream that wait for the high one: two bands and the flux.
    low_rows: VecDeque<[u8; 3]>,
    /// Bytes of the high stream that wait for the low one: six bands and the flux.
    high_rows: VecDeque<[u8; BANDS - 1]>,
    chroma_map: Vec<Option<(usize, usize)>>,
    kept: TimeFeatures,
    pushed: u64,
}

impl Default for TimeMeter {
    fn default() -> Self {
        Self::new()
    }
}

impl TimeMeter {
    /// A meter at the start of a tape.
    pub fn new() -> Self {
        Self::on(None)
    }

    /// A meter at the start of a tape that keeps what it has on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        let low_bin_hz = f64::from(ANALYSIS_RATE_HZ) / (LOW_FACTOR * LOW_LENGTH) as f64;
        let high_bin_hz = f64::from(ANALYSIS_RATE_HZ) / HIGH_LENGTH as f64;
        let range = |band: usize, bin_hz: f64| {
            let (lo, hi) = BAND_EDGES_HZ[band];
            (lo / bin_hz).round() as usize..(hi / bin_hz).round() as usize
        };
        Self {
            // -6 dB at three quarters of the reduced Nyquist frequency.
            decimator: Decimator::new(LOW_FACTOR, 0.375 / LOW_FACTOR as f64, 5 * LOW_FACTOR),
            high: transform(HIGH_LENGTH, HOP_SAMPLES),
            low: transform(LOW_LENGTH, LOW_HOP),
            low_samples: Vec::new(),
            low_ranges: std::array::from_fn(|b| range(b, low_bin_hz)),
            high_ranges: std::array::from_fn(|b| range(b + 2, high_bin_hz)),
            low_flux: Flux::new(LOW_FLUX_BINS),
            middle_flux: Flux::new(MIDDLE_FLUX_BINS),
            low_rows: VecDeque::new(),
            high_rows: VecDeque::new(),
            chroma_map: chroma_map(),
            kept: TimeFeatures { frames: Rows::on(shelf.clone(), FRAME_BYTES), chroma: Rows::on(shelf, CHROMA_BYTES) },
            pushed: 0,
        }
    }

    fn push_mono(&mut self, samples: &[f32]) {
        let (ranges, flux, rows) = (&self.high_ranges, &mut self.middle_flux, &mut self.high_rows);
        self.high.push(samples, |_, power| {
            let mut row = [0; BANDS - 1];
            for (byte, range) in row.iter_mut().zip(ranges) {
                *byte = level_byte(&power[range.clone()]);
            }
            row[BANDS - 2] = flux.step(power);
            rows.push_back(row);
        });
    }

    fn push_low(&mut self) {
        let (ranges, flux, rows) = (&self.low_ranges, &mut self.low_flux, &mut self.low_rows);
        self.low.push(&self.low_samples, |_, power| {
            let levels = ranges.clone().map(|r| level_byte(&power[r]));
            rows.push_back([levels[0], levels[1], flux.step(power)]);
        });
        self.low_samples.clear();
    }

    fn push_chroma(&mut self, power: &[f32]) {
        let mut rows = [[0.0f32; 12]; 2];
        for (p, place) in power.iter().zip(&self.chroma_map) {
            if let Some((range, class)) = place {
                // Square root: a chord's weak notes count beside its strong ones.
                rows[*range][*class] += p.sqrt();
            }
        }
        let mut bytes = [0; CHROMA_BYTES];
        for (row, out) in rows.iter().zip(bytes.chunks_mut(12)) {
            let peak = row.iter().copied().fold(1e-9f32, f32::max);
            out.iter_mut().zip(row).for_each(|(byte, c)| *byte = to_byte(f64::from(255.0 * c / peak)));
        }
        self.kept.chroma.push(&bytes);
    }

    /// Keeps the frames that both streams have reached.
    fn join_streams(&mut self) {
        while let (Some(low), Some(high)) = (self.low_rows.front(), self.high_rows.front()) {
            let mut row = [0; FRAME_BYTES];
            row[..2].copy_from_slice(&low[..2]);
            row[2..BANDS].copy_from_slice(&high[..BANDS - 2]);
            (row[LOW_FLUX], row[MIDDLE_FLUX]) = (low[2], high[BANDS - 2]);
            self.kept.frames.push(&row);
            self.low_rows.pop_front();
            self.high_rows.pop_front();
        }
    }
}

impl Meter for TimeMeter {
    type Reading = TimeFeatures;

    fn push(&mut self, block: &Block) {
        self.pushed += block.mono.len() as u64;
        self.push_mono(&block.mono);
        self.decimator.push(&block.mono, &mut self.low_samples);
        self.push_low();
        for frame in &block.long_spectra {
            self.push_chroma(&frame.power);
        }
        self.join_streams();
    }

    fn finish(mut self) -> TimeFeatures {
        let wanted = self.pushed.div_ceil(HOP_SAMPLES as u64) as usize;
        self.decimator.finish(&mut self.low_samples);
        self.push_mono(&vec![0.0; HIGH_LENGTH]);
        self.low_samples.extend(std::iter::repeat_n(0.0, LOW_LENGTH));
        self.push_low();
        self.join_streams();
        self.kept.frames.truncate(wanted);
        self.kept
    }
}

fn to_byte(x: f64) -> u8 {
    // Adding a half and cutting is the rounding of positive numbers, without a call.
    (x.clamp(0.0, 255.0) + 0.5) as u8
}

fn level_byte(bins: &[f32]) -> u8 {
    let power = lanes::sum(bins);
    let db = f64::from(log2_fast(power + 1e-15)) * 10.0 * std::f64::consts::LOG10_2;
    to_byte((db - LEVEL_FLOOR_DBFS) / LEVEL_STEP_DB)
}

/// Range and pitch class of each bin of the long spectra, up to the highest that has one.
fn chroma_map() -> Vec<Option<(usize, usize)>> {
    let bin_hz = LONG_FRAMING.bin_hz();
    let end = (CHROMA_RANGES_HZ[1].1 / bin_hz).ceil() as usize;
    (0..end)
        .map(|i| {
            let hz = i as f64 * bin_hz;
            let range = CHROMA_RANGES_HZ.iter().position(|(lo, hi)| hz >= *lo && hz < *hi)?;
            let midi = crate::units::hz_to_midi(hz) - A4_MIDI + 9.0;
            Some((range, midi.round().rem_euclid(12.0) as usize))
        })
        .collect()
}
