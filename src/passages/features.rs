//! What the passages room keeps of the tape: one packed frame every 85.3 ms, from the shared spectra alone.
//!
//! Conventions: frame `i` sits at `i * 4096 / 48000` s; it packs long spectrum `i` and the four short spectra `4i..4i+3`.
//! Levels are mean square in dBFS, coded in half decibels from -120; shares are 0..=1 in 255 steps.
//! Limits: [`BYTES_A_FRAME`] bytes a frame, 375 B a second of tape.

use std::sync::Arc;

use crate::dsp::column::{Column, Packed};
use crate::dsp::level_code::{self, code_of};
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING};
use crate::dsp::{Block, Meter, PowerFrame, lanes};

use crate::dsp::logarithm::log2_fast;

use super::tonal::{Peak, TonalReading, read_tonal};

/// Frames a second.
pub const FRAMES_A_SECOND: f64 = 48_000.0 / 4096.0;
/// Short spectra packed into one frame.
pub const SUBFRAMES: usize = 4;
/// Coarse bands of a frame.
pub const BANDS: usize = 10;
/// Size of a packed frame.
pub const BYTES_A_FRAME: usize = size_of::<Frame>();

/// Edges of the coarse bands in Hz.
const BAND_EDGES_HZ: [f64; BANDS + 1] =
    [30.0, 60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 6000.0, 9000.0, 16_000.0];
/// Fine bands inside each coarse band, for the flux.
const FINE_PER_BAND: [usize; BANDS] = [1, 2, 3, 4, 4, 4, 4, 3, 3, 3];
const FINE_BANDS: usize = 31;
/// Coarse bands of the wide level (120 Hz to 9 kHz) and of the high level (2 to 16 kHz).
const WIDE: std::ops::Range<usize> = 2..9;
const HIGH: std::ops::Range<usize> = 6..10;
/// Decibels of a doubling of power.
const DB_AN_OCTAVE_OF_POWER: f32 = 3.010_3;
/// First fine band of the low, middle and high flux, and the end.
const FLUX_EDGES: [usize; 4] = [0, 6, 18, FINE_BANDS];

/// One packed frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Frame {
    /// Level of the coarse bands, mean of the four short spectra.
    pub band: [u8; BANDS],
    /// Level of 120 Hz..9 kHz in each short spectrum.
    pub wide: [u8; SUBFRAMES],
    /// Level of 2..16 kHz in each short spectrum.
    pub high: [u8; SUBFRAMES],
    /// Largest rise of the fine bands over two short hops in low, middle and high range; 1/10 dB mean a band.
    pub flux: [u8; 3],
    /// Flatness 300..4000 Hz: geometric over arithmetic mean, in half decibels below 0.
    pub flatness: u8,
    /// Share of the energy that sits in narrow peaks, 80..400, 400..1600, 1600..5000 Hz.
    pub narrow: [u8; 3],
    /// Number of narrow peaks.
    pub peaks: u8,
    /// Share of the peaks' weight that was there 341 ms before, at the same pitch.
    pub kept: u8,
    /// Share of the peaks' weight that one harmonic series explains.
    pub harmonic: u8,
    /// Fundamental of that series in 1/256 semitones, MIDI; 0 when there is none.
    pub pitch: u16,
}

impl Frame {
    /// Level of a coded half-decibel value.
    pub fn level_dbfs(code: u8) -> f64 {
        level_code::level_dbfs(code)
    }

    /// The frame as bytes in the order of its fields, pitch little-endian; what the fit of the classifier reads.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(BYTES_A_FRAME);
        bytes.extend(self.band);
        bytes.extend(self.wide);
        bytes.extend(self.high);
        bytes.extend(self.flux);
        bytes.push(self.flatness);
        bytes.extend(self.narrow);
        bytes.extend([self.peaks, self.kept, self.harmonic]);
        bytes.extend(self.pitch.to_le_bytes());
        bytes
    }

    /// Fundamental of the best harmonic series as a MIDI number.
    pub fn pitch_midi(&self) -> Option<f64> {
        (self.pitch > 0).then(|| f64::from(self.pitch) / 256.0)
    }
}

impl Packed for Frame {
    const BYTES: usize = BYTES_A_FRAME;

    fn pack(&self, bytes: &mut Vec<u8>) {
        bytes.extend(self.to_bytes());
    }

    fn unpack(bytes: &[u8]) -> Self {
        let mut frame = Self::default();
        let mut from = bytes.iter().copied();
        let Self { band, wide, high, flux, flatness, narrow, peaks, kept, harmonic, pitch } = &mut frame;
        let plain = band.iter_mut().chain(wide).chain(high).chain(flux).chain([flatness]).chain(narrow);
        plain.chain([peaks, kept, harmonic]).zip(&mut from).for_each(|(field, byte)| *field = byte);
        *pitch = u16::from_le_bytes([from.next().unwrap_or(0), from.next().unwrap_or(0)]);
        frame
    }
}

fn code_share(share: f32) -> u8 {
    (share * 255.0).round().clamp(0.0, 255.0) as u8
}

/// Packs the shared spectra of a tape into [`Frame`]s.
pub struct FeatureMeter {
    edges: Vec<usize>,
    frames: Column<Frame>,
    shorts: Vec<ShortReading>,
    previous: [[f32; FINE_BANDS]; 2],
    tonals: Vec<TonalReading>,
    past_peaks: Vec<Vec<Peak>>,
}

/// What is kept of a short spectrum until its frame is complete.
#[derive(Clone)]
struct ShortReading {
    band: [f32; BANDS],
    flux: [f32; 3],
}

impl Default for FeatureMeter {
    fn default() -> Self {
        Self {
            edges: fine_edges(),
            frames: Column::default(),
            shorts: Vec::new(),
            previous: [[f32::NAN; FINE_BANDS]; 2],
            tonals: Vec::new(),
            past_peaks: vec![Vec::new(); 4],
        }
    }
}

/// First bin of every fine band, and the end of the last.
fn fine_edges() -> Vec<usize> {
    let mut edges = Vec::with_capacity(FINE_BANDS + 1);
    for (band, count) in FINE_PER_BAND.iter().enumerate() {
        let (low, high) = (BAND_EDGES_HZ[band], BAND_EDGES_HZ[band + 1]);
        for i in 0..*count {
            let hz = low * (high / low).powf(i as f64 / *count as f64);
            edges.push((hz / SHORT_FRAMING.bin_hz()).round() as usize);
        }
    }
    edges.push((BAND_EDGES_HZ[BANDS] / SHORT_FRAMING.bin_hz()).round() as usize);
    edges
}

impl FeatureMeter {
    /// A meter at rest that keeps its frames on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { frames: Column::on(shelf), ..Self::default() }
    }

    fn read_short(&mut self, spectrum: &PowerFrame) {
        let mut fine = [0f32; FINE_BANDS];
        for (sum, edge) in fine.iter_mut().zip(self.edges.windows(2)) {
            *sum = lanes::sum(&spectrum.power[edge[0]..edge[1].max(edge[0] + 1)]);
        }
        let mut band = [0f32; BANDS];
        let mut first = 0;
        for (sum, count) in band.iter_mut().zip(FINE_PER_BAND) {
            *sum = fine[first..first + count].iter().sum();
            first += count;
        }
        // Rises below -100 dBFS a band are rounding noise of quiet recorders, not onsets.
        let level: [f32; FINE_BANDS] = fine.map(|p| DB_AN_OCTAVE_OF_POWER * log2_fast(p + 1e-10));
        let mut flux = [0f32; 3];
        if self.previous[0][0].is_finite() {
            for (out, edge) in flux.iter_mut().zip(FLUX_EDGES.windows(2)) {
                let rise: f32 = (edge[0]..edge[1]).map(|i| (level[i] - self.previous[0][i]).max(0.0)).sum();
                *out = rise / (edge[1] - edge[0]) as f32;
            }
        }
        self.previous = [self.previous[1], level];
        self.shorts.push(ShortReading { band, flux });
    }

    fn read_long(&mut self, spectrum: &PowerFrame) {
        let slot = (spectrum.index % 4) as usize;
        let (reading, peaks) = read_tonal(&spectrum.power, LONG_FRAMING.bin_hz(), &self.past_peaks[slot]);
        self.past_peaks[slot] = peaks;
        self.tonals.push(reading);
    }

    fn pack(&mut self, last: bool) {
        let mut done = 0;
        while done < self.tonals.len() {
            let from = done * SUBFRAMES;
            let have = self.shorts.len().saturating_sub(from).min(SUBFRAMES);
            if have == 0 || (have < SUBFRAMES && !last) {
                break;
            }
            self.frames.push(&pack_frame(&self.shorts[from..from + have], &self.tonals[done]));
            done += 1;
        }
        self.tonals.drain(..done);
        self.shorts.drain(..(done * SUBFRAMES).min(self.shorts.len()));
    }
}

fn pack_frame(shorts: &[ShortReading], tonal: &TonalReading) -> Frame {
    let mut frame = Frame::default();
    let n = shorts.len() as f32;
    for (b, code) in frame.band.iter_mut().enumerate() {
        *code = code_of(shorts.iter().map(|s| s.band[b]).sum::<f32>() / n);
    }
    for i in 0..SUBFRAMES {
        let short = &shorts[i.min(shorts.len() - 1)];
        frame.wide[i] = code_of(short.band[WIDE].iter().sum());
        frame.high[i] = code_of(short.band[HIGH].iter().sum());
    }
    for (r, code) in frame.flux.iter_mut().enumerate() {
        let largest = shorts.iter().map(|s| s.flux[r]).fold(0.0, f32::max);
        *code = (largest * 10.0).round().clamp(0.0, 255.0) as u8;
    }
    frame.flatness = (-2.0 * tonal.flatness_db).round().clamp(0.0, 255.0) as u8;
    frame.narrow = tonal.narrow.map(code_share);
    frame.peaks = tonal.peaks.min(255) as u8;
    frame.kept = code_share(tonal.kept);
    frame.harmonic = code_share(tonal.harmonic);
    frame.pitch = tonal.pitch_midi.map_or(0, |m| (m * 256.0).round().clamp(1.0, 65_535.0) as u16);
    frame
}

impl Meter for FeatureMeter {
    type Reading = Vec<Frame>;

    fn push(&mut self, block: &Block) {
        for spectrum in &block.short_spectra {
            self.read_short(spectrum);
        }
        for spectrum in &block.long_spectra {
            self.read_long(spectrum);
        }
        self.pack(false);
    }

    fn finish(mut self) -> Vec<Frame> {
        self.pack(true);
        self.frames.to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_comes_back_from_its_bytes() {
        let bytes: Vec<u8> = (1..=BYTES_A_FRAME as u8).collect();
        let frame = Frame::unpack(&bytes);
        assert_eq!((frame.band[0], frame.flux, frame.harmonic, frame.pitch), (1, [19, 20, 21], 28, 0x1e1d));
        assert_eq!(frame.to_bytes(), bytes);
    }
}
