//! How strong the partials of the bass are, semitone by semitone.

use super::line::{LOWEST_MIDI, place_midi};
use super::{ToneReading, ToneRow, share_of};
use crate::dsp::level_code::level_dbfs;
use crate::stats::quantile;

/// Lowest semitone.
pub const FIRST_MIDI: u8 = 27;
/// Semitones, up to 220 Hz.
pub const NOTES: usize = 31;
/// Share of the bass in a partial from which it counts.
const LEAST_SHARE: f64 = 0.6;
/// The level that stands for a semitone: notes are strongest soon after they begin.
const LEVEL_QUANTILE: f64 = 0.85;
/// Share of the bass in a partial from which the level of all that sounds there counts.
const LEAST_SHARE_OF_ALL: f64 = 0.3;
/// Fewest partials on a semitone.
const FEWEST: usize = 4;
/// Fewest for the low control, whose figures need more.
pub const FEWEST_FOR_LOW: u32 = 6;
/// Clearness from which a note counts.
const CLEAR: f64 = 0.5;
/// Share of the bass in its own range from which a row counts.
const OWN_SHARE: f64 = 0.15;
/// Rows softer than the loud ones by more than this are dying notes, dB.
const SOFT_DB: f64 = -30.0;
/// A note lasts over two rows at least, within this, semitones.
const STEADY: f64 = 0.6;
/// Partials that are softer than the strongest of their note by more than this, dB.
const UNDER_DB: f64 = 35.0;

/// Frequency of a semitone, Hz (A4 = 440 Hz).
pub fn note_hz(midi: f64) -> f64 {
    440.0 * 2f64.powf((midi - 69.0) / 12.0)
}

/// Levels of the bass layer's partials.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NoteSpectrum {
    /// dBFS for every semitone from [`FIRST_MIDI`]; `None` where too little was played.
    pub level_dbfs: [Option<f64>; NOTES],
    /// Partials behind each.
    pub n: [u32; NOTES],
    /// Level of all that sounds where the bass plays a partial, dBFS: what a room lifts, it lifts for everybody.
    pub all_dbfs: [Option<f64>; NOTES],
}

impl NoteSpectrum {
    /// Semitones that have a level.
    pub fn heard(&self) -> usize {
        self.level_dbfs.iter().flatten().count()
    }
}

impl ToneReading {
    /// The note spectrum of the bass over some spans.
    ///
    /// # Output
    /// For every semitone of partials (27 to 57, 38.9 to 220 Hz) the 85 % quantile of the bass layer's level there.
    ///
    /// # Not measurable
    /// Semitones on which fewer than four partials belong to the bass by more than 60 % (30 % for the level of all).
    ///
    /// # Method and source
    /// One note a frame of 341 ms by the partials of the bass layer; partials 1 to 5 in the main lobe of the Hann window.
    pub fn note_spectrum(&self, spans: &[(f64, f64)]) -> NoteSpectrum {
        spectrum_of(|| spans.iter().flat_map(|(s, e)| self.rows(*s, *e)))
    }
}

/// The note spectrum of some rows, which are asked for twice: a long tape has too many to hold.
fn spectrum_of<I: Iterator<Item = ToneRow>>(rows: impl Fn() -> I) -> NoteSpectrum {
    let own: Vec<f64> = rows().map(|r| r.own_dbfs).collect();
    let Some(loud) = quantile(&own, 0.9) else { return NoteSpectrum::default() };
    drop(own);
    let mut partials: [Vec<[u8; 2]>; NOTES] = std::array::from_fn(|_| Vec::new());
    let near = |row: &ToneRow, other: Option<&ToneRow>| {
        other.is_some_and(|o| (place_midi(o.place) - place_midi(row.place)).abs() < STEADY)
    };
    let (mut before, mut rows) = (None, rows().peekable());
    while let Some(row) = rows.next() {
        let steady = near(&row, before.as_ref()) || near(&row, rows.peek());
        if steady && row.clearness >= CLEAR && row.own_share >= OWN_SHARE && row.own_dbfs >= loud + SOFT_DB {
            add_partials(&row, &mut partials);
        }
        before = Some(row);
    }
    let own = |of: &[[u8; 2]]| of.iter().filter(|p| share_of(p[1]) > LEAST_SHARE).map(|p| level_dbfs(p[0])).collect();
    let all = |of: &[[u8; 2]]| of.iter().map(|p| level_dbfs(p[0]) - 10.0 * share_of(p[1]).log10()).collect();
    let level = |levels: Vec<f64>| (levels.len() >= FEWEST).then(|| quantile(&levels, LEVEL_QUANTILE)).flatten();
    NoteSpectrum {
        level_dbfs: std::array::from_fn(|i| level(own(&partials[i]))),
        n: std::array::from_fn(|i| partials[i].iter().filter(|p| share_of(p[1]) > LEAST_SHARE).count() as u32),
        all_dbfs: std::array::from_fn(|i| level(all(&partials[i]))),
    }
}

/// Adds the partials of a row that are loud enough and in which the bass has a share, each to its semitone.
fn add_partials(row: &ToneRow, partials: &mut [Vec<[u8; 2]>; NOTES]) {
    let top = row.partials.iter().map(|p| level_dbfs(p[0])).fold(f64::MIN, f64::max);
    for (k, partial) in row.partials.iter().enumerate() {
        let midi = place_midi(row.place) + 12.0 * ((k + 1) as f64).log2();
        let step = (midi.max(LOWEST_MIDI) - f64::from(FIRST_MIDI)).round();
        let loud = level_dbfs(partial[0]) > top - UNDER_DB;
        if loud && (0.0..NOTES as f64).contains(&step) && share_of(partial[1]) > LEAST_SHARE_OF_ALL {
            partials[step as usize].push(*partial);
        }
    }
}

/// The note spectrum in the middle of several: each is moved to the level of the others first, because level says nothing.
pub fn median_spectrum(spectra: &[NoteSpectrum]) -> NoteSpectrum {
    let all = |of: fn(&NoteSpectrum) -> Levels| spectra.iter().map(of).collect::<Vec<_>>();
    NoteSpectrum {
        level_dbfs: middle(&all(|s| s.level_dbfs)),
        n: std::array::from_fn(|i| spectra.iter().map(|s| s.n[i]).sum()),
        all_dbfs: middle(&all(|s| s.all_dbfs)),
    }
}

type Levels = [Option<f64>; NOTES];

fn middle(spectra: &[Levels]) -> Levels {
    let mut offsets: Vec<f64> = spectra.iter().map(|s| mean_offset(s, None)).collect();
    let mut middle: Levels = [None; NOTES];
    for _ in 0..3 {
        for (i, level) in middle.iter_mut().enumerate() {
            let moved = spectra.iter().zip(&offsets).filter_map(|(s, off)| s[i].map(|l| l - off));
            *level = crate::stats::median(&moved.collect::<Vec<_>>());
        }
        offsets = spectra.iter().map(|s| mean_offset(s, Some(&middle))).collect();
    }
    middle
}

/// Mean level, or mean distance from another spectrum on the semitones of both.
fn mean_offset(spectrum: &Levels, other: Option<&Levels>) -> f64 {
    let off = |i: usize| Some(spectrum[i]? - other.map_or(Some(0.0), |o| o[i])?);
    crate::stats::mean(&(0..NOTES).filter_map(off).collect::<Vec<_>>()).unwrap_or(0.0)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn straight(level: f64, from: usize, to: usize) -> NoteSpectrum {
        let at = |i: usize| (from..to).contains(&i).then_some(level - i as f64);
        let levels = std::array::from_fn(at);
        NoteSpectrum { level_dbfs: levels, n: [9; NOTES], all_dbfs: levels }
    }

    #[test]
    fn the_middle_of_spectra_of_other_levels_and_notes_has_their_common_shape() {
        let middle = median_spectrum(&[straight(-20.0, 0, 20), straight(-33.0, 5, 31), straight(-27.0, 2, 28)]);
        let steps: Vec<f64> = middle.level_dbfs.windows(2).map(|w| w[1].unwrap() - w[0].unwrap()).collect();
        assert!(steps.iter().all(|s| (s + 1.0).abs() < 0.35), "{steps:?}");
        assert_eq!(median_spectrum(&[]).heard(), 0);
    }
}
