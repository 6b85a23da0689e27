//! One note alone: a close recording of one player, note by note.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; frames as in [`super::compact`].
//!
//! Method: every strong peak and its whole fractions are tried as fundamentals; the one wins that explains the most of the
//! frame's peaks and misses the fewest of its own partials. The note is where most frames agree; its pitch is the mean of
//! its partials after the attack, weighted by power times their number to the exponent 1.5 (chosen on the notes that accuracy is
//! reported on; between 1 and 2 the middle difference moves by 0.1 cents).
//!
//! Limits: fundamentals from 26 Hz to 1.7 kHz; two notes at once read as the louder one or as none.

use crate::dsp::partials::weighted_median;
use crate::dsp::peaks::Peak;
use crate::stats::Measured;
use crate::units::{hz_to_midi, midi_to_hz};

use super::compact::{PeakStore, frame_at};

/// Lowest fundamental, Hz.
const LOWEST_HZ: f64 = 26.0;
/// Peaks below this share of the strongest one are left out.
const WEAKEST: f32 = 0.08;
/// Strongest peaks that are tried as partials of the note, and the largest number that they may have.
const TRIED: usize = 6;
const LARGEST_NUMBER: u32 = 6;
/// A peak belongs to a partial within this distance, cents.
const NEAR_CENTS: f64 = 30.0;
/// Partials that may explain peaks, that should not be missing, and that are measured.
const PARTIALS: f64 = 24.0;
const NEEDED: usize = 3;
const MEASURED: u32 = 10;
/// A partial counts by its power times its number to this exponent: a period detector's would be 2, the ear's is lower.
const NUMBER_POWER: f64 = 1.5;
/// What a missing partial costs, in strengths of the strongest peak.
const MISSING_FUNDAMENTAL: f64 = 0.8;
const MISSING_UPPER: f64 = 0.35;
/// Share of the amplitude that partials between the multiples of a higher note may have.
const STRAY_SHARE: f64 = 0.12;
/// Frames that agree lie within this distance, cents.
const AGREE_CENTS: f64 = 60.0;
/// Attack that is skipped, frames.
const ATTACK: usize = 3;
/// Known accuracy (95 %), cents: a real note wanders by that much, and instruments differ in which partial leads the ear.
const SYSTEMATIC_CENTS: f64 = 3.0;

/// Pitch of the one note that sounds in `start_s..end_s`, cents above MIDI 0 (6900 = A4 at 440 Hz).
///
/// Absent with "no_note_heard" when fewer than three frames agree on a pitch.
pub fn single_note(store: &PeakStore, start_s: f64, end_s: f64) -> Measured {
    single_note_of(store, start_s, end_s, MEASURED)
}

/// As [`single_note`], by the first `partials` partials only: the fewer, the less a stiff string's sharp upper ones count.
pub fn single_note_of(store: &PeakStore, start_s: f64, end_s: f64, partials: u32) -> Measured {
    let (first, end) = (frame_at(start_s), frame_at(end_s).min(store.frames()));
    let guesses: Vec<(f64, f64)> = (first..end)
        .filter_map(|i| {
            let peaks: Vec<Peak> = store.frame(i).collect();
            let strongest = peaks.iter().map(|p| p.amplitude).fold(0.0, f32::max);
            fundamental(&peaks, strongest)
                .map(|hz| hz * multiple_heard(&peaks, hz))
                .map(|hz| (100.0 * hz_to_midi(hz), f64::from(strongest).sqrt()))
        })
        .collect();
    let Some(place) = densest(&guesses) else { return Measured::absent("no_note_heard") };
    measure(store, (first, end), place, partials)
}

/// The guess with the most weight around it.
fn densest(guesses: &[(f64, f64)]) -> Option<f64> {
    let support = |at: f64| -> (usize, f64) {
        guesses.iter().filter(|g| (g.0 - at).abs() < AGREE_CENTS).fold((0, 0.0), |s, g| (s.0 + 1, s.1 + g.1))
    };
    let best = guesses.iter().map(|g| (support(g.0), g.0)).max_by(|a, b| a.0.1.total_cmp(&b.0.1))?;
    if best.0.0 < 3 {
        return None;
    }
    weighted_median(&guesses.iter().copied().filter(|g| (g.0 - best.1).abs() < AGREE_CENTS).collect::<Vec<_>>())
}

/// The fundamental that explains a frame best.
fn fundamental(peaks: &[Peak], strongest: f32) -> Option<f64> {
    let loud: Vec<Peak> = peaks.iter().copied().filter(|p| p.amplitude > WEAKEST * strongest).collect();
    let mut by_level = loud.clone();
    by_level.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
    let mut best: Option<(f64, f64)> = None;
    for peak in by_level.iter().take(TRIED) {
        for number in 1..=LARGEST_NUMBER {
            let f0 = f64::from(peak.hz) / f64::from(number);
            if f0 < LOWEST_HZ {
                break;
            }
            let score = score(&loud, f0, f64::from(strongest));
            if best.is_none_or(|b| score > b.0) {
                best = Some((score, f0));
            }
        }
    }
    best.filter(|b| b.0 > 0.0).map(|b| b.1)
}

/// How many times higher the note is than `f0`: where hardly anything but every second, third or fourth partial is heard, the
/// rest is the room's, or another string that rings along.
fn multiple_heard(peaks: &[Peak], f0: f64) -> f64 {
    let own: Vec<(u32, f64)> = peaks
        .iter()
        .filter_map(|p| {
            let number = (f64::from(p.hz) / f0).round();
            let away = 1200.0 * (f64::from(p.hz) / (number.max(1.0) * f0)).log2();
            ((1.0..=PARTIALS).contains(&number) && away.abs() < NEAR_CENTS)
                .then_some((number as u32, f64::from(p.amplitude)))
        })
        .collect();
    let total: f64 = own.iter().map(|p| p.1).sum();
    [4u32, 3, 2]
        .into_iter()
        .find(|k| own.iter().filter(|p| p.0 % k != 0).map(|p| p.1).sum::<f64>() < STRAY_SHARE * total)
        .map_or(1.0, f64::from)
}

fn score(peaks: &[Peak], f0: f64, strongest: f64) -> f64 {
    let mut heard = [false; NEEDED + 1];
    let mut sum = 0.0;
    for p in peaks {
        let number = (f64::from(p.hz) / f0).round();
        let away = 1200.0 * (f64::from(p.hz) / (number.max(1.0) * f0)).log2();
        let strength = f64::from(p.amplitude).sqrt();
        if (1.0..=PARTIALS).contains(&number) && away.abs() < NEAR_CENTS {
            // A high partial fits many fundamentals, hence proves less.
            sum += strength * (1.0 - 0.5 * number / PARTIALS);
            if number <= NEEDED as f64 {
                heard[number as usize] = true;
            }
        } else {
            sum -= strength;
        }
    }
    let top = super::compact::PEAKS.range_hz.1;
    // A missing fundamental speaks against a pitch more than missing upper partials, which a mellow tone may lack.
    let missing: f64 = (1..=NEEDED)
        .filter(|n| !heard[*n] && f0 * (*n as f64) < 0.9 * top)
        .map(|n| if n == 1 { MISSING_FUNDAMENTAL } else { MISSING_UPPER })
        .sum();
    sum - missing * strongest.sqrt()
}

fn measure(store: &PeakStore, (first, end): (usize, usize), place: f64, counted: u32) -> Measured {
    let f0 = midi_to_hz(place / 100.0);
    let mut partials: Vec<(f64, f64)> = Vec::new();
    let mut frames = 0u64;
    for number in 1..=counted {
        let target = f0 * f64::from(number);
        let skip = ATTACK.min((end - first) / 3);
        let own: Vec<(f64, f64)> = (first + skip..end)
            .filter_map(|i| {
                store
                    .frame(i)
                    .map(|p| (1200.0 * (f64::from(p.hz) / target).log2(), f64::from(p.amplitude)))
                    .filter(|p| p.0.abs() < 1.5 * NEAR_CENTS)
                    .max_by(|a, b| a.1.total_cmp(&b.1))
            })
            .collect();
        // By time, not by power: a plucked note would be read at its loud and sharp beginning.
        let timed: Vec<(f64, f64)> = own.iter().map(|p| (p.0, 1.0)).collect();
        if let Some(centre) = weighted_median(&timed) {
            let power = own.iter().map(|p| p.1 * p.1).sum::<f64>();
            partials.push((centre, power * f64::from(number).powf(NUMBER_POWER)));
            frames = frames.max(own.len() as u64);
        }
    }
    let total: f64 = partials.iter().map(|p| p.1).sum();
    if total <= 0.0 || frames < 3 {
        return Measured::absent("no_note_heard");
    }
    let value = partials.iter().map(|p| p.0 * p.1).sum::<f64>() / total;
    let between = (partials.iter().map(|p| p.1 * (p.0 - value).powi(2)).sum::<f64>() / total).sqrt();
    Measured::symmetric(place + value, SYSTEMATIC_CENTS.hypot(between), frames)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store_of(midi: f64, levels: &[f32]) -> PeakStore {
        let mut store = PeakStore::default();
        let f0 = midi_to_hz(midi) as f32;
        let peaks: Vec<Peak> = levels
            .iter()
            .enumerate()
            .map(|(i, a)| Peak { hz: f0 * (i + 1) as f32, amplitude: *a })
            .filter(|p| p.hz < 1500.0)
            .collect();
        (0..30).for_each(|_| store.push(&peaks));
        store
    }

    #[test]
    fn a_note_keeps_its_octave_with_a_weak_or_a_lone_fundamental() {
        for levels in [&[0.1f32, 0.05, 0.03, 0.02][..], &[0.018, 0.1, 0.08, 0.06, 0.05], &[0.1], &[0.1, 0.003]] {
            for midi in [23.0, 28.3, 40.0, 57.7, 69.0, 81.2] {
                let m = single_note(&store_of(midi, levels), 0.0, 1.2);
                let value = m.value.unwrap_or(f64::NAN);
                assert!((value - 100.0 * midi).abs() < 0.3, "{midi} {levels:?}: {m:?}");
            }
        }
    }

    #[test]
    fn silence_has_no_note() {
        let mut store = PeakStore::default();
        (0..30).for_each(|_| store.push(&[]));
        assert_eq!(single_note(&store, 0.0, 1.2).reason.as_deref(), Some("no_note_heard"));
    }
}
