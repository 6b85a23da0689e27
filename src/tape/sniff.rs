//! What kind of file is it, judged by its first bytes alone.
//!
//! Limits: MPEG and ADTS streams have no signature; they are believed when several frames follow each other.

use std::fs::File;
use std::path::Path;

use super::source::read_at;
use super::{mp4, riff};

/// Bytes that are looked at.
pub const SNIFF_BYTES: usize = 64 << 10;
/// Frames that must follow each other to believe a stream without signature.
const FRAMES_TO_BELIEVE: usize = 4;

/// Kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// RIFF, RF64 or BW64 with WAVE content.
    Wave,
    /// MPEG-4 or QuickTime.
    Mp4,
    /// ADTS AAC.
    Adts,
    /// MPEG audio layers 1 to 3.
    Mpeg,
    /// Any other container that the demuxers know.
    Other,
    /// Audio for which there is no decoder here.
    Unsupported(&'static str),
}

/// The kind of file that begins with `head`, or `None` when it is no audio.
pub fn sniff(head: &[u8]) -> Option<Kind> {
    let starts = |magic: &[u8]| head.starts_with(magic);
    if riff::is_wave(head) {
        return Some(Kind::Wave);
    }
    let form = head.get(8..12).unwrap_or(&[]);
    if starts(b"FORM") && matches!(form, b"AIFF" | b"AIFC") {
        return Some(Kind::Other);
    }
    if [&b"fLaC"[..], b"OggS", b"caff", b"\x1a\x45\xdf\xa3"].iter().any(|m| starts(m)) {
        return Some(Kind::Other);
    }
    let unsupported: [(&[u8], &str); 9] = [
        (b"wvpk", "wavpack"),
        (b"MAC ", "monkeys-audio"),
        (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "windows media"),
        (b"#!AMR", "amr"),
        (b"DSD ", "dsd"),
        (b"FRM8", "dsd"),
        (b"RIFX", "big-endian wave"),
        (b"riff\x2e\x91\xcf\x11", "wave64"),
        (b"TTA1", "tta"),
    ];
    if let Some((_, name)) = unsupported.iter().find(|(m, _)| starts(m)) {
        return Some(Kind::Unsupported(name));
    }
    if mp4::is_mp4(head) {
        return Some(Kind::Mp4);
    }
    if starts(b"ID3") {
        return after_id3(head);
    }
    stream_kind(head)
}

/// What follows a leading ID3 tag; a tag longer than what was read is taken for MPEG audio.
fn after_id3(head: &[u8]) -> Option<Kind> {
    let size = head.get(6..10)?.iter().fold(0usize, |n, b| n << 7 | usize::from(b & 0x7f)) + 10;
    match head.get(size..) {
        Some(rest) if rest.starts_with(b"fLaC") => Some(Kind::Other),
        Some(rest) if rest.len() > 1024 => stream_kind(rest),
        _ => Some(Kind::Mpeg),
    }
}

/// Looks for a run of MPEG or ADTS frames.
fn stream_kind(data: &[u8]) -> Option<Kind> {
    (0..data.len().saturating_sub(4)).filter(|&at| data[at] == 0xff && data[at + 1] & 0xe0 == 0xe0).find_map(|at| {
        let run = |length: fn(&[u8]) -> Option<usize>| believable_run(&data[at..], length);
        if run(mpeg_frame_bytes) {
            Some(Kind::Mpeg)
        } else if run(adts_frame_bytes) {
            Some(Kind::Adts)
        } else {
            None
        }
    })
}

/// Do enough frames follow each other? A file that ends early is believed from two frames on.
fn believable_run(data: &[u8], length: fn(&[u8]) -> Option<usize>) -> bool {
    let mut at = 0;
    for frame in 0..FRAMES_TO_BELIEVE {
        let Some(n) = data.get(at..).and_then(length) else { return frame >= 2 && at >= data.len() };
        at += n;
    }
    true
}

/// Length of the MPEG audio frame that begins here (ISO/IEC 11172-3, 13818-3 header).
pub fn mpeg_frame_bytes(h: &[u8]) -> Option<usize> {
    mpeg_header(h).map(|m| m.bytes)
}

/// What an MPEG audio frame header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MpegHeader {
    /// Length of the frame in bytes.
    pub bytes: usize,
    /// Frames (samples a channel) in it.
    pub frames: u32,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// 1, 2 or 3.
    pub layer: u8,
    /// MPEG-1 (else MPEG-2 or 2.5).
    pub mpeg1: bool,
    /// One channel.
    pub mono: bool,
}

/// Reads an MPEG audio frame header.
pub fn mpeg_header(h: &[u8]) -> Option<MpegHeader> {
    const KBPS: [[u32; 15]; 5] = [
        [0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448],
        [0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384],
        [0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320],
        [0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256],
        [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160],
    ];
    let [a, b, c, d] = *h.first_chunk::<4>()?;
    if a != 0xff || b & 0xe0 != 0xe0 {
        return None;
    }
    let version = b >> 3 & 3;
    let layer = 4 - (b >> 1 & 3);
    let rate_index = usize::from(c >> 2 & 3);
    let bitrate_index = usize::from(c >> 4);
    if version == 1 || layer == 4 || rate_index == 3 || bitrate_index == 0 || bitrate_index == 15 {
        return None;
    }
    let mpeg1 = version == 3;
    let shift = match version {
        3 => 0,
        2 => 1,
        _ => 2,
    };
    let rate_hz = [44_100, 48_000, 32_000][rate_index] >> shift;
    let row = match (mpeg1, layer) {
        (true, l) => usize::from(l - 1),
        (false, 1) => 3,
        (false, _) => 4,
    };
    let bits = KBPS[row][bitrate_index] * 1000;
    let padding = u32::from(c >> 1 & 1);
    let frames = match (layer, mpeg1) {
        (1, _) => 384,
        (3, false) => 576,
        _ => 1152,
    };
    let bytes = if layer == 1 { (12 * bits / rate_hz + padding) * 4 } else { frames / 8 * bits / rate_hz + padding };
    Some(MpegHeader { bytes: bytes as usize, frames, rate_hz, layer, mpeg1, mono: d >> 6 == 3 })
}

/// Length of the ADTS frame that begins here (ISO/IEC 13818-7).
pub fn adts_frame_bytes(h: &[u8]) -> Option<usize> {
    let h = h.first_chunk::<7>()?;
    if h[0] != 0xff || h[1] & 0xf6 != 0xf0 || h[2] >> 2 & 15 > 12 {
        return None;
    }
    let bytes = usize::from(h[3] & 3) << 11 | usize::from(h[4]) << 3 | usize::from(h[5] >> 5);
    (bytes > 7).then_some(bytes)
}

/// Sniffs a file on disk.
pub fn sniff_file(path: &Path) -> std::io::Result<Option<Kind>> {
    let mut file = File::open(path)?;
    let mut head = vec![0; SNIFF_BYTES];
    let got = read_at(&mut file, 0, &mut head)?;
    Ok(sniff(&head[..got]))
}
