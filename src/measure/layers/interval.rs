//! How far the level of a layer may be wrong.
//!
//! Conventions: dB; half-widths are 95 %. What tells is how sure the network was: `unsure` is, over the layer's own power, the
//! mean share of a band that it gave to others.
//! Source: errors of 428 levels on 99 made tapes (`benches/README.md`, Parts and forms), no gain riding, no overload: 417 inside.
//! How far a layer lies under the whole says nothing more. A layer that did not play is not in it: its truth has
//! no level.

/// Half-width of a layer that has its bands for itself, dB.
const SURE_DB: f64 = 0.6;
/// What is added where it has next to nothing of any band, dB.
const UNSURE_DB: f64 = 4.2;

/// 95 % half-width of a layer of whose power the share `unsure` (0..=1) may be another's.
pub fn half_width_db(unsure: f64) -> f64 {
    SURE_DB + UNSURE_DB * unsure.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_layer_that_shares_its_bands_is_less_certain() {
        assert_eq!([0.0, 0.5, 1.0, 7.0].map(half_width_db), [0.6, 2.7, 4.8, 4.8]);
    }
}
