//! Full pieces of a growing table, put away until somebody reads them: in memory, or on a shelf outside it.
//!
//! Conventions: pieces count from 0 in the order in which they came and never change. What is read from a shelf stays in
//! memory as long as the view that read it; take a view for a stretch of the tape and let it go afterwards.
//! Limits: a shelf that fails gives zeros and remembers that it failed; whoever owns it has to ask before anything that was
//! read is believed.

use std::fmt::Debug;
use std::sync::{Arc, OnceLock};

/// A place outside the memory for bytes that are needed later.
pub trait Shelf: Debug + Send + Sync {
    /// Puts bytes away and says where; `None` when there is no room, then they stay in memory.
    fn put(&self, bytes: &[u8]) -> Option<u64>;
    /// The `length` bytes at `place`; zeros when they cannot be had any more, which the shelf remembers.
    fn get(&self, place: u64, length: usize) -> Vec<u8>;
}

/// A piece that can be put away.
pub trait Piece: Send + Sync {
    /// The piece as bytes.
    fn to_bytes(&self) -> Vec<u8>;
    /// The piece back from its bytes; zeros give a piece too.
    fn from_bytes(bytes: &[u8]) -> Self;
}

impl Piece for Vec<u8> {
    fn to_bytes(&self) -> Vec<u8> {
        self.clone()
    }

    fn from_bytes(bytes: &[u8]) -> Self {
        bytes.to_vec()
    }
}

/// Pieces in order.
#[derive(Debug)]
pub struct Shelved<T> {
    pieces: Vec<Place<T>>,
    shelf: Option<Arc<dyn Shelf>>,
}

#[derive(Debug)]
enum Place<T> {
    Memory(Arc<T>),
    Shelf { at: u64, length: u32, read: OnceLock<T> },
}

impl<T> Default for Shelved<T> {
    fn default() -> Self {
        Self { pieces: Vec::new(), shelf: None }
    }
}

impl<T> Clone for Shelved<T> {
    /// The same pieces; what this one has read from its shelf is not taken along.
    fn clone(&self) -> Self {
        let pieces = self.pieces.iter().map(|place| match place {
            Place::Memory(piece) => Place::Memory(Arc::clone(piece)),
            Place::Shelf { at, length, .. } => Place::Shelf { at: *at, length: *length, read: OnceLock::new() },
        });
        Self { pieces: pieces.collect(), shelf: self.shelf.clone() }
    }
}

impl<T: Piece> Shelved<T> {
    /// No pieces yet; those that come go to the shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { pieces: Vec::new(), shelf }
    }

    /// Puts a full piece away.
    pub fn push(&mut self, piece: T) {
        let bytes = self.shelf.as_ref().map(|shelf| (shelf, piece.to_bytes()));
        let place = bytes.and_then(|(shelf, bytes)| Some((shelf.put(&bytes)?, u32::try_from(bytes.len()).ok()?)));
        self.pieces.push(match place {
            Some((at, length)) => Place::Shelf { at, length, read: OnceLock::new() },
            None => Place::Memory(Arc::new(piece)),
        });
    }

    /// True when nothing has been put away.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// Number of pieces.
    pub fn len(&self) -> usize {
        self.pieces.len()
    }

    /// Piece `index`, or `None` past the end.
    pub fn get(&self, index: usize) -> Option<&T> {
        Some(match self.pieces.get(index)? {
            Place::Memory(piece) => piece,
            Place::Shelf { at, length, read } => read.get_or_init(|| {
                let bytes = self.shelf.as_ref().map(|shelf| shelf.get(*at, *length as usize));
                T::from_bytes(&bytes.unwrap_or_else(|| vec![0; *length as usize]))
            }),
        })
    }

    /// Drops the pieces from `len` on.
    pub fn truncate(&mut self, len: usize) {
        self.pieces.truncate(len);
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use std::sync::Mutex;

    use super::*;

    /// A shelf for tests, with room for so many bytes.
    #[derive(Debug, Default)]
    pub struct Board {
        bytes: Mutex<Vec<u8>>,
        room: usize,
    }

    impl Board {
        pub fn with_room(room: usize) -> Arc<Self> {
            Arc::new(Self { room, ..Self::default() })
        }

        pub fn used(&self) -> usize {
            self.bytes.lock().unwrap().len()
        }
    }

    impl Shelf for Board {
        fn put(&self, bytes: &[u8]) -> Option<u64> {
            let mut held = self.bytes.lock().unwrap();
            let at = held.len() as u64;
            (held.len() + bytes.len() <= self.room).then(|| held.extend_from_slice(bytes))?;
            Some(at)
        }

        fn get(&self, place: u64, length: usize) -> Vec<u8> {
            self.bytes.lock().unwrap()[place as usize..place as usize + length].to_vec()
        }
    }

    #[test]
    fn pieces_come_back_from_memory_from_a_shelf_and_from_one_that_ran_full() {
        let pieces: Vec<Vec<u8>> = (0..10u8).map(|i| vec![i; 5 + usize::from(i)]).collect();
        for room in [None, Some(1 << 20), Some(40)] {
            let board = room.map(Board::with_room);
            let mut shelved = Shelved::on(board.clone().map(|b| b as Arc<dyn Shelf>));
            pieces.iter().for_each(|p| shelved.push(p.clone()));
            let view = shelved.clone();
            assert!(!view.is_empty());
            assert_eq!(view.len(), 10);
            assert!((0..10).all(|i| view.get(i) == Some(&pieces[i]) && shelved.get(i) == Some(&pieces[i])), "{room:?}");
            assert_eq!(view.get(10), None);
            let used = board.map_or(0, |b| b.used());
            let expected = match room {
                None => 0,
                Some(40) => 35, // 5 to 9 bytes fit, and 5 are left over
                _ => 95,
            };
            assert_eq!(used, expected, "{room:?}");
        }
    }
}
