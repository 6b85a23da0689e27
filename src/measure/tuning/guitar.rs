//! The guitar in the mix: plucked chords in the register between the bass and the comping right hand.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; offsets from the nearest semitone, plus = sharp.
//!
//! Method: partials between 115 and 275 Hz (where chords on the lower strings have their fundamentals) are followed through
//! time ([`super::plucked`]); a small network ([`super::guitar_net`]) says of each how likely it is a guitar's, how far it then
//! scatters around the note that was played, and by how much it stands above it. The offset is the likeliest place of one player
//! whose strings and keys are off by one common amount give or take a few cents, beside the band at its own pitch and a
//! uniform background; every key counts as one cell, so that a drum with a pitch cannot pass for a guitar.
//!
//! Accuracy (331 takes with a guitar and 88 without, half of the guitars recorded ones, a piano in the guitar's register on 109 of
//! them; weights fitted without the tape in question): 71 in 100 told, in the middle within 1.5 cents, nine in ten within 4.6,
//! worst 17.6; none told where none played. Without a piano in the register nine in ten within 3.4, worst 10.5.
//! Limits: a piano that plays in this register pulls the offset towards the band's; a recorded guitar that the fit never heard may
//! begin its notes by another amount: of two, one was told 7 cents sharp in the middle, the other rightly.

use super::circle::{CIRCLE, STUDENT4_PEAK, kernel, median_and_half_width, offset_of, spread, student4, wrap};
use super::compact::{HOP_S, PeakStore};
use super::guitar_net::{Belief, beliefs};
use super::line::Run;
use super::plucked::candidates;

/// Fewest candidates of a take with a guitar.
const FEWEST: usize = 12;
/// Odds that a guitar plays, as a natural logarithm: of the mean probability of the candidates, of the guitar's partials expected a
/// second, of the half-width of the offset, their logarithms; and a constant. A guitar is told from these odds on: one of which no open string was
/// heard, and one that is known to be in the room.
const PRESENCE: [f64; 4] = [1.55, 4.97, -5.64, 14.29];
const LEAST_ODDS: f64 = 1.5;
const LEAST_ODDS_TUNED: f64 = 0.5;
/// Spread of keys around the player's common offset, cents.
const KEY_SIGMA: f64 = 3.99;
/// What is not the guitar is at the band's pitch with this share, within this spread, cents.
const BAND_SHARE: f64 = 0.71;
const BAND_SIGMA: f64 = 6.48;
/// Tracks of one chord are not independent: their log-likelihood counts by this.
const TRACK_POWER: f64 = 0.44;
/// Longest duration that adds to a note's weight, seconds.
const FULL_WEIGHT_S: f64 = 0.5;

/// One partial that is likely the guitar's.
#[derive(Clone, Copy, Debug)]
pub struct GuitarNote {
    /// Middle, seconds.
    pub at_s: f64,
    /// Pitch in cents above MIDI 0.
    pub cents: f64,
    /// Seconds times the probability that it is the guitar's.
    pub weight: f64,
}

/// The guitar of a take.
#[derive(Clone, Debug)]
pub struct GuitarHeard {
    /// Its partials.
    pub notes: Vec<GuitarNote>,
    /// Offset, cents from the nearest semitone.
    pub cents: f64,
    /// Half of the 95 % interval that the likelihood gives, cents.
    pub half_width: f64,
}

/// The guitar in frames `first..end`, beside the bass line and a band that stands at `band_cents`; `None` when none was heard. `tuned`: it was
/// heard on its open strings.
pub fn guitar(
    store: &PeakStore,
    bass: &[Run],
    first: usize,
    end: usize,
    band_cents: Option<f64>,
    tuned: bool,
) -> Option<GuitarHeard> {
    let candidates = candidates(store, bass, first, end);
    let beliefs = beliefs(&candidates);
    if candidates.len() < FEWEST {
        return None;
    }
    let band = |cents: f64| {
        band_cents.map_or(1.0 / CIRCLE as f64, |b| {
            (-0.5 * (wrap(cents - b) / BAND_SIGMA).powi(2)).exp() / (BAND_SIGMA * std::f64::consts::TAU.sqrt())
        })
    };
    let voices: Vec<Voice> = candidates.iter().zip(&beliefs).map(|(c, b)| Voice::new(c.track.cents, b, band)).collect();
    let (cents, half_width) = median_and_half_width(&posterior(&voices));
    let least = if tuned { LEAST_ODDS_TUNED } else { LEAST_ODDS };
    if presence(&beliefs, (end - first) as f64 * HOP_S, half_width) < least {
        return None;
    }
    let notes = candidates
        .iter()
        .zip(&voices)
        .map(|(c, v)| {
            let away = wrap(v.cents - cents);
            let own = v.own * student4(away / v.sigma);
            GuitarNote {
                at_s: c.track.middle_s(),
                cents: ((v.cents - cents) / 100.0).round() * 100.0 + cents + away,
                weight: c.track.seconds().min(FULL_WEIGHT_S) * own / (own + v.other),
            }
        })
        .collect();
    Some(GuitarHeard { notes, cents: wrap(cents), half_width })
}

/// Log odds that a guitar plays at all.
fn presence(beliefs: &[Belief], seconds: f64, half_width: f64) -> f64 {
    let expected: f64 = beliefs.iter().map(|b| b.probability).sum();
    let [mean, rate, width, constant] = PRESENCE;
    mean * (expected / beliefs.len() as f64).ln()
        + rate * (expected / seconds).ln()
        + width * half_width.ln()
        + constant
}

/// A track as the likelihood sees it.
struct Voice {
    cents: f64,
    sigma: f64,
    /// Density of the guitar at its own place, and of everything else.
    own: f64,
    other: f64,
}

impl Voice {
    /// Of a partial at `cents`.
    fn new(cents: f64, belief: &Belief, band: impl Fn(f64) -> f64) -> Self {
        let cents = cents - belief.sharp_cents;
        let background = BAND_SHARE * band(cents) + (1.0 - BAND_SHARE) / CIRCLE as f64;
        Self {
            cents,
            sigma: belief.sigma_cents,
            own: belief.probability * STUDENT4_PEAK / belief.sigma_cents,
            other: (1.0 - belief.probability) * background,
        }
    }
}

fn posterior(voices: &[Voice]) -> [f64; CIRCLE] {
    let mut cells: std::collections::BTreeMap<i64, [f64; CIRCLE]> = Default::default();
    for v in voices {
        let cell = cells.entry((v.cents / 100.0).round() as i64).or_insert([0.0; CIRCLE]);
        for (j, c) in cell.iter_mut().enumerate() {
            *c += TRACK_POWER * (v.own * student4(wrap(v.cents - offset_of(j)) / v.sigma) + v.other).ln();
        }
    }
    let kernel = kernel(KEY_SIGMA);
    let mut total = [0.0; CIRCLE];
    for cell in cells.values() {
        total.iter_mut().zip(spread(cell, &kernel)).for_each(|(t, l)| *t += l);
    }
    let top = total.iter().copied().fold(f64::MIN, f64::max);
    let mut out = total.map(|t| (t - top).exp());
    let sum: f64 = out.iter().sum();
    out.iter_mut().for_each(|o| *o /= sum);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixed pseudo-random numbers, -0.5..0.5.
    fn noise(i: u64) -> f64 {
        let x = (i.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        x as f64 / f64::from(u32::MAX >> 1) - 0.5
    }

    fn belief(probability: f64) -> Belief {
        Belief { probability, sigma_cents: 5.0, sharp_cents: 0.0 }
    }

    #[test]
    fn the_players_offset_is_found_beside_the_band_and_as_much_background() {
        for truth in [-45.0, -20.0, -9.0, 0.0, 12.0, 33.0, 45.0] {
            // What the network answers for three of four partials, at the least for a guitar's (0.48), at the most for others (0.06).
            let voices: Vec<Voice> = (0..240)
                .map(|i| {
                    let key = 4800.0 + 100.0 * (i % 12) as f64;
                    let offset = match i % 3 {
                        0 => truth + 8.0 * noise(i),
                        1 => 4.0 * noise(i + 77),
                        _ => 100.0 * noise(i + 999),
                    };
                    let band = (-0.5 * (wrap(offset) / BAND_SIGMA).powi(2)).exp() / (BAND_SIGMA * 2.5066);
                    Voice::new(key + offset, &belief(if i % 3 == 0 { 0.48 } else { 0.06 }), |_| band)
                })
                .collect();
            let (found, half) = median_and_half_width(&posterior(&voices));
            assert!(wrap(found - truth).abs() < 2.0, "{truth}: {found}");
            assert!(half < 6.0, "{half}");
        }
    }

    #[test]
    fn what_a_partial_stands_above_its_note_is_taken_off() {
        let voice = Voice::new(5007.0, &Belief { sharp_cents: 4.0, ..belief(0.5) }, |cents| cents / 1e6);
        assert_eq!(voice.cents, 5003.0);
        assert!((voice.other - 0.5 * (BAND_SHARE * 0.005_003 + (1.0 - BAND_SHARE) / 100.0)).abs() < 1e-12);
    }

    #[test]
    fn one_key_that_sounds_all_the_time_does_not_outweigh_the_others() {
        let voices: Vec<Voice> = (0..200)
            .map(|i| {
                let cents = if i < 120 { 5430.0 } else { 4800.0 + 100.0 * f64::from(i % 12) + 8.0 };
                Voice::new(cents, &belief(0.5), |_| 0.01)
            })
            .collect();
        let (found, _) = median_and_half_width(&posterior(&voices));
        assert!((found - 8.0).abs() < 1.5, "{found}");
    }

    #[test]
    fn a_guitar_is_told_when_enough_partials_are_likely_its_own_and_agree() {
        let all = |probability: f64, count: usize| vec![belief(probability); count];
        // 60 s: what the ten shared tapes have with and without a guitar, rounded.
        assert!(presence(&all(0.3, 480), 60.0, 3.8) > LEAST_ODDS);
        assert!(presence(&all(0.1, 480), 60.0, 8.7) < LEAST_ODDS);
        assert!(presence(&all(0.3, 480), 60.0, 20.0) < LEAST_ODDS, "they do not agree");
        assert!(presence(&all(0.3, 40), 60.0, 3.8) < LEAST_ODDS, "hardly anything of it");
    }
}
