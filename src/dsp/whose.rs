//! Who plays in a take, and whose the power of a register is, band by band and moment by moment: as one family finds it and another
//! uses it.
//!
//! Conventions: cells of equal length from the start of the tape; shares are 0..=1 of the power of a band, and kept in 255ths; what is
//! none of the sources' is somebody else's.

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

/// All of a band.
const ALL: f64 = 255.0;

/// Shares of one cell: source by source, band by band.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cell<const SOURCES: usize, const BANDS: usize>([[u8; BANDS]; SOURCES]);

impl<const SOURCES: usize, const BANDS: usize> Packed for Cell<SOURCES, BANDS> {
    const BYTES: usize = SOURCES * BANDS;

    fn pack(&self, bytes: &mut Vec<u8>) {
        bytes.extend(self.0.as_flattened());
    }

    fn unpack(bytes: &[u8]) -> Self {
        let mut shares = [[0; BANDS]; SOURCES];
        shares.as_flattened_mut().iter_mut().zip(bytes).for_each(|(share, byte)| *share = *byte);
        Self(shares)
    }
}

/// Where moments and frequencies lie.
#[derive(Clone, Debug, Default, PartialEq)]
struct Grid {
    cell_s: f64,
    /// Rising: of every band the lower one, of the last the upper one too.
    edges_hz: Vec<f64>,
}

impl Grid {
    fn cell(&self, s: f64) -> usize {
        (s / self.cell_s) as usize
    }

    /// The band around `hz`, or the nearest.
    fn band(&self, hz: f64) -> usize {
        let bands = self.edges_hz.len().saturating_sub(1);
        self.edges_hz.partition_point(|edge| *edge <= hz).clamp(1, bands.max(1)) - 1
    }
}

/// Shares of some sources over a tape.
#[derive(Clone, Debug, PartialEq)]
pub struct Shares<const SOURCES: usize, const BANDS: usize> {
    cells: Column<Cell<SOURCES, BANDS>>,
    grid: Grid,
}

impl<const SOURCES: usize, const BANDS: usize> Default for Shares<SOURCES, BANDS> {
    fn default() -> Self {
        Self { cells: Column::default(), grid: Grid::default() }
    }
}

impl<const SOURCES: usize, const BANDS: usize> Shares<SOURCES, BANDS> {
    /// Nothing yet: cells of `cell_s` seconds, bands between the rising `edges_hz`, one more than there are bands; full chunks go to a shelf.
    pub fn new(cell_s: f64, edges_hz: &[f64], shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { cells: Column::on(shelf), grid: Grid { cell_s, edges_hz: edges_hz.to_vec() } }
    }

    /// Appends a cell.
    pub fn push(&mut self, sources: &[[f64; BANDS]; SOURCES]) {
        let coded = |share: f64| (ALL * share).round() as u8;
        self.cells.push(&Cell(sources.map(|bands| bands.map(coded))));
    }

    /// A stretch of the tape, to be asked often.
    pub fn between(&self, from_s: f64, to_s: f64) -> Stretch<SOURCES, BANDS> {
        let first = self.grid.cell(from_s);
        let cells = self.cells.range(first..self.grid.cell(to_s).saturating_add(1)).collect();
        Stretch { cells, first, grid: self.grid.clone() }
    }
}

/// A stretch of a tape.
#[derive(Clone, Debug)]
pub struct Stretch<const SOURCES: usize, const BANDS: usize> {
    cells: Vec<Cell<SOURCES, BANDS>>,
    first: usize,
    grid: Grid,
}

impl<const SOURCES: usize, const BANDS: usize> Stretch<SOURCES, BANDS> {
    /// Mean shares of the band around `hz` over `from_s..to_s`, of the nearest band outside the register; none where the stretch says nothing.
    pub fn of(&self, hz: f64, from_s: f64, to_s: f64) -> [f64; SOURCES] {
        let band = self.grid.band(hz);
        let at = |s: f64| self.grid.cell(s).saturating_sub(self.first).min(self.cells.len());
        let cells = &self.cells[at(from_s)..(at(to_s) + 1).min(self.cells.len())];
        let mean = |source: usize| {
            let sum: f64 = cells.iter().map(|cell| f64::from(cell.0[source][band])).sum();
            sum / (ALL * cells.len().max(1) as f64)
        };
        std::array::from_fn(mean)
    }
}

/// Bands of the register of keys and horns.
pub const KEYS_AND_HORNS_BANDS: usize = 8;
/// Bands of the register of the bass.
pub const BASS_BANDS: usize = 32;

/// Shares of the keys, then of the horns.
pub type KeysAndHorns = Shares<2, KEYS_AND_HORNS_BANDS>;
/// The same over a stretch of a tape.
pub type KeysAndHornsStretch = Stretch<2, KEYS_AND_HORNS_BANDS>;
/// Shares of the bass.
pub type Bass = Shares<1, BASS_BANDS>;
/// The same over a stretch of a tape.
pub type BassStretch = Stretch<1, BASS_BANDS>;

/// Shares over a tape, as far as the tuning asks for them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Whose {
    /// Keys and horns.
    pub keys_and_horns: KeysAndHorns,
    /// The bass.
    pub bass: Bass,
}

#[cfg(test)]
mod tests {
    use std::array::from_fn;

    use super::*;

    #[test]
    fn shares_are_those_of_the_band_in_the_mean_of_the_moments() {
        let edges_hz: Vec<f64> = (1..=9).map(|at| 100.0 * f64::from(at)).collect();
        let mut shares = Shares::<2, 8>::new(0.5, &edges_hz, None);
        for cell in 0..4 {
            shares.push(&[from_fn(|band| 0.1 * band as f64), [0.1 * f64::from(cell); 8]]);
        }
        let all = shares.between(0.0, 9.0);
        let of = |hz: f64, from_s: f64, to_s: f64| all.of(hz, from_s, to_s).map(|share| (100.0 * share).round());
        assert_eq!(of(350.0, 0.1, 0.4), [20.0, 0.0]);
        assert_eq!(of(350.0, 0.1, 1.2), [20.0, 10.0], "three cells");
        assert_eq!((of(99.0, 1.5, 1.9), of(5000.0, 1.5, 1.9)), ([0.0, 30.0], [70.0, 30.0]), "the nearest band");
        assert_eq!(of(350.0, 7.0, 8.0), [0.0, 0.0], "after its end");
        let late = shares.between(1.0, 1.9);
        assert_eq!(late.of(350.0, 1.6, 1.7), all.of(350.0, 1.6, 1.7));
        assert_eq!(Shares::<2, 8>::default().between(0.0, 1.0).of(350.0, 0.0, 1.0), [0.0, 0.0]);
    }
}
