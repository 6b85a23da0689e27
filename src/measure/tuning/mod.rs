//! Tuning of bass, guitar, piano, horns and the band, from one recording of the whole room.
//!
//! Conventions: cents, plus = sharp; offsets count from equal temperament at A4 = 440 Hz, or from the band's own pitch;
//! strings and notes by their sounding MIDI number; times in seconds from the start of the tape.
//!
//! One pass keeps spectral peaks only ([`TuningMeter`]); once the passages are known, [`measure_tuning`] reads them.

mod band;
mod bass;
mod beginning;
mod circle;
mod close;
mod close_leaning;
mod compact;
mod densest;
mod fall;
mod guitar;
mod guitar_net;
mod guitar_rows;
mod harmony;
mod heard;
mod hints;
mod leaning;
mod line;
mod model;
mod normal;
mod offset;
mod own_line;
mod played_strings;
mod plucked;
mod readings;
mod settled;
mod single;
mod strings;
mod strings_say;
mod summary;
mod tracks;
mod trend;
mod tuned_before;
mod walk;
mod walk_hearing;
mod walk_net;
mod walk_rows;

use std::sync::Arc;

use crate::dsp::decimate::Decimator;
use crate::dsp::peaks::PeakStream;
use crate::dsp::shelf::Shelf;
use crate::dsp::{Block, Meter};
use crate::stats::Measured;

pub use close::close_bass;
use compact::{PEAKS, PeakStore};
pub use guitar_rows::GuitarRows;
pub use harmony::{BeatClasses, HARMONY_METHOD_ID, Harmony};
pub use hints::TuningHints;
pub use played_strings::PlayedString;
pub use strings::{OPEN_STRINGS, OpenString, StringPlayer};
pub use summary::{InstrumentTuning, PlayerTuning, TakeTuning, TapeTuning, measure_tuning, measure_tuning_with};
pub use walk_hearing::WalkRows;

/// Changes whenever a number of this family may move.
pub const METHOD_ID: &str = "tuning-17";

/// Keeps the spectral peaks of the tape, at most 2.6 kB a second.
pub struct TuningMeter {
    decimator: Decimator,
    stream: PeakStream,
    low: Vec<f32>,
    store: PeakStore,
}

/// What the meter kept.
#[derive(Clone, Debug, Default)]
pub struct TuningReading {
    store: PeakStore,
}

impl TuningReading {
    /// Pitch of the one note that sounds in `start_s..end_s` of a close recording, in cents above MIDI 0 (6900 = A4 at
    /// 440 Hz), with its 95 % interval; absent with "no_note_heard".
    pub fn single_note(&self, start_s: f64, end_s: f64) -> Measured {
        single::single_note(&self.store, start_s, end_s)
    }

    /// What the network of the bass line hears of each of the takes `(start_s, end_s)`, on the grid that stands at the quarter of a semitone
    /// (0 to 3) given with it in `places`: the rows that its weights are fitted on.
    pub fn walk_rows(&self, takes_s: &[(f64, f64)], places: &[usize]) -> Vec<WalkRows> {
        WalkRows::of(&self.store, takes_s, places)
    }

    /// What the network of the guitar hears of each of the takes `(start_s, end_s)`: the rows that its weights are fitted on.
    pub fn guitar_rows(&self, takes_s: &[(f64, f64)]) -> Vec<GuitarRows> {
        GuitarRows::of(&self.store, takes_s)
    }
}

impl TuningMeter {
    /// A meter at the start of a tape.
    pub fn new() -> Self {
        Self::on(None)
    }

    /// A meter at the start of a tape that keeps what it has on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        // 48 kHz to 6 kHz; flat to 1.7 kHz, what would fold below that is 70 dB down or more.
        Self {
            decimator: Decimator::new(8, 0.0625, 48),
            stream: PeakStream::new(PEAKS),
            low: Vec::new(),
            store: PeakStore::on(shelf),
        }
    }
}

impl Default for TuningMeter {
    fn default() -> Self {
        Self::new()
    }
}

impl Meter for TuningMeter {
    type Reading = TuningReading;

    fn push(&mut self, block: &Block) {
        self.low.clear();
        self.decimator.push(&block.mono, &mut self.low);
        let store = &mut self.store;
        self.stream.push(&self.low, |peaks| store.push(peaks));
    }

    fn finish(mut self) -> TuningReading {
        self.low.clear();
        self.decimator.finish(&mut self.low);
        let store = &mut self.store;
        self.stream.push(&self.low, |peaks| store.push(peaks));
        self.stream.finish(|peaks| store.push(peaks));
        TuningReading { store: self.store }
    }
}
