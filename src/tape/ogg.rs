//! Lost pages of an Ogg file. The demuxer stamps the first page after a loss as if nothing were missing and leaps only
//! at the page after it; here the packets of that page are held back and moved to where they belong.
//!
//! Conventions: RFC 3533 pages; a page whose checksum fails is lost. Stamps are granules.
//! Limits: one logical stream; a chained file is left as the demuxer sees it.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufReader, Read, Result, Seek};

use symphonia::core::errors::Error;
use symphonia::core::formats::FormatReader;
use symphonia::core::packet::Packet;
use symphonia::core::units::Timestamp;

/// Packets held back at most: a page of the shortest ones.
const MAX_HELD: usize = 4096;
/// Losses that are looked after; a file with more is beyond mending.
const MAX_LOSSES: usize = 10_000;

/// A loss: where the last good page ended, and where the page after the loss ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Loss {
    before: i64,
    next_end: i64,
}

/// Moves packets after a lost page to their place.
#[derive(Default)]
pub struct PageMender {
    losses: VecDeque<Loss>,
    held: VecDeque<Packet>,
    failed: Option<Error>,
}

impl PageMender {
    /// Scans the pages of `file`; `None` when no page is lost.
    pub fn scan(file: &File) -> Result<Option<Self>> {
        let mut file = file.try_clone()?;
        file.rewind()?;
        let losses = find_losses(&mut BufReader::with_capacity(1 << 16, &mut file))?;
        file.rewind()?;
        Ok((!losses.is_empty()).then(|| Self { losses: losses.into(), ..Self::default() }))
    }

    /// The next packet, in its place.
    pub fn next_packet(
        &mut self,
        format: &mut dyn FormatReader,
        track_id: u32,
    ) -> std::result::Result<Option<Packet>, Error> {
        if let Some(packet) = self.held.pop_front() {
            return Ok(Some(packet));
        }
        if let Some(error) = self.failed.take() {
            return Err(error);
        }
        let Some(packet) = format.next_packet()? else { return Ok(None) };
        if packet.track_id != track_id {
            return Ok(Some(packet));
        }
        let at = packet.pts.get();
        while self.losses.front().is_some_and(|l| l.before < at) {
            self.losses.pop_front();
        }
        match self.losses.front().copied() {
            Some(loss) if loss.before == at => {
                self.losses.pop_front();
                self.collect(packet, loss, format);
                Ok(self.held.pop_front())
            }
            _ => Ok(Some(packet)),
        }
    }

    /// Takes packets until the stamps leap, and moves them to end where their page ends.
    fn collect(&mut self, first: Packet, loss: Loss, format: &mut dyn FormatReader) {
        let mut end = end_of(&first);
        self.held.push_back(first);
        let mut beyond = None;
        while self.held.len() < MAX_HELD && end < loss.next_end {
            match format.next_packet() {
                Ok(Some(p)) if p.pts.get() == end => {
                    end = end_of(&p);
                    self.held.push_back(p);
                }
                Ok(next) => {
                    beyond = next;
                    break;
                }
                Err(e) => {
                    self.failed = Some(e);
                    break;
                }
            }
        }
        let missing = (loss.next_end - end).max(0);
        for packet in &mut self.held {
            packet.pts = Timestamp::new(packet.pts.get().saturating_add(missing));
        }
        self.held.extend(beyond);
    }
}

fn end_of(packet: &Packet) -> i64 {
    packet.pts.get().saturating_add_unsigned(packet.dur.get())
}

struct Page {
    granule: i64,
    serial: u32,
    sequence: u32,
    sound: bool,
}

fn find_losses(input: &mut impl Read) -> Result<Vec<Loss>> {
    let table = crc_table();
    let mut losses = Vec::new();
    let mut last: Option<(u32, u32, i64)> = None;
    let mut lost = false;
    while let Some(page) = next_page(input, &table)? {
        if !page.sound {
            lost = true;
            continue;
        }
        if let Some((serial, sequence, granule)) = last {
            if serial != page.serial {
                return Ok(Vec::new());
            }
            lost |= page.sequence != sequence.wrapping_add(1);
            if lost && page.granule > granule && losses.len() < MAX_LOSSES {
                losses.push(Loss { before: granule, next_end: page.granule });
            }
        }
        // A page on which no packet ends has no granule of its own.
        let granule = if page.granule < 0 { last.map_or(0, |l| l.2) } else { page.granule };
        lost &= page.granule < 0;
        last = Some((page.serial, page.sequence, granule));
    }
    Ok(losses)
}

/// The next page, by its capture pattern; `None` at the end.
fn next_page(input: &mut impl Read, table: &[u32; 256]) -> Result<Option<Page>> {
    let mut window = [0u8; 4];
    let mut byte = [0u8; 1];
    while &window != b"OggS" {
        if input.read(&mut byte)? == 0 {
            return Ok(None);
        }
        window.rotate_left(1);
        window[3] = byte[0];
    }
    let mut page = b"OggS".to_vec();
    page.resize(27, 0);
    if super::source::read_full(input, &mut page[4..])? < 23 {
        return Ok(None);
    }
    let segments = usize::from(page[26]);
    page.resize(27 + segments, 0);
    super::source::read_full(input, &mut page[27..])?;
    let body: usize = page[27..].iter().map(|b| usize::from(*b)).sum();
    let header = page.len();
    page.resize(header + body, 0);
    let whole = super::source::read_full(input, &mut page[header..])? == body;
    let word = |at: usize| u32::from_le_bytes([page[at], page[at + 1], page[at + 2], page[at + 3]]);
    let declared = word(22);
    let (granule, serial, sequence) = (u64::from(word(10)) << 32 | u64::from(word(6)), word(14), word(18));
    page[22..26].fill(0);
    let crc = page.iter().fold(0u32, |crc, b| crc << 8 ^ table[usize::from((crc >> 24) as u8 ^ b)]);
    Ok(Some(Page { granule: granule as i64, serial, sequence, sound: whole && crc == declared }))
}

/// CRC-32 of polynomial 0x04c11db7, not reflected (RFC 3533 section 6).
fn crc_table() -> [u32; 256] {
    std::array::from_fn(|i| {
        (0..8).fold((i as u32) << 24, |c, _| if c >> 31 == 1 { c << 1 ^ 0x04c1_1db7 } else { c << 1 })
    })
}
