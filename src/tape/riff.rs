//! RIFF, RF64 and BW64 headers, read by us because recorders leave them half written and decoders drop their marks.
//!
//! Conventions: chunk layouts as in EBU Tech 3285 (`bext`), EBU Tech 3306 and ITU-R BS.2088 (`ds64`); little endian;
//! chunks padded to even. A data size that is 0, 0xFFFFFFFF or wrapped is taken from the length of the file.
//! Limits: at most [`MAX_CHUNKS`] chunks and [`MAX_CHUNK_READ`] bytes of one chunk are read.

use std::fs::File;
use std::path::Path;

use super::error::TapeError;
use super::source::read_at;

/// Chunks read before the rest is ignored.
const MAX_CHUNKS: usize = 4096;
/// Most bytes read of one descriptive chunk.
const MAX_CHUNK_READ: u64 = 1 << 20;
/// "Take the size from ds64", or a recorder that never came back to fill it in.
const UNKNOWN_SIZE: u32 = u32::MAX;

/// Sample coding of the data chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WaveCoding {
    /// Unsigned for 1 byte, signed for 2, 3 and 4.
    Int,
    /// IEEE float of 4 or 8 bytes.
    Float,
    /// A format tag that only a decoder crate knows (ADPCM, companded, MPEG).
    Tag(u16),
}

/// The `fmt ` chunk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaveFormat {
    /// Coding of the samples.
    pub coding: WaveCoding,
    /// Channels.
    pub channels: u16,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// Bytes of one frame (PCM) or one block (others).
    pub block_align: u16,
    /// Bytes of one sample in its container (PCM).
    pub sample_bytes: u16,
    /// The chunk as found, for a rebuilt header.
    pub raw: Vec<u8>,
}

/// A cue with what `adtl` says of it; frames from the start of the data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaveMark {
    /// Where.
    pub at_frame: u64,
    /// Length in frames when given.
    pub length_frames: Option<u64>,
    /// Label, or note, or the text of the region.
    pub label: String,
}

/// All that the header says.
#[derive(Clone, Debug)]
pub struct WaveLayout {
    /// Format of the samples.
    pub format: WaveFormat,
    /// First byte of the samples.
    pub data_start: u64,
    /// Bytes of samples that are really there.
    pub data_len: u64,
    /// Bytes that the header declares, when it does.
    pub declared_len: Option<u64>,
    /// Frames by the `fact` chunk.
    pub fact_frames: Option<u64>,
    /// `bext` date "yyyy-mm-dd" and time "hh-mm-ss" with whatever separators the recorder used.
    pub bext: Option<(String, String)>,
    /// Marks in time order.
    pub marks: Vec<WaveMark>,
    /// `LIST INFO` entries.
    pub info: Vec<(String, String)>,
    /// The sizes in the header could not be used.
    pub rebuilt: bool,
    /// The file ends before the declared end of the data.
    pub truncated: bool,
}

/// Do the first twelve bytes announce a WAVE file?
pub fn is_wave(head: &[u8]) -> bool {
    head.len() >= 12 && matches!(&head[..4], b"RIFF" | b"RF64" | b"BW64") && &head[8..12] == b"WAVE"
}

/// Reads the header of a WAVE file of `len` bytes.
pub fn read_layout(path: &Path, file: &mut File, len: u64) -> Result<WaveLayout, TapeError> {
    Walk { path, file, len, found: Found::default() }.run()
}

#[derive(Default)]
struct Found {
    ds64_data: Option<u64>,
    format: Option<WaveFormat>,
    data: Option<(u64, u32)>,
    data_len: u64,
    declared: Option<u64>,
    fact: Option<u64>,
    bext: Option<(String, String)>,
    cues: Vec<(u32, u64)>,
    labels: Vec<(u32, String)>,
    notes: Vec<(u32, String)>,
    regions: Vec<(u32, u64, String)>,
    info: Vec<(String, String)>,
    rebuilt: bool,
    truncated: bool,
}

struct Walk<'a> {
    path: &'a Path,
    file: &'a mut File,
    len: u64,
    found: Found,
}

impl Walk<'_> {
    fn run(mut self) -> Result<WaveLayout, TapeError> {
        let mut at = 12;
        for _ in 0..MAX_CHUNKS {
            let Some((id, size)) = self.chunk_at(at)? else { break };
            let body = at + 8;
            let span = if &id == b"data" && self.found.data.is_none() {
                self.data_chunk(body, size)
            } else {
                self.other_chunk(&id, body, size)?;
                u64::from(size)
            };
            at = body + span + (span & 1);
        }
        self.finish()
    }

    fn bytes(&mut self, at: u64, n: u64) -> Result<Vec<u8>, TapeError> {
        let n = n.min(MAX_CHUNK_READ).min(self.len.saturating_sub(at));
        let mut buf = vec![0; n as usize];
        let got = read_at(self.file, at, &mut buf).map_err(|e| TapeError::io(self.path, e))?;
        buf.truncate(got);
        Ok(buf)
    }

    fn chunk_at(&mut self, at: u64) -> Result<Option<([u8; 4], u32)>, TapeError> {
        let head = self.bytes(at, 8)?;
        Ok(match head.as_slice() {
            [a, b, c, d, rest @ ..] if rest.len() == 4 => Some(([*a, *b, *c, *d], u32_at(rest, 0).unwrap_or(0))),
            _ => None,
        })
    }

    /// Is there a sound chunk header at `at`, or exactly the end of the file?
    fn plausible_next(&mut self, at: u64) -> bool {
        if at >= self.len {
            return true;
        }
        match self.chunk_at(at) {
            Ok(Some((id, size))) => {
                id.iter().all(|c| (0x20..0x7f).contains(c)) && at + 8 + u64::from(size) <= self.len + 1
            }
            _ => self.len - at < 8,
        }
    }

    /// Settles how many bytes of samples there are; returns the span to the next chunk.
    fn data_chunk(&mut self, body: u64, size: u32) -> u64 {
        let rest = self.len.saturating_sub(body);
        let from_ds64 = self.found.ds64_data.filter(|_| size == UNKNOWN_SIZE);
        let declared = from_ds64.unwrap_or(u64::from(size));
        self.found.data = Some((body, size));
        let unknown = declared == 0 || (size == UNKNOWN_SIZE && from_ds64.is_none());
        let padded = declared.saturating_add(declared & 1);
        let usable = if unknown {
            declared == 0 && rest >= 8 && self.plausible_next(body)
        } else {
            declared > rest || self.plausible_next(body + padded) || self.plausible_next(body + declared)
        };
        if !usable {
            self.found.rebuilt = rest > 0 || unknown;
            self.found.data_len = rest;
            return rest;
        }
        self.found.declared = Some(declared);
        self.found.truncated = declared > rest;
        self.found.data_len = declared.min(rest);
        self.found.data_len
    }

    fn other_chunk(&mut self, id: &[u8; 4], body: u64, size: u32) -> Result<(), TapeError> {
        if !matches!(id, b"ds64" | b"fmt " | b"fact" | b"bext" | b"cue " | b"LIST") {
            return Ok(());
        }
        let chunk = self.bytes(body, u64::from(size))?;
        let found = &mut self.found;
        match id {
            b"ds64" => found.ds64_data = u64_at(&chunk, 8).filter(|n| *n > 0),
            b"fmt " if found.format.is_none() => found.format = Some(parse_format(self.path, body, chunk)?),
            b"fact" => found.fact = u32_at(&chunk, 0).filter(|n| *n != UNKNOWN_SIZE && *n > 0).map(u64::from),
            b"bext" if chunk.len() >= 338 => found.bext = Some((text(&chunk[320..330]), text(&chunk[330..338]))),
            b"cue " => found.cues = parse_cues(&chunk),
            b"LIST" if chunk.starts_with(b"adtl") => found.adtl(&chunk[4..]),
            b"LIST" if chunk.starts_with(b"INFO") => {
                found.info.extend(sub_chunks(&chunk[4..]).map(|(k, v)| (text(k), text(v))));
            }
            _ => {}
        }
        Ok(())
    }

    fn finish(self) -> Result<WaveLayout, TapeError> {
        let Found { format, data, .. } = &self.found;
        let Some(format) = format.clone() else {
            return Err(TapeError::damaged(self.path, 12, "no fmt chunk in a WAVE file"));
        };
        let Some((data_start, _)) = *data else {
            return Err(TapeError::ZeroFrames {
                path: self.path.to_owned(),
                cause: "a WAVE file without a data chunk".to_owned(),
            });
        };
        let marks = self.found.marks();
        let f = self.found;
        Ok(WaveLayout {
            format,
            data_start,
            data_len: f.data_len,
            declared_len: f.declared,
            fact_frames: f.fact,
            bext: f.bext,
            marks,
            info: f.info,
            rebuilt: f.rebuilt,
            truncated: f.truncated,
        })
    }
}

impl Found {
    fn adtl(&mut self, body: &[u8]) {
        for (kind, data) in sub_chunks(body) {
            let Some(id) = u32_at(data, 0) else { continue };
            match kind {
                b"labl" => self.labels.push((id, text(&data[4..]))),
                b"note" => self.notes.push((id, text(&data[4..]))),
                b"ltxt" => {
                    let length = u32_at(data, 4).unwrap_or(0);
                    self.regions.push((id, u64::from(length), text(data.get(20..).unwrap_or(&[]))));
                }
                _ => {}
            }
        }
    }

    fn marks(&self) -> Vec<WaveMark> {
        let by_id =
            |list: &[(u32, String)], id| list.iter().find(|(i, t)| *i == id && !t.is_empty()).map(|(_, t)| t.clone());
        let mut marks: Vec<WaveMark> = self
            .cues
            .iter()
            .map(|&(id, at_frame)| {
                let region = self.regions.iter().find(|r| r.0 == id);
                let label = by_id(&self.labels, id)
                    .or_else(|| by_id(&self.notes, id))
                    .or_else(|| region.map(|r| r.2.clone()))
                    .unwrap_or_default();
                WaveMark { at_frame, length_frames: region.map(|r| r.1).filter(|n| *n > 0), label }
            })
            .collect();
        marks.sort_by_key(|m| m.at_frame);
        marks
    }
}

fn parse_cues(chunk: &[u8]) -> Vec<(u32, u64)> {
    let declared = u32_at(chunk, 0).unwrap_or(0) as usize;
    chunk
        .get(4..)
        .unwrap_or(&[])
        .chunks_exact(24)
        .take(declared)
        .filter_map(|c| Some((u32_at(c, 0)?, u64::from(u32_at(c, 20)?))))
        .collect()
}

fn parse_format(path: &Path, at: u64, raw: Vec<u8>) -> Result<WaveFormat, TapeError> {
    let field = |i| u16_at(&raw, i).ok_or_else(|| TapeError::damaged(path, at, "the fmt chunk is too short"));
    let mut tag = field(0)?;
    let channels = field(2)?;
    let sample_rate_hz = u32_at(&raw, 4).unwrap_or(0);
    let block_align = field(12)?;
    let bits = field(14)?;
    if tag == 0xFFFE {
        tag = u16_at(&raw, 24)
            .ok_or_else(|| TapeError::damaged(path, at, "an extensible fmt chunk without subformat"))?;
    }
    let coding = match tag {
        1 => WaveCoding::Int,
        3 => WaveCoding::Float,
        other => WaveCoding::Tag(other),
    };
    let sample_bytes = if channels > 0 && block_align % channels == 0 && block_align > 0 {
        block_align / channels
    } else {
        bits.div_ceil(8)
    };
    if channels == 0 {
        return Err(TapeError::damaged(path, at + 2, "0 channels"));
    }
    let fits = match coding {
        WaveCoding::Int => (1..=4).contains(&sample_bytes),
        WaveCoding::Float => sample_bytes == 4 || sample_bytes == 8,
        WaveCoding::Tag(_) => true,
    };
    if !fits {
        return Err(TapeError::damaged(path, at + 12, format!("{sample_bytes} bytes a sample")));
    }
    Ok(WaveFormat { coding, channels, sample_rate_hz, block_align, sample_bytes, raw })
}

/// A small, sound header for data of `data_len` bytes, for a decoder crate.
pub fn rebuilt_header(layout: &WaveLayout) -> Vec<u8> {
    let size = u32::try_from(layout.data_len).unwrap_or(u32::MAX - 4096);
    let raw = &layout.format.raw;
    let fact = layout.fact_frames.and_then(|n| u32::try_from(n).ok());
    let mut body = b"WAVEfmt ".to_vec();
    body.extend((raw.len() as u32).to_le_bytes());
    body.extend(raw);
    body.resize(body.len() + (raw.len() & 1), 0);
    if let Some(n) = fact {
        body.extend(b"fact\x04\0\0\0");
        body.extend(n.to_le_bytes());
    }
    body.extend(b"data");
    body.extend(size.to_le_bytes());
    let mut head = b"RIFF".to_vec();
    head.extend((body.len() as u32).saturating_add(size).to_le_bytes());
    head.extend(body);
    head
}

fn sub_chunks(body: &[u8]) -> impl Iterator<Item = (&[u8; 4], &[u8])> {
    let mut rest = body;
    std::iter::from_fn(move || {
        let (id, tail) = rest.split_first_chunk::<4>()?;
        let size = u32_at(tail, 0)? as usize;
        let data = &tail[4..];
        let data = &data[..size.min(data.len())];
        rest = tail.get(4 + size + (size & 1)..).unwrap_or(&[]);
        Some((id, data))
    })
}

/// Text up to the first NUL, without outer blanks; bytes that are not UTF-8 are read as Latin-1.
fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
    let bytes = &bytes[..end];
    match std::str::from_utf8(bytes) {
        Ok(s) => s.trim().to_owned(),
        Err(_) => bytes.iter().map(|b| char::from(*b)).collect::<String>().trim().to_owned(),
    }
}

fn u16_at(b: &[u8], at: usize) -> Option<u16> {
    b.get(at..at + 2)?.try_into().ok().map(u16::from_le_bytes)
}

fn u32_at(b: &[u8], at: usize) -> Option<u32> {
    b.get(at..at + 4)?.try_into().ok().map(u32::from_le_bytes)
}

fn u64_at(b: &[u8], at: usize) -> Option<u64> {
    b.get(at..at + 8)?.try_into().ok().map(u64::from_le_bytes)
}
