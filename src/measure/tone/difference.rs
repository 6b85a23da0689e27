//! How one note spectrum differs from another: on every note, as a low control does it, or on one note, as a room does it.
//!
//! Conventions: the difference of two spectra is fitted by the response of a low shelf of unknown gain (corners 80 to
//! 140 Hz) and by that of a narrow peak at some semitone, each with a free level; robust least squares. The low control is the middle
//! of the shelf in the levels of the bass and that in the levels of all that sounds with it. One note is believed
//! when a peak fits the levels of the bass and those of all that sounds with it better than a shelf, stands far above the
//! scatter of the other notes, and that scatter is small: other tunes alone leave single notes that stand out.
//! Source: responses by the audio EQ cookbook (W3C Group Note, 8 June 2021); robust weights by Huber, Annals of
//! Mathematical Statistics 35(1), 1964. Figures by `benches/amp_fit`.

use super::notes::{FEWEST_FOR_LOW, FIRST_MIDI, NOTES, NoteSpectrum, note_hz};
use super::one_note::peak;
use crate::dsp::filters::Biquad;
use crate::stats::Measured;

/// Corners of the shelves that are tried, Hz.
pub(super) const CORNERS_HZ: [f64; 4] = [80.0, 100.0, 120.0, 140.0];
/// Gain at which their shape is taken, dB.
const SHELF_DB: f64 = 6.0;
/// Share of the bass in the low end from which it can be told on which notes it differs: from 0.45 on 132 of 142 rendered peaks
/// were called one note and the right one, from here on 123 of 130.
pub const LEAST_SHARE_FOR_KIND: f64 = 0.5;
/// Semitones that both spectra need.
pub const FEWEST_NOTES: usize = 8;
/// Residuals beyond this count less, dB.
const ROBUST_DB: f64 = 1.0;
/// Rounds of the robust fit.
const ROUNDS: usize = 4;
/// The mask hands a part of a boost to others and of a cut to the bass (0.90 on the first set of rendered twins, 0.99 on the
/// second, by an earlier network), and in the mix the others dilute both.
const HANDED_ON: f64 = 0.95;
/// Smaller differences are neither, dB.
const LEAST_DB: f64 = 2.0;
/// Rate at which the shapes are worked out, Hz; far above the low end it does not matter.
pub(super) const RATE_HZ: f64 = 48_000.0;
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
    /// Too little of the low end is the bass to tell.
    Covered,
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
    /// The one note stands out so clearly that it may be said without being asked.
    pub note_is_sure: bool,
}

impl ToneDifference {
    /// Nothing to say, and why.
    pub fn absent(reason: &str) -> Self {
        Self { kind: ToneKind::Alike, low_db: Measured::absent(reason), note_db: None, note_is_sure: false }
    }

    /// The same where the bass has `share` of the low end on the side on which it has less: under
    /// [`LEAST_SHARE_FOR_KIND`] it is not told on which notes it differs.
    pub fn with_share(self, share: Option<f64>) -> Self {
        let nothing_told = self.low_db.value.is_none() && self.note_db.is_none();
        if nothing_told || share.is_some_and(|s| s >= LEAST_SHARE_FOR_KIND) {
            return self;
        }
        Self { kind: ToneKind::Covered, note_db: None, note_is_sure: false, ..self }
    }
}

/// A shape, fitted.
pub(super) struct Fit {
    pub cost: f64,
    pub gain: f64,
    /// Standard error of the gain by the scatter of the points.
    error: f64,
    /// What the fit leaves at each point, dB without sign.
    pub left_db: Vec<f64>,
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
    let points = common(&first.level_dbfs, &second.level_dbfs);
    let enough = |i: usize| first.n[i].min(second.n[i]) >= FEWEST_FOR_LOW;
    let for_low: Vec<(usize, f64)> = points.iter().copied().filter(|(i, _)| enough(*i)).collect();
    let of_all = common(&first.all_dbfs, &second.all_dbfs);
    let sets: Vec<&[(usize, f64)]> =
        [&points[..], &of_all[..]].into_iter().filter(|s| s.len() >= FEWEST_NOTES).collect();
    let peak = peak(&sets);
    let low_db =
        if for_low.len() < FEWEST_NOTES { Measured::absent("too_few_notes") } else { low_control(&for_low, &of_all) };
    let big = low_db.value.is_some_and(|low| low.abs() >= LEAST_DB);
    let (kind, note_db) = match &peak {
        Some(peak) => (ToneKind::OneNote { midi: peak.midi }, Some(peak.gain)),
        None if big => (ToneKind::EveryNote, None),
        None => (ToneKind::Alike, None),
    };
    ToneDifference { kind, low_db, note_db, note_is_sure: peak.is_some_and(|p| p.is_sure) }
}

/// Semitones that both have, and by how much the second is higher, dB.
fn common(first: &[Option<f64>; NOTES], second: &[Option<f64>; NOTES]) -> Vec<(usize, f64)> {
    (0..NOTES).filter_map(|i| Some((i, second[i]? - first[i]?))).collect()
}

pub(super) fn hz(semitone: usize) -> f64 {
    note_hz(f64::from(FIRST_MIDI) + semitone as f64)
}

pub(super) fn shape(points: &[(usize, f64)], filter: &Biquad, unit: f64) -> Vec<f64> {
    points.iter().map(|(i, _)| filter.magnitude_db(RATE_HZ, hz(*i)) / unit).collect()
}

pub(super) fn shelf(points: &[(usize, f64)], corner_hz: f64) -> Fit {
    fit(points, &shape(points, &Biquad::low_shelf(RATE_HZ, corner_hz, 1.0, SHELF_DB), SHELF_DB))
}

/// The gain that the bass layer shows, in the middle between it and the gain that all shows that sounds with the bass's partials:
/// the layers hand a part of a boost to the drums, and the mix dilutes it by about as much.
fn low_control(points: &[(usize, f64)], of_all: &[(usize, f64)]) -> Measured {
    let Some(own) = best_shelf(points) else { return Measured::absent("too_few_notes") };
    let all = (of_all.len() >= FEWEST_NOTES).then(|| best_shelf(of_all)).flatten();
    let gain = all.map_or(own.gain, |all| (own.gain + all.gain) / 2.0);
    let low = gain / HANDED_ON;
    let scatter = STANDARD_ERRORS * own.error / HANDED_ON;
    let half = (HALF_WIDTH_DB + HALF_WIDTH_GROWTH * low.abs()).hypot(scatter);
    Measured::symmetric(low, half, points.len() as u64)
}

/// The shelf that fits best of those that are tried.
fn best_shelf(points: &[(usize, f64)]) -> Option<Fit> {
    let fits = CORNERS_HZ.iter().map(|corner| shelf(points, *corner));
    fits.min_by(|a, b| a.cost.total_cmp(&b.cost))
}

/// Gain and level of a shape in the points, with Huber's weights.
pub(super) fn fit(points: &[(usize, f64)], shape: &[f64]) -> Fit {
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
    let left_db: Vec<f64> = points.iter().zip(shape).map(|((_, y), x)| (y - gain * x - level).abs()).collect();
    let cost = |left: &f64| {
        let off = left / ROBUST_DB;
        if off < 1.0 { off * off / 2.0 } else { off - 0.5 }
    };
    Fit { cost: left_db.iter().map(cost).sum(), gain, error, left_db }
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
        let levels = std::array::from_fn(level);
        NoteSpectrum { level_dbfs: levels, n: [20; NOTES], all_dbfs: levels }
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
    fn a_note_that_stands_out_among_scattered_ones_is_other_playing_and_no_room() {
        // Notes of another tune: each off by its own, up to 6 dB, one by 11.
        let scattered = |hz: f64| {
            let i = (12.0 * (hz / note_hz(f64::from(FIRST_MIDI))).log2()).round() as usize;
            if i == 9 { 11.0 } else { 3.0 * ((i * 11 % 5) as f64 - 2.0) }
        };
        let found = tone_difference(&bass(0.0, |_| 0.0), &bass(0.0, scattered));
        assert!(!matches!(found.kind, ToneKind::OneNote { .. }), "{found:?}");
        let alone = |hz: f64| if (hz / note_hz(36.0) - 1.0).abs() < 0.01 { 11.0 } else { 0.0 };
        let found = tone_difference(&bass(0.0, |_| 0.0), &bass(0.0, alone));
        assert_eq!((found.kind, found.note_is_sure), (ToneKind::OneNote { midi: 36 }, true));
    }

    #[test]
    fn where_the_bass_is_covered_it_is_not_told_on_which_notes_it_differs() {
        let shelf = Biquad::low_shelf(RATE_HZ, 100.0, 1.0, 6.0);
        let found = || tone_difference(&bass(0.0, |_| 0.0), &bass(0.0, |hz| shelf.magnitude_db(RATE_HZ, hz)));
        assert_eq!(found().with_share(Some(0.5)).kind, ToneKind::EveryNote);
        assert_eq!(found().with_share(Some(0.2)).kind, ToneKind::Covered);
        assert_eq!(found().with_share(None).kind, ToneKind::Covered);
    }

    #[test]
    fn spectra_that_share_few_notes_are_not_compared() {
        let mut few = bass(0.0, |_| 0.0);
        few.level_dbfs[FEWEST_NOTES - 1..].fill(None);
        few.all_dbfs = few.level_dbfs;
        let found = tone_difference(&few, &bass(0.0, |_| 0.0));
        assert_eq!(found.low_db.reason.as_deref(), Some("too_few_notes"));
    }
}
