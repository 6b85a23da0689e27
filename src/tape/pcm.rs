//! Samples of a WAVE data chunk, read straight from the file: any length, any channel count.
//!
//! Conventions: integers are scaled by 2^(bits-1), 8-bit is offset by 128; little endian.

use std::fs::File;
use std::io::{Result, Seek, SeekFrom};

use super::riff::{WaveCoding, WaveLayout};
use super::source::read_full;

/// Frames read at a time.
const CHUNK_FRAMES: usize = 8192;

/// Reader of integer and float samples.
pub struct PcmReader {
    file: File,
    coding: WaveCoding,
    channels: usize,
    sample_bytes: usize,
    left: u64,
    buffer: Vec<u8>,
    started: bool,
    start: u64,
}

impl PcmReader {
    /// Reads the data chunk of `layout`.
    pub fn new(file: File, layout: &WaveLayout) -> Self {
        let f = &layout.format;
        Self {
            file,
            coding: f.coding,
            channels: usize::from(f.channels),
            sample_bytes: usize::from(f.sample_bytes),
            left: layout.data_len,
            buffer: Vec::new(),
            started: false,
            start: layout.data_start,
        }
    }

    /// Appends the next frames to `out` (one vector a channel); 0 at the end. A last, incomplete frame is dropped.
    pub fn read(&mut self, out: &mut [Vec<f32>]) -> Result<usize> {
        if !self.started {
            self.file.seek(SeekFrom::Start(self.start))?;
            self.started = true;
        }
        let frame_bytes = self.channels * self.sample_bytes;
        let want = (CHUNK_FRAMES * frame_bytes) as u64;
        self.buffer.resize(want.min(self.left) as usize, 0);
        let got = read_full(&mut self.file, &mut self.buffer)?;
        self.left = if got < self.buffer.len() { 0 } else { self.left - got as u64 };
        let frames = got / frame_bytes;
        let bytes = &self.buffer[..frames * frame_bytes];
        for (c, plane) in out.iter_mut().enumerate().take(self.channels) {
            append(
                self.coding,
                self.sample_bytes,
                Strided { bytes, frame_bytes, offset: c * self.sample_bytes },
                plane,
            );
        }
        Ok(frames)
    }
}

/// The samples of one channel among interleaved ones.
#[derive(Clone, Copy)]
struct Strided<'a> {
    bytes: &'a [u8],
    frame_bytes: usize,
    offset: usize,
}

impl Strided<'_> {
    fn append<const N: usize>(self, plane: &mut Vec<f32>, value: impl Fn([u8; N]) -> f32) {
        let frames = self.bytes.chunks_exact(self.frame_bytes);
        plane
            .extend(frames.map(|f| f.get(self.offset..).and_then(|s| s.first_chunk::<N>()).map_or(0.0, |s| value(*s))));
    }
}

fn append(coding: WaveCoding, bytes: usize, samples: Strided, plane: &mut Vec<f32>) {
    match (coding, bytes) {
        (WaveCoding::Float, 8) => samples.append(plane, |s| f64::from_le_bytes(s) as f32),
        (WaveCoding::Float, _) => samples.append(plane, f32::from_le_bytes),
        (_, 1) => samples.append(plane, |[s]| (f32::from(s) - 128.0) / 128.0),
        (_, 2) => samples.append(plane, |s| f32::from(i16::from_le_bytes(s)) / 32_768.0),
        (_, 3) => samples.append(plane, |[a, b, c]| (i32::from_le_bytes([0, a, b, c]) >> 8) as f32 / 8_388_608.0),
        _ => samples.append(plane, |s| (f64::from(i32::from_le_bytes(s)) / 2_147_483_648.0) as f32),
    }
}
