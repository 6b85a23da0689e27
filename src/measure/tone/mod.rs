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
mod one_note;
mod share;

use crate::dsp::column::Column;
use crate::dsp::level_code::level_dbfs;
use crate::dsp::rows::Rows;

pub use change::{BassBands, Control, ControlChange, low_re_mid_change_of};
pub use difference::{LEAST_SHARE_FOR_KIND, ToneDifference, ToneKind, tone_difference};
pub use line::{PARTIALS, place_hz, place_midi};
pub use meter::{Second, ToneMeter};
pub use notes::{FEWEST_FOR_LOW, FIRST_MIDI, NOTES, NoteSpectrum, median_spectrum, note_hz};
pub use share::LowEndShares;

use meter::HEAD_BYTES;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "tone-5";
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
    seconds: Column<Second>,
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
    /// Codes of the level of every partial and of the share of the bass there.
    partials: [[u8; 2]; PARTIALS],
}

/// The share that a code stands for.
fn share_of(code: u8) -> f64 {
    f64::from(code) / 255.0
}

impl ToneReading {
    /// The rows of a span in which a note was found.
    pub fn rows(&self, start_s: f64, end_s: f64) -> impl Iterator<Item = ToneRow> + use<'_> {
        let hop_s = crate::dsp::spectrum::LONG_FRAMING.hop_s();
        let first = (start_s / hop_s).ceil().max(0.0) as usize;
        let end = (end_s / hop_s).ceil().max(0.0) as usize;
        let read = move |at: usize, row: &[u8]| {
            let place = row[0].checked_sub(1)?;
            Some(ToneRow {
                at_s: at as f64 * hop_s,
                place,
                clearness: f64::from(row[1]) / 50.0,
                own_dbfs: level_dbfs(row[2]),
                own_share: share_of(row[3]),
                partials: std::array::from_fn(|k| [row[HEAD_BYTES + 2 * k], row[HEAD_BYTES + 1 + 2 * k]]),
            })
        };
        self.rows.chunks(first..end).flat_map(move |chunk| {
            let rows = self.rows.view();
            chunk.filter_map(|at| read(at, rows.get(at)?)).collect::<Vec<ToneRow>>()
        })
    }

    /// The seconds that the spans touch, each with the share of it that they cover.
    fn weighted(&self, spans: &[(f64, f64)]) -> Vec<(f64, Second)> {
        self.seconds.seconds(spans)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::dsp::filters::{Biquad, BiquadFilter};
    use crate::dsp::masks::MaskStep;
    use crate::dsp::spectrum::{LONG_FRAMING, SpectrumStream};
    use crate::dsp::{ANALYSIS_RATE_HZ, Block};

    const SECONDS: usize = 40;

    /// A walking bass of half-second notes from E1 to A2, six partials each, some played softer.
    fn walking() -> Vec<f32> {
        let rate = f64::from(ANALYSIS_RATE_HZ);
        (0..SECONDS * ANALYSIS_RATE_HZ as usize)
            .map(|i| {
                let t = i as f64 / rate;
                let beat = (t / 0.5) as usize;
                let hz = note_hz(28.0 + (beat * 7 % 18) as f64);
                let loud = 0.05 + 0.05 * (beat % 3) as f64;
                let partial = |k: u32| (std::f64::consts::TAU * hz * f64::from(k) * t).sin() / f64::from(k * k);
                (loud * (-2.0 * (t - 0.5 * beat as f64)).exp() * (1..=6).map(partial).sum::<f64>()) as f32
            })
            .collect()
    }

    /// Reads samples whose every band belongs to the bass, the drums and the guitar by these shares.
    fn read(samples: &[f32], [bass, drums, guitar]: [f32; 3]) -> ToneReading {
        let edges: Vec<f64> = (0..=40).map(|i| f64::from(i) * 100.0).collect();
        let mut meter = ToneMeter::new(&edges);
        let mut long = SpectrumStream::new(LONG_FRAMING);
        let mut block = Block::default();
        long.push(samples, &mut block.long_spectra);
        long.finish(&mut block.long_spectra);
        let step = MaskStep { bass: vec![bass; 40], drums: vec![drums; 40], guitar: vec![guitar; 40] };
        meter.push(&block, vec![step; samples.len() / 2048 + 2]);
        meter.finish()
    }

    const ALL: [(f64, f64); 1] = [(0.0, SECONDS as f64)];

    #[test]
    fn a_shelf_on_a_synthesised_bass_is_read_within_a_decibel() {
        let flat = read(&walking(), [1.0, 0.0, 0.0]).note_spectrum(&ALL);
        assert!(flat.heard() >= 15, "{}", flat.heard());
        for (corner, db) in [(80.0, 8.0), (100.0, -6.0), (120.0, 4.0), (140.0, -8.0)] {
            let mut turned = walking();
            BiquadFilter::new(Biquad::low_shelf(f64::from(ANALYSIS_RATE_HZ), corner, 1.0, db)).process(&mut turned);
            let found = tone_difference(&flat, &read(&turned, [1.0, 0.0, 0.0]).note_spectrum(&ALL));
            // Nothing is handed on to other layers here, so what is usually lost comes on top.
            let low = 0.95 * found.low_db.value.unwrap();
            assert!((low - db).abs() < 1.0, "{db} dB at {corner} Hz: {low}");
            assert_eq!(found.kind, ToneKind::EveryNote);
        }
    }

    #[test]
    fn playing_softer_or_only_some_of_the_notes_is_no_knob() {
        let reading = read(&walking(), [1.0, 0.0, 0.0]);
        let flat = reading.note_spectrum(&ALL);
        let softer: Vec<f32> = walking().iter().map(|x| x * 0.3).collect();
        let found = tone_difference(&flat, &read(&softer, [1.0, 0.0, 0.0]).note_spectrum(&ALL));
        assert!(found.low_db.value.unwrap().abs() < 0.3, "{:?}", found.low_db);
        let part = tone_difference(&flat, &reading.note_spectrum(&[(3.0, 23.0)]));
        assert!(part.low_db.value.unwrap().abs() < 1.0, "{:?}", part.low_db);
    }

    #[test]
    fn the_low_end_is_shared_out_as_the_layers_are() {
        let shares = read(&walking(), [0.7, 0.2, 0.1]).low_end_shares(&ALL);
        for (got, expected) in [(shares.bass, 0.7), (shares.kick, 0.2), (shares.other, 0.1)] {
            assert!((got.value.unwrap() - expected).abs() < 0.005, "{got:?}");
            assert!(got.low.unwrap() <= expected && expected <= got.high.unwrap());
        }
        let none = read(&walking(), [0.7, 0.2, 0.1]).low_end_shares(&[]);
        assert_eq!(none.bass.reason.as_deref(), Some("no_takes"));
        let silent = read(&vec![0.0; 96_000], [0.7, 0.2, 0.1]).low_end_shares(&[(0.0, 2.0)]);
        assert_eq!(silent.kick.reason.as_deref(), Some("silence"));
    }

    #[test]
    fn turning_the_bass_down_changes_the_low_end_by_its_share() {
        let level = ControlChange { control: Control::Level, corner_hz: 0.0, change_db: -6.0 };
        let low = ControlChange { control: Control::Low, corner_hz: 100.0, change_db: -6.0 };
        let all = read(&walking(), [1.0, 0.0, 0.0]);
        // All is the bass: low end and middle fall alike.
        assert!(all.low_re_mid_change_db(&ALL, &[level]).unwrap().abs() < 0.05);
        let shelf = all.low_re_mid_change_db(&ALL, &[low]).unwrap();
        assert!((-6.0..-2.5).contains(&shelf), "{shelf}");
        let half = read(&walking(), [0.5, 0.5, 0.0]).low_re_mid_change_db(&ALL, &[low]).unwrap();
        assert!(half > shelf && half < -0.8, "{half}");
        assert_eq!(all.low_re_mid_change_db(&[], &[low]), None);
    }
}
