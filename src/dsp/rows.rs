//! A growing table of byte rows of one width, as the meters keep a tape: whole chunks, so that growing never copies or
//! holds room that nothing fills, and full ones can be put on a shelf.
//!
//! Conventions: rows count from 0 in the order in which they came.

use std::sync::Arc;

use super::shelf::{Shelf, Shelved};

/// Bytes of a chunk, about; a chunk holds whole rows.
const CHUNK_BYTES: usize = 1 << 16;

/// A table of byte rows.
#[derive(Clone, Debug)]
pub struct Rows {
    width: usize,
    /// Rows of a chunk are two to the power of this: a row is found without a division.
    chunk_bits: u32,
    full: Shelved<Vec<u8>>,
    /// The chunk that is being filled, or has just been.
    last: Vec<u8>,
}

impl PartialEq for Rows {
    /// The same rows, wherever they are kept.
    fn eq(&self, other: &Self) -> bool {
        let (own, others) = (self.view(), other.view());
        self.width == other.width && self.len() == other.len() && own.range(0..own.len()).eq(others.range(0..own.len()))
    }
}

impl Rows {
    /// An empty table of rows of `width` bytes; a width of 0 counts as 1.
    pub fn new(width: usize) -> Self {
        Self::on(None, width)
    }

    /// An empty table whose full chunks go to a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>, width: usize) -> Self {
        let width = width.max(1);
        Self { width, chunk_bits: (CHUNK_BYTES / width).max(1).ilog2(), full: Shelved::on(shelf), last: Vec::new() }
    }

    fn rows_a_chunk(&self) -> usize {
        1 << self.chunk_bits
    }

    /// The same table, to be read for a while: what it reads from the shelf goes with it.
    pub fn view(&self) -> Self {
        self.clone()
    }

    /// Appends a row. Bytes past the width are left out, missing ones are 0.
    pub fn push(&mut self, row: &[u8]) {
        let whole = self.rows_a_chunk() * self.width;
        if self.last.len() == whole {
            self.full.push(std::mem::take(&mut self.last));
        }
        if self.last.capacity() == 0 {
            self.last.reserve_exact(whole);
        }
        let end = self.last.len() + self.width;
        self.last.extend_from_slice(&row[..row.len().min(self.width)]);
        self.last.resize(end, 0);
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.full.len() * self.rows_a_chunk() + self.last.len() / self.width
    }

    /// True when there is no row.
    pub fn is_empty(&self) -> bool {
        self.last.is_empty()
    }

    /// Row `index`, or `None` past the end.
    pub fn get(&self, index: usize) -> Option<&[u8]> {
        let from = (index & (self.rows_a_chunk() - 1)) * self.width;
        let chunk = match index >> self.chunk_bits {
            at if at == self.full.len() => &self.last,
            at => self.full.get(at)?,
        };
        chunk.get(from..from + self.width)
    }

    /// The rows of a range, cut to the table.
    pub fn range(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = &[u8]> {
        (range.start..range.end.min(self.len())).filter_map(|i| self.get(i))
    }

    /// The range, cut to the table and at the edges of the chunks.
    pub fn chunks(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = std::ops::Range<usize>> + use<> {
        let (end, a_chunk) = (range.end.min(self.len()), self.rows_a_chunk());
        let edge = move |from: &usize| Some((from / a_chunk + 1) * a_chunk).filter(|next| *next < end);
        let starts = std::iter::successors((range.start < end).then_some(range.start), edge);
        starts.map(move |from| from..((from / a_chunk + 1) * a_chunk).min(end))
    }

    /// Drops the rows from `len` on.
    pub fn truncate(&mut self, len: usize) {
        if len >= self.len() {
            return;
        }
        // The chunk that is cut becomes the last one, so it must hold a row when the table does.
        let keep = len.div_ceil(self.rows_a_chunk()).saturating_sub(1);
        if keep < self.full.len() {
            self.last = self.full.get(keep).cloned().unwrap_or_default();
            self.full.truncate(keep);
        }
        self.last.truncate((len - keep * self.rows_a_chunk()) * self.width);
    }
}

#[cfg(test)]
mod tests {
    use super::super::shelf::tests::Board;
    use super::*;

    fn table(width: usize, count: usize) -> Rows {
        let mut rows = Rows::new(width);
        (0..count).for_each(|i| rows.push(&vec![(i % 251) as u8; width]));
        rows
    }

    #[test]
    fn rows_come_back_in_order_over_the_edges_of_chunks() {
        let rows = table(24, 9000);
        assert_eq!(rows.len(), 9000);
        assert!(rows.range(0..9000).enumerate().all(|(i, r)| r == [(i % 251) as u8; 24]));
        assert_eq!(rows.range(8990..9999).count(), 10);
        assert_eq!(rows.get(9000), None);
    }

    #[test]
    fn cutting_leaves_what_is_before_the_cut() {
        for len in [0, 1, 2047, 2048, 2049, 5000] {
            let mut rows = table(24, 6000);
            rows.truncate(len);
            assert_eq!(rows, table(24, len), "{len}");
        }
    }

    #[test]
    fn a_shelf_changes_nothing_but_where_the_rows_are() {
        let board = Board::with_room(1 << 20);
        let mut rows = Rows::on(Some(board.clone()), 24);
        (0..9000).for_each(|i| rows.push(&[(i % 251) as u8; 24]));
        assert_eq!(board.used(), 4 * 2048 * 24);
        assert!(rows.view().range(0..9000).eq(table(24, 9000).range(0..9000)));
        rows.truncate(2049);
        assert!(rows.range(0..9000).eq(table(24, 2049).range(0..9000)));
        rows.truncate(2048);
        assert_eq!((rows.len(), rows.is_empty()), (2048, false));
    }

    #[test]
    fn short_rows_are_filled_and_long_ones_cut() {
        let mut rows = Rows::new(3);
        rows.push(&[1]);
        rows.push(&[1, 2, 3, 4]);
        assert_eq!(rows.range(0..2).collect::<Vec<_>>(), [[1, 0, 0], [1, 2, 3]]);
    }
}
