//! The tone meter: long spectra and the shares of the layers in, compact rows out, while the tape streams.
//!
//! Conventions: a row a long frame (85.3 ms): the bass note that sounds and the levels of its partials; sums a second: the
//! power of bass, drums and all in the low end and the middle, in narrow bands for the bass and the guitar.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::dsp::bands::BinRange;
use crate::dsp::column::{Column, Packed, next_f32};
use crate::dsp::level_code::code_of;
use crate::dsp::masks::{MASK_STEP_SAMPLES, MaskGrid, MaskStep};
use crate::dsp::rows::Rows;
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{ANALYSIS_RATE_HZ, Block, PowerFrame};

use super::line::{PARTIALS, Sounding, find_note};
use super::{LOW_BANDS, MIDDLE_BANDS, NARROW, ToneReading, narrow_edges_hz};

/// Bins that are looked at: up to 3.5 kHz.
pub const BINS: usize = 1200;
/// Bins that hold the low end.
const LOW_BINS: usize = 128;
/// Bytes of a row: note, clearness, level and share of the bass, and for each partial its level and the share of the bass.
pub const ROW_BYTES: usize = HEAD_BYTES + 2 * PARTIALS;
/// Those before the partials.
pub const HEAD_BYTES: usize = 4;
/// Shares of the four steps around a long frame: the Hann window squared at their middles, about.
const AROUND: [(i64, f32); 4] = [(-2, 0.25), (-1, 0.9), (0, 1.0), (1, 0.5)];

/// Sums of the frames whose centre lies in one second.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Second {
    /// Power of the bass in the narrow bands.
    pub bass: [f32; NARROW],
    /// Power of the guitar in the narrow bands.
    pub guitar: [f32; NARROW],
    /// Power of the drums in the low end.
    pub drums_low: f32,
    /// Power of all in the low end.
    pub low: f32,
    /// Power of all in the middle.
    pub middle: f32,
}

impl Packed for Second {
    const BYTES: usize = (2 * NARROW + 3) * f32::BYTES;

    fn pack(&self, bytes: &mut Vec<u8>) {
        let bands = self.bass.iter().chain(&self.guitar);
        bands.chain([&self.drums_low, &self.low, &self.middle]).for_each(|x| x.pack(bytes));
    }

    fn unpack(mut bytes: &[u8]) -> Self {
        let from = &mut bytes;
        Self {
            bass: std::array::from_fn(|_| next_f32(from)),
            guitar: std::array::from_fn(|_| next_f32(from)),
            drums_low: next_f32(from),
            low: next_f32(from),
            middle: next_f32(from),
        }
    }
}

/// Measures the tone of bass and guitar.
pub struct ToneMeter {
    grid: MaskGrid,
    ranges: Vec<BinRange>,
    low: BinRange,
    middle: BinRange,
    /// Steps from `first_step` on.
    steps: VecDeque<MaskStep>,
    first_step: i64,
    /// Spectra that wait for their shares.
    waiting: VecDeque<PowerFrame>,
    rows: Rows,
    /// The seconds before the one that is being summed.
    seconds: Column<Second>,
    second: Option<Second>,
}

impl ToneMeter {
    /// A meter at rest; `edges_hz` are the edges of the bands of the shares.
    pub fn new(edges_hz: &[f64]) -> Self {
        Self::on(None, edges_hz)
    }

    /// A meter at rest that keeps its rows on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>, edges_hz: &[f64]) -> Self {
        let range = |low, high| BinRange::new(low, high, LONG_FRAMING.bin_hz(), BINS);
        Self {
            grid: MaskGrid::new(edges_hz, LONG_FRAMING.bin_hz(), BINS),
            ranges: narrow_edges_hz().iter().map(|(low, high)| range(*low, *high)).collect(),
            low: range(super::LOW_END_HZ.0, super::LOW_END_HZ.1),
            middle: range(super::MIDDLE_HZ.0, super::MIDDLE_HZ.1),
            steps: VecDeque::new(),
            first_step: 0,
            waiting: VecDeque::new(),
            rows: Rows::on(shelf.clone(), ROW_BYTES),
            seconds: Column::on(shelf),
            second: None,
        }
    }

    /// Takes the spectra of a block and the shares that were found meanwhile; both in order, the shares some seconds late.
    pub fn push(&mut self, block: &Block, masks: Vec<MaskStep>) {
        self.waiting
            .extend(block.long_spectra.iter().map(|f| PowerFrame { index: f.index, power: f.power[..BINS].to_vec() }));
        self.steps.extend(masks);
        let known = self.first_step + self.steps.len() as i64;
        while self.waiting.front().is_some_and(|f| step_of(f.index) + 1 < known) {
            self.answer();
        }
    }

    /// The tape is over: what is left uses the shares that are there.
    pub fn finish(mut self) -> ToneReading {
        while !self.waiting.is_empty() {
            self.answer();
        }
        if let Some(last) = &self.second {
            self.seconds.push(last);
        }
        ToneReading { rows: self.rows, seconds: self.seconds }
    }

    fn answer(&mut self) {
        let Some(frame) = self.waiting.pop_front() else { return };
        let at = step_of(frame.index);
        while self.first_step < at - 2 && self.steps.len() > 1 {
            self.steps.pop_front();
            self.first_step += 1;
        }
        let shares = self.shares(at);
        let masked = |bands: &[f32], bins: usize| self.grid.masked(bands, &frame.power[..bins]);
        let (bass, guitar, drums) =
            (masked(&shares.bass, BINS), masked(&shares.guitar, BINS), masked(&shares.drums, LOW_BINS));
        let second = (frame.index * LONG_FRAMING.hop as u64 / u64::from(ANALYSIS_RATE_HZ)) as usize;
        while self.seconds.len() < second {
            self.seconds.push(&self.second.take().unwrap_or_default());
        }
        let sums = self.second.get_or_insert_default();
        for (at, range) in self.ranges.iter().enumerate() {
            sums.bass[at] += range.power(&bass) as f32;
            sums.guitar[at] += range.power(&guitar) as f32;
        }
        sums.drums_low += self.low.power(&drums) as f32;
        sums.low += self.low.power(&frame.power) as f32;
        sums.middle += self.middle.power(&frame.power) as f32;
        let row = find_note(&bass, &frame.power).map_or([0; ROW_BYTES], |s| row_of(&s));
        self.rows.push(&row);
    }

    /// Mean of the shares around a long frame.
    fn shares(&self, at: i64) -> MaskStep {
        let near: Vec<(&MaskStep, f32)> = AROUND
            .iter()
            .filter_map(|(off, w)| {
                let place = usize::try_from(at + off - self.first_step).ok()?;
                self.steps.get(place).map(|s| (s, *w))
            })
            .collect();
        let total: f32 = near.iter().map(|n| n.1).sum();
        let mean = |of: &dyn Fn(&MaskStep) -> &Vec<f32>| -> Vec<f32> {
            let width = near.first().map_or(0, |n| of(n.0).len());
            (0..width).map(|b| near.iter().map(|(s, w)| of(s)[b] * w).sum::<f32>() / total.max(1e-9)).collect()
        };
        MaskStep { bass: mean(&|s| &s.bass), drums: mean(&|s| &s.drums), guitar: mean(&|s| &s.guitar) }
    }
}

/// The step that begins with the short frame at the centre of a long frame.
fn step_of(long_index: u64) -> i64 {
    (long_index * LONG_FRAMING.hop as u64 / MASK_STEP_SAMPLES) as i64
}

/// Levels in half decibels above -120 dBFS, shares in 1/255, clearness in 1/50.
fn row_of(sounding: &Sounding) -> [u8; ROW_BYTES] {
    let share = |share: f32| (share * 255.0).round().clamp(0.0, 255.0) as u8;
    let mut row = [0; ROW_BYTES];
    row[0] = sounding.place + 1;
    row[1] = (sounding.clearness * 50.0).round().clamp(0.0, 255.0) as u8;
    row[2] = code_of(sounding.own);
    row[3] = share(sounding.own_share);
    for (pair, (power, of)) in row[HEAD_BYTES..].as_chunks_mut::<2>().0.iter_mut().zip(&sounding.partials) {
        *pair = [code_of(*power), share(*of)];
    }
    row
}

const _: () = assert!(NARROW == LOW_BANDS + MIDDLE_BANDS);
const _: () =
    assert!(super::LOW_END_HZ.1 < (LOW_BINS - 1) as f64 * ANALYSIS_RATE_HZ as f64 / LONG_FRAMING.length as f64);
