//! What is to be done: tapes found, looked into, and given their folders.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

use super::error::PipelineError;
use crate::report::{OutFolder, TapeKey, settle_folders};
use crate::tape::{self, DateSource, Stamp, Tape, TapeError, TapeSource};

/// Something under the given paths that is a tape, or should have been one.
pub struct Found {
    /// Its file name, for messages.
    pub name: String,
    /// The files, or why it cannot be read.
    pub source: Result<TapeSource, Failure>,
}

/// Why a tape is not measured, ready for a message.
#[derive(Clone, Debug)]
pub struct Failure {
    /// What went wrong, file first.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

impl From<TapeError> for Failure {
    fn from(error: TapeError) -> Self {
        Self { message: error.to_string(), hint: error.hint().map(str::to_owned) }
    }
}

/// A tape whose bytes and header are known.
#[derive(Clone)]
pub struct LookedInto {
    /// The files.
    pub source: TapeSource,
    /// The files as they were before the first byte was read.
    pub stamp: Stamp,
    /// BLAKE3 of the bytes.
    pub content_hash: String,
    /// When it was recorded.
    pub recorded_at: Option<String>,
    /// The date is from the header, the tags or the name, not from the file's time.
    pub date_is_certain: bool,
    /// Name of the first piece.
    pub file_name: String,
}

/// What came of looking into a tape.
pub enum Look {
    /// It can be measured.
    Ready(LookedInto),
    /// It cannot.
    Failed(Failure),
    /// Somebody asked to stop.
    Stopped,
}

/// Every tape under `paths`, in a stable order.
pub fn find_tapes(paths: &[PathBuf]) -> Result<Vec<Found>, PipelineError> {
    let found: Vec<Found> = tape::discover(paths)
        .into_iter()
        .map(|source| match source {
            Ok(source) => Found { name: name_of(&source), source: Ok(source) },
            Err(error) => {
                let name = error.path().map_or_else(String::new, |path| {
                    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
                });
                Found { name, source: Err(error.into()) }
            }
        })
        .collect();
    if found.is_empty() { Err(PipelineError::NoTapes { paths: paths.to_vec() }) } else { Ok(found) }
}

fn name_of(source: &TapeSource) -> String {
    let first = source.pieces.first();
    first.and_then(|p| p.file_name()).map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Reads the bytes for the hash and the header for the date.
pub fn look_into(found: &Found, stop: &AtomicBool) -> Look {
    let source = match &found.source {
        Ok(source) => source,
        Err(failure) => return Look::Failed(failure.clone()),
    };
    if stop.load(Ordering::Relaxed) {
        return Look::Stopped;
    }
    let looked = Stamp::of(source).and_then(|stamp| {
        let content_hash = tape::hash_source(source)?;
        let tape = Tape::open_hashed(source, content_hash.clone())?;
        let info = tape.info();
        let (recorded_at, file_name) = (info.recorded_at.clone(), info.file_name.clone());
        let date_is_certain = info.recorded_at_source.is_some_and(|s| s != DateSource::FileTime);
        Ok(LookedInto { source: source.clone(), stamp, content_hash, recorded_at, date_is_certain, file_name })
    });
    looked.map_or_else(|error| Look::Failed(error.into()), Look::Ready)
}

/// The report folder of every tape that can be measured, in the order of the tapes.
pub fn folders(out: &OutFolder, looks: &[Look]) -> Result<Vec<Option<PathBuf>>, PipelineError> {
    let ready = || looks.iter().filter_map(|l| if let Look::Ready(tape) = l { Some(tape) } else { None });
    let keys: Vec<TapeKey> = ready()
        .map(|tape| TapeKey {
            recorded_at: tape.recorded_at.as_deref(),
            file_name: &tape.file_name,
            content_hash: &tape.content_hash,
        })
        .collect();
    let mut targets = settle_folders(out.path(), &keys)?.into_iter();
    Ok(looks.iter().map(|l| if matches!(l, Look::Ready(_)) { targets.next() } else { None }).collect())
}
