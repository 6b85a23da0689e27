//! Finds the tapes under files and folders.
//!
//! Conventions: sorted by path; the content decides. What is no audio is passed over, unless its name says that it
//! should be audio or the user named the file: then it is an error of its own. Hidden files are passed over.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use walkdir::{DirEntry, WalkDir};

use super::sniff::sniff_file;
use super::{TapeError, TapeSource, split};

/// Extensions that promise audio.
const AUDIO_EXTENSIONS: [&str; 27] = [
    "wav", "wave", "bwf", "rf64", "w64", "aif", "aiff", "aifc", "caf", "flac", "m4a", "m4b", "mp4", "mov", "3gp",
    "aac", "mp3", "mp2", "mpga", "ogg", "oga", "opus", "webm", "mka", "wma", "amr", "wv",
];

/// What lies under the given paths.
#[derive(Debug, Default)]
pub struct Discovery {
    /// Tapes, and errors of files that should have been tapes, in a stable order.
    pub tapes: Vec<Result<TapeSource, TapeError>>,
    /// Files that are no audio and did not claim to be.
    pub passed_over: u64,
}

/// Every tape under the given files and folders, in a stable order; split recordings are joined.
/// Files that cannot be audio are passed over; what is unreadable is returned as an error of its own.
pub fn discover(paths: &[PathBuf]) -> Vec<Result<TapeSource, TapeError>> {
    discover_counted(paths).tapes
}

/// As [`discover`], with the number of files that were passed over.
pub fn discover_counted(paths: &[PathBuf]) -> Discovery {
    let mut found = Found::default();
    for path in paths {
        found.walk(path);
    }
    found.finish()
}

/// Does the file look like audio, judged by its first bytes?
pub fn looks_like_audio(path: &Path) -> bool {
    sniff_file(path).is_ok_and(|kind| kind.is_some())
}

#[derive(Default)]
struct Found {
    seen: BTreeSet<PathBuf>,
    audio: Vec<PathBuf>,
    errors: Vec<(PathBuf, TapeError)>,
    passed_over: u64,
}

impl Found {
    fn walk(&mut self, root: &Path) {
        let visible = |e: &DirEntry| e.depth() == 0 || !e.file_name().to_string_lossy().starts_with('.');
        let walk = WalkDir::new(root).follow_links(true).sort_by_file_name().into_iter().filter_entry(visible);
        for entry in walk {
            match entry {
                Ok(entry) if entry.file_type().is_dir() => {}
                Ok(entry) => self.file(entry.path(), entry.depth() == 0),
                // A link that leads back up: everything there is walked already.
                Err(e) if e.loop_ancestor().is_some() => {}
                Err(e) => {
                    let path = e.path().unwrap_or(root).to_owned();
                    let cause = e.into_io_error().unwrap_or_else(|| std::io::ErrorKind::Other.into());
                    self.errors.push((path.clone(), TapeError::io(&path, cause)));
                }
            }
        }
    }

    fn file(&mut self, path: &Path, named_by_user: bool) {
        let real = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        if !self.seen.insert(real) {
            return;
        }
        let promised = named_by_user || has_audio_extension(path);
        let kind = match std::fs::metadata(path) {
            // Pipes and devices would block.
            Ok(m) if !m.is_file() => Ok(None),
            Ok(m) if m.len() == 0 && promised => {
                self.errors.push((path.to_owned(), TapeError::EmptyFile { path: path.to_owned() }));
                return;
            }
            _ => sniff_file(path),
        };
        match kind {
            Ok(Some(_)) => self.audio.push(path.to_owned()),
            // Opening it again says what it is instead.
            Ok(None) if promised => {
                let error = super::Piece::open(path).err();
                let error = error.unwrap_or_else(|| TapeError::not_audio(path, "no known signature"));
                self.errors.push((path.to_owned(), error));
            }
            Ok(None) => self.passed_over += 1,
            Err(e) if promised => self.errors.push((path.to_owned(), TapeError::io(path, e))),
            Err(_) => self.passed_over += 1,
        }
    }

    fn finish(mut self) -> Discovery {
        self.audio.sort_by_cached_key(|p| natural(p));
        let tapes = split::join(self.audio).into_iter().map(|pieces| (pieces[0].clone(), Ok(TapeSource { pieces })));
        let mut all: Vec<_> = tapes.chain(self.errors.into_iter().map(|(p, e)| (p, Err(e)))).collect();
        all.sort_by_cached_key(|(p, _)| natural(p));
        Discovery { tapes: all.into_iter().map(|(_, t)| t).collect(), passed_over: self.passed_over }
    }
}

/// Sort key: folder, then the name with its numbers padded, so that take 2 comes before take 10.
fn natural(path: &Path) -> (PathBuf, String, PathBuf) {
    let name = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let (mut key, mut digits) = (String::new(), String::new());
    for c in name.chars().chain(['\0']) {
        if c.is_ascii_digit() {
            digits.push(c);
            continue;
        }
        if !digits.is_empty() {
            key.push_str(&format!("{digits:0>20}"));
            digits.clear();
        }
        key.push(c);
    }
    (path.parent().map(Path::to_owned).unwrap_or_default(), key, path.to_owned())
}

fn has_audio_extension(path: &Path) -> bool {
    path.extension()
        .and_then(|e| e.to_str())
        .is_some_and(|e| AUDIO_EXTENSIONS.contains(&e.to_ascii_lowercase().as_str()))
}
