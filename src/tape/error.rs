//! Why a tape cannot be read at all: one variant a cause, file first, cause last.

use std::path::{Path, PathBuf};

/// Lowest sample rate that is accepted, Hz.
pub const MIN_RATE_HZ: u32 = 4_000;
/// Highest sample rate that is accepted, Hz.
pub const MAX_RATE_HZ: u32 = 768_000;
/// Most channels that are accepted.
pub const MAX_CHANNELS: usize = 64;

/// Why a tape cannot be read at all.
#[derive(Debug, thiserror::Error)]
pub enum TapeError {
    /// The operating system refused.
    #[error("{path}: cannot be read: {cause}", path = path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The file has no bytes.
    #[error("{path}: the file is empty (0 bytes)", path = path.display())]
    EmptyFile {
        /// The file.
        path: PathBuf,
    },
    /// The content is no audio that is known here, whatever the name says.
    #[error("{path}: not an audio file that can be read: {cause}", path = path.display())]
    NotAudio {
        /// The file.
        path: PathBuf,
        /// What was found instead.
        cause: String,
    },
    /// Audio in a codec that cannot be decoded.
    #[error("{path}: the codec {codec} cannot be decoded", path = path.display())]
    UnsupportedCodec {
        /// The file.
        path: PathBuf,
        /// Name of the codec.
        codec: String,
    },
    /// A container without an audio track.
    #[error("{path}: {container} without an audio track", path = path.display())]
    NoAudioTrack {
        /// The file.
        path: PathBuf,
        /// Short name of the container.
        container: String,
    },
    /// The container is sound, yet no sample came out.
    #[error("{path}: no audio in the file: {cause}", path = path.display())]
    ZeroFrames {
        /// The file.
        path: PathBuf,
        /// What was found instead of samples.
        cause: String,
    },
    /// An MPEG-4 file whose index was never written: the recorder was cut off.
    #[error("{path}: the index (moov) is missing after {len} bytes, so no sample can be found", path = path.display())]
    IndexMissing {
        /// The file.
        path: PathBuf,
        /// Length of the file in bytes.
        len: u64,
    },
    /// The header contradicts itself.
    #[error("{path}: damaged header at byte {at}: {cause}", path = path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Where.
        at: u64,
        /// What.
        cause: String,
    },
    /// The rate is outside the accepted range.
    #[error("{path}: sample rate {got_hz} Hz is outside {min_hz} to {max_hz} Hz", path = path.display())]
    SampleRateOutOfRange {
        /// The file.
        path: PathBuf,
        /// Rate found.
        got_hz: u32,
        /// Lowest accepted.
        min_hz: u32,
        /// Highest accepted.
        max_hz: u32,
    },
    /// The number of channels is outside the accepted range.
    #[error("{path}: {got} channels are outside 1 to {max}", path = path.display())]
    ChannelsOutOfRange {
        /// The file.
        path: PathBuf,
        /// Channels found.
        got: usize,
        /// Most accepted.
        max: usize,
    },
    /// A piece of a split recording differs from the first one.
    #[error("{path}: this piece is {got}, the first piece is {expected}", path = path.display())]
    PieceDiffers {
        /// The piece.
        path: PathBuf,
        /// Format of the piece.
        got: String,
        /// Format of the first piece.
        expected: String,
    },
    /// A decoder library failed in an unforeseen way; the tape is lost, the program goes on.
    #[error("{path}: the decoder gave up after {at_s:.1} s: {cause}", path = path.display())]
    DecoderPanic {
        /// The file.
        path: PathBuf,
        /// Seconds of the tape that had been decoded.
        at_s: f64,
        /// What it said.
        cause: String,
    },
    /// The file did not stay as it was while it was read: its report would speak of other bytes.
    #[error("{path}: the file changed while it was being read", path = path.display())]
    Changed {
        /// The file.
        path: PathBuf,
    },
    /// What was kept of the tape in a temporary file did not come back.
    #[error("the temporary file with what was measured cannot be read: {cause}")]
    Scratch {
        /// What the system said.
        cause: std::io::Error,
    },
    /// A source without pieces.
    #[error("no file: a tape needs at least one piece")]
    NoPieces,
}

impl TapeError {
    /// The file that the error is about; `None` for a source without files.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Io { path, .. }
            | Self::EmptyFile { path }
            | Self::NotAudio { path, .. }
            | Self::UnsupportedCodec { path, .. }
            | Self::NoAudioTrack { path, .. }
            | Self::ZeroFrames { path, .. }
            | Self::IndexMissing { path, .. }
            | Self::Damaged { path, .. }
            | Self::SampleRateOutOfRange { path, .. }
            | Self::ChannelsOutOfRange { path, .. }
            | Self::PieceDiffers { path, .. }
            | Self::DecoderPanic { path, .. }
            | Self::Changed { path } => Some(path),
            Self::NoPieces | Self::Scratch { .. } => None,
        }
    }

    /// The remedy, where one is known.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Io { cause, .. } if cause.kind() == std::io::ErrorKind::NotFound => {
                Some("check the spelling of the path")
            }
            Self::Io { cause, .. } if cause.kind() == std::io::ErrorKind::PermissionDenied => {
                Some("give yourself the right to read the file")
            }
            Self::EmptyFile { .. } => {
                Some("the recorder or the copy was cut off; copy it again if the original is longer")
            }
            Self::NotAudio { .. } => {
                Some("the content decides, not the name; record or export as WAV, FLAC, MP3 or M4A")
            }
            Self::UnsupportedCodec { .. } => Some("convert it to WAV or FLAC first"),
            Self::IndexMissing { .. } => Some(
                "the recording was cut off before the phone wrote the index; copy it again, or repair it with the recorder that made it",
            ),
            Self::SampleRateOutOfRange { .. } | Self::ChannelsOutOfRange { .. } => {
                Some("convert it to an ordinary stereo file at 44.1 or 48 kHz")
            }
            Self::PieceDiffers { .. } => Some("rename the files so that they do not look like one recording"),
            Self::ZeroFrames { .. } | Self::Damaged { .. } => Some("copy the file from the recorder again"),
            Self::DecoderPanic { .. } => Some("convert it to WAV or FLAC first; please report the file"),
            Self::Scratch { .. } => Some(
                "run the same command again; if that does not help, check the disk with the folder for temporary files",
            ),
            Self::Changed { .. } => Some("wait until the copy is complete, then run the same command again"),
            Self::Io { .. } | Self::NoAudioTrack { .. } | Self::NoPieces => None,
        }
    }

    pub(super) fn io(path: &Path, cause: std::io::Error) -> Self {
        Self::Io { path: path.to_owned(), cause }
    }

    pub(super) fn not_audio(path: &Path, cause: impl Into<String>) -> Self {
        Self::NotAudio { path: path.to_owned(), cause: cause.into() }
    }

    pub(super) fn damaged(path: &Path, at: u64, cause: impl Into<String>) -> Self {
        Self::Damaged { path: path.to_owned(), at, cause: cause.into() }
    }
}
