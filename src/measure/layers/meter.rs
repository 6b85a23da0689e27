//! The layer meter: spectra in, K-weighted power of every layer out, while the tape streams.
//!
//! Conventions: a cell is [`CELL_STEPS`] steps (128 ms); kept for each cell are the shares of the K-weighted power of the
//! mono mix, in 60 000ths of the whole, and how unsure the layers' are: 16 bytes a cell, 125 bytes a second of tape; and for
//! each step the rate of hits, 23 bytes a second. What of the registers of keys and horns, and of the bass, is whose takes 63 and 250 bytes a second more.

use std::sync::Arc;

use crate::dsp::column::{Column, Packed};
use crate::dsp::dense::ROWS;
use crate::dsp::masks::MaskStep;
use crate::dsp::shelf::Shelf;
use crate::dsp::{Block, Meter};

use super::bands::BANDS;
use super::features::{FeatureStream, INPUTS, Row};
use super::hits::coded;
use super::network::{Answers, MaskStream, Network, SOURCES};
use super::reading::LayerReading;
use super::register::Register;
use super::{LAYERS, Layer};

/// Steps in a cell.
pub const CELL_STEPS: usize = 3;

/// What is kept of one cell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shares {
    /// The sources, of [`WHOLE`].
    pub of: [u16; SOURCES],
    /// How unsure each layer's power is, of [`UNSURE`]: in the mean over the layer's power, the share of a band that is not the
    /// layer's. A layer that has its bands for itself is sure; one that has a third of everything is not.
    pub unsure: [u8; LAYERS.len()],
}

impl Packed for Shares {
    const BYTES: usize = 2 * SOURCES + LAYERS.len();

    fn pack(&self, bytes: &mut Vec<u8>) {
        bytes.extend(self.of.iter().flat_map(|share| share.to_le_bytes()));
        bytes.extend(self.unsure);
    }

    fn unpack(bytes: &[u8]) -> Self {
        let byte = |at: usize| bytes.get(at).copied().unwrap_or(0);
        Self {
            of: std::array::from_fn(|at| u16::from_le_bytes([byte(2 * at), byte(2 * at + 1)])),
            unsure: std::array::from_fn(|at| byte(2 * SOURCES + at)),
        }
    }
}

/// All of a layer's power is unsure.
pub const UNSURE: f64 = 255.0;
/// Place of the horns among the sources.
const HORNS: usize = 4;
/// All of the power.
pub const WHOLE: f64 = 60_000.0;

/// Measures who plays how loud.
pub struct LayerMeter {
    features: FeatureStream,
    masks: MaskStream,
    rows: Vec<Row>,
    /// Band power of the steps that the network still works on.
    powers: std::collections::VecDeque<[f32; BANDS]>,
    /// K-weighted power of the sources in the cell that is being filled.
    cell: [f64; SOURCES],
    /// The layers' unsure power in that cell.
    unsure: [f64; LAYERS.len()],
    in_cell: usize,
    cells: Column<Shares>,
    register: Register,
    /// Rate of hits of guitar and keys, step by step: small beside the cells.
    hit_rates: Vec<u8>,
    /// Steps that were answered since somebody last asked; `None` when nobody asks.
    tapped: Option<Vec<MaskStep>>,
}

impl Default for LayerMeter {
    fn default() -> Self {
        Self::new()
    }
}

impl LayerMeter {
    /// A meter at the start of a tape.
    pub fn new() -> Self {
        Self::on(None)
    }

    /// A meter with its cells on a shelf.
    fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        let features = FeatureStream::new();
        Self {
            register: Register::new(&features.edges_hz(), shelf.clone()),
            features,
            masks: MaskStream::new(Network::fitted()),
            rows: Vec::new(),
            powers: std::collections::VecDeque::new(),
            cell: [0.0; SOURCES],
            unsure: [0.0; LAYERS.len()],
            in_cell: 0,
            cells: Column::on(shelf),
            hit_rates: Vec::new(),
            tapped: None,
        }
    }

    /// A meter that keeps the shares of every step for [`take_masks`](Self::take_masks).
    pub fn tapped() -> Self {
        Self::tapped_on(None)
    }

    /// The same, with its cells on a shelf.
    pub fn tapped_on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { tapped: Some(Vec::new()), ..Self::on(shelf) }
    }

    /// Edges of the bands of the masks, Hz.
    pub fn mask_edges_hz(&self) -> Vec<f64> {
        self.features.edges_hz()
    }

    /// The steps that were answered since the last call, in order; none unless the meter is tapped.
    pub fn take_masks(&mut self) -> Vec<MaskStep> {
        self.tapped.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// The tape is over: answers what is left, so that [`take_masks`](Self::take_masks) has it before the reading is made.
    pub fn flush(&mut self) {
        let mut last = std::mem::take(&mut self.rows);
        self.features.finish(&mut last);
        self.rows = last;
        self.run(self.rows.len());
        let mut answers = Answers::default();
        self.masks.finish(&mut answers);
        self.add(&answers);
    }

    /// Hands the first `count` waiting rows to the network.
    fn run(&mut self, count: usize) {
        let mut inputs = Vec::with_capacity(count * INPUTS);
        for row in self.rows.drain(..count) {
            inputs.extend_from_slice(&row.inputs);
            self.powers.push_back(row.power);
        }
        let mut answers = Answers::default();
        self.masks.push(&inputs, &mut answers);
        self.add(&answers);
    }

    /// Adds answered steps to the cells.
    fn add(&mut self, answers: &Answers) {
        self.hit_rates.extend(answers.hit_rates.iter().map(|rate| coded(*rate)));
        for step in answers.shares.chunks_exact(SOURCES * BANDS) {
            if let Some(tapped) = &mut self.tapped {
                let source = |at: usize| step[at * BANDS..(at + 1) * BANDS].to_vec();
                tapped.push(MaskStep { bass: source(0), drums: source(1), guitar: source(2) });
            }
            let Some(power) = self.powers.pop_front() else { return };
            let k_weights = self.features.k_weights();
            let weighted: [f32; BANDS] = std::array::from_fn(|b| power[b] * k_weights[b]);
            for (sum, share) in self.cell.iter_mut().zip(step.chunks_exact(BANDS)) {
                *sum += f64::from(share.iter().zip(&weighted).map(|(s, p)| s * p).sum::<f32>());
            }
            for (sum, power) in self.unsure.iter_mut().zip(unsure_powers(step, &weighted)) {
                *sum += f64::from(power);
            }
            self.register.push(step);
            self.in_cell += 1;
            if self.in_cell == CELL_STEPS {
                self.close_cell();
            }
        }
    }

    fn close_cell(&mut self) {
        let whole: f64 = self.cell.iter().sum();
        // Digital silence, and samples that were no numbers, belong to nobody.
        let share = |power: f64| if whole > 0.0 && whole.is_finite() { (power / whole * WHOLE).round() } else { 0.0 };
        let [bass, drums, guitar, keys, horns, ..] = self.cell;
        let layers = [bass, drums, guitar + keys, horns];
        let unsure = |layer: Layer| {
            let ratio = self.unsure[layer as usize] / layers[layer as usize];
            if ratio.is_finite() { (ratio * UNSURE).round() as u8 } else { 0 }
        };
        self.cells.push(&Shares { of: self.cell.map(|power| share(power) as u16), unsure: LAYERS.map(unsure) });
        self.cell = [0.0; SOURCES];
        self.unsure = [0.0; LAYERS.len()];
        self.in_cell = 0;
    }
}

/// Power of the layers in a step, each band weighted by the share that is not the layer's.
fn unsure_powers(step: &[f32], weighted: &[f32; BANDS]) -> [f32; LAYERS.len()] {
    let source = |at: usize| &step[at * BANDS..(at + 1) * BANDS];
    let one = |shares: &[f32]| shares.iter().zip(weighted).map(|(s, p)| s * (1.0 - s) * p).sum();
    let guitar_and_keys = source(2).iter().zip(source(3)).zip(weighted);
    let comping = guitar_and_keys.map(|((g, k), p)| (g + k) * (1.0 - g - k) * p).sum();
    [one(source(0)), one(source(1)), comping, one(source(HORNS))]
}

impl Meter for LayerMeter {
    type Reading = LayerReading;

    fn push(&mut self, block: &Block) {
        self.features.push(&block.short_spectra, &block.long_spectra, &mut self.rows);
        self.run(self.rows.len() / ROWS * ROWS);
    }

    fn finish(mut self) -> LayerReading {
        self.flush();
        if self.in_cell > 0 {
            self.close_cell();
        }
        LayerReading::new(self.cells, self.hit_rates).with_register(self.register.finish())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_layer_has_for_itself_is_sure_and_a_half_of_a_band_is_not() {
        let (mut step, mut power) = (vec![0.0; SOURCES * BANDS], [0.0; BANDS]);
        power[..4].copy_from_slice(&[2.0, 2.0, 2.0, 8.0]);
        // Bass alone, bass and drums in halves, guitar and keys in halves, horns with a quarter beside what is nobody's.
        for (source, band, share) in [(0, 0, 1.0), (0, 1, 0.5), (1, 1, 0.5), (2, 2, 0.5), (3, 2, 0.5), (HORNS, 3, 0.25)]
        {
            step[source * BANDS + band] = share;
        }
        assert_eq!(unsure_powers(&step, &power), [0.5, 0.5, 0.0, 1.5]);
    }
}
