//! What is wrong with a sheet, and where.

use std::fmt;
use std::path::{Path, PathBuf};

/// Something in a sheet that is refused or doubtful; the rest of the sheet holds.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Problem {
    /// Line, from 1; 0 for the sheet as a whole.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong, and what was probably meant.
    pub message: String,
}

impl Problem {
    /// At byte `at` of `text`.
    pub fn at(text: &str, at: usize, message: String) -> Self {
        let before = text.get(..at.min(text.len())).unwrap_or(text);
        let line_start = before.rfind('\n').map_or(0, |n| n + 1);
        Self { line: before.matches('\n').count() + 1, column: before[line_start..].chars().count() + 1, message }
    }

    /// Of the sheet as a whole.
    pub fn whole(message: String) -> Self {
        Self { line: 0, column: 0, message }
    }

    /// With the file in front, as compilers write it.
    pub fn in_file(&self, file: &Path) -> String {
        format!("{}{self}", file.display())
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => write!(f, ": {}", self.message),
            line => write!(f, ":{line}:{}: {}", self.column, self.message),
        }
    }
}

/// Why a starter sheet was not written.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    /// There is a sheet already.
    #[error("{}: there is a band sheet already; it is left as it is", path.display())]
    Exists {
        /// The sheet.
        path: PathBuf,
    },
    /// The disk.
    #[error("{}: cannot be written: {source}", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl SheetError {
    /// What the reader can do about it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Exists { .. } => Some("move it away first, or give another folder"),
            Self::Write { .. } => Some("give a folder that exists and that you may write to"),
        }
    }
}
