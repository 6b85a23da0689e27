//! The out folder: one writer at a time, and report folders that are whole or absent.
//!
//! Conventions: a report folder is built under a hidden name (`.new-…`) and renamed when it is complete; the folder that it
//! replaces steps aside (`.old-…`) until then. What an interrupted run left behind is put right when the folder is opened.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

use super::error::ReportError;
use super::write::WRITING_PREFIX;

/// Held by the run that writes.
const LOCK_FILE: &str = ".ledgerline.lock";
/// In front of a folder that is being built.
const NEW_PREFIX: &str = ".new-";
/// In front of a folder that is being replaced.
const OLD_PREFIX: &str = ".old-";

/// An out folder that this run alone may write to, as long as the value lives.
#[derive(Debug)]
pub struct OutFolder {
    path: PathBuf,
    _lock: File,
}

impl OutFolder {
    /// Makes the folder when it is not there, locks it, tries writing, and puts right what an interrupted run left.
    ///
    /// # Errors
    /// [`ReportError::Busy`] when another run writes there, [`ReportError::Write`] when it cannot be written to.
    pub fn open(path: &Path) -> Result<Self, ReportError> {
        let cannot = |source| ReportError::Write { path: path.to_owned(), source };
        fs::create_dir_all(path).map_err(cannot)?;
        let lock = File::options().create(true).append(true).open(path.join(LOCK_FILE)).map_err(cannot)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(ReportError::Busy { path: path.to_owned() }),
            Err(TryLockError::Error(source)) => return Err(cannot(source)),
        }
        let folder = Self { path: path.to_owned(), _lock: lock };
        folder.recover().map_err(cannot)?;
        Ok(folder)
    }

    /// The folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// An empty folder under a hidden name, in which the report folder `target` is built.
    ///
    /// # Errors
    /// [`ReportError::Write`].
    pub fn begin(&self, target: &Path) -> Result<PathBuf, ReportError> {
        let draft = self.hidden(NEW_PREFIX, target);
        let make = || {
            if draft.exists() {
                fs::remove_dir_all(&draft)?;
            }
            fs::create_dir(&draft)
        };
        make().map_err(|source| ReportError::Write { path: draft.clone(), source })?;
        Ok(draft)
    }

    /// Puts the finished draft in the place of `target`.
    ///
    /// # Errors
    /// [`ReportError::Write`]; the old folder is then still there, or is put back at the next opening.
    pub fn commit(&self, draft: &Path, target: &Path) -> Result<(), ReportError> {
        let old = self.hidden(OLD_PREFIX, target);
        let swap = || {
            if old.exists() {
                fs::remove_dir_all(&old)?;
            }
            if target.exists() {
                fs::rename(target, &old)?;
            }
            fs::rename(draft, target)?;
            if old.exists() {
                fs::remove_dir_all(&old)?;
            }
            Ok(())
        };
        swap().map_err(|source| ReportError::Write { path: target.to_owned(), source })
    }

    fn hidden(&self, prefix: &str, target: &Path) -> PathBuf {
        let name = target.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        self.path.join(format!("{prefix}{name}"))
    }

    fn recover(&self) -> std::io::Result<()> {
        let mut names = Vec::new();
        for entry in fs::read_dir(&self.path)? {
            names.push(entry?.file_name().to_string_lossy().into_owned());
        }
        names.sort();
        for name in names {
            let path = self.path.join(&name);
            if name.starts_with(NEW_PREFIX) && path.is_dir() {
                fs::remove_dir_all(&path)?;
            } else if name.starts_with(WRITING_PREFIX) && path.is_file() {
                fs::remove_file(&path)?;
            } else if let Some(target) = name.strip_prefix(OLD_PREFIX).filter(|_| path.is_dir()) {
                let target = self.path.join(target);
                if target.exists() { fs::remove_dir_all(&path)? } else { fs::rename(&path, &target)? }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(dir: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.retain(|n| n != LOCK_FILE);
        names.sort();
        names
    }

    #[test]
    fn a_second_writer_is_told_that_the_folder_is_busy() {
        let dir = tempfile::tempdir().unwrap();
        let first = OutFolder::open(dir.path()).unwrap();
        assert!(matches!(OutFolder::open(dir.path()), Err(ReportError::Busy { .. })));
        drop(first);
        assert!(OutFolder::open(dir.path()).is_ok());
    }

    #[test]
    fn a_folder_is_replaced_whole() {
        let dir = tempfile::tempdir().unwrap();
        let out = OutFolder::open(dir.path()).unwrap();
        let target = dir.path().join("2026-01-02_a");
        for text in ["one", "two"] {
            let draft = out.begin(&target).unwrap();
            fs::write(draft.join("report.json"), text).unwrap();
            out.commit(&draft, &target).unwrap();
            assert_eq!(fs::read_to_string(target.join("report.json")).unwrap(), text);
        }
        assert_eq!(names(dir.path()), ["2026-01-02_a"]);
    }

    #[test]
    fn what_an_interrupted_run_left_is_put_right() {
        let dir = tempfile::tempdir().unwrap();
        for name in [".new-half", ".old-lost", ".old-kept", "kept"] {
            fs::create_dir(dir.path().join(name)).unwrap();
        }
        fs::write(dir.path().join(".writing-a1.part"), "half a seas").unwrap();
        let _out = OutFolder::open(dir.path()).unwrap();
        assert_eq!(names(dir.path()), ["kept", "lost"]);
    }

    #[test]
    fn a_file_in_the_place_of_the_folder_is_an_error() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("reports");
        fs::write(&file, "x").unwrap();
        assert!(matches!(OutFolder::open(&file), Err(ReportError::Write { .. })));
    }
}
