//! Dense layers over many rows at once, plain arithmetic that the compiler can run on several lanes.
//!
//! Conventions: rows lie one after the other in a flat slice. The sums of a row run over the inputs in order, so a row's
//! answer does not depend on how many rows are worked on together.

use multiversion::{multiversion, target::target_cfg_f};

use super::lanes;

/// Outputs that are worked on together.
pub const LANES: usize = 8;
/// Rows that are worked on together: one sum has to wait for itself, eight fill the time and the wide registers.
pub const ROWS: usize = 8;
/// Rows that are worked on together where fewer are left.
const FEW_ROWS: usize = 4;

/// Weights and biases of a layer without its curve.
pub struct Dense {
    inputs: usize,
    outputs: usize,
    /// For each group of [`LANES`] outputs, input by input.
    panels: Vec<[f32; LANES]>,
    bias: Vec<f32>,
}

impl Dense {
    /// A layer from weights that lie output by output; `bias.len()` must be a multiple of [`LANES`].
    pub fn new(weights: &[f32], bias: Vec<f32>) -> Self {
        let outputs = bias.len();
        let inputs = weights.len() / outputs;
        let panels = (0..outputs / LANES)
            .flat_map(|group| {
                (0..inputs).map(move |i| std::array::from_fn(|lane| weights[(group * LANES + lane) * inputs + i]))
            })
            .collect();
        Self { inputs, outputs, panels, bias }
    }

    /// The answers for all of `rows`.
    pub fn of(&self, rows: &[f32]) -> Vec<f32> {
        let mut out = Vec::new();
        self.apply(rows, &mut out);
        out
    }

    /// Appends the answer for every row of `rows` to `out`.
    pub fn apply(&self, rows: &[f32], out: &mut Vec<f32>) {
        let from = out.len();
        let count = rows.len() / self.inputs;
        out.resize(from + count * self.outputs, 0.0);
        all_tiles(self, rows, count, &mut out[from..]);
    }

    /// The answers for `N` rows from `first` on.
    #[inline(always)]
    fn tile<const N: usize, const FUSED: bool>(&self, rows: &[f32], first: usize, out: &mut [f32]) {
        let row = |r: usize| &rows[(first + r) * self.inputs..][..self.inputs];
        // Input by input: what is needed together lies together.
        let mut packed = vec![[0.0; N]; self.inputs];
        for r in 0..N {
            packed.iter_mut().zip(row(r)).for_each(|(inputs, x)| inputs[r] = *x);
        }
        for (group, (panel, bias)) in
            self.panels.chunks_exact(self.inputs).zip(self.bias.as_chunks::<LANES>().0).enumerate()
        {
            let mut sums = [*bias; N];
            for (weights, inputs) in panel.iter().zip(&packed) {
                for (sum, x) in sums.iter_mut().zip(inputs) {
                    for (s, w) in sum.iter_mut().zip(weights) {
                        *s = lanes::multiply_add::<FUSED>(*x, *w, *s);
                    }
                }
            }
            for (r, sum) in sums.iter().enumerate() {
                out[(first + r) * self.outputs + group * LANES..][..LANES].copy_from_slice(sum);
            }
        }
    }

    #[inline(always)]
    fn tiles<const FUSED: bool>(&self, rows: &[f32], count: usize, out: &mut [f32]) {
        let whole = count / ROWS * ROWS;
        for first in (0..whole).step_by(ROWS) {
            self.tile::<ROWS, FUSED>(rows, first, out);
        }
        let few = whole + (count - whole) / FEW_ROWS * FEW_ROWS;
        for first in (whole..few).step_by(FEW_ROWS) {
            self.tile::<FEW_ROWS, FUSED>(rows, first, out);
        }
        for first in few..count {
            self.tile::<1, FUSED>(rows, first, out);
        }
    }
}

#[multiversion(targets("x86_64+avx2+fma"))]
fn all_tiles(layer: &Dense, rows: &[f32], count: usize, out: &mut [f32]) {
    if target_cfg_f!(target_feature = "fma") {
        layer.tiles::<true>(rows, count, out);
    } else {
        layer.tiles::<false>(rows, count, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_layer_is_the_plain_double_loop_for_any_number_of_rows() {
        let (inputs, outputs) = (7, 16);
        let weights: Vec<f32> = (0..inputs * outputs).map(|i| ((i * 37 % 23) as f32 - 11.0) / 8.0).collect();
        let bias: Vec<f32> = (0..outputs).map(|o| o as f32).collect();
        let layer = Dense::new(&weights, bias.clone());
        for count in [0, 1, 3, 4, 9, 13] {
            let rows: Vec<f32> = (0..count * inputs).map(|i| ((i * 13 % 7) as f32) - 3.0).collect();
            let mut out = Vec::new();
            layer.apply(&rows, &mut out);
            assert_eq!(out.len(), count * outputs);
            for (at, y) in out.iter().enumerate() {
                let (r, o) = (at / outputs, at % outputs);
                let plain: f32 = (0..inputs).map(|i| rows[r * inputs + i] * weights[o * inputs + i]).sum();
                assert!((y - plain - bias[o]).abs() < 1e-4, "{y} {plain}");
            }
        }
    }
}
