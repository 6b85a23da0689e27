//! A file on disk becomes a [`Tape`]: decoded, dated, its marks read, streamed as blocks. The only user of the decoder crates.
//!
//! Conventions: times are seconds from the start of the tape; `channels` are at the file's own rate, `mono` at
//! [`crate::dsp::ANALYSIS_RATE_HZ`]; a packet that cannot be decoded becomes silence of its length, listed as a gap.

mod contain;
mod cut;
mod date;
mod discover;
mod error;
mod frames;
mod mp4;
mod ogg;
mod open;
mod opus;
mod packets;
mod pcm;
mod riff;
mod scratch;
mod sniff;
mod source;
mod split;
mod stamp;
mod stream;
pub mod write_wav;

use std::path::PathBuf;

pub use discover::{Discovery, discover, discover_counted, looks_like_audio};
pub use error::{MAX_CHANNELS, MAX_RATE_HZ, MIN_RATE_HZ, TapeError};
use open::Piece;
pub use scratch::Scratch;
pub use stamp::Stamp;
pub use stream::{BLOCK_S, Tape, hash_source};

/// One tape as found on disk: a file, or the pieces that a recorder split one recording into.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TapeSource {
    /// The pieces in playing order; one for an ordinary file.
    pub pieces: Vec<PathBuf>,
}

/// Where the date of a tape comes from, in order of trust.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DateSource {
    /// Broadcast Wave `bext` chunk.
    Bext,
    /// Container tags.
    Tags,
    /// A date in the file or folder name.
    Name,
    /// The file's time; uncertain.
    FileTime,
}

/// A mark that the recorder wrote into the file (`cue ` and `adtl`).
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Seconds from the start of the tape.
    pub at_s: f64,
    /// Length in seconds when the recorder gave one (`ltxt`).
    pub length_s: Option<f64>,
    /// The label, empty when the recorder gave none.
    pub label: String,
}

/// A stretch that could not be decoded and was filled with silence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// First missing second.
    pub start_s: f64,
    /// End of the missing stretch.
    pub end_s: f64,
}

/// What is known of a tape before its samples are read.
#[derive(Clone, Debug)]
pub struct TapeInfo {
    /// Name of the first piece, without folders.
    pub file_name: String,
    /// BLAKE3 of the bytes of all pieces in order, lower-case hex.
    pub content_hash: String,
    /// The recording's own rate.
    pub sample_rate_hz: u32,
    /// Number of channels.
    pub channels: u16,
    /// Short name of the codec ("flac", "pcm_s16le", "aac-lc", "opus").
    pub codec: String,
    /// Local date and time as ISO 8601 ("2026-03-12T15:30:00" or "2026-03-12").
    pub recorded_at: Option<String>,
    /// Where `recorded_at` comes from.
    pub recorded_at_source: Option<DateSource>,
    /// Frames that the container declares, when it does.
    pub declared_frames: Option<u64>,
    /// Marks of the recorder, in time order.
    pub marks: Vec<Mark>,
    /// Codes of what is odd about the file before decoding ("header_rebuilt", "upper_band_missing_he_aac").
    pub warnings: Vec<String>,
}

/// What is known after the last block.
#[derive(Clone, Debug, Default)]
pub struct TapeSummary {
    /// Frames that came out, silence in gaps included.
    pub frames: u64,
    /// Length in seconds.
    pub duration_s: f64,
    /// Stretches replaced by silence.
    pub gaps: Vec<Gap>,
    /// Codes of what went wrong on the way ("truncated", "packets_lost", "samples_not_finite").
    pub warnings: Vec<String>,
}
