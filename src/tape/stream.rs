//! The opened tape: pieces one after the other, cut into blocks, mixed to mono and resampled.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::dsp::{ANALYSIS_RATE_HZ, Block, Resampler};

use super::contain::contain;
use super::error::TapeError;
use super::open::Piece;
use super::packets::Step;
use super::{DateSource, Gap, Mark, TapeInfo, TapeSource, TapeSummary, date};

/// Length of a block in seconds, at most.
pub const BLOCK_S: f64 = 1.0;
/// Samples of a block over all channels, at most: many channels at a high rate come in shorter blocks.
const BLOCK_SAMPLES: usize = 1 << 19;
/// Bytes hashed at a time.
const HASH_STEP: usize = 256 << 10;

/// BLAKE3 of the bytes of all pieces in order, lower-case hex; the files are read once, nothing is decoded.
pub fn hash_source(source: &TapeSource) -> Result<String, TapeError> {
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0; HASH_STEP];
    for path in &source.pieces {
        let mut file = File::open(path).map_err(|e| TapeError::io(path, e))?;
        loop {
            match file.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) => hasher.update(&buffer[..n]),
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(TapeError::io(path, e)),
            };
        }
    }
    Ok(hasher.finalize().to_hex().to_string())
}

/// An opened tape; blocks come out until there are no more.
pub struct Tape {
    info: TapeInfo,
    summary: TapeSummary,
    pieces: std::vec::IntoIter<std::path::PathBuf>,
    piece: Option<Piece>,
    /// Frames of the current piece so far.
    piece_frames: u64,
    /// Decoded frames that are not in a block yet, `[channel][frame]`.
    pending: Vec<Vec<f32>>,
    block_frames: usize,
    resampler: Resampler,
    /// Vectors of earlier blocks whose memory may be used again.
    spare: Vec<Vec<f32>>,
    /// Frames decoded so far, silence in gaps included.
    decoded: u64,
    given: u64,
    given_mono: u64,
    not_finite: u64,
    /// The channels that are listened to; empty for all.
    only: Vec<usize>,
}

impl Tape {
    /// Opens a tape and reads all that is known before its samples; hashes the files on the way.
    pub fn open(source: &TapeSource) -> Result<Self, TapeError> {
        Self::open_hashed(source, hash_source(source)?)
    }

    /// Opens a tape whose [`hash_source`] is known already.
    pub fn open_hashed(source: &TapeSource, content_hash: String) -> Result<Self, TapeError> {
        let mut pieces = source.pieces.clone().into_iter();
        let first = pieces.next().ok_or(TapeError::NoPieces)?;
        let piece = open_contained(&first, 0.0)?;
        let resampler =
            Resampler::new(piece.sample_rate_hz).map_err(|e| TapeError::damaged(&piece.path, 0, e.to_string()))?;
        let info = describe(&piece, content_hash, source.pieces.len() == 1);
        let block_frames =
            ((f64::from(info.sample_rate_hz) * BLOCK_S) as usize).min(BLOCK_SAMPLES / piece.channels.max(1));
        Ok(Self {
            pending: vec![Vec::with_capacity(2 * block_frames); piece.channels],
            info,
            summary: TapeSummary::default(),
            pieces,
            piece: Some(piece),
            piece_frames: 0,
            block_frames,
            resampler,
            spare: Vec::new(),
            decoded: 0,
            given: 0,
            given_mono: 0,
            not_finite: 0,
            only: Vec::new(),
        })
    }

    /// Listens to these channels only (from 0), in the order of the recording: blocks carry no other, and the mono mix is their
    /// mean. Numbers beyond the recording's channels are passed over; with none left, all are listened to.
    pub fn only(mut self, channels: &[usize]) -> Self {
        let count = usize::from(self.info.channels);
        self.only = (0..count).filter(|c| channels.contains(c)).collect();
        self
    }

    /// What is known before the samples.
    pub fn info(&self) -> &TapeInfo {
        &self.info
    }

    /// The next block of about a second (spectra not filled in), or `None` at the end. The last block is
    /// shorter and carries the rest of the mono mix.
    pub fn next_block(&mut self) -> Result<Option<Block>, TapeError> {
        // One frame more than a block, so that the last block is known to be the last.
        while self.held() <= self.block_frames && self.piece.is_some() {
            self.read_more()?;
        }
        let frames = self.held().min(self.block_frames);
        if frames == 0 {
            return Ok(None);
        }
        let last = self.piece.is_none() && self.held() == frames;
        Ok(Some(self.cut(frames, last)))
    }

    /// Takes back the samples of a block that nobody needs any more, so that their memory serves again.
    pub fn recycle(&mut self, block: &mut Block) {
        self.spare.append(&mut block.channels);
        self.spare.push(std::mem::take(&mut block.mono));
    }

    /// What is known after the last block.
    pub fn summary(&self) -> TapeSummary {
        let mut summary = self.summary.clone();
        summary.frames = self.decoded;
        summary.duration_s = self.decoded as f64 / f64::from(self.info.sample_rate_hz);
        summary
    }

    fn held(&self) -> usize {
        self.pending.first().map_or(0, Vec::len)
    }

    fn seconds(&self, frames: u64) -> f64 {
        frames as f64 / f64::from(self.info.sample_rate_hz)
    }

    fn read_more(&mut self) -> Result<(), TapeError> {
        let at_s = self.seconds(self.decoded);
        let Some(piece) = self.piece.as_mut() else { return Ok(()) };
        let (before, pending) = (self.pending[0].len(), &mut self.pending);
        let step = match contain(|| piece.read(pending)) {
            Ok(step) => step?,
            Err(cause) => return Err(panicked(&piece.path, at_s, cause)),
        };
        let frames = match step {
            Step::Audio(n) => {
                self.not_finite += scrub(&mut self.pending, before);
                n
            }
            Step::Silence(n) => {
                self.list_gap(n as u64);
                n
            }
            Step::End => return self.next_piece(),
        };
        self.decoded += frames as u64;
        self.piece_frames += frames as u64;
        Ok(())
    }

    /// Lists `frames` of silence from here on, joined to a gap that ends here.
    fn list_gap(&mut self, frames: u64) {
        let (start_s, end_s) = (self.seconds(self.decoded), self.seconds(self.decoded + frames));
        match self.summary.gaps.last_mut() {
            Some(gap) if gap.end_s == start_s => gap.end_s = end_s,
            _ => self.summary.gaps.push(Gap { start_s, end_s }),
        }
    }

    fn next_piece(&mut self) -> Result<(), TapeError> {
        if let Some(done) = self.piece.take() {
            for code in done.closing_warnings(self.piece_frames) {
                self.warn(code);
            }
        }
        self.piece_frames = 0;
        let Some(path) = self.pieces.next() else {
            self.close();
            return Ok(());
        };
        let piece = open_contained(&path, self.seconds(self.decoded))?;
        let format = |rate: u32, channels: usize| format!("{channels} channels at {rate} Hz");
        let (rate, channels) = (self.info.sample_rate_hz, self.pending.len());
        if (piece.sample_rate_hz, piece.channels) != (rate, channels) {
            return Err(TapeError::PieceDiffers {
                path,
                got: format(piece.sample_rate_hz, piece.channels),
                expected: format(rate, channels),
            });
        }
        for code in &piece.warnings {
            self.warn(code);
        }
        self.piece = Some(piece);
        Ok(())
    }

    fn close(&mut self) {
        if self.not_finite > 0 {
            let all = self.not_finite == self.decoded * self.pending.len() as u64;
            self.warn(if all { "no_sample_finite" } else { "samples_not_finite" });
        }
    }

    fn warn(&mut self, code: &str) {
        if !self.summary.warnings.iter().any(|w| w == code) {
            self.summary.warnings.push(code.to_owned());
        }
    }

    fn cut(&mut self, frames: usize, last: bool) -> Block {
        let spare = &mut self.spare;
        let mut emptied = |room: usize| {
            let mut plane = spare.pop().unwrap_or_default();
            plane.clear();
            plane.reserve(room);
            plane
        };
        let mut mono = emptied((frames * ANALYSIS_RATE_HZ as usize).div_ceil(self.info.sample_rate_hz as usize));
        let mut cut_off = |plane: &mut Vec<f32>| {
            let mut front = emptied(frames);
            front.extend(plane.drain(..frames));
            front
        };
        let mut channels: Vec<Vec<f32>> = self.pending.iter_mut().map(&mut cut_off).collect();
        if !self.only.is_empty() {
            let mut at = 0;
            channels.retain(|_| {
                at += 1;
                self.only.contains(&(at - 1))
            });
        }
        self.resampler.push(&mean_of(&channels), &mut mono);
        if last {
            self.resampler.finish(&mut mono);
        }
        let block = Block {
            start_frame: self.given,
            sample_rate_hz: self.info.sample_rate_hz,
            mono_start_frame: self.given_mono,
            channels,
            mono,
            ..Block::default()
        };
        self.given += frames as u64;
        self.given_mono += block.mono.len() as u64;
        block
    }
}

fn open_contained(path: &Path, at_s: f64) -> Result<Piece, TapeError> {
    contain(|| Piece::open(path)).unwrap_or_else(|cause| Err(panicked(path, at_s, cause)))
}

fn panicked(path: &Path, at_s: f64, cause: String) -> TapeError {
    TapeError::DecoderPanic { path: path.to_owned(), at_s, cause }
}

fn describe(piece: &Piece, content_hash: String, whole: bool) -> TapeInfo {
    let dated = date::recorded_at(piece);
    let seconds = |frames: u64| frames as f64 / f64::from(piece.sample_rate_hz);
    let marks = piece.marks.iter().map(|m| Mark {
        at_s: seconds(m.at_frame),
        length_s: m.length_frames.map(seconds),
        label: m.label.clone(),
    });
    TapeInfo {
        file_name: piece.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        content_hash,
        sample_rate_hz: piece.sample_rate_hz,
        channels: piece.channels as u16,
        codec: piece.codec.clone(),
        recorded_at: dated.as_ref().map(|(d, _)| d.clone()),
        recorded_at_source: dated.map(|(_, s): (String, DateSource)| s),
        declared_frames: piece.declared_frames.filter(|_| whole),
        marks: marks.collect(),
        warnings: piece.warnings.iter().map(|w| (*w).to_owned()).collect(),
    }
}

/// Larger than any sample can be, unscaled 32-bit integers among them. Beyond it powers of spectra overflow.
const LARGEST_SAMPLE: f32 = 4_294_967_296.0;

/// True for a number that can be a sample; neither infinities nor what is no number can.
fn can_be_sample(x: f32) -> bool {
    x.abs() <= LARGEST_SAMPLE
}

/// Replaces what cannot be a sample from frame `from` on by 0; returns how many that were.
fn scrub(planes: &mut [Vec<f32>], from: usize) -> u64 {
    let mut replaced = 0;
    for plane in planes {
        // Without an early exit this runs on whole vectors of samples.
        let suspicious = plane[from..].iter().fold(false, |found, x| found | !can_be_sample(*x));
        if suspicious {
            for x in plane[from..].iter_mut().filter(|x| !can_be_sample(**x)) {
                *x = 0.0;
                replaced += 1;
            }
        }
    }
    replaced
}

fn mean_of(channels: &[Vec<f32>]) -> Vec<f32> {
    match channels {
        [] => Vec::new(),
        [only] => only.clone(),
        [a, b] => a.iter().zip(b).map(|(a, b)| (a + b) * 0.5).collect(),
        [first, rest @ ..] => {
            let mut mean = first.clone();
            for plane in rest {
                mean.iter_mut().zip(plane).for_each(|(m, x)| *m += x);
            }
            let scale = 1.0 / channels.len() as f32;
            mean.iter_mut().for_each(|m| *m *= scale);
            mean
        }
    }
}
