//! AIFF and CAF files whose sample chunk claims more, or less, than is there: the size is put right in front of the
//! demuxer.
//!
//! Conventions: AIFF chunks carry 32-bit, CAF chunks 64-bit sizes, big endian; a CAF size of -1 means "to the end" and
//! is sound.

use std::fs::File;
use std::io::Result;

use super::source::{VirtualFile, read_at};

/// Longest header that is copied.
const MAX_HEADER: u64 = 4 << 20;
/// Chunks before the rest is ignored.
const MAX_CHUNKS: usize = 1000;

/// A source with the right size in the sample chunk; `None` when the header is sound or no such file.
pub fn mended(file: &File, len: u64) -> Result<Option<VirtualFile>> {
    let mut file = file.try_clone()?;
    let mut magic = [0; 12];
    read_at(&mut file, 0, &mut magic)?;
    let (first, width, wanted): (u64, usize, &[u8; 4]) = match &magic[..4] {
        b"FORM" => (12, 4, b"SSND"),
        b"caff" => (8, 8, b"data"),
        _ => return Ok(None),
    };
    let mut at = first;
    for _ in 0..MAX_CHUNKS {
        let mut head = [0; 12];
        if read_at(&mut file, at, &mut head)? < 4 + width {
            break;
        }
        let size = head[4..4 + width].iter().fold(0u64, |n, b| n << 8 | u64::from(*b));
        let body = at + 4 + width as u64;
        if &head[..4] == wanted {
            let rest = len.saturating_sub(body);
            let open_end = width == 8 && size == u64::MAX;
            if open_end || (size > 0 && size <= rest) || body > MAX_HEADER {
                break;
            }
            let mut header = vec![0; body as usize];
            read_at(&mut file, 0, &mut header)?;
            let bytes = rest.to_be_bytes();
            header[body as usize - width..].copy_from_slice(&bytes[8 - width..]);
            if width == 4 {
                header[4..8].copy_from_slice(&((len - 8) as u32).to_be_bytes());
            }
            return Ok(Some(VirtualFile::new(header, file, body, rest)));
        }
        let padding = if width == 4 { size & 1 } else { 0 };
        let Some(next) = body.checked_add(size).and_then(|n| n.checked_add(padding)) else { break };
        at = next;
    }
    Ok(None)
}
