//! What is known besides the peaks: who plays in each take, and from the band sheet how many strings the bass has and the pitch that the band
//! means.
//!
//! Conventions: offsets are known modulo a semitone only. Without a hint they are told within half a semitone of A4 = 440 Hz;
//! with one, within half a semitone of the pitch that is meant. No offset is moved by anything but whole semitones, so the
//! hint is never the answer.

use crate::dsp::whose::{WhoPlays, Whose};
use crate::stats::Measured;
use crate::units::{TUNING_A4_HZ, hz_ratio_to_cents};

use super::summary::{InstrumentTuning, PlayerTuning, TakeTuning, TapeTuning};

/// Hints to the tuning.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TuningHints {
    /// A4 as the band means it, Hz.
    pub concert_pitch_hz: Option<f64>,
    /// Strings of the bass.
    pub bass_strings: Option<u8>,
    /// Offset of the bass in each take, by a recorder close to it; empty without one. It goes before what the mix says.
    pub close_bass: Vec<Measured>,
    /// Who plays in each take; empty where nobody knows. Whoever does not is not looked for: what the others leave can always be read as
    /// somebody's pitch.
    pub players: Vec<WhoPlays>,
    /// Whose the tones are in the register of keys and horns.
    pub whose: Option<Whose>,
}

impl TuningHints {
    /// What a close recording says of the bass in take number `at`.
    pub fn close_bass_of(&self, at: usize) -> Option<&Measured> {
        self.close_bass.get(at).filter(|m| m.value.is_some())
    }

    /// Who plays in take number `at`.
    pub fn players_of(&self, at: usize) -> WhoPlays {
        self.players.get(at).copied().unwrap_or(WhoPlays::ALL)
    }
}

/// Semitones, in cents, that bring `cents` to within half a semitone of `meant`.
fn shift(cents: f64, meant: f64) -> f64 {
    100.0 * ((meant - cents) / 100.0).round()
}

fn moved(m: &mut Measured, by: impl Fn(f64) -> f64) {
    let Some(value) = m.value else { return };
    let shifted = by(value);
    if shifted != value {
        let step = shifted - value;
        (m.value, m.low, m.high) = (Some(shifted), m.low.map(|l| l + step), m.high.map(|h| h + step));
    }
}

/// The same tuning, told near the pitch that is meant. A player's figures of the tape move together.
pub fn near_pitch(mut tuning: TapeTuning, meant_hz: f64) -> TapeTuning {
    let meant = hz_ratio_to_cents(meant_hz, TUNING_A4_HZ);
    let near = |cents: f64| cents + shift(cents, meant);
    moved(&mut tuning.concert_pitch_hz, |hz| {
        let cents = hz_ratio_to_cents(hz, TUNING_A4_HZ);
        hz * 2f64.powf(shift(cents, meant) / 1200.0)
    });
    for take in &mut tuning.takes {
        let TakeTuning { bass, guitar, piano, horns, .. } = take;
        for PlayerTuning { offset_from_a440_cents, .. } in [bass, guitar, piano, horns] {
            moved(offset_from_a440_cents, near);
        }
    }
    for player in [&mut tuning.bass, &mut tuning.guitar, &mut tuning.piano] {
        let InstrumentTuning { offset_from_a440_cents, at_start_cents, at_end_cents, .. } = player;
        let step = offset_from_a440_cents.value.map_or(0.0, |v| shift(v, meant));
        for m in [offset_from_a440_cents, at_start_cents, at_end_cents] {
            moved(m, |cents| cents + step);
        }
    }
    for curve in [&mut tuning.bass_cents, &mut tuning.guitar_cents, &mut tuning.band_cents] {
        curve.iter_mut().flatten().for_each(|cents| *cents = near(*cents));
    }
    tuning
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_whole_semitones_move_and_only_towards_the_pitch_that_is_meant() {
        // A band at A = 453 Hz stands 50.4 cents sharp: without a hint it looks 49.6 cents flat.
        assert_eq!(shift(-49.6, hz_ratio_to_cents(453.0, 440.0)), 100.0);
        assert_eq!(shift(12.0, 0.0), 0.0);
        // A band that means 442 and plays 30 cents flat is told 30 cents flat.
        assert_eq!(shift(-30.0, hz_ratio_to_cents(442.0, 440.0)), 0.0);
        let mut m = Measured::symmetric(-49.6, 2.0, 9);
        moved(&mut m, |c| c + shift(c, 50.4));
        assert_eq!((m.value, m.low, m.high), (Some(50.4), Some(48.4), Some(52.4)));
        let mut none = Measured::absent("no_bass_heard");
        moved(&mut none, |c| c + 100.0);
        assert_eq!(none.value, None);
    }
}
