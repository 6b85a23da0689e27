//! The fitted numbers of the layer network, in files beside this one.
//!
//! Conventions: see [`crate::dsp::fitted`]; layer after layer, a block's taps tap by tap before its dense layer. Written by
//! `benches/layers_fit/export.py`, not by hand.

use crate::dsp::fitted::WeightReader;

static MASKS: &[u8] = include_bytes!("weights.f16");
static HITS: &[u8] = include_bytes!("hits.f16");

/// The numbers of the masks.
pub fn masks() -> WeightReader {
    WeightReader::new(MASKS)
}

/// The numbers of the hits.
pub fn hits() -> WeightReader {
    WeightReader::new(HITS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::layers::network::Network;

    #[test]
    fn the_files_hold_exactly_the_numbers_of_the_network() {
        for (file, mut all, numbers) in [(MASKS, masks(), Network::NUMBERS), (HITS, hits(), Network::HIT_NUMBERS)] {
            assert_eq!(file.len(), 2 * numbers);
            assert!(all.numbers(numbers).iter().all(|x| x.is_finite()));
        }
    }
}
