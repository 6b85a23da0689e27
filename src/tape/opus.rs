//! Opus packets to samples at 48 kHz.
//!
//! Conventions: RFC 6716 (packets), RFC 7845 (identification header: pre-skip, gain in Q7.8 dB). The header is little
//! endian in Ogg and WebM (version 1) and big endian in MPEG-4 (version 0).

use rusty_opus::{OpusDecoder, multistream::OpusMSDecoder};

/// Rate at which Opus always decodes here.
pub const OPUS_RATE_HZ: u32 = 48_000;
/// Longest packet: 120 ms.
const MAX_PACKET_FRAMES: usize = 5760;

/// The identification header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpusHead {
    /// Channels of the output.
    pub channels: u8,
    /// Frames to drop at the start.
    pub pre_skip: u16,
    /// Output gain in 1/256 dB.
    pub gain_q8: i16,
    /// Channel mapping family.
    pub family: u8,
}

impl OpusHead {
    /// Reads `OpusHead` with its signature.
    pub fn parse(data: &[u8]) -> Option<Self> {
        let body = data.strip_prefix(b"OpusHead")?;
        let word = |at: usize| {
            let pair = [*body.get(at)?, *body.get(at + 1)?];
            Some(if body[0] == 0 { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) })
        };
        Some(Self { channels: *body.get(1)?, pre_skip: word(2)?, gain_q8: word(8)? as i16, family: *body.get(10)? })
    }

    fn gain(self) -> f32 {
        10f64.powf(f64::from(self.gain_q8) / 256.0 / 20.0) as f32
    }
}

enum Inner {
    Plain(Box<OpusDecoder>),
    Surround(Box<OpusMSDecoder>),
}

/// Decoder of one stream.
pub struct OpusTrack {
    inner: Inner,
    channels: usize,
    gain: f32,
    interleaved: Vec<f32>,
}

impl OpusTrack {
    /// A decoder for the stream that `head` announces; the error names what is not supported.
    pub fn new(head: OpusHead) -> Result<Self, String> {
        let channels = usize::from(head.channels);
        let inner = match (head.family, channels) {
            (0, 1 | 2) => OpusDecoder::new(OPUS_RATE_HZ as i32, channels).map(|d| Inner::Plain(Box::new(d))),
            (1, 1..=8) => OpusMSDecoder::new(OPUS_RATE_HZ as i32, channels, 1).map(|d| Inner::Surround(Box::new(d))),
            (family, n) => return Err(format!("opus (mapping family {family}, {n} channels)")),
        };
        let inner = inner.map_err(|e| format!("opus ({e})"))?;
        Ok(Self { inner, channels, gain: head.gain(), interleaved: vec![0.0; MAX_PACKET_FRAMES * channels] })
    }

    /// Decodes one packet into `planes`, cleared first.
    pub fn decode(&mut self, packet: &[u8], planes: &mut Vec<Vec<f32>>) -> Result<(), String> {
        planes.resize_with(self.channels, Vec::new);
        planes.iter_mut().for_each(Vec::clear);
        let frames = packet_frames(packet).ok_or("malformed packet")?;
        let decoded = match &mut self.inner {
            Inner::Plain(d) => d.decode(packet, frames, &mut self.interleaved),
            Inner::Surround(d) => d.decode(packet, frames, &mut self.interleaved),
        };
        let frames = decoded.map_err(|e| e.to_string())?.min(MAX_PACKET_FRAMES);
        for (c, plane) in planes.iter_mut().enumerate() {
            let channel = self.interleaved[c..].iter().step_by(self.channels).take(frames);
            plane.extend(channel.map(|x| x * self.gain));
        }
        Ok(())
    }
}

/// Frames at 48 kHz that a packet holds, by its table-of-contents byte (RFC 6716 section 3.1); `None` when malformed.
pub fn packet_frames(packet: &[u8]) -> Option<usize> {
    let toc = *packet.first()?;
    let config = usize::from(toc >> 3);
    let frame = match config {
        0..=11 => [480, 960, 1920, 2880][config & 3],
        12..=15 => [480, 960][config & 1],
        _ => [120, 240, 480, 960][config & 3],
    };
    let count = match toc & 3 {
        0 => 1,
        1 | 2 => 2,
        _ => usize::from(*packet.get(1)? & 0x3f),
    };
    let frames = frame * count;
    (1..=MAX_PACKET_FRAMES).contains(&frames).then_some(frames)
}
