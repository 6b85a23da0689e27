//! Tone of the bass: whose the low end is, how strong each note sounds, and what an amplifier's controls would change.
//!
//! Conventions: powers are mean squares of the mono mix; the bass layer is the share of the spectrum that the layers family
//! finds; spans are seconds, half-open; plus = more. Steps of a note spectrum are semitones of partials, whatever the note
//! that was played, so that other tunes and other keys meet on one scale; its level as a whole says nothing (softer
//! playing must not look like a knob).
//! Limits: natural basses differ from each other by far more than a control moves (on 35 rendered takes of ten basses the
//! low control read off one tape alone spread by a standard deviation of 10 dB). So a note spectrum is only ever held
//! against another one of the same player: the target's, or another tape's. Above about 400 Hz the bass is not told from
//! the rest of a band; nothing is said there.

mod change;
mod difference;
mod line;
mod meter;
mod notes;
mod share;

use crate::dsp::rows::Rows;

pub use change::{Control, ControlChange};
pub use difference::{ToneDifference, ToneKind, tone_difference};
pub use line::{PARTIALS, place_hz, place_midi};
pub use meter::{Second, ToneMeter};
pub use notes::{FIRST_MIDI, NOTES, NoteSpectrum, median_spectrum, note_hz};
pub use share::LowEndShares;

use meter::HEAD_BYTES;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "tone-1";
/// The low end, Hz.
pub const LOW_END_HZ: (f64, f64) = (40.0, 160.0);
/// The middle, Hz.
pub const MIDDLE_HZ: (f64, f64) = (400.0, 2500.0);
/// Narrow bands in the low end: thirds of an octave.
pub const LOW_BANDS: usize = 6;
/// Narrow bands in the middle.
pub const MIDDLE_BANDS: usize = 8;
/// All narrow bands.
pub const NARROW: usize = LOW_BANDS + MIDDLE_BANDS;

/// Edges of the narrow bands, Hz.
pub fn narrow_edges_hz() -> [(f64, f64); NARROW] {
    std::array::from_fn(|at| {
        let ((low, high), parts, part) =
            if at < LOW_BANDS { (LOW_END_HZ, LOW_BANDS, at) } else { (MIDDLE_HZ, MIDDLE_BANDS, at - LOW_BANDS) };
        let edge = |i: usize| low * (high / low).powf(i as f64 / parts as f64);
        (edge(part), edge(part + 1))
    })
}

/// All that is kept of the tone of a tape.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneReading {
    rows: Rows,
    seconds: Vec<Second>,
}

/// One row, read.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneRow {
    /// Seconds from the start of the tape.
    pub at_s: f64,
    /// Place of the note.
    pub place: u8,
    /// How clearly it stands out.
    pub clearness: f64,
    /// Level of the bass in its own range, dBFS.
    pub own_dbfs: f64,
    /// Share of the bass there.
    pub own_share: f64,
    /// Level of every partial, dBFS, and the share of the bass there.
    pub partials: [(f64, f64); PARTIALS],
}

impl ToneReading {
    /// The rows of a span in which a note was found.
    pub fn rows(&self, start_s: f64, end_s: f64) -> Vec<ToneRow> {
        let hop_s = crate::dsp::spectrum::LONG_FRAMING.hop_s();
        let first = (start_s / hop_s).ceil().max(0.0) as usize;
        let end = (end_s / hop_s).ceil().max(0.0) as usize;
        let read = |(at, row): (usize, &[u8])| {
            let place = row[0].checked_sub(1)?;
            let level = |b: u8| f64::from(b) / 2.0 - 120.0;
            let share = |b: u8| f64::from(b) / 255.0;
            Some(ToneRow {
                at_s: at as f64 * hop_s,
                place,
                clearness: f64::from(row[1]) / 50.0,
                own_dbfs: level(row[2]),
                own_share: share(row[3]),
                partials: std::array::from_fn(|k| (level(row[HEAD_BYTES + 2 * k]), share(row[HEAD_BYTES + 1 + 2 * k]))),
            })
        };
        (first..).zip(self.rows.range(first..end)).filter_map(read).collect()
    }

    /// Sums of every second.
    pub fn seconds(&self) -> &[Second] {
        &self.seconds
    }

    /// The seconds that the spans touch, each with the share of it that they cover.
    fn weighted(&self, spans: &[(f64, f64)]) -> Vec<(f64, &Second)> {
        let cover = |at: usize| -> f64 {
            let (from, to) = (at as f64, at as f64 + 1.0);
            spans.iter().map(|(s, e)| (e.min(to) - s.max(from)).max(0.0)).sum::<f64>().min(1.0)
        };
        self.seconds.iter().enumerate().map(|(at, s)| (cover(at), s)).filter(|(w, _)| *w > 0.0).collect()
    }
}
