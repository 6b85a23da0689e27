//! The one note that stands out among the others, if one does.
//!
//! Conventions: the sets are differences of levels by semitone, dB: those of the bass, and those of all that sounds with it.
//! Limits: at low notes the spectra (341 ms) do not part neighbouring semitones; a peak there reaches the notes beside it.

use super::difference::{CORNERS_HZ, Fit, RATE_HZ, fit, hz, shape, shelf};
use super::notes::{FIRST_MIDI, NOTES};
use crate::dsp::filters::Biquad;

/// Qualities of the peaks that are tried.
const QUALITIES: [f64; 3] = [8.0, 12.0, 18.0];
/// Gain at which their shape is taken, dB.
const PEAK_DB: f64 = 10.0;
/// The peak must fit better than the shelf by this factor.
const BETTER: f64 = 0.8;
/// It must stand above the scatter (1.48 median absolute deviations) of the other notes by this factor.
const ABOVE_SCATTER: f64 = 6.0;
/// And the other notes must agree: mean cost a note. With it a tenth of the halves of one take, which play other notes, show
/// one note.
const MOST_COST: f64 = 1.0;
/// The same for what is to be said without being asked: a fiftieth of the halves.
const MOST_COST_SURE: f64 = 0.7;
/// Smaller peaks are none, dB.
const LEAST_PEAK_DB: f64 = 2.5;
/// A median absolute deviation as a standard deviation of a normal crowd.
const MAD_TO_SIGMA: f64 = 1.4826;

/// A note that stands out.
pub(super) struct Peak {
    pub midi: u8,
    pub gain: f64,
    pub is_sure: bool,
}

/// The one note that stands out in every set of levels, if one does. A set without that note counts as if nothing fitted it.
pub(super) fn peak(sets: &[&[(usize, f64)]]) -> Option<Peak> {
    let by_shelf = CORNERS_HZ.map(|corner| sets.iter().map(|s| shelf(s, corner).cost).sum::<f64>());
    let by_shelf = by_shelf.into_iter().fold(f64::INFINITY, f64::min);
    let candidates = (0..NOTES).flat_map(|i| QUALITIES.map(|q| (i, q)));
    let fits: Vec<(usize, Vec<Option<Fit>>)> = candidates
        .map(|(i, q)| {
            let filter = Biquad::peak(RATE_HZ, hz(i), q, PEAK_DB);
            let one = |s: &&[(usize, f64)]| s.iter().any(|p| p.0 == i).then(|| fit(s, &shape(s, &filter, PEAK_DB)));
            (i, sets.iter().map(one).collect())
        })
        .filter(|(_, fits): &(usize, Vec<Option<Fit>>)| fits.iter().any(Option::is_some))
        .collect();
    let worst = |set: usize| fits.iter().filter_map(|f| Some(f.1[set].as_ref()?.cost)).fold(0.0, f64::max);
    let worst: Vec<f64> = (0..sets.len()).map(worst).collect();
    let cost = |fits: &[Option<Fit>]| -> f64 {
        fits.iter().zip(&worst).map(|(f, worst)| f.as_ref().map_or(*worst, |f| f.cost)).sum()
    };
    let (note, best) = fits.iter().min_by(|a, b| cost(&a.1).total_cmp(&cost(&b.1)))?;
    let heard: Vec<&Fit> = best.iter().flatten().collect();
    let gain = heard.iter().map(|f| f.gain).max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let left: Vec<f64> = heard.iter().flat_map(|f| &f.left_db).copied().collect();
    let scatter = MAD_TO_SIGMA * crate::stats::median(&left)?;
    let a_note = cost(best) / left.len() as f64;
    let stands_out = cost(best) < BETTER * by_shelf
        && gain.abs() >= LEAST_PEAK_DB.max(ABOVE_SCATTER * scatter)
        && a_note <= MOST_COST;
    stands_out.then(|| Peak { midi: *note as u8 + FIRST_MIDI, gain, is_sure: a_note <= MOST_COST_SURE })
}
