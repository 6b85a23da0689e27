//! Who plays in a take, and whose the power of a register is, band by band and moment by moment: as one family finds it and another
//! uses it.
//!
//! Conventions: cells of equal length from the start of the tape; shares are 0..=1 of the power of a band, and kept in 255ths; what is
//! neither the keys' nor the horns' is somebody else's.

use std::array::from_fn;
use std::sync::Arc;

use super::column::{Column, Packed};
use super::shelf::Shelf;

/// Who plays in a take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WhoPlays {
    /// Bass.
    pub bass: bool,
    /// Piano or other keys.
    pub keys: bool,
    /// Any horn.
    pub horns: bool,
}

impl WhoPlays {
    /// All of them, as is assumed where nobody knows.
    pub const ALL: Self = Self { bass: true, keys: true, horns: true };
}

/// Bands of the register.
pub const WHOSE_BANDS: usize = 8;
/// All of a band.
const ALL: f64 = 255.0;

/// Shares of one cell, band by band.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Cell {
    keys: [u8; WHOSE_BANDS],
    horns: [u8; WHOSE_BANDS],
}

impl Packed for Cell {
    const BYTES: usize = 2 * WHOSE_BANDS;

    fn pack(&self, bytes: &mut Vec<u8>) {
        bytes.extend(self.keys);
        bytes.extend(self.horns);
    }

    fn unpack(bytes: &[u8]) -> Self {
        let byte = |at: usize| bytes.get(at).copied().unwrap_or(0);
        Self { keys: from_fn(byte), horns: from_fn(|at| byte(WHOSE_BANDS + at)) }
    }
}

/// What of a band is the keys', and what the horns'.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeysAndHorns {
    /// Piano and other keys.
    pub keys: f64,
    /// All horns.
    pub horns: f64,
}

/// Where moments and frequencies lie.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Grid {
    cell_s: f64,
    edges_hz: [f64; WHOSE_BANDS + 1],
}

impl Grid {
    fn cell(&self, s: f64) -> usize {
        (s / self.cell_s) as usize
    }

    /// The band around `hz`, or the nearest.
    fn band(&self, hz: f64) -> usize {
        self.edges_hz.partition_point(|edge| *edge <= hz).clamp(1, WHOSE_BANDS) - 1
    }
}

/// Shares over a tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Whose {
    cells: Column<Cell>,
    grid: Grid,
}

impl Whose {
    /// Nothing yet: cells of `cell_s` seconds, bands between the rising `edges_hz`; full chunks go to a shelf.
    pub fn new(cell_s: f64, edges_hz: [f64; WHOSE_BANDS + 1], shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { cells: Column::on(shelf), grid: Grid { cell_s, edges_hz } }
    }

    /// Appends a cell.
    pub fn push(&mut self, bands: &[KeysAndHorns; WHOSE_BANDS]) {
        let coded = |share: f64| (ALL * share).round() as u8;
        let cell = Cell { keys: from_fn(|at| coded(bands[at].keys)), horns: from_fn(|at| coded(bands[at].horns)) };
        self.cells.push(&cell);
    }

    /// A stretch of the tape, to be asked often.
    pub fn between(&self, from_s: f64, to_s: f64) -> WhoseStretch {
        let first = self.grid.cell(from_s);
        let cells = self.cells.range(first..self.grid.cell(to_s).saturating_add(1)).collect();
        WhoseStretch { cells, first, grid: self.grid }
    }
}

/// A stretch of a tape.
#[derive(Clone, Debug)]
pub struct WhoseStretch {
    cells: Vec<Cell>,
    first: usize,
    grid: Grid,
}

impl WhoseStretch {
    /// Mean shares of the band around `hz` over `from_s..to_s`, of the nearest band outside the register; none where the stretch says nothing.
    pub fn of(&self, hz: f64, from_s: f64, to_s: f64) -> KeysAndHorns {
        let band = self.grid.band(hz);
        let at = |s: f64| self.grid.cell(s).saturating_sub(self.first).min(self.cells.len());
        let cells = &self.cells[at(from_s)..(at(to_s) + 1).min(self.cells.len())];
        let mean = |of: &dyn Fn(&Cell) -> u8| {
            cells.iter().map(|cell| f64::from(of(cell))).sum::<f64>() / (ALL * cells.len().max(1) as f64)
        };
        KeysAndHorns { keys: mean(&|cell| cell.keys[band]), horns: mean(&|cell| cell.horns[band]) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_those_of_the_band_in_the_mean_of_the_moments() {
        let edges_hz = from_fn(|at| 100.0 * (at + 1) as f64);
        let mut whose = Whose::new(0.5, edges_hz, None);
        for cell in 0..4 {
            let bands = |at: usize| KeysAndHorns { keys: 0.1 * at as f64, horns: 0.1 * f64::from(cell) };
            whose.push(&from_fn(bands));
        }
        let all = whose.between(0.0, 9.0);
        let of = |hz: f64, from_s: f64, to_s: f64| {
            let KeysAndHorns { keys, horns } = all.of(hz, from_s, to_s);
            [keys, horns].map(|share| (100.0 * share).round())
        };
        assert_eq!(of(350.0, 0.1, 0.4), [20.0, 0.0]);
        assert_eq!(of(350.0, 0.1, 1.2), [20.0, 10.0], "three cells");
        assert_eq!((of(99.0, 1.5, 1.9), of(5000.0, 1.5, 1.9)), ([0.0, 30.0], [70.0, 30.0]), "the nearest band");
        assert_eq!(of(350.0, 7.0, 8.0), [0.0, 0.0], "after its end");
        let late = whose.between(1.0, 1.9);
        assert_eq!(late.of(350.0, 1.6, 1.7), all.of(350.0, 1.6, 1.7));
        assert_eq!(Whose::default().between(0.0, 1.0).of(350.0, 0.0, 1.0), KeysAndHorns { keys: 0.0, horns: 0.0 });
    }
}
