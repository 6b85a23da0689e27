//! Which bass note sounds in a spectrum, and how strong its partials are.
//!
//! Conventions: notes stand on a grid of quarter semitones from [`LOWEST_MIDI`]; powers are mean squares in the main lobe of
//! a partial. A partial counts by its level above [`RANGE_DB`] under the strongest one, times the share of the bass there.
//! Limits: one note at a time; two basses, or a left hand that doubles the bass, read as the stronger. On rendered mixes
//! three notes in four are right, most of the others straddle two notes or are an octave off.

use std::sync::LazyLock;

use crate::dsp::logarithm::log2_fast;
use crate::dsp::spectrum::LONG_FRAMING;

/// Partials whose levels are kept.
pub const PARTIALS: usize = 5;
/// Lowest note: a tone under the open E string.
pub const LOWEST_MIDI: f64 = 26.0;
/// Places a semitone.
pub const PLACES_A_SEMITONE: usize = 4;
/// Places of the grid: 30 semitones.
const PLACES: usize = 120;
/// Weight of each further partial.
const FADE: f32 = 0.8;
/// Weight of what sounds half-way between the partials, from the second on: an octave too high shows there.
const BETWEEN: f32 = 0.7;
/// What a missing first partial costs.
const MISSING: f32 = 0.4;
/// Range of levels that count, dB.
const RANGE_DB: f32 = 26.0;
/// Bins of the bass's own range, 35 to 320 Hz.
pub const OWN_BINS: std::ops::Range<usize> = 12..110;
/// Softer frames (-80 dBFS) say nothing.
const SILENCE: f32 = 1e-8;
/// Keeps logarithms finite.
const FLOOR: f32 = 1e-13;
/// Bins up to a little beyond the last partial of the highest note (1.04 kHz).
const LEVEL_BINS: usize = 360;
/// Decibels a doubling of power.
const DB_AN_OCTAVE: f32 = 10.0 * std::f32::consts::LOG10_2;

/// For every place the bins of its partials, each with the one half-way from the partial before.
static PLACE_BINS: LazyLock<[[(usize, usize); PARTIALS]; PLACES]> = LazyLock::new(|| {
    let bin_of = |hz: f64| ((hz / LONG_FRAMING.bin_hz()).round() as usize).clamp(1, LEVEL_BINS - 2);
    std::array::from_fn(|place| {
        let f0 = place_hz(place as u8);
        std::array::from_fn(|k| (bin_of((k + 1) as f64 * f0), bin_of((k as f64 + 0.5) * f0)))
    })
});

/// A note that sounds.
#[derive(Clone, Debug)]
pub struct Sounding {
    /// Place on the grid.
    pub place: u8,
    /// How clearly it stands out.
    pub clearness: f32,
    /// Power of the bass in its own range.
    pub own: f32,
    /// Share of the bass there.
    pub own_share: f32,
    /// Power of each partial in the bass layer, and the share of the bass in all power there.
    pub partials: [(f32, f32); PARTIALS],
}

/// Frequency of a place, Hz.
pub fn place_hz(place: u8) -> f64 {
    440.0 * 2f64.powf((place_midi(place) - 69.0) / 12.0)
}

/// Pitch of a place.
pub fn place_midi(place: u8) -> f64 {
    LOWEST_MIDI + f64::from(place) / PLACES_A_SEMITONE as f64
}

/// The note of the bass layer `bass` inside the whole spectrum `all`; `None` in silence.
pub fn find_note(bass: &[f32], all: &[f32]) -> Option<Sounding> {
    let (own, whole): (f32, f32) = (bass[OWN_BINS].iter().sum(), all[OWN_BINS].iter().sum());
    if whole < SILENCE || own <= 0.0 {
        return None;
    }
    let share = |bin: usize| if all[bin] > 0.0 { bass[bin] / all[bin] } else { 0.0 };
    let levels: Vec<f32> = bass.iter().take(LEVEL_BINS).map(|p| DB_AN_OCTAVE * log2_fast(p + FLOOR)).collect();
    let loud = |bin: usize| levels[bin - 1].max(levels[bin]).max(levels[bin + 1]);
    let top = OWN_BINS.map(loud).fold(f32::MIN, f32::max);
    let counts = |db: f32, bin: usize| ((db - top + RANGE_DB) / RANGE_DB).clamp(0.0, 1.0) * share(bin);
    let score = |bins: &[(usize, usize); PARTIALS]| -> f32 {
        let (mut sum, mut weight) = (0.0, 1.0);
        for (k, &(at, half)) in bins.iter().enumerate() {
            let here = counts(loud(at), at);
            sum += weight * here;
            sum -= if k == 0 { MISSING * (1.0 - here) } else { weight * BETWEEN * counts(levels[half], half) };
            weight *= FADE;
        }
        sum
    };
    let scores = PLACE_BINS.each_ref().map(score);
    let best = (0..PLACES).max_by(|a, b| scores[*a].total_cmp(&scores[*b]))?;
    Some(Sounding {
        place: best as u8,
        clearness: scores[best],
        own,
        own_share: own / whole,
        partials: partials(place_hz(best as u8), bass, all),
    })
}

fn partials(f0_hz: f64, bass: &[f32], all: &[f32]) -> [(f32, f32); PARTIALS] {
    let bin_hz = LONG_FRAMING.bin_hz();
    std::array::from_fn(|k| {
        let hz = (k + 1) as f64 * f0_hz;
        let centre = (hz / bin_hz).round() as usize;
        // A fifth of a semitone either way, which also holds the stretch of stiff strings.
        let reach = ((hz * 0.012 / bin_hz).round() as usize).clamp(1, 6);
        let top = (centre.saturating_sub(reach)..=centre + reach)
            .filter(|b| *b >= 2 && *b + 2 < bass.len())
            .max_by(|a, b| all[*a].total_cmp(&all[*b]));
        let Some(top) = top else { return (0.0, 0.0) };
        let sum = |x: &[f32]| x[top - 2..top + 3].iter().sum::<f32>();
        let (own, whole) = (sum(bass), sum(all));
        (own, if whole > 0.0 { own / whole } else { 0.0 })
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Partials of a note as main lobes of the window, 6 dB weaker from one to the next.
    fn note(midi: f64, first_db: f64) -> Vec<f32> {
        let mut power = vec![1e-12f32; 1200];
        let f0 = 440.0 * 2f64.powf((midi - 69.0) / 12.0);
        for k in 1..=6 {
            let bin = (f64::from(k) * f0 / LONG_FRAMING.bin_hz()).round() as usize;
            let db = if k == 1 { first_db } else { -20.0 - 6.0 * f64::from(k) };
            for (off, down) in [(0i64, 0.0), (-1, 6.0), (1, 6.0)] {
                power[(bin as i64 + off) as usize] += 10f64.powf((db - down) / 10.0) as f32;
            }
        }
        power
    }

    #[test]
    fn notes_are_found_with_a_strong_and_with_a_weak_first_partial() {
        for midi in [28.0, 33.0, 38.5, 45.0, 52.0] {
            for first_db in [-26.0, -14.0, -40.0] {
                let power = note(midi, first_db);
                let found = find_note(&power, &power).unwrap();
                assert!((place_midi(found.place) - midi).abs() < 0.6, "{midi} {first_db}: {}", place_midi(found.place));
            }
        }
    }

    #[test]
    fn silence_has_no_note() {
        assert!(find_note(&[0.0; 1200], &[0.0; 1200]).is_none());
    }
}
