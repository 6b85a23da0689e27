//! What the demuxer does not tell of an MPEG-4 file: is the index there, is the data all there, where does the edit
//! list begin, does the stream say HE-AAC.
//!
//! Conventions: ISO/IEC 14496-12 boxes, big endian; ISO/IEC 14496-3 AudioSpecificConfig. Movie data is never read.
//! Limits: indexes of more than [`MAX_INDEX`] bytes are not looked into (the demuxer still reads them).

use std::fs::File;

use super::source::read_at;

/// Largest `moov` that is looked into: a day of AAC has about 16 MiB.
const MAX_INDEX: u64 = 64 << 20;
/// Boxes at the top level before the rest is ignored.
const MAX_BOXES: usize = 100_000;
/// Seconds from 1904-01-01 to 1970-01-01.
const EPOCH_1904_S: i64 = 2_082_844_800;

/// What was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Mp4Facts {
    /// There is a `moov` box.
    pub has_index: bool,
    /// The index comes before the data.
    pub index_first: bool,
    /// A box runs past the end of the file.
    pub truncated: bool,
    /// Media time at which the sound begins, in seconds (edit list).
    pub edit_start_s: Option<f64>,
    /// Length of the edit in seconds, with the coarseness of the movie's clock.
    pub edit_length_s: Option<f64>,
    /// One tick of the movie's clock in seconds.
    pub movie_tick_s: f64,
    /// AudioSpecificConfig of the first sound track.
    pub aac_config: Option<Vec<u8>>,
    /// Ticks a second of the first sound track.
    pub media_scale: Option<u32>,
    /// Rate in the sample entry, which for HE-AAC may differ from the core's.
    pub entry_rate_hz: Option<u32>,
    /// Four-character code of the sample entry of the first sound track.
    pub entry_kind: Option<[u8; 4]>,
    /// Creation time, seconds since 1970, UTC.
    pub created_unix_s: Option<i64>,
}

impl Mp4Facts {
    /// Name of the codec by the sample entry, for messages.
    pub fn entry_codec(&self) -> Option<&str> {
        match &self.entry_kind? {
            b"samr" | b"sawb" => Some("amr"),
            b"ac-3" => Some("ac-3"),
            b"ec-3" => Some("e-ac-3"),
            b"drms" | b"enca" => Some("encrypted audio"),
            b"mha1" | b"mhm1" => Some("mpeg-h"),
            b"apac" => Some("apac"),
            _ => None,
        }
    }
}

/// Is it an MPEG-4 or QuickTime file?
pub fn is_mp4(head: &[u8]) -> bool {
    head.len() >= 8 && matches!(&head[4..8], b"ftyp" | b"moov" | b"mdat" | b"wide" | b"free" | b"skip" | b"pnot")
}

/// Walks the boxes of a file of `len` bytes.
pub fn read_facts(file: &mut File, len: u64) -> std::io::Result<Mp4Facts> {
    let mut facts = Mp4Facts::default();
    let (mut at, mut seen_data) = (0, false);
    for _ in 0..MAX_BOXES {
        let mut head = [0; 16];
        let got = read_at(file, at, &mut head)?;
        if got < 8 {
            break;
        }
        let Some((kind, header, size)) = box_head(&head[..got], len - at) else { break };
        let end = at.saturating_add(size);
        facts.truncated |= end > len;
        match &kind {
            b"moov" => {
                facts.has_index = end <= len;
                facts.index_first = !seen_data;
                if size <= MAX_INDEX && end <= len {
                    let mut body = vec![0; (size - header) as usize];
                    let n = read_at(file, at + header, &mut body)?;
                    read_movie(&body[..n], &mut facts);
                }
            }
            b"mdat" => seen_data = true,
            _ => {}
        }
        if end >= len {
            break;
        }
        at = end;
    }
    Ok(facts)
}

/// Kind, header length and total size; size 0 runs to the end.
fn box_head(b: &[u8], rest: u64) -> Option<([u8; 4], u64, u64)> {
    let size = u64::from(be32(b, 0)?);
    let kind: [u8; 4] = b.get(4..8)?.try_into().ok()?;
    let (header, size) = match size {
        0 => (8, rest),
        1 => (16, u64::from(be32(b, 8)?) << 32 | u64::from(be32(b, 12)?)),
        n => (8, n),
    };
    (size >= header).then_some((kind, header, size))
}

/// The boxes inside `body`.
fn boxes(body: &[u8]) -> impl Iterator<Item = ([u8; 4], &[u8])> {
    let mut rest = body;
    std::iter::from_fn(move || {
        let (kind, header, size) = box_head(rest, rest.len() as u64)?;
        let end = usize::try_from(size).ok()?.min(rest.len());
        let inner = rest.get(header as usize..end)?;
        rest = &rest[end..];
        Some((kind, inner))
    })
}

fn child<'a>(body: &'a [u8], kind: &[u8; 4]) -> Option<&'a [u8]> {
    boxes(body).find(|(k, _)| k == kind).map(|(_, b)| b)
}

fn read_movie(moov: &[u8], facts: &mut Mp4Facts) {
    let movie_scale = child(moov, b"mvhd").and_then(|b| {
        let wide = *b.first()? == 1;
        let created = if wide { i64::try_from(be64(b, 4)?).ok()? } else { i64::from(be32(b, 4)?) };
        facts.created_unix_s = Some(created - EPOCH_1904_S).filter(|s| created > 0 && *s > 0);
        be32(b, if wide { 20 } else { 12 }).filter(|s| *s > 0)
    });
    let movie_scale = f64::from(movie_scale.unwrap_or(1000));
    facts.movie_tick_s = 1.0 / movie_scale;
    for (_, trak) in boxes(moov).filter(|(k, _)| k == b"trak") {
        let Some(mdia) = child(trak, b"mdia") else { continue };
        if child(mdia, b"hdlr").and_then(|h| h.get(8..12)) != Some(b"soun") {
            continue;
        }
        let scale =
            child(mdia, b"mdhd").and_then(|b| be32(b, if *b.first()? == 1 { 20 } else { 12 })).filter(|s| *s > 0);
        facts.media_scale = scale;
        if let (Some(scale), Some(elst)) = (scale, child(trak, b"edts").and_then(|e| child(e, b"elst"))) {
            read_edit(elst, f64::from(scale), movie_scale, facts);
        }
        let entry = child(mdia, b"minf").and_then(|b| child(b, b"stbl")).and_then(|b| child(b, b"stsd"));
        read_entry(entry.and_then(|b| b.get(8..)).unwrap_or(&[]), facts);
        break;
    }
}

/// The first edit that shows media; leading empty edits are ignored.
fn read_edit(elst: &[u8], scale: f64, movie_scale: f64, facts: &mut Mp4Facts) {
    let wide = elst.first() == Some(&1);
    let step = if wide { 20 } else { 12 };
    let mut shown = elst.get(8..).unwrap_or(&[]).chunks_exact(step).filter_map(|e| {
        let (length, start) = if wide {
            (be64(e, 0)?, be64(e, 8)? as i64)
        } else {
            (u64::from(be32(e, 0)?), i64::from(be32(e, 4)? as i32))
        };
        (start >= 0).then_some((length, start))
    });
    if let (Some((length, start)), None) = (shown.next(), shown.next()) {
        facts.edit_start_s = Some(start as f64 / scale);
        facts.edit_length_s = Some(length as f64 / movie_scale).filter(|s| *s > 0.0);
    }
}

fn read_entry(entries: &[u8], facts: &mut Mp4Facts) {
    let Some((kind, entry)) = boxes(entries).next() else { return };
    facts.entry_rate_hz = be32(entry, 24).map(|r| r >> 16).filter(|r| *r > 0);
    facts.entry_kind = Some(kind);
    if &kind == b"mp4a" {
        facts.aac_config = find_esds(entry).and_then(specific_config);
    }
}

/// The `esds` lies after a sound description whose length depends on its version; QuickTime wraps it in `wave`.
fn find_esds(entry: &[u8]) -> Option<&[u8]> {
    let at = entry.windows(4).position(|w| w == b"esds")?;
    entry.get(at + 8..)
}

/// DecoderSpecificInfo inside the descriptors (tags 3, 4, 5).
fn specific_config(mut b: &[u8]) -> Option<Vec<u8>> {
    for _ in 0..8 {
        let (&tag, rest) = b.split_first()?;
        let (length, rest) = descriptor_length(rest)?;
        match tag {
            3 => {
                let flags = *rest.get(2)?;
                let mut skip = 3 + if flags & 0x80 != 0 { 2 } else { 0 };
                if flags & 0x40 != 0 {
                    skip += 1 + usize::from(*rest.get(skip)?);
                }
                skip += if flags & 0x20 != 0 { 2 } else { 0 };
                b = rest.get(skip..)?;
            }
            4 => b = rest.get(13..)?,
            5 => return rest.get(..length).map(<[u8]>::to_vec),
            _ => b = rest.get(length..)?,
        }
    }
    None
}

fn descriptor_length(mut b: &[u8]) -> Option<(usize, &[u8])> {
    let mut length = 0;
    for _ in 0..4 {
        let (&byte, rest) = b.split_first()?;
        b = rest;
        length = length << 7 | usize::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            break;
        }
    }
    Some((length, b))
}

/// What an AudioSpecificConfig says.
struct AacConfig {
    rate_index: u32,
    channels: u32,
    /// Spectral band replication: explicit (object type 5 or 29) or backward compatible (sync extension 0x2b7).
    sbr: bool,
    low_complexity: bool,
}

fn read_config(config: &[u8]) -> Option<AacConfig> {
    let mut bits = Bits { data: config, at: 0 };
    let object = bits.object_type()?;
    let rate_index = bits.rate_index()?;
    let channels = bits.take(4)?;
    if object == 5 || object == 29 {
        bits.rate_index()?;
        let low_complexity = bits.object_type()? == 2;
        return Some(AacConfig { rate_index, channels, sbr: true, low_complexity });
    }
    let sbr = object == 2 && bits.sync_extension().unwrap_or(false);
    Some(AacConfig { rate_index, channels, sbr, low_complexity: object == 2 })
}

/// Does the configuration announce spectral band replication (HE-AAC)?
pub fn announces_sbr(config: &[u8]) -> bool {
    read_config(config).is_some_and(|c| c.sbr)
}

/// The configuration of the AAC-LC core alone, for a decoder that refuses HE-AAC; `None` when nothing need be mended.
pub fn plain_lc(config: &[u8]) -> Option<[u8; 2]> {
    let c = read_config(config).filter(|c| c.sbr && c.low_complexity && c.rate_index < 13)?;
    let word = 2 << 11 | c.rate_index << 7 | c.channels << 3;
    Some((word as u16).to_be_bytes())
}

struct Bits<'a> {
    data: &'a [u8],
    at: usize,
}

impl Bits<'_> {
    fn take(&mut self, n: usize) -> Option<u32> {
        let mut value = 0;
        for _ in 0..n {
            let byte = *self.data.get(self.at / 8)?;
            value = value << 1 | u32::from(byte >> (7 - self.at % 8) & 1);
            self.at += 1;
        }
        Some(value)
    }

    /// Index of the sample rate; 15 is followed by the rate itself.
    fn rate_index(&mut self) -> Option<u32> {
        let index = self.take(4)?;
        if index == 15 {
            self.take(24)?;
        }
        Some(index)
    }

    /// After the GASpecificConfig of AAC-LC: is there a sync extension with the SBR flag set?
    fn sync_extension(&mut self) -> Option<bool> {
        self.take(1)?;
        if self.take(1)? == 1 {
            self.take(14)?;
        }
        self.take(1)?;
        Some(self.take(11)? == 0x2b7 && self.object_type()? == 5 && self.take(1)? == 1)
    }

    fn object_type(&mut self) -> Option<u32> {
        match self.take(5)? {
            31 => Some(32 + self.take(6)?),
            n => Some(n),
        }
    }
}

fn be32(b: &[u8], at: usize) -> Option<u32> {
    b.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes)
}

fn be64(b: &[u8], at: usize) -> Option<u64> {
    b.get(at..at + 8)?.try_into().ok().map(u64::from_be_bytes)
}
