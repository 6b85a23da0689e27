//! Byte sources that stand between a file and the decoder crates.
//!
//! Conventions: positions are bytes. A [`VirtualFile`] is a head made by us followed by a stretch of the real file.

use std::fs::File;
use std::io::{Read, Result, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// A made-up head, then `len` bytes of `file` from `start`.
pub struct VirtualFile {
    head: Vec<u8>,
    file: File,
    start: u64,
    len: u64,
    position: u64,
    seekable: bool,
}

impl VirtualFile {
    /// `head` followed by `file[start..start + len]`.
    pub fn new(head: Vec<u8>, file: File, start: u64, len: u64) -> Self {
        Self { head, file, start, len, position: 0, seekable: true }
    }

    /// The whole file, offered as a source that cannot be sought: demuxers then take what is there.
    pub fn forward_only(file: File, len: u64) -> Self {
        Self { head: Vec::new(), file, start: 0, len, position: 0, seekable: false }
    }

    fn total(&self) -> u64 {
        self.head.len() as u64 + self.len
    }
}

impl Read for VirtualFile {
    fn read(&mut self, buf: &mut [u8]) -> Result<usize> {
        let head = self.head.len() as u64;
        if self.position < head {
            let from = self.position as usize;
            let n = buf.len().min(self.head.len() - from);
            buf[..n].copy_from_slice(&self.head[from..from + n]);
            self.position += n as u64;
            return Ok(n);
        }
        let left = self.total().saturating_sub(self.position);
        let n = (buf.len() as u64).min(left) as usize;
        if n == 0 {
            return Ok(0);
        }
        self.file.seek(SeekFrom::Start(self.start + self.position - head))?;
        let got = self.file.read(&mut buf[..n])?;
        self.position += got as u64;
        Ok(got)
    }
}

impl Seek for VirtualFile {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let target = match to {
            SeekFrom::Start(p) => Some(p),
            SeekFrom::End(d) => self.total().checked_add_signed(d),
            SeekFrom::Current(d) => self.position.checked_add_signed(d),
        };
        self.position = target.ok_or_else(|| std::io::Error::from(std::io::ErrorKind::InvalidInput))?;
        Ok(self.position)
    }
}

impl MediaSource for VirtualFile {
    fn is_seekable(&self) -> bool {
        self.seekable
    }

    fn byte_len(&self) -> Option<u64> {
        self.seekable.then(|| self.total())
    }
}

/// Reads up to `buf.len()` bytes at `at`; fewer only at the end of the file.
pub fn read_at(file: &mut File, at: u64, buf: &mut [u8]) -> Result<usize> {
    file.seek(SeekFrom::Start(at))?;
    read_full(file, buf)
}

/// Reads until `buf` is full or the file ends.
pub fn read_full(file: &mut impl Read, buf: &mut [u8]) -> Result<usize> {
    let mut done = 0;
    while done < buf.len() {
        match file.read(&mut buf[done..]) {
            Ok(0) => break,
            Ok(n) => done += n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(done)
}
