//! A growing column of plain values, packed into [`Rows`]: what a meter keeps of a tape, in order, on a shelf if it has one.
//!
//! Conventions: values count from 0 and come back bit by bit as they were; the tape's end reads them chunk by chunk, so that
//! no more of a long tape is in memory than is looked at.

use std::marker::PhantomData;
use std::ops::Range;
use std::sync::Arc;

use super::rows::Rows;
use super::shelf::Shelf;

/// A value of a fixed number of bytes.
pub trait Packed {
    /// So many.
    const BYTES: usize;
    /// Appends the bytes.
    fn pack(&self, bytes: &mut Vec<u8>);
    /// The value back.
    fn unpack(bytes: &[u8]) -> Self;
}

impl Packed for f32 {
    const BYTES: usize = 4;

    fn pack(&self, bytes: &mut Vec<u8>) {
        bytes.extend(self.to_le_bytes());
    }

    fn unpack(bytes: &[u8]) -> Self {
        bytes.first_chunk().map_or(0.0, |b| Self::from_le_bytes(*b))
    }
}

/// The next of the numbers in `bytes`; what is not there any more reads 0.
pub fn next_f32(bytes: &mut &[u8]) -> f32 {
    let value = f32::unpack(bytes);
    *bytes = bytes.get(f32::BYTES..).unwrap_or(&[]);
    value
}

/// A column.
#[derive(Clone, Debug)]
pub struct Column<T> {
    rows: Rows,
    row: Vec<u8>,
    of: PhantomData<T>,
}

impl<T> PartialEq for Column<T> {
    fn eq(&self, other: &Self) -> bool {
        self.rows == other.rows
    }
}

impl<T: Packed> Default for Column<T> {
    fn default() -> Self {
        Self::on(None)
    }
}

impl<T: Packed> FromIterator<T> for Column<T> {
    fn from_iter<I: IntoIterator<Item = T>>(values: I) -> Self {
        let mut column = Self::default();
        values.into_iter().for_each(|value| column.push(&value));
        column
    }
}

impl<T: Packed> Column<T> {
    /// An empty column whose full chunks go to a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { rows: Rows::on(shelf, T::BYTES), row: Vec::new(), of: PhantomData }
    }

    /// Appends a value.
    pub fn push(&mut self, value: &T) {
        self.row.clear();
        value.pack(&mut self.row);
        self.rows.push(&self.row);
    }

    /// Number of values.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True when there is none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Drops the values from `len` on.
    pub fn truncate(&mut self, len: usize) {
        self.rows.truncate(len);
    }

    /// The values of a range, cut to the column.
    pub fn range(&self, range: Range<usize>) -> impl Iterator<Item = T> + use<'_, T> {
        self.rows.chunks(range).flat_map(|chunk| {
            let view = self.rows.view();
            chunk.filter_map(|at| view.get(at).map(T::unpack)).collect::<Vec<T>>()
        })
    }

    /// Where a value stands for a second: those that the spans touch, each with the share of its second that they cover.
    pub fn seconds(&self, spans: &[(f64, f64)]) -> Vec<(f64, T)> {
        let cover = |at: usize| -> f64 {
            let (from, to) = (at as f64, at as f64 + 1.0);
            spans.iter().map(|(s, e)| (e.min(to) - s.max(from)).max(0.0)).sum::<f64>().min(1.0)
        };
        // A float that is too large or too small for an index becomes the nearest one.
        let first = spans.iter().map(|s| s.0.floor() as usize).min().unwrap_or(0);
        let end = spans.iter().map(|s| s.1.ceil() as usize).max().unwrap_or(0);
        (first..).map(cover).zip(self.range(first..end)).filter(|(weight, _)| *weight > 0.0).collect()
    }

    /// All values at once.
    pub fn to_vec(&self) -> Vec<T> {
        let mut values = Vec::with_capacity(self.len());
        values.extend(self.iter());
        values
    }

    /// All values, one after the other.
    pub fn iter(&self) -> impl Iterator<Item = T> + use<'_, T> {
        self.range(0..self.len())
    }
}

#[cfg(test)]
mod tests {
    use super::super::shelf::tests::Board;
    use super::*;

    #[test]
    fn values_come_back_bit_by_bit_from_memory_and_from_a_shelf() {
        let values: Vec<f32> = (0..40_000).map(|i| if i % 999 == 0 { f32::NAN } else { i as f32 * 0.1 }).collect();
        let same = |got: Vec<f32>, want: &[f32]| got.iter().map(|x| x.to_bits()).eq(want.iter().map(|x| x.to_bits()));
        for shelf in [None, Some(Board::with_room(1 << 20) as Arc<dyn Shelf>)] {
            let mut column = Column::on(shelf);
            values.iter().for_each(|x| column.push(x));
            assert_eq!((column.len(), column.is_empty()), (40_000, false));
            assert!(same(column.iter().collect(), &values));
            for range in [0..1, 16_383..16_385, 5..39_999, 39_000..50_000, 50_000..60_000] {
                let want = &values[range.start.min(40_000)..range.end.min(40_000)];
                assert!(same(column.range(range.clone()).collect(), want), "{range:?}");
            }
            column.truncate(20_000);
            assert!(same(column.iter().collect(), &values[..20_000]));
        }
    }

    #[test]
    fn seconds_weigh_as_much_as_the_spans_cover_of_them() {
        let column: Column<f32> = (0..100).map(|s| s as f32).collect();
        let spans = [(98.5, 120.0), (10.0, 12.25), (12.5, 12.75)];
        assert_eq!(column.seconds(&spans), [(1.0, 10.0), (1.0, 11.0), (0.5, 12.0), (0.5, 98.0), (1.0, 99.0)]);
        assert_eq!(column.seconds(&[]), []);
    }

    #[test]
    fn numbers_are_read_one_after_the_other_and_past_the_end_are_nothing() {
        let mut bytes = Vec::new();
        [1.5f32, -2.0].iter().for_each(|x| x.pack(&mut bytes));
        let mut rest = bytes.as_slice();
        assert_eq!([0; 3].map(|_| next_f32(&mut rest)), [1.5, -2.0, 0.0]);
    }
}
