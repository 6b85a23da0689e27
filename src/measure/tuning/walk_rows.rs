//! What the network of the bass line hears in a frame: how strongly each key's multiples sound.
//!
//! Conventions: a grid of [`KEYS`] keys, a semitone apart, from a lowest pitch that stands where the bass is tuned; pitches are fractional
//! MIDI numbers.
//!
//! Method: every peak, levelled as for [`super::line`], speaks for the keys whose multiple it is; so it does for those fractions that would tell
//! for another key (a third, a half, three halves ...).

use super::compact::PeakStore;
use super::line::{EVIDENCE, HALF_WIDTH, LOWEST_MIDI, LongTermLevel, MIDDLE_MIDI, quiet, voices};

/// Keys of the grid: the highest is D3; higher bass notes are left to the comping instruments.
pub const KEYS: usize = 29;
/// Places in a semitone at which a grid may stand.
pub const PLACES_OF_GRID: usize = 4;
/// Of the multiples the key itself, its octave and the twelfth: what a bass is strongest in.
const STRONGEST: [usize; 3] = [3, 6, 8];
/// Numbers that the network hears of a key: its multiples, and where it lies (octaves from the middle, and their square).
pub const INPUTS: usize = EVIDENCE.len() + 2;

/// What is heard of one frame, key by key.
pub type FrameRows = [[f32; INPUTS]; KEYS];

/// A grid of keys, and how a take is levelled.
pub struct Listener<'a> {
    level: &'a LongTermLevel,
    /// See [`quiet`].
    quiet: f64,
    lowest_midi: f64,
}

impl<'a> Listener<'a> {
    /// For frames `first..end` on the grid at `place` of [`PLACES_OF_GRID`].
    pub fn new(store: &PeakStore, level: &'a LongTermLevel, (first, end): (usize, usize), place: usize) -> Self {
        Self { level, quiet: quiet(store, level, first, end), lowest_midi: 0.0 }.at(place)
    }

    /// The same on another grid.
    pub fn at(self, place: usize) -> Self {
        Self { lowest_midi: LOWEST_MIDI + place as f64 / PLACES_OF_GRID as f64, ..self }
    }

    /// Pitch of a key.
    pub fn midi(&self, key: usize) -> f64 {
        self.lowest_midi + key as f64
    }

    /// What is heard of a frame.
    pub fn rows(&self, store: &PeakStore, index: usize) -> FrameRows {
        let voices = voices(store, self.level, self.quiet, index).unwrap_or_default();
        let mut rows = [[0.0; INPUTS]; KEYS];
        for (number, (multiple, ..)) in EVIDENCE.iter().enumerate() {
            let above = self.lowest_midi + 12.0 * multiple.log2();
            for (midi, strength) in &voices {
                speak(&mut rows, number, midi - above, *strength);
            }
        }
        for (key, row) in rows.iter_mut().enumerate() {
            let octaves = (self.midi(key) - MIDDLE_MIDI) / 12.0;
            row[INPUTS - 2..].copy_from_slice(&[octaves as f32, (octaves * octaves) as f32]);
        }
        rows
    }
}

/// Raises what the keys around `place` (in keys from the lowest) hear of a multiple to what one peak says for them.
fn speak(rows: &mut FrameRows, multiple: usize, place: f64, strength: f64) {
    let nearest = (place - HALF_WIDTH).ceil();
    for key in [nearest, nearest + 1.0] {
        let said = (strength * (1.0 - (place - key).abs() / HALF_WIDTH)) as f32;
        if key >= 0.0 && key < KEYS as f64 {
            let heard = &mut rows[key as usize][multiple];
            *heard = heard.max(said);
        }
    }
}

/// How well the strongest key of a frame sounds in what a bass is strongest in.
pub fn strongest(rows: &FrameRows) -> f32 {
    rows.iter().map(|row| STRONGEST.iter().map(|m| row[*m]).sum()).fold(0.0, f32::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;
    use crate::units::midi_to_hz;

    #[test]
    fn a_note_speaks_for_its_key_and_its_fractions() {
        let mut store = PeakStore::default();
        let f0 = midi_to_hz(33.25) as f32;
        store.push(&[Peak { hz: f0, amplitude: 0.1 }, Peak { hz: 2.0 * f0, amplitude: 0.1 }]);
        let level = LongTermLevel::of(&store, &[(0, 1)]);
        let listener = Listener::new(&store, &level, (0, 1), 1);
        let rows = listener.rows(&store, 0);
        let key = 11;
        assert!((listener.midi(key) - 33.25).abs() < 1e-9);
        // By itself and by its octave; the octave also as the fundamental of the key above.
        let heard = |key: usize, multiple: f64| rows[key][EVIDENCE.iter().position(|e| e.0 == multiple).unwrap()];
        let (own, octave) = (heard(key, 1.0), heard(key, 2.0));
        assert!(own > 0.3 && octave > 0.3, "{own} {octave}");
        assert!((heard(key + 12, 1.0) - octave).abs() < 1e-3 && (heard(key + 12, 0.5) - own).abs() < 1e-3);
        assert_eq!((heard(key, 3.0), heard(key + 1, 1.0)), (0.0, 0.0));
        // Half a semitone beside the grid it speaks a sixth as much, for both neighbours.
        let beside = listener.at(3).rows(&store, 0);
        let share = 1.0 - 0.5 / HALF_WIDTH;
        assert!(
            (f64::from(beside[key - 1][3] / own) - share).abs() < 0.01
                && (beside[key][3] - beside[key - 1][3]).abs() < 0.01
        );
        assert!((f64::from(rows[key][INPUTS - 2]) - (33.25 - 36.0) / 12.0).abs() < 1e-6, "where it lies");
    }

    #[test]
    fn a_frame_in_silence_says_nothing() {
        let mut store = PeakStore::default();
        store.push(&[]);
        let level = LongTermLevel::of(&store, &[(0, 1)]);
        let rows = Listener::new(&store, &level, (0, 1), 0).rows(&store, 0);
        assert!(rows.iter().all(|row| row[..INPUTS - 2].iter().all(|x| *x == 0.0)));
        assert_eq!(strongest(&rows), 0.0);
    }
}
