//! Walks the frames of MPEG audio and ADTS streams, which have no container: a hole is bridged in whole frames, so that
//! later times do not move.
//!
//! Conventions: time stamps count samples a channel from the first audio frame; the information frame of a VBR or
//! gapless encoder is no audio. A damaged stretch is as many frames long as its bytes hold at the mean frame size.
//! Limits: free-format MPEG audio is not known; the length of a hole in a VBR stream is an estimate.

use symphonia::core::audio::{Channels, layouts};
use symphonia::core::codecs::audio::{AudioCodecParameters, well_known::*};
use symphonia::core::io::MediaSource;
use symphonia::core::packet::Packet;
use symphonia::core::units::{Duration, Timestamp};

use super::sniff::{Kind, adts_frame_bytes, mpeg_header};
use super::source::read_full;

/// Bytes read at a time.
const READ_STEP: usize = 64 << 10;
/// Rates by index of the ADTS header (ISO/IEC 14496-3, table 1.18).
const ADTS_RATES_HZ: [u32; 13] =
    [96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8000, 7350];
/// Delay of the layer III decoder: 528 + 1 samples.
const MP3_DECODER_DELAY: i64 = 529;
/// Delay of the usual layer III encoder, taken where the file does not tell.
const MP3_ENCODER_DELAY: i64 = 576;
/// Analysis and synthesis filterbank of layers I and II: 512 - 32 + 1 samples.
const FILTERBANK_DELAY: i64 = 481;

/// What all frames of a stream have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Shape {
    rate_hz: u32,
    /// Layer of MPEG audio; 0 for ADTS.
    layer: u8,
    mpeg1: bool,
    frames: u32,
    /// Channels by ADTS; MPEG audio may switch.
    channels: u8,
}

/// What the information frame says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct InfoFrame {
    count: Option<u32>,
    delay_padding: Option<(u32, u32)>,
}

/// Reader of a bare stream.
pub struct FrameWalker {
    input: Box<dyn MediaSource>,
    buffer: Vec<u8>,
    at: usize,
    input_ended: bool,
    shape: Shape,
    info: InfoFrame,
    stamp: u64,
    audio_bytes: u64,
    audio_frames: u64,
    /// The stream ended inside a frame, or in what is neither frame nor tag.
    pub ragged_end: bool,
    /// Stretches that were no frames.
    pub holes: u64,
}

impl FrameWalker {
    /// Finds the first frame; `None` when there is none.
    pub fn new(input: Box<dyn MediaSource>, kind: Kind) -> Option<Self> {
        let shape = Shape { rate_hz: 0, layer: 0, mpeg1: false, frames: 0, channels: 0 };
        let mut walker = Self {
            input,
            buffer: Vec::new(),
            at: 0,
            input_ended: false,
            shape,
            info: InfoFrame::default(),
            stamp: 0,
            audio_bytes: 0,
            audio_frames: 0,
            ragged_end: false,
            holes: 0,
        };
        walker.skip_id3();
        walker.find_first(kind == Kind::Adts)?;
        walker.read_info();
        Some(walker)
    }

    /// Codec, rate and channels for the decoder.
    pub fn params(&self) -> AudioCodecParameters {
        let mut params = AudioCodecParameters::new();
        params.for_codec(match self.shape.layer {
            0 => CODEC_ID_AAC,
            1 => CODEC_ID_MP1,
            2 => CODEC_ID_MP2,
            _ => CODEC_ID_MP3,
        });
        params.with_sample_rate(self.shape.rate_hz);
        match self.shape.channels {
            1 => params.with_channels(layouts::CHANNEL_LAYOUT_MONO),
            2 => params.with_channels(layouts::CHANNEL_LAYOUT_STEREO),
            n => params.with_channels(Channels::Discrete(u16::from(n))),
        };
        params
    }

    /// Samples to drop at the start: what the file says, else the least that codec and decoder need.
    pub fn lead_in(&self) -> i64 {
        match (self.shape.layer, self.info.delay_padding) {
            (3, Some((delay, _))) => MP3_DECODER_DELAY + i64::from(delay),
            (3, None) => MP3_DECODER_DELAY + MP3_ENCODER_DELAY,
            (0, _) => 1024,
            _ => FILTERBANK_DELAY,
        }
    }

    /// Samples that remain after the lead-in, when the file says so.
    pub fn length(&self) -> Option<u64> {
        let total = i64::from(self.info.count?) * i64::from(self.shape.frames);
        let padding = self.info.delay_padding.map_or(0, |(_, p)| i64::from(p) - MP3_DECODER_DELAY);
        u64::try_from(total - self.lead_in() - padding.max(0)).ok().filter(|n| *n > 0)
    }

    /// The next frame.
    pub fn next_packet(&mut self) -> std::io::Result<Option<Packet>> {
        loop {
            self.want(16)?;
            let Some((bytes, shape)) = self.frame_at(self.at).filter(|(_, s)| self.fits(s)) else {
                if self.skip_id3() {
                    continue;
                }
                if !self.resync()? {
                    return Ok(None);
                }
                continue;
            };
            self.want(bytes + 16)?;
            if self.buffer.len() < self.at + bytes {
                self.ragged_end = true;
                return Ok(None);
            }
            if !self.believable(bytes) {
                if !self.resync()? {
                    return Ok(None);
                }
                continue;
            }
            let start = self.at + if shape.layer == 0 { self.adts_header() } else { 0 };
            let data = self.buffer.get(start..self.at + bytes).unwrap_or(&[]).to_vec();
            self.at += bytes;
            if shape.layer == 3 && info_frame(&data).is_some() {
                continue;
            }
            let packet =
                Packet::new(0, Timestamp::new(self.stamp as i64), Duration::new(u64::from(self.shape.frames)), data);
            self.stamp += u64::from(self.shape.frames);
            self.audio_bytes += bytes as u64;
            self.audio_frames += 1;
            return Ok(Some(packet));
        }
    }

    fn adts_header(&self) -> usize {
        if self.buffer.get(self.at + 1).is_some_and(|b| b & 1 == 1) { 7 } else { 9 }
    }

    /// Makes `n` bytes from `at` on available, where the input has them.
    fn want(&mut self, n: usize) -> std::io::Result<()> {
        if self.buffer.len() >= self.at + n || self.input_ended {
            return Ok(());
        }
        self.buffer.drain(..self.at);
        self.at = 0;
        let old = self.buffer.len();
        let step = READ_STEP.max(n);
        self.buffer.resize(old + step, 0);
        let got = read_full(&mut self.input, &mut self.buffer[old..])?;
        self.buffer.truncate(old + got);
        self.input_ended = got < step;
        Ok(())
    }

    fn frame_at(&self, at: usize) -> Option<(usize, Shape)> {
        let head = self.buffer.get(at..)?;
        if let Some(m) = mpeg_header(head) {
            let shape = Shape { rate_hz: m.rate_hz, layer: m.layer, mpeg1: m.mpeg1, frames: m.frames, channels: 2 };
            return Some((m.bytes, Shape { channels: if m.mono { 1 } else { 2 }, ..shape }));
        }
        let bytes = adts_frame_bytes(head)?;
        let rate_hz = *ADTS_RATES_HZ.get(usize::from(head[2] >> 2 & 15))?;
        let channels = (head[2] & 1) << 2 | head[3] >> 6;
        let frames = 1024 * (u32::from(head[6] & 3) + 1);
        Some((bytes, Shape { rate_hz, layer: 0, mpeg1: head[1] & 8 == 0, frames, channels }))
    }

    /// Same stream? MPEG audio may switch between stereo and mono headers only by damage.
    fn fits(&self, shape: &Shape) -> bool {
        *shape == self.shape
    }

    /// Is the frame of `bytes` at the cursor followed by another one, a tag or the end, or at least of the mean size?
    fn believable(&self, bytes: usize) -> bool {
        let next = self.at + bytes;
        let rest = self.buffer.get(next..).unwrap_or(&[]);
        let mean = self.mean_bytes();
        rest.len() < 4
            || self.frame_at(next).is_some_and(|(_, s)| self.fits(&s))
            || [&b"TAG"[..], b"APET", b"LYRI", b"ID3"].iter().any(|t| rest.starts_with(t))
            || (mean > 0.0 && (bytes as f64 - mean).abs() <= 1.0)
    }

    fn mean_bytes(&self) -> f64 {
        if self.audio_frames == 0 { 0.0 } else { self.audio_bytes as f64 / self.audio_frames as f64 }
    }

    /// Moves to the next two frames in a row and bridges the hole; false at the end of the input.
    fn resync(&mut self) -> std::io::Result<bool> {
        let tail_tag = [&b"TAG"[..], b"APET", b"LYRI"].iter().any(|t| self.buffer[self.at..].starts_with(t));
        let (mut lost, mut only_zeros) = (0u64, true);
        loop {
            self.want(8192)?;
            if self.buffer.len() < self.at + 4 {
                self.ragged_end |= !tail_tag && !only_zeros && lost as f64 > self.mean_bytes();
                return Ok(false);
            }
            only_zeros &= self.buffer[self.at] == 0;
            self.at += 1;
            lost += 1;
            let Some((bytes, shape)) = self.frame_at(self.at) else { continue };
            let next = self.frame_at(self.at + bytes);
            let last = self.input_ended && self.buffer.len() == self.at + bytes;
            if self.fits(&shape) && (last || next.is_some_and(|(_, s)| self.fits(&s))) {
                self.bridge(lost);
                return Ok(true);
            }
        }
    }

    fn bridge(&mut self, lost_bytes: u64) {
        let mean = self.mean_bytes();
        if mean > 0.0 {
            let frames = (lost_bytes as f64 / mean).round().max(1.0) as u64;
            self.stamp = self.stamp.saturating_add(frames * u64::from(self.shape.frames));
            self.holes += 1;
        }
    }

    /// Skips an ID3v2 tag at the cursor.
    fn skip_id3(&mut self) -> bool {
        if self.want(10).is_err() || !self.buffer[self.at..].starts_with(b"ID3") {
            return false;
        }
        let Some(size) = self.buffer.get(self.at + 6..self.at + 10) else { return false };
        let mut left = size.iter().fold(0usize, |n, b| n << 7 | usize::from(b & 0x7f)) + 10;
        while left > 0 {
            let step = left.min(READ_STEP);
            if self.want(step).is_err() {
                return false;
            }
            let step = step.min(self.buffer.len() - self.at);
            if step == 0 {
                break;
            }
            self.at += step;
            left -= step;
        }
        true
    }

    /// Takes the shape of the first three frames that agree.
    fn find_first(&mut self, adts: bool) -> Option<()> {
        loop {
            self.want(READ_STEP).ok()?;
            if self.buffer.len() < self.at + 4 {
                return None;
            }
            if let Some((bytes, shape)) = self.frame_at(self.at).filter(|(_, s)| (s.layer == 0) == adts) {
                let second = self.frame_at(self.at + bytes).filter(|(_, s)| *s == shape);
                let third = second.and_then(|(n, _)| self.frame_at(self.at + bytes + n)).filter(|(_, s)| *s == shape);
                let short = self.input_ended && self.buffer.len() - self.at < 3 * bytes + 16;
                if third.is_some() || (short && (second.is_some() || self.buffer.len() == self.at + bytes)) {
                    self.shape = shape;
                    return Some(());
                }
            }
            self.at += 1;
        }
    }

    fn read_info(&mut self) {
        if self.shape.layer == 3
            && let Some((bytes, _)) = self.frame_at(self.at)
            && let Some(info) = self.buffer.get(self.at..self.at + bytes).and_then(info_frame)
        {
            self.info = info;
            self.at += bytes;
        }
    }
}

/// The information frame of a VBR or gapless encoder: "Xing" or "Info" after empty side information, or "VBRI".
fn info_frame(frame: &[u8]) -> Option<InfoFrame> {
    let header = mpeg_header(frame)?;
    let side = match (header.mpeg1, header.mono) {
        (true, false) => 32,
        (true, true) | (false, false) => 17,
        (false, true) => 9,
    };
    let word = |at: usize| frame.get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_be_bytes);
    if frame.get(36..40) == Some(b"VBRI") {
        return Some(InfoFrame { count: word(36 + 14).filter(|n| *n > 0), delay_padding: None });
    }
    let tag = 4 + side;
    if !matches!(frame.get(tag..tag + 4), Some(b"Xing" | b"Info")) {
        return None;
    }
    let flags = word(tag + 4)?;
    let mut at = tag + 8;
    let count = (flags & 1 != 0).then(|| word(at)).flatten().filter(|n| *n > 0);
    at += [(1, 4), (2, 4), (4, 100), (8, 4)].iter().filter(|(bit, _)| flags & bit != 0).map(|(_, n)| n).sum::<usize>();
    let encoder = frame.get(at..at + 4).unwrap_or(&[]);
    let delays = word(at + 20).filter(|_| matches!(encoder, b"LAME" | b"Lavf" | b"Lavc"));
    // Three bytes at offset 21 of the extension: delay and padding, twelve bits each.
    let delay_padding = delays.map(|w| (w >> 12 & 0xfff, w & 0xfff));
    Some(InfoFrame { count, delay_padding })
}
