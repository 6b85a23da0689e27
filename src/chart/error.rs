//! What can go wrong while drawing and writing pictures.

use std::path::PathBuf;

/// Errors of the chart room.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The carried font is damaged: a broken build.
    #[error("the carried font {face} cannot be read")]
    Font {
        /// Which face.
        face: &'static str,
    },
    /// The picture could not be packed as PNG.
    #[error("{}: cannot pack the picture", path.display())]
    Encode {
        /// The file that was to be written.
        path: PathBuf,
        /// The packer's reason.
        source: png::EncodingError,
    },
    /// The file could not be written or put in its place.
    #[error("{}: cannot write the picture: {source}", path.display())]
    Write {
        /// The file that was to be written.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
}
