//! Whether the files of a tape stayed as they were while they were read.

use std::time::SystemTime;

use super::TapeSource;
use super::error::TapeError;

/// Length and time of the last change of every piece of a tape.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamp(Vec<(u64, Option<SystemTime>)>);

impl Stamp {
    /// The files as they are now.
    ///
    /// # Errors
    /// [`TapeError::Io`] when a file cannot be asked.
    pub fn of(source: &TapeSource) -> Result<Self, TapeError> {
        let piece = |path: &std::path::PathBuf| {
            let facts = std::fs::metadata(path).map_err(|e| TapeError::io(path, e))?;
            Ok((facts.len(), facts.modified().ok()))
        };
        source.pieces.iter().map(piece).collect::<Result<_, _>>().map(Self)
    }

    /// Nothing when the files are still as they were.
    ///
    /// # Errors
    /// [`TapeError::Changed`] with the first file that is not.
    pub fn check(&self, source: &TapeSource) -> Result<(), TapeError> {
        let now = Self::of(source)?;
        match self.0.iter().zip(&now.0).zip(&source.pieces).find(|((was, is), _)| was != is) {
            Some((_, path)) => Err(TapeError::Changed { path: path.clone() }),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_grew_is_told_and_one_that_did_not_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let paths = ["a", "b"].map(|name| dir.path().join(name));
        paths.iter().for_each(|path| std::fs::write(path, "12").unwrap());
        let source = TapeSource { pieces: paths.to_vec() };
        let stamp = Stamp::of(&source).unwrap();
        assert!(stamp.check(&source).is_ok());
        std::fs::write(&paths[1], "123").unwrap();
        assert!(matches!(stamp.check(&source), Err(TapeError::Changed { path }) if path == paths[1]));
        std::fs::remove_file(&paths[0]).unwrap();
        assert!(matches!(stamp.check(&source), Err(TapeError::Io { .. })));
    }
}
