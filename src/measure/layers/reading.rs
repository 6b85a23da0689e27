//! The shares of the layers over a tape, and with the tape's own power the level of each.
//!
//! Conventions: cells are [`CELL_S`] long; a span of seconds takes the cells whose middle lies in it. Loudness as BS.1770-5
//! defines it, from blocks of three cells (384 ms instead of 400) every cell, gates -70 LUFS and -10 LU.

use crate::dsp::column::Column;
use crate::dsp::whose::Whose;
use crate::stats::Measured;
use crate::units::{db_to_power, power_to_db};

use super::features::STEP_S;
use super::hits::Hits;
use super::interval::half_width_db;
use super::meter::{CELL_STEPS, Shares, UNSURE, WHOLE};
use super::{LAYERS, Layer};

/// Length of a cell, seconds.
pub const CELL_S: f64 = CELL_STEPS as f64 * STEP_S;
/// Cells in a gating block.
const BLOCK_CELLS: usize = 3;
/// Offset of the loudness formula (BS.1770-5 annex 1, equation 2).
const LOUDNESS_OFFSET_LU: f64 = -0.691;
/// Absolute gate (BS.1770-5 annex 1).
const GATE_ABSOLUTE_LUFS: f64 = -70.0;
/// Relative gate (BS.1770-5 annex 1).
const GATE_RELATIVE_LU: f64 = -10.0;
/// A layer this far under the whole is not stated: what is heard there is as likely another layer's.
const COVERED_DB: f64 = -15.0;
/// A layer whose mean power is this far under the whole is taken for silent.
const SILENT_DB: f64 = -22.0;
/// Reason of a level that may be off by more than [`MOST_HALF_WIDTH_DB`].
const TOO_UNCERTAIN: &str = "too_uncertain";
/// Beyond this a level would say next to nothing, dB: on 79 rendered tapes 20 of 319, of them three off by 3.8 to 5.5.
const MOST_HALF_WIDTH_DB: f64 = 3.75;
/// Stretch on both sides of a second whose loudness gates the second, seconds.
const NEAR_S: f64 = 10.0;

/// Shares of the layers in the mono mix, cell by cell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LayerReading {
    cells: Column<Shares>,
    hit_rates: Vec<u8>,
    /// Whose the tones are in the register of keys and horns.
    register: Whose,
}

impl LayerReading {
    /// So many cells in which no layer has a share; for tests.
    #[cfg(test)]
    pub(super) fn of_silence(cells: usize) -> Self {
        Self::new((0..cells).map(|_| Shares::default()).collect(), Vec::new())
    }

    /// From what the meter kept.
    pub(super) fn new(cells: Column<Shares>, hit_rates: Vec<u8>) -> Self {
        Self { cells, hit_rates, register: Whose::default() }
    }

    pub(super) fn with_register(self, register: Whose) -> Self {
        Self { register, ..self }
    }

    /// Whose the tones are in the register of keys and horns, over the tape.
    pub fn register(&self) -> &Whose {
        &self.register
    }

    /// Hits of guitar and keys in a stretch of the tape.
    pub fn hits(&self, start_s: f64, end_s: f64) -> Hits {
        Hits::of(&self.hit_rates, start_s, end_s)
    }

    /// Gives the shares their power: `powers` are channel-weighted mean squares of the K-weighted recording, one every
    /// `step_s` seconds from the start of the tape. So the layers of a stereo tape count as its channels do.
    pub fn with_power(&self, powers: &[f32], step_s: f64) -> LayerPowers {
        let whole =
            |cell: usize| mean_between(powers, cell as f64 * CELL_S / step_s, (cell + 1) as f64 * CELL_S / step_s);
        let whole = (0..self.cells.len()).map(whole).collect();
        LayerPowers { cells: self.cells.clone(), whole }
    }
}

/// Mean of `values` between two places given in entries, whole or not; 0 where there are none or where they are no numbers.
fn mean_between(values: &[f32], from: f64, to: f64) -> f64 {
    let (first, last) = (from as usize, (to.ceil() as usize).min(values.len()));
    let (mut sum, mut weight) = (0.0, 0.0);
    for (at, value) in values.iter().enumerate().take(last).skip(first) {
        let inside = (to.min((at + 1) as f64) - from.max(at as f64)).max(0.0);
        if value.is_finite() {
            sum += inside * f64::from(*value);
            weight += inside;
        }
    }
    if weight > 0.0 { sum / weight } else { 0.0 }
}

/// K-weighted power of one cell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct CellPower {
    whole: f32,
    layers: [f32; LAYERS.len()],
    /// The part of the layers' power that may be another's.
    unsure: [f32; LAYERS.len()],
    guitar: f32,
    keys: f32,
}

impl CellPower {
    fn new(shares: &Shares, power: f64) -> Self {
        let part = |share: u16| (power * f64::from(share) / WHOLE) as f32;
        let [bass, drums, guitar, keys, horns, _] = shares.of;
        let layers = [part(bass), part(drums), part(guitar.saturating_add(keys)), part(horns)];
        Self {
            whole: power as f32,
            layers,
            unsure: std::array::from_fn(|at| layers[at] * f32::from(shares.unsure[at]) / UNSURE as f32),
            guitar: part(guitar),
            keys: part(keys),
        }
    }
}

/// Power of every layer over a tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LayerPowers {
    cells: Column<Shares>,
    /// Power of all in every cell.
    whole: Vec<f64>,
}

/// The cells of a stretch of the tape.
struct Stretch {
    first: usize,
    cells: Vec<CellPower>,
}

impl Stretch {
    /// The cells of a span, so far as they lie in the stretch.
    fn span(&self, start_s: f64, end_s: f64) -> &[CellPower] {
        let at = |s: f64| cell_at(s).saturating_sub(self.first).min(self.cells.len());
        &self.cells[at(start_s)..at(end_s).max(at(start_s))]
    }

    /// The block that is centred in a cell.
    fn block(&self, cell: usize) -> Option<&[CellPower]> {
        let from = cell.checked_sub(BLOCK_CELLS / 2 + self.first)?;
        self.cells.get(from..from + BLOCK_CELLS)
    }

    /// Loudness of a layer in a second, gated by what is near.
    fn second(&self, layer: Layer, span: (f64, f64), near: (f64, f64), floor: f64) -> Option<f64> {
        let near = self.span(near.0, near.1);
        let of = Of::Layer(layer);
        let gate = floor.max(gated(near, of)?.gate);
        let (first, end) = (cell_at(span.0), cell_at(span.1));
        // Blocks that are centred in the second and in which the layer sounds.
        let blocks: Vec<_> =
            (first..end).filter_map(|cell| self.block(cell)).filter(|b| block_power(b, of) > gate).collect();
        if blocks.is_empty() {
            return None;
        }
        let mean = blocks.iter().map(|b| block_power(b, of)).sum::<f64>() / blocks.len() as f64;
        let whole = gated(near, Of::Whole)?.power;
        (mean > whole * db_to_power(COVERED_DB)).then(|| lufs(mean)).flatten()
    }
}

/// Loudness that each layer alone would have.
#[derive(Clone, Debug, PartialEq)]
pub struct LayerLevels {
    /// LUFS in the order of [`LAYERS`].
    pub lufs: [Measured; LAYERS.len()],
    /// Against the whole band, LU, in the order of [`LAYERS`].
    pub re_band_lu: [Measured; LAYERS.len()],
    /// The whole band, LUFS; `None` for silence.
    pub whole_lufs: Option<f64>,
}

impl LayerLevels {
    /// The same without the levels that may be off by more than 3.75 dB, `too_uncertain`: what a part is told with. Whether a
    /// recording hears one player alone asks for the rough ones too.
    pub fn without_uncertain(mut self) -> Self {
        for (own, re_band) in self.lufs.iter_mut().zip(&mut self.re_band_lu) {
            if own.half_width() > MOST_HALF_WIDTH_DB {
                (*own, *re_band) = (Measured::absent(TOO_UNCERTAIN), Measured::absent(TOO_UNCERTAIN));
            }
        }
        self
    }
}

/// Which power of a cell is meant.
#[derive(Clone, Copy)]
enum Of {
    Whole,
    Layer(Layer),
}

impl LayerPowers {
    /// Loudness that each layer alone would have in a stretch of playing, LUFS and against the band.
    ///
    /// # Output
    /// LUFS and LU. Interval: by how sure the network was of the layer's power (see `interval`). n = gating blocks above both gates.
    ///
    /// # Not measurable
    /// `too_short` (under a gating block), `silence`, `not_playing` (the layer's power is 22 dB or more under the whole),
    /// `covered` (its loudness is 15 LU or more under the whole).
    ///
    /// # Method and source
    /// Shares by the layer network, power and gates as ITU-R BS.1770-5 annex 1 with blocks of 384 ms every 128 ms.
    pub fn levels(&self, start_s: f64, end_s: f64) -> LayerLevels {
        let span = self.span(start_s, end_s);
        let whole = gated(&span, Of::Whole);
        let both = LAYERS.map(|layer| layer_level(&span, layer, whole));
        let whole_lufs = whole.and_then(|w| lufs(w.power));
        LayerLevels { lufs: both.each_ref().map(|b| b.0.clone()), re_band_lu: both.map(|b| b.1), whole_lufs }
    }

    /// One entry a second over the whole tape for `layer`: the loudness of those blocks of the second in which the layer sounds,
    /// LUFS. Null outside `takes`, where the layer is under its own gate (nearby or over the take), and where it is covered.
    pub fn curve(&self, layer: Layer, takes: &[(f64, f64)], hops: usize) -> Vec<Option<f64>> {
        let mut curve = vec![None; hops];
        for &(start_s, end_s) in takes {
            // The blocks at its ends reach out of the take.
            let stretch = self.stretch(cell_at(start_s).saturating_sub(BLOCK_CELLS), cell_at(end_s) + BLOCK_CELLS);
            let Some(take) = gated(stretch.span(start_s, end_s), Of::Layer(layer)) else { continue };
            let floor = take.power * db_to_power(GATE_RELATIVE_LU);
            let last = (end_s.ceil() as usize).min(hops);
            for (second, slot) in curve.iter_mut().enumerate().take(last).skip(start_s.max(0.0) as usize) {
                let at = second as f64;
                let near = (start_s.max(at - NEAR_S), end_s.min(at + 1.0 + NEAR_S));
                *slot = stretch.second(layer, (start_s.max(at), end_s.min(at + 1.0)), near, floor);
            }
        }
        curve
    }

    /// Powers of the layers and of the whole, averaged over a span: what the parts are found by.
    pub(super) fn mean_powers(&self, start_s: f64, end_s: f64) -> [f64; LAYERS.len() + 1] {
        let span = self.span(start_s, end_s);
        let mean = |f: &dyn Fn(&CellPower) -> f32| {
            span.iter().map(|c| f64::from(f(c))).sum::<f64>() / span.len().max(1) as f64
        };
        std::array::from_fn(|at| mean(&|c: &CellPower| if at < LAYERS.len() { c.layers[at] } else { c.whole }))
    }

    /// Mean K-weighted power of the whole over a span; 0 where there is none.
    pub fn whole_power(&self, start_s: f64, end_s: f64) -> f64 {
        self.mean_powers(start_s, end_s)[LAYERS.len()]
    }

    /// Share of a layer's power over a span that may be another's, 0..=1; 1 where it has none.
    pub(super) fn unsure(&self, layer: Layer, start_s: f64, end_s: f64) -> f64 {
        unsure(&self.span(start_s, end_s), layer)
    }

    /// Share of guitar in the comping over a span, 0..=1; `None` when there is no comping at all.
    pub fn guitar_in_comping(&self, start_s: f64, end_s: f64) -> Option<f64> {
        let span = self.span(start_s, end_s);
        let guitar: f64 = span.iter().map(|c| f64::from(c.guitar)).sum();
        let keys: f64 = span.iter().map(|c| f64::from(c.keys)).sum();
        (guitar + keys > 0.0).then(|| guitar / (guitar + keys))
    }

    fn span(&self, start_s: f64, end_s: f64) -> Vec<CellPower> {
        self.stretch(cell_at(start_s), cell_at(end_s)).cells
    }

    fn stretch(&self, first: usize, end: usize) -> Stretch {
        let powers = self.whole.iter().skip(first);
        let cells = self.cells.range(first..end).zip(powers).map(|(shares, power)| CellPower::new(&shares, *power));
        Stretch { first, cells: cells.collect() }
    }
}

/// First cell whose middle is not before `s`.
fn cell_at(s: f64) -> usize {
    (s / CELL_S).round().max(0.0) as usize
}

fn lufs(power: f64) -> Option<f64> {
    power_to_db(power).map(|db| db + LOUDNESS_OFFSET_LU)
}

fn block_power(cells: &[CellPower], of: Of) -> f64 {
    let power = |c: &CellPower| match of {
        Of::Whole => c.whole,
        Of::Layer(layer) => c.layers[layer as usize],
    };
    cells.iter().map(|c| f64::from(power(c))).sum::<f64>() / cells.len() as f64
}

/// What is left of the blocks of a span.
#[derive(Clone, Copy)]
struct Gated {
    power: f64,
    gate: f64,
    blocks: usize,
}

/// Mean of the blocks above the absolute and the relative gate (BS.1770-5 annex 1, equations 5 to 7).
fn gated(span: &[CellPower], of: Of) -> Option<Gated> {
    let blocks: Vec<f64> = span.windows(BLOCK_CELLS).map(|cells| block_power(cells, of)).collect();
    let mean_above = |gate: f64| {
        let (sum, count) = blocks.iter().filter(|p| **p > gate).fold((0.0, 0usize), |(s, n), p| (s + p, n + 1));
        (count > 0).then(|| Gated { power: sum / count as f64, gate, blocks: count })
    };
    let absolute = db_to_power(GATE_ABSOLUTE_LUFS - LOUDNESS_OFFSET_LU);
    let first = mean_above(absolute)?;
    mean_above(absolute.max(first.power * db_to_power(GATE_RELATIVE_LU)))
}

/// Share of a layer's power that may be another's, 0..=1; 1 where it has none.
fn unsure(span: &[CellPower], layer: Layer) -> f64 {
    let sum = |of: &dyn Fn(&CellPower) -> f32| span.iter().map(|c| f64::from(of(c))).sum::<f64>();
    let power = sum(&|c| c.layers[layer as usize]);
    if power > 0.0 { sum(&|c| c.unsure[layer as usize]) / power } else { 1.0 }
}

/// Loudness of a layer, and against the whole.
fn layer_level(span: &[CellPower], layer: Layer, whole: Option<Gated>) -> (Measured, Measured) {
    let nothing = |reason: &str| (Measured::absent(reason), Measured::absent(reason));
    if span.len() < BLOCK_CELLS {
        return nothing("too_short");
    }
    let Some(whole) = whole else { return nothing("silence") };
    let mean = |of: Of| block_power(span, of);
    let Some(level) = gated(span, Of::Layer(layer)) else { return nothing("not_playing") };
    if mean(Of::Layer(layer)) < mean(Of::Whole) * db_to_power(SILENT_DB) {
        return nothing("not_playing");
    }
    if level.power < whole.power * db_to_power(COVERED_DB) {
        return nothing("covered");
    }
    let (Some(own), Some(all)) = (lufs(level.power), lufs(whole.power)) else { return nothing("silence") };
    let half = half_width_db(layer, unsure(span, layer));
    let n = level.blocks as u64;
    (Measured::symmetric(own, half, n), Measured::symmetric(own - all, half, n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn horns_are_told_while_about_half_of_their_power_is_surely_theirs() {
        // Comping has seven tenths, horns three; of theirs this part may be another's.
        let told = |unsure: f64| {
            let of = [0.0, 0.0, 0.0, 0.7, 0.3, 0.0].map(|s| (s * WHOLE) as u16);
            let cells = (0..200).map(|_| Shares { of, unsure: [0, 0, 25, (unsure * UNSURE) as u8] });
            let powers = LayerReading::new(cells.collect(), Vec::new()).with_power(&[0.01; 300], 0.1);
            let second = powers.curve(Layer::Comping, &[(0.0, 25.0)], 25)[10];
            let [.., comping, horns] = powers.levels(0.0, 25.0).without_uncertain().re_band_lu;
            (comping.value.unwrap(), second.unwrap() - powers.levels(0.0, 25.0).whole_lufs.unwrap(), horns)
        };
        for unsure in [0.1, 0.53, 0.57, 0.9] {
            let (comping, second, horns) = told(unsure);
            // What may be the horns' is no part of the comping, told or not.
            assert!(
                (comping - 10.0 * 0.7f64.log10()).abs() < 0.01 && (second - comping).abs() < 0.01,
                "{comping} {second}"
            );
            let level = horns.value.map(|v| (v - 10.0 * 0.3f64.log10()).abs() < 0.01);
            let expected = if unsure < 0.55 { (Some(true), None) } else { (None, Some(TOO_UNCERTAIN)) };
            assert_eq!((level, horns.reason.as_deref()), expected, "{unsure}");
        }
    }

    #[test]
    fn a_level_that_may_be_off_by_four_decibels_is_no_level() {
        let halves = [0.6, MOST_HALF_WIDTH_DB, 4.0, 9.0];
        let lufs = halves.map(|half| Measured::symmetric(-20.0, half, 50));
        let re_band_lu = halves.map(|half| Measured::symmetric(-5.0, half, 50));
        let levels = LayerLevels { lufs, re_band_lu, whole_lufs: Some(-15.0) }.without_uncertain();
        for of in [&levels.lufs, &levels.re_band_lu] {
            assert!(of[..2].iter().all(|m| m.value.is_some()), "{of:?}");
            assert!(of[2..].iter().all(|m| m.value.is_none() && m.reason.as_deref() == Some(TOO_UNCERTAIN)), "{of:?}");
        }
    }

    #[test]
    fn the_interval_is_as_wide_as_the_network_was_unsure() {
        let half = |unsure: u8| {
            let shares = Shares { of: [30_000, 30_000, 0, 0, 0, 0], unsure: [unsure, 0, 0, 0] };
            let levels = LayerReading::new((0..200).map(|_| shares).collect(), Vec::new())
                .with_power(&[0.01; 300], 0.1)
                .levels(0.0, 25.0);
            let width =
                |layer: Layer| levels.lufs[layer as usize].high.unwrap() - levels.lufs[layer as usize].low.unwrap();
            (width(Layer::Bass) / 2.0, width(Layer::Drums) / 2.0)
        };
        // A half of 255 is a half of the power that may be another's.
        let (bass, drums) = half(128);
        assert!(
            (bass - half_width_db(Layer::Bass, 0.5)).abs() < 0.05
                && (drums - half_width_db(Layer::Drums, 0.0)).abs() < 1e-9,
            "{bass} {drums}"
        );
        assert!(half(26).0 < bass - 1.5);
    }
}
