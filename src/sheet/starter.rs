//! A commented sheet to begin with.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::find::SHEET_FILE;
use super::problem::SheetError;

/// The starter: every key, as remarks, so that it says nothing until a line is taken out of the remarks.
pub const STARTER: &str = include_str!("starter.toml");

/// Writes the starter into `folder`; an existing sheet stays.
///
/// # Errors
/// [`SheetError::Exists`], or what the disk says.
pub fn write_starter(folder: &Path) -> Result<PathBuf, SheetError> {
    let path = folder.join(SHEET_FILE);
    let cannot = |source: std::io::Error| match source.kind() {
        std::io::ErrorKind::AlreadyExists => SheetError::Exists { path: path.clone() },
        _ => SheetError::Write { path: path.clone(), source },
    };
    let mut file = std::fs::File::options().write(true).create_new(true).open(&path).map_err(cannot)?;
    if let Err(error) = file.write_all(STARTER.as_bytes()).and_then(|()| file.sync_all()) {
        drop(file);
        // Half a sheet is worse than none; the file is ours, made a moment ago.
        let _ = std::fs::remove_file(&path);
        return Err(cannot(error));
    }
    Ok(path)
}
