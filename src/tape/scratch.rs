//! A file without a name for what the meters keep of a tape until its takes are measured, so that the memory does not grow
//! with the length of the tape.
//!
//! Conventions: the file lies in the system's folder for temporary files and is gone with the program, however that ends.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::dsp::shelf::Shelf;

use super::error::TapeError;

/// A shelf in a temporary file.
#[derive(Debug, Default)]
pub struct Scratch(Mutex<State>);

#[derive(Debug, Default)]
struct State {
    /// Made when the first bytes come: most tapes of a test never need it.
    file: Option<File>,
    end: u64,
    /// No more is put away after the first refusal; what comes then stays in memory.
    full: bool,
    broken: Option<std::io::Error>,
}

impl State {
    fn append(&mut self, bytes: &[u8]) -> std::io::Result<u64> {
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(tempfile::tempfile()?),
        };
        let at = self.end;
        file.seek(SeekFrom::Start(at))?;
        file.write_all(bytes)?;
        self.end += bytes.len() as u64;
        Ok(at)
    }

    fn read(&mut self, place: u64, bytes: &mut [u8]) -> std::io::Result<()> {
        let Some(file) = &mut self.file else { return Err(std::io::ErrorKind::NotFound.into()) };
        file.seek(SeekFrom::Start(place))?;
        file.read_exact(bytes)
    }
}

impl Scratch {
    /// Nothing when all that was put away came back.
    ///
    /// # Errors
    /// [`TapeError::Scratch`] with the first cause.
    pub fn check(&self) -> Result<(), TapeError> {
        self.state().broken.take().map_or(Ok(()), |cause| Err(TapeError::Scratch { cause }))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A thread that broke down leaves no half-made state: places are handed out after the write.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Shelf for Scratch {
    fn put(&self, bytes: &[u8]) -> Option<u64> {
        let mut state = self.state();
        if state.full {
            return None;
        }
        let place = state.append(bytes).ok();
        state.full = place.is_none();
        place
    }

    fn get(&self, place: u64, length: usize) -> Vec<u8> {
        let mut state = self.state();
        let mut bytes = vec![0; length];
        if let Err(cause) = state.read(place, &mut bytes) {
            bytes.fill(0);
            state.broken.get_or_insert(cause);
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_come_back_in_any_order() {
        let scratch = Scratch::default();
        let places: Vec<Option<u64>> = (0..5u8).map(|i| scratch.put(&[i; 100])).collect();
        assert_eq!(places, [0, 100, 200, 300, 400].map(Some));
        for i in [3u8, 0, 4, 1] {
            assert_eq!(scratch.get(u64::from(i) * 100, 100), [i; 100]);
        }
        assert!(scratch.check().is_ok());
    }

    #[test]
    fn what_cannot_be_had_any_more_is_told_once_asked() {
        let scratch = Scratch::default();
        assert_eq!(scratch.get(0, 3), [0; 3]);
        let error = scratch.check().unwrap_err();
        assert!(matches!(error, TapeError::Scratch { .. }) && error.hint().is_some() && error.path().is_none());
        scratch.put(&[7; 10]);
        assert_eq!(scratch.get(8, 3), [0; 3], "half of it lies beyond the end");
        assert!(scratch.check().is_err());
    }
}
