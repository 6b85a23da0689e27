//! Who is heard in a stretch of playing: whether a player can be spoken of at all.
//!
//! Conventions: shares of the K-weighted power of the stretch, dB under the whole.
//!
//! Method: the bass and the horns are heard where the part of the power that the network gives them surely, less what may be another's,
//! is more than a small share of the whole. The keys are told from the guitar by one network output against another, for which it has no
//! measure of doubt: there the share itself is asked for, and it has to be larger.

use crate::dsp::whose::WhoPlays;
use crate::units::db_to_power;

use super::{LAYERS, Layer, LayerPowers};

/// Least sure share of the bass, and of the horns, and least share of the keys, dB (`benches/README.md`, Who plays).
const BASS_SURE_DB: f64 = -22.5;
const HORNS_SURE_DB: f64 = -33.0;
const KEYS_DB: f64 = -15.5;

impl LayerPowers {
    /// Who is heard in a stretch of playing; nobody where there is no sound.
    pub fn heard(&self, start_s: f64, end_s: f64) -> WhoPlays {
        let powers = self.mean_powers(start_s, end_s);
        let more_than = |power: f64, db: f64| power > powers[LAYERS.len()] * db_to_power(db);
        let sure = |layer: Layer| powers[layer as usize] * (1.0 - self.unsure(layer, start_s, end_s));
        let guitar = self.guitar_in_comping(start_s, end_s).unwrap_or(0.0);
        WhoPlays {
            bass: more_than(sure(Layer::Bass), BASS_SURE_DB),
            keys: more_than(powers[Layer::Comping as usize] * (1.0 - guitar), KEYS_DB),
            horns: more_than(sure(Layer::Horns), HORNS_SURE_DB),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::meter::{Shares, UNSURE, WHOLE};
    use super::super::reading::LayerReading;
    use super::*;

    /// Bass, drums, guitar, keys, horns in tenths of a per cent of the power, and how much of each layer's may be another's.
    fn heard(of: [f64; 5], unsure: f64) -> WhoPlays {
        let share = |at: usize| of.get(at).map_or(0, |s| (s / 1000.0 * WHOLE).round() as u16);
        let doubt = (unsure * UNSURE) as u8;
        let cells = (0..200).map(|_| Shares { of: std::array::from_fn(share), unsure: [doubt, 0, doubt, doubt] });
        LayerReading::new(cells.collect(), Vec::new()).with_power(&[0.01; 300], 0.1).heard(0.0, 25.0)
    }

    #[test]
    fn a_player_is_heard_by_the_share_that_is_surely_his() {
        // By hand: 22.5 dB under the whole are 5.6 thousandths, 15.5 dB 28.2, 33 dB a half.
        let [bass, keys, horns] = [(true, false, false), (false, true, false), (false, false, true)];
        let told = |of: [f64; 5], unsure: f64| {
            let h = heard(of, unsure);
            (h.bass, h.keys, h.horns)
        };
        assert_eq!(told([7.0, 900.0, 0.0, 0.0, 0.0], 0.0), bass);
        assert_eq!(told([7.0, 900.0, 0.0, 0.0, 0.0], 0.5), (false, false, false), "3.5 of it surely");
        assert_eq!(told([15.0, 900.0, 0.0, 0.0, 0.0], 0.5), bass);
        assert_eq!(told([0.0, 900.0, 0.0, 35.0, 0.0], 0.9), keys, "of guitar and keys no doubt is known");
        assert_eq!(told([0.0, 900.0, 99.0, 20.0, 0.0], 0.0), (false, false, false), "that is the guitar");
        assert_eq!(told([0.0, 900.0, 0.0, 0.0, 1.0], 0.3), horns);
        assert_eq!(told([0.0, 900.0, 0.0, 0.0, 1.0], 0.7), (false, false, false));
    }

    #[test]
    fn nobody_is_heard_in_silence() {
        let nobody = WhoPlays { bass: false, keys: false, horns: false };
        assert_eq!(LayerPowers::default().heard(0.0, 9.0), nobody);
        assert_eq!(heard([0.0; 5], 0.0), nobody);
    }
}
