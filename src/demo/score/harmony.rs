//! Chord changes. Invented from the commonest moves of the trade (common practice, no source).

use super::super::scenario::Form;

/// A chord: root as pitch class and intervals above it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chord {
    pub root: u8,
    /// Chord tones above the root: root, third, fifth, seventh, ninth.
    pub tones: [u8; 5],
    /// Scale above the root.
    pub scale: [u8; 7],
}

const DOMINANT: ([u8; 5], [u8; 7]) = ([0, 4, 7, 10, 2], [0, 2, 4, 5, 7, 9, 10]);
const MINOR: ([u8; 5], [u8; 7]) = ([0, 3, 7, 10, 2], [0, 2, 3, 5, 7, 9, 10]);
const MAJOR: ([u8; 5], [u8; 7]) = ([0, 4, 7, 11, 2], [0, 2, 4, 5, 7, 9, 11]);

type Change = (u8, ([u8; 5], [u8; 7]));

const BLUES: [Change; 12] = [
    (0, DOMINANT),
    (5, DOMINANT),
    (0, DOMINANT),
    (0, DOMINANT),
    (5, DOMINANT),
    (5, DOMINANT),
    (0, DOMINANT),
    (9, DOMINANT),
    (2, MINOR),
    (7, DOMINANT),
    (0, DOMINANT),
    (7, DOMINANT),
];
const SONG_A: [Change; 4] = [(0, MAJOR), (9, MINOR), (2, MINOR), (7, DOMINANT)];
const SONG_B: [Change; 4] = [(5, MAJOR), (10, DOMINANT), (2, DOMINANT), (7, DOMINANT)];

impl Chord {
    fn new(key: u8, change: Change) -> Self {
        Self { root: (key + change.0) % 12, tones: change.1.0, scale: change.1.1 }
    }

    /// Pitch class of a chord tone (0 root, 1 third, 2 fifth, 3 seventh, 4 ninth).
    pub fn tone(&self, which: usize) -> u8 {
        (self.root + self.tones[which % 5]) % 12
    }

    /// Is the pitch class one of the first four chord tones?
    pub fn holds(&self, midi: u8) -> bool {
        (0..4).any(|k| self.tone(k) == midi % 12)
    }
}

/// One chord a bar.
pub(super) fn changes(form: Form, key: u8) -> Vec<Chord> {
    let bars: Vec<Change> = match form {
        Form::Blues => BLUES.to_vec(),
        Form::Song => [SONG_A, SONG_A, SONG_B, SONG_A].concat(),
    };
    bars.into_iter().map(|c| Chord::new(key, c)).collect()
}

/// The note of pitch class `class` nearest to `near` inside `low..=high`.
pub(super) fn nearest(class: u8, near: f64, low: u8, high: u8) -> u8 {
    (low..=high)
        .filter(|k| k % 12 == class % 12)
        .min_by(|a, b| (f64::from(*a) - near).abs().total_cmp(&(f64::from(*b) - near).abs()))
        .unwrap_or(low)
}
