//! From packed frames to what the classifier sees: every feature against the tape's own floor and loudness, in context.
//!
//! Conventions: one row of [`INPUTS`] numbers a frame: [`BASE`] features as means over 0.4 s around, 1.1 s before
//! and 1.1 s after, standard deviation over 2.1 s, mean over 6 s. A change here changes the meaning of the weights: they must be fitted again.

use crate::stats::quantile;

use super::features::{BANDS, Frame, SUBFRAMES};
use super::modulation::{MODULATION_HZ, Modulation};
use crate::dsp::level_code::FLOOR_DBFS;

/// Features of a single frame.
pub const BASE: usize = 2 * BANDS + 18 + 2 * MODULATION_HZ.len();
/// Numbers a frame in context.
pub const INPUTS: usize = 5 * BASE;
/// Reach of the means in frames.
const NEAR: usize = 2;
const MIDDLE: usize = 12;
const FAR: usize = 35;
/// Below this a frame is digital silence, dBFS.
pub const SILENCE_DBFS: f64 = -95.0;
/// A floor is believed to lie at least this far below the loud frames, dB: a tape may hold no quiet second.
const LEAST_RANGE_DB: f64 = 30.0;
/// Shares of the frames below the floor and below the loud level.
const FLOOR_QUANTILE: f64 = 0.03;
const LOUD_QUANTILE: f64 = 0.95;
/// No floor of a band is believed to lie below this, dBFS.
const LOWEST_FLOOR_DBFS: f64 = -100.0;
/// Open strings of bass and guitar, MIDI.
const OPEN_STRINGS_MIDI: [f64; 10] = [28.0, 33.0, 38.0, 43.0, 40.0, 45.0, 50.0, 55.0, 59.0, 64.0];

/// Levels of the tape that its frames are judged against.
#[derive(Clone, Debug)]
pub struct Reference {
    /// Floor of every coarse band, dBFS.
    pub band_floor_dbfs: [f64; BANDS],
    /// Floor of the total level, dBFS.
    pub floor_dbfs: f64,
    /// Floor of the level from 120 Hz to 9 kHz, dBFS.
    pub wide_floor_dbfs: f64,
    /// The quietest moments from 120 Hz to 9 kHz as they are, dBFS.
    pub quietest_dbfs: f64,
    /// Level that 5 % of the frames exceed, dBFS.
    pub loud_dbfs: f64,
}

/// Mean level from 120 Hz to 9 kHz, dBFS.
fn wide_dbfs(frame: &Frame) -> f64 {
    frame.wide.iter().map(|w| Frame::level_dbfs(*w)).sum::<f64>() / SUBFRAMES as f64
}

/// Level of all bands together, dBFS.
pub fn total_dbfs(frame: &Frame) -> f64 {
    let power: f64 = frame.band.iter().map(|b| 10f64.powf(Frame::level_dbfs(*b) / 10.0)).sum();
    10.0 * power.log10()
}

impl Reference {
    /// Floors and loud level from the frames that hold any sound; `None` when there are none.
    pub fn of(frames: &[Frame]) -> Option<Self> {
        let live: Vec<&Frame> = frames.iter().filter(|f| total_dbfs(f) >= SILENCE_DBFS).collect();
        let levels = |level: &dyn Fn(&Frame) -> f64| -> Vec<f64> { live.iter().map(|f| level(f)).collect() };
        let loud_dbfs = quantile(&levels(&total_dbfs), LOUD_QUANTILE)?;
        let mut band_floor_dbfs = [FLOOR_DBFS; BANDS];
        for (b, floor) in band_floor_dbfs.iter_mut().enumerate() {
            *floor = floor_of(&levels(&|f| Frame::level_dbfs(f.band[b])))?.max(LOWEST_FLOOR_DBFS);
        }
        Some(Self {
            band_floor_dbfs,
            floor_dbfs: floor_of(&levels(&total_dbfs))?.max(SILENCE_DBFS),
            wide_floor_dbfs: floor_of(&levels(&wide_dbfs))?.max(LOWEST_FLOOR_DBFS),
            quietest_dbfs: quantile(&levels(&wide_dbfs), FLOOR_QUANTILE)?,
            loud_dbfs,
        })
    }
}

/// Quiet end of `levels`, held [`LEAST_RANGE_DB`] below the loud end.
fn floor_of(levels: &[f64]) -> Option<f64> {
    Some(quantile(levels, FLOOR_QUANTILE)?.min(quantile(levels, LOUD_QUANTILE)? - LEAST_RANGE_DB))
}

/// Running sums kept: those that the widest window around a frame needs.
const KEPT: usize = 2 * FAR + 2;

/// Running sums, for means over any number of frames around a frame; the oldest make room for the newest.
struct Sums {
    ring: Vec<[f64; BASE]>,
    /// Sums made so far; the sum over no frame is the first.
    made: usize,
}

impl Sums {
    fn new() -> Self {
        Self { ring: vec![[0.0; BASE]; KEPT], made: 1 }
    }

    fn push(&mut self, row: [f64; BASE]) {
        let mut run = self.ring[(self.made - 1) % KEPT];
        for (total, x) in run.iter_mut().zip(row) {
            *total += x;
        }
        self.ring[self.made % KEPT] = run;
        self.made += 1;
    }

    fn mean(&self, at: usize, before: usize, after: usize, feature: usize) -> f64 {
        let (from, to) = (at.saturating_sub(before), (at + after + 1).min(self.made - 1));
        (self.ring[to % KEPT][feature] - self.ring[from % KEPT][feature]) / (to - from) as f64
    }
}

/// Rows of [`INPUTS`] numbers, made as they are asked for so that memory does not hold them all.
pub struct Context<'a> {
    frames: &'a [Frame],
    reference: &'a Reference,
    modulation: Modulation,
    plain: Sums,
    squares: Sums,
}

impl<'a> Context<'a> {
    /// Before the first frame.
    pub fn new(frames: &'a [Frame], reference: &'a Reference) -> Self {
        Self { frames, reference, modulation: Modulation::new(), plain: Sums::new(), squares: Sums::new() }
    }

    /// Makes the running sums that the row of frame `at` needs.
    fn reach(&mut self, at: usize) {
        let end = (at + FAR + 1).min(self.frames.len());
        for next in self.plain.made - 1..end {
            let row = base_features(self.frames, next, self.reference, &self.modulation);
            self.squares.push(row.map(|x| x * x));
            self.plain.push(row);
        }
    }

    /// The row of frame `at`; frames are asked for in rising order.
    pub fn row(&mut self, at: usize, out: &mut [f32; INPUTS]) {
        self.reach(at);
        for f in 0..BASE {
            let mean = self.plain.mean(at, MIDDLE, MIDDLE, f);
            let square = self.squares.mean(at, MIDDLE, MIDDLE, f);
            out[f] = self.plain.mean(at, NEAR, NEAR, f) as f32;
            out[BASE + f] = self.plain.mean(at, MIDDLE, 0, f) as f32;
            out[2 * BASE + f] = self.plain.mean(at, 0, MIDDLE, f) as f32;
            out[3 * BASE + f] = (square - mean * mean).max(0.0).sqrt() as f32;
            out[4 * BASE + f] = self.plain.mean(at, FAR, FAR, f) as f32;
        }
    }
}

/// Features of frame `at` by itself and its nearest neighbours.
fn base_features(frames: &[Frame], at: usize, reference: &Reference, modulation: &Modulation) -> [f64; BASE] {
    let peak = |f: &Frame| f.wide.iter().copied().max().unwrap_or(0);
    let around = &frames[at.saturating_sub(6)..(at + 7).min(frames.len())];
    let local_peak = Frame::level_dbfs(around.iter().map(peak).max().unwrap_or(0));
    let mut row = [0.0; BASE];
    let mut cursor = row.iter_mut();
    let mut put = |x: f64| {
        if let Some(slot) = cursor.next() {
            *slot = x;
        }
    };
    levels(&frames[at], reference, &mut put);
    tones(&frames[at], &frames[if at >= 4 { at - 4 } else { at }], &mut put);
    shape_in_time(&frames[at], local_peak, &mut put);
    modulation.read(frames, at, |f| f.wide).iter().for_each(|m| put(*m));
    modulation.read(frames, at, |f| f.high).iter().for_each(|m| put(*m));
    row
}

fn levels(frame: &Frame, reference: &Reference, put: &mut impl FnMut(f64)) {
    let total = total_dbfs(frame);
    for (code, floor) in frame.band.iter().zip(reference.band_floor_dbfs) {
        put((Frame::level_dbfs(*code) - floor).clamp(0.0, 40.0) / 20.0 - 1.0);
    }
    for code in frame.band {
        put((Frame::level_dbfs(code) - total).clamp(-60.0, 0.0) / 20.0 + 1.0);
    }
    put((total - reference.loud_dbfs).clamp(-40.0, 5.0) / 20.0 + 0.5);
    put((total - reference.floor_dbfs).clamp(0.0, 40.0) / 20.0 - 1.0);
    put((wide_dbfs(frame) - reference.wide_floor_dbfs).clamp(0.0, 12.0) / 6.0 - 1.0);
}

fn tones(frame: &Frame, before: &Frame, put: &mut impl FnMut(f64)) {
    let share = |code: u8| f64::from(code) / 255.0;
    for flux in frame.flux {
        put(f64::from(flux) / 50.0);
    }
    put(-f64::from(frame.flatness) / 40.0 + 0.5);
    for narrow in frame.narrow {
        put(share(narrow));
    }
    put((1.0 + f64::from(frame.peaks)).log2() / 5.0);
    put(share(frame.kept));
    let harmonic = share(frame.harmonic);
    put(harmonic);
    let pitch = f64::from(frame.pitch) / 256.0;
    put(f64::from(u8::from(on_open_string(pitch) && harmonic > 0.6)));
    let step = (pitch - f64::from(before.pitch) / 256.0).abs();
    put(f64::from(u8::from(step < 0.25 && harmonic > 0.4)));
    put((pitch / 24.0 - 2.0).clamp(-1.0, 2.0));
}

/// Is a pitch that of an open string of bass or guitar, within 40 cents?
pub fn on_open_string(midi: f64) -> bool {
    OPEN_STRINGS_MIDI.iter().any(|s| (s - midi).abs() < 0.4)
}

fn shape_in_time(frame: &Frame, local_peak_dbfs: f64, put: &mut impl FnMut(f64)) {
    let wide = frame.wide.map(Frame::level_dbfs);
    let (low, high) = wide.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
    put((high - low) / 20.0);
    let mean = wide.iter().sum::<f64>() / SUBFRAMES as f64;
    put((local_peak_dbfs - mean).clamp(0.0, 30.0) / 15.0);
}
