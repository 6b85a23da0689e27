//! How one note spectrum differs from another: on every note, as a low control does it, or on one note, as a room does it.
//!
//! Conventions: the difference of two spectra is fitted by the response of a low shelf of unknown gain (corners 80 to
//! 140 Hz) and by that of a narrow peak at some semitone, each with a free level; robust least squares. The peak is only
//! believed when it fits much better than the shelf.
//! Source: responses by the audio EQ cookbook (W3C Group Note, 8 June 2021); robust weights by Huber, Annals of
//! Mathematical Statistics 35(1), 1964. Figures by `benches/amp_fit`.

use super::notes::{FIRST_MIDI, NOTES, NoteSpectrum, note_hz};
use crate::dsp::filters::Biquad;
use crate::stats::Measured;

/// Corners of the shelves that are tried, Hz.
const CORNERS_HZ: [f64; 4] = [80.0, 100.0, 120.0, 140.0];
/// Gain at which their shape is taken, dB.
const SHELF_DB: f64 = 6.0;
/// Qualities of the peaks that are tried.
const QUALITIES: [f64; 3] = [8.0, 12.0, 18.0];
/// Gain at which their shape is taken, dB.
const PEAK_DB: f64 = 10.0;
/// The peak must fit better than the shelf by this factor.
const MUCH_BETTER: f64 = 0.7;
/// Semitones that both spectra need.
pub const FEWEST_NOTES: usize = 8;
/// Residuals beyond this count less, dB.
const ROBUST_DB: f64 = 1.0;
/// Rounds of the robust fit.
const ROUNDS: usize = 4;
/// The mask hands a part of a boost to others and of a cut to the bass: 0.90 on the first set of rendered twins, 0.99 on
/// the second.
const HANDED_ON: f64 = 0.95;
/// Smaller differences are neither, dB.
const LEAST_DB: f64 = 2.0;
/// Rate at which the shapes are worked out, Hz; far above the low end it does not matter.
const RATE_HZ: f64 = 48_000.0;
/// Error of the low control that the layers make: 95 % half-width on rendered twins, dB, at no difference.
const HALF_WIDTH_DB: f64 = 2.0;
/// Its growth with the difference.
const HALF_WIDTH_GROWTH: f64 = 0.12;
/// Half-widths in standard errors of the fit: 1.96, and 1.2 because neighbouring semitones err together. With it 95 % of
/// the halves of one take, which should not differ, and of the twins lie inside.
const STANDARD_ERRORS: f64 = 1.96 * 1.2;

/// Where the difference is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ToneKind {
    /// On every note: an amplifier's control, or a broad change of the recording.
    EveryNote,
    /// On one: the room, the place of amplifier or recorder, a dead spot.
    OneNote {
        /// The semitone.
        midi: u8,
    },
    /// Neither.
    Alike,
}

/// The second spectrum against the first.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneDifference {
    /// Where it is.
    pub kind: ToneKind,
    /// Gain of a low shelf that would turn the first into the second, dB, whatever the kind.
    pub low_db: Measured,
    /// Gain on the one note, dB; absent for the other kinds.
    pub note_db: Option<f64>,
}

struct Fit {
    cost: f64,
    gain: f64,
    /// Standard error of the gain by the scatter of the points.
    error: f64,
    midi: u8,
}

/// How `second` differs from `first`.
///
/// # Output
/// `low_db`: gain of the low control, plus = more low end in the second. Interval: the error of the layers on rendered
/// twins joined with the scatter of the semitones, so other playing widens it. n = semitones compared.
///
/// # Not measurable
/// `too_few_notes`: fewer than eight semitones that both played.
///
/// # Accuracy known
/// See the README; rendered twins over ten basses, with shelves of -8 to +8 dB at 80 to 140 Hz.
pub fn tone_difference(first: &NoteSpectrum, second: &NoteSpectrum) -> ToneDifference {
    let points: Vec<(usize, f64)> =
        (0..NOTES).filter_map(|i| Some((i, second.level_dbfs[i]? - first.level_dbfs[i]?))).collect();
    if points.len() < FEWEST_NOTES {
        return ToneDifference { kind: ToneKind::Alike, low_db: Measured::absent("too_few_notes"), note_db: None };
    }
    let hz = |i: usize| note_hz(f64::from(FIRST_MIDI) + i as f64);
    let shape = |filter: Biquad, unit: f64| -> Vec<f64> {
        points.iter().map(|(i, _)| filter.magnitude_db(RATE_HZ, hz(*i)) / unit).collect()
    };
    let shelf = CORNERS_HZ
        .iter()
        .map(|corner| fit(&points, &shape(Biquad::low_shelf(RATE_HZ, *corner, 1.0, SHELF_DB), SHELF_DB), 0))
        .min_by(|a, b| a.cost.total_cmp(&b.cost));
    let peaks = points.iter().flat_map(|(i, _)| QUALITIES.map(|q| (*i, q)));
    let peak = peaks
        .map(|(i, q)| fit(&points, &shape(Biquad::peak(RATE_HZ, hz(i), q, PEAK_DB), PEAK_DB), i as u8 + FIRST_MIDI))
        .min_by(|a, b| a.cost.total_cmp(&b.cost));
    let (Some(shelf), Some(peak)) = (shelf, peak) else {
        return ToneDifference { kind: ToneKind::Alike, low_db: Measured::absent("too_few_notes"), note_db: None };
    };
    let low = shelf.gain / HANDED_ON;
    let scatter = STANDARD_ERRORS * shelf.error / HANDED_ON;
    let half = (HALF_WIDTH_DB + HALF_WIDTH_GROWTH * low.abs()).hypot(scatter);
    let low_db = Measured::symmetric(low, half, points.len() as u64);
    let on_one = peak.cost < MUCH_BETTER * shelf.cost && peak.gain.abs() >= LEAST_DB;
    let (kind, note_db) = if on_one {
        (ToneKind::OneNote { midi: peak.midi }, Some(peak.gain))
    } else if low.abs() >= LEAST_DB {
        (ToneKind::EveryNote, None)
    } else {
        (ToneKind::Alike, None)
    };
    ToneDifference { kind, low_db, note_db }
}

/// Gain and level of a shape in the points, with Huber's weights.
fn fit(points: &[(usize, f64)], shape: &[f64], midi: u8) -> Fit {
    let mut weights = vec![1.0; points.len()];
    let (mut gain, mut level) = (0.0, 0.0);
    for _ in 0..ROUNDS {
        let sum = |f: &dyn Fn(usize) -> f64| (0..points.len()).map(|i| weights[i] * f(i)).sum::<f64>();
        let total = sum(&|_| 1.0);
        let (mx, my) = (sum(&|i| shape[i]) / total, sum(&|i| points[i].1) / total);
        let xx = sum(&|i| (shape[i] - mx).powi(2));
        gain = if xx > 1e-9 { sum(&|i| (shape[i] - mx) * (points[i].1 - my)) / xx } else { 0.0 };
        level = my - gain * mx;
        for (i, weight) in weights.iter_mut().enumerate() {
            let off = (points[i].1 - gain * shape[i] - level).abs();
            *weight = 1.0 / (off / ROBUST_DB).max(1.0);
        }
    }
    let mean = shape.iter().sum::<f64>() / shape.len() as f64;
    let across: f64 = shape.iter().map(|x| (x - mean).powi(2)).sum();
    let squares: f64 = points.iter().zip(shape).map(|((_, y), x)| (y - gain * x - level).powi(2)).sum();
    let error = if across > 1e-9 { (squares / points.len() as f64 / across).sqrt() } else { f64::INFINITY };
    let cost = |i: usize| {
        let off = (points[i].1 - gain * shape[i] - level).abs() / ROBUST_DB;
        if off < 1.0 { off * off / 2.0 } else { off - 0.5 }
    };
    Fit { cost: (0..points.len()).map(cost).sum(), gain, error, midi }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// A bass with a hump and, a semitone, a ripple that a real instrument has.
    fn bass(louder_db: f64, change: impl Fn(f64) -> f64) -> NoteSpectrum {
        let level = |i: usize| {
            let hz = note_hz(f64::from(FIRST_MIDI) + i as f64);
            let natural = -30.0 - 6.0 * (hz / 70.0).log2().abs() + 3.0 * ((i * 7 % 5) as f64 - 2.0);
            Some(natural + louder_db + change(hz))
        };
        NoteSpectrum { level_dbfs: std::array::from_fn(level), n: [20; NOTES] }
    }

    #[test]
    fn a_low_control_is_found_with_its_sign_and_size_and_softer_playing_is_not() {
        let flat = bass(0.0, |_| 0.0);
        for corner in [80.0, 100.0, 120.0, 140.0] {
            for db in [-8.0, -4.0, 4.0, 8.0] {
                let shelf = Biquad::low_shelf(RATE_HZ, corner, 1.0, db);
                // The layers hand on a part; a player who plays 9 dB softer.
                let turned = bass(-9.0, |hz| HANDED_ON * shelf.magnitude_db(RATE_HZ, hz));
                let found = tone_difference(&flat, &turned);
                let low = found.low_db.value.unwrap();
                assert!((low - db).abs() < 0.5, "{corner} Hz {db}: {low}");
                assert_eq!(found.kind, ToneKind::EveryNote);
            }
        }
        let softer = tone_difference(&flat, &bass(-12.0, |_| 0.0));
        assert_eq!(softer.kind, ToneKind::Alike);
        assert!(softer.low_db.value.unwrap().abs() < 1e-9);
    }

    #[test]
    fn a_room_that_lifts_one_note_is_told_from_a_control_and_the_note_is_named() {
        let flat = bass(0.0, |_| 0.0);
        for midi in [29, 33, 38, 45] {
            for (db, q) in [(10.0, 8.0), (8.0, 14.0), (-12.0, 10.0)] {
                let peak = Biquad::peak(RATE_HZ, note_hz(f64::from(midi)), q, db);
                let found = tone_difference(&flat, &bass(3.0, |hz| peak.magnitude_db(RATE_HZ, hz)));
                assert_eq!(found.kind, ToneKind::OneNote { midi }, "{db} dB at {midi}");
                assert!((found.note_db.unwrap() - db).abs() < 2.0);
            }
        }
    }

    #[test]
    fn spectra_that_share_few_notes_are_not_compared() {
        let mut few = bass(0.0, |_| 0.0);
        few.level_dbfs[FEWEST_NOTES - 1..].fill(None);
        let found = tone_difference(&few, &bass(0.0, |_| 0.0));
        assert_eq!(found.low_db.reason.as_deref(), Some("too_few_notes"));
    }
}
