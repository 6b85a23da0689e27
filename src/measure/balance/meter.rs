//! The running balance meter: band powers a second from the shared long spectra.

use std::sync::Arc;

use crate::dsp::bands::{BAND_COUNT, BinRange, third_octaves};
use crate::dsp::column::{Column, Packed, next_f32};
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{ANALYSIS_RATE_HZ, Block, Meter, PowerFrame};

use super::{BalanceReading, LOW_END_HZ, MIDDLE_HZ};

/// Sums of the spectra whose centre lies in one second of the tape, mean squares.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Second {
    /// Third-octave bands from 25 Hz to 16 kHz.
    pub bands: [f32; BAND_COUNT],
    /// Exact power in [`LOW_END_HZ`].
    pub low: f32,
    /// Exact power in [`MIDDLE_HZ`].
    pub middle: f32,
    /// Number of spectra.
    pub frames: f32,
}

impl Packed for Second {
    const BYTES: usize = (BAND_COUNT + 3) * f32::BYTES;

    fn pack(&self, bytes: &mut Vec<u8>) {
        self.bands.iter().chain([&self.low, &self.middle, &self.frames]).for_each(|x| x.pack(bytes));
    }

    fn unpack(mut bytes: &[u8]) -> Self {
        let from = &mut bytes;
        Self {
            bands: std::array::from_fn(|_| next_f32(from)),
            low: next_f32(from),
            middle: next_f32(from),
            frames: next_f32(from),
        }
    }
}

/// Measures the balance of the mono mix; kept: 128 bytes a second of tape.
#[derive(Clone, Debug)]
pub struct BalanceMeter {
    bands: [BinRange; BAND_COUNT],
    low: BinRange,
    middle: BinRange,
    /// The seconds before the one that is being summed.
    seconds: Column<Second>,
    second: Second,
    sample_rate_hz: u32,
    frames: u64,
}

impl Default for BalanceMeter {
    fn default() -> Self {
        Self::new()
    }
}

impl BalanceMeter {
    /// A meter at rest.
    pub fn new() -> Self {
        Self::on(None)
    }

    /// A meter at rest that keeps its seconds on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        let range = |low, high| BinRange::new(low, high, LONG_FRAMING.bin_hz(), LONG_FRAMING.bins());
        Self {
            bands: third_octaves().map(|b| range(b.low_hz, b.high_hz)),
            low: range(LOW_END_HZ.0, LOW_END_HZ.1),
            middle: range(MIDDLE_HZ.0, MIDDLE_HZ.1),
            seconds: Column::on(shelf),
            second: Second::default(),
            sample_rate_hz: 0,
            frames: 0,
        }
    }

    fn add(&mut self, frame: &PowerFrame) {
        let at = (frame.index * LONG_FRAMING.hop as u64 / u64::from(ANALYSIS_RATE_HZ)) as usize;
        while self.seconds.len() < at {
            self.seconds.push(&std::mem::take(&mut self.second));
        }
        let second = &mut self.second;
        for (sum, range) in second.bands.iter_mut().zip(&self.bands) {
            *sum += range.power(&frame.power) as f32;
        }
        second.low += self.low.power(&frame.power) as f32;
        second.middle += self.middle.power(&frame.power) as f32;
        second.frames += 1.0;
    }
}

impl Meter for BalanceMeter {
    type Reading = BalanceReading;

    fn push(&mut self, block: &Block) {
        self.sample_rate_hz = block.sample_rate_hz;
        self.frames = block.start_frame + block.channels.first().map_or(0, |c| c.len() as u64);
        for frame in &block.long_spectra {
            self.add(frame);
        }
    }

    fn finish(mut self) -> BalanceReading {
        // One entry a second of tape, also where a short last second holds no centre of a spectrum.
        let seconds = self.frames.div_ceil(u64::from(self.sample_rate_hz.max(1))) as usize;
        self.seconds.truncate(seconds);
        while self.seconds.len() < seconds {
            self.seconds.push(&std::mem::take(&mut self.second));
        }
        BalanceReading { seconds: self.seconds, sample_rate_hz: self.sample_rate_hz }
    }
}
