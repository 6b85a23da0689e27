//! A growing table of byte rows of one width, as the meters keep a tape: whole chunks, so that growing never copies or
//! holds room that nothing fills.
//!
//! Conventions: rows count from 0 in the order in which they came.

/// Bytes of a chunk, about; a chunk holds whole rows.
const CHUNK_BYTES: usize = 1 << 16;

/// A table of byte rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rows {
    width: usize,
    rows_a_chunk: usize,
    chunks: Vec<Vec<u8>>,
}

impl Rows {
    /// An empty table of rows of `width` bytes; a width of 0 counts as 1.
    pub fn new(width: usize) -> Self {
        let width = width.max(1);
        Self { width, rows_a_chunk: (CHUNK_BYTES / width).max(1), chunks: Vec::new() }
    }

    /// Appends a row. Bytes past the width are left out, missing ones are 0.
    pub fn push(&mut self, row: &[u8]) {
        let whole = self.rows_a_chunk * self.width;
        if self.chunks.last().is_none_or(|c| c.len() == whole) {
            self.chunks.push(Vec::with_capacity(whole));
        }
        if let Some(chunk) = self.chunks.last_mut() {
            let end = chunk.len() + self.width;
            chunk.extend_from_slice(&row[..row.len().min(self.width)]);
            chunk.resize(end, 0);
        }
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        let full = self.chunks.len().saturating_sub(1) * self.rows_a_chunk;
        full + self.chunks.last().map_or(0, |c| c.len() / self.width)
    }

    /// True when there is no row.
    pub fn is_empty(&self) -> bool {
        self.chunks.is_empty()
    }

    /// Row `index`, or `None` past the end.
    pub fn get(&self, index: usize) -> Option<&[u8]> {
        let from = index % self.rows_a_chunk * self.width;
        self.chunks.get(index / self.rows_a_chunk)?.get(from..from + self.width)
    }

    /// The rows of a range, cut to the table.
    pub fn range(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = &[u8]> {
        (range.start..range.end.min(self.len())).filter_map(|i| self.get(i))
    }

    /// Drops the rows from `len` on.
    pub fn truncate(&mut self, len: usize) {
        if len >= self.len() {
            return;
        }
        self.chunks.truncate(len.div_ceil(self.rows_a_chunk));
        let full = self.chunks.len().saturating_sub(1) * self.rows_a_chunk;
        if let Some(last) = self.chunks.last_mut() {
            last.truncate((len - full) * self.width);
        }
    }
}

#[cfg(test)]
mod tests {
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
        for len in [0, 1, 2730, 2731, 5000] {
            let mut rows = table(24, 6000);
            rows.truncate(len);
            assert_eq!(rows, table(24, len), "{len}");
        }
    }

    #[test]
    fn short_rows_are_filled_and_long_ones_cut() {
        let mut rows = Rows::new(3);
        rows.push(&[1]);
        rows.push(&[1, 2, 3, 4]);
        assert_eq!(rows.range(0..2).collect::<Vec<_>>(), [[1, 0, 0], [1, 2, 3]]);
    }
}
