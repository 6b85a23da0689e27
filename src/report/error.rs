//! What can go wrong when a report or a season is read or written.

use std::path::{Path, PathBuf};

/// An error of the report room; every variant carries the file it is about.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The operating system refused to read a file or folder.
    #[error("{}: cannot be read", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// The operating system refused to write, rename or create.
    #[error("{}: cannot be written", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// Not JSON, or JSON that does not follow the contract.
    #[error("{}: line {line}, column {column}: not a {expected}", path.display())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// Schema name that was expected.
        expected: &'static str,
        /// Line, from 1; 0 when the place is not known.
        line: usize,
        /// Column, from 1; 0 when the place is not known.
        column: usize,
        /// The cause.
        #[source]
        source: serde_json::Error,
    },
    /// A file of another kind.
    #[error("{}: schema name is `{got}`, expected `{expected}`", path.display())]
    WrongSchema {
        /// The file.
        path: PathBuf,
        /// Name in the file.
        got: String,
        /// Name that was expected.
        expected: &'static str,
    },
    /// Written by a later program whose fields may mean something else.
    #[error("{}: {name} version {got} is higher than version {supported}, the highest that this program reads", path.display())]
    VersionTooHigh {
        /// The file.
        path: PathBuf,
        /// Schema name.
        name: &'static str,
        /// Version in the file.
        got: u32,
        /// Highest version that can be read.
        supported: u32,
    },
    /// A version that never existed.
    #[error("{}: {name} version {got} does not exist; the first is {first}", path.display())]
    VersionUnknown {
        /// The file.
        path: PathBuf,
        /// Schema name.
        name: &'static str,
        /// Version in the file.
        got: u32,
        /// First version.
        first: u32,
    },
    /// Another run writes to the out folder.
    #[error("{}: another run is writing there", path.display())]
    Busy {
        /// The out folder.
        path: PathBuf,
    },
    /// A number that must be there is NaN or infinite.
    #[error("{}: a number that must be finite is not", path.display())]
    NotFinite {
        /// The file that was to be written.
        path: PathBuf,
        /// The cause, with the place.
        #[source]
        source: serde_json::Error,
    },
}

impl ReportError {
    /// The file that the error is about.
    pub fn path(&self) -> &Path {
        match self {
            Self::Read { path, .. }
            | Self::Write { path, .. }
            | Self::Malformed { path, .. }
            | Self::WrongSchema { path, .. }
            | Self::VersionTooHigh { path, .. }
            | Self::VersionUnknown { path, .. }
            | Self::Busy { path }
            | Self::NotFinite { path, .. } => path,
        }
    }

    /// Short code in lower_snake_case, the same on every machine; for lists inside files.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Read { .. } => "not_readable",
            Self::Write { .. } => "not_writable",
            Self::Malformed { .. } => "malformed",
            Self::WrongSchema { .. } => "wrong_schema",
            Self::VersionTooHigh { .. } => "version_too_high",
            Self::VersionUnknown { .. } => "version_unknown",
            Self::Busy { .. } => "busy",
            Self::NotFinite { .. } => "not_finite",
        }
    }

    /// What the reader can do about it, if anything is known.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Malformed { .. } | Self::VersionUnknown { .. } => Some("delete the folder and review the tape again"),
            Self::VersionTooHigh { .. } => Some("use the program that wrote it, or review the tape again"),
            Self::Write { .. } => Some("is the disk full, or the folder write-protected?"),
            Self::Busy { .. } => Some("wait until it has finished, or give --out another folder"),
            _ => None,
        }
    }
}
