//! The guitar in the mix: plucked chords in the register between the bass and the comping right hand.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; offsets from the nearest semitone.
//!
//! Method: partials between 118 and 262 Hz (B flat 2 to C4, where chords on the lower strings have their fundamentals) are
//! followed through time. A track that lies on a partial of the bass note now or just before is left out, and so is one
//! that swells. What is left is a mixture: offsets of one player, who is off by one common amount give or take a few cents
//! a string, over a uniform background (drums, room, noise); both are fitted (expectation maximisation). No key may bring
//! more than 15 % of the weight, so that a drum with a pitch cannot pass for a guitar. The player's share of the weight,
//! counted with tracks that have a second partial, tells whether there is a guitar at all.
//!
//! Limits: a piano's left hand playing short chords in this register reads as a guitar; horns in this register pull the
//! offset towards their own; a bass line that was followed wrongly leaves bass partials in. The interval widens with the
//! share of the bass line that was not well supported.

use super::compact::{HOP_S, PeakStore};
use super::line::Run;
use super::tracks::{Track, tracks};

/// Register of the fundamentals, Hz.
const REGISTER_HZ: (f64, f64) = (118.0, 262.0);
/// A track within this distance of a bass partial is the bass, cents.
const BASS_NEAR_CENTS: f64 = 60.0;
/// Bass partials that are masked.
const BASS_PARTIALS: usize = 8;
/// A bass note rings on for this many frames.
const BASS_RINGS: usize = 5;
/// A plucked string is loudest within this many frames of its onset.
const LATEST_PEAK: usize = 5;
/// Longest duration that adds to a track's weight, seconds.
const FULL_WEIGHT_S: f64 = 0.5;
/// Most of the weight that one key may bring.
const KEY_CAP: f64 = 0.15;
/// Bounds of the spread of the player's offsets, cents.
const SPREAD_CENTS: (f64, f64) = (3.0, 9.0);
/// A second partial lies within this distance of twice the frequency, cents.
const SECOND_NEAR_CENTS: f64 = 30.0;
/// Fewest tracks for an answer.
const FEWEST: usize = 12;
/// Share of the weight, and seconds of partials a second, from which there is a guitar.
const LEAST_SHARE: f64 = 0.45;
const LEAST_RATE: f64 = 0.12;

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

/// The guitar's partials in frames `first..end`; empty when no guitar was heard.
pub fn guitar_notes(store: &PeakStore, bass: &[Run], first: usize, end: usize) -> Vec<GuitarNote> {
    let candidates: Vec<Track> = tracks(store, first, end, REGISTER_HZ)
        .into_iter()
        .filter(|t| t.rise_frames <= LATEST_PEAK && !on_the_bass(t, bass))
        .collect();
    if candidates.len() < FEWEST {
        return Vec::new();
    }
    let keys: Vec<i64> = candidates.iter().map(|t| (t.cents / 100.0).round() as i64).collect();
    let seconds: Vec<f64> = candidates.iter().map(|t| t.seconds().min(FULL_WEIGHT_S)).collect();
    let with_second: Vec<f64> = candidates.iter().zip(&seconds).map(|(t, s)| s * second_share(store, t)).collect();
    let offsets: Vec<f64> = candidates.iter().map(|t| t.cents - 100.0 * (t.cents / 100.0).round()).collect();
    let strict = cap_keys(&with_second, &keys);
    let Some(sure) = Mixture::fit(&offsets, &strict) else { return Vec::new() };
    let rate = sure.share * strict.iter().sum::<f64>() / ((end - first) as f64 * HOP_S);
    if sure.share < LEAST_SHARE || rate < LEAST_RATE {
        return Vec::new();
    }
    let weights = cap_keys(&seconds, &keys);
    let Some(mixture) = Mixture::fit(&offsets, &weights) else { return Vec::new() };
    candidates
        .iter()
        .zip(&keys)
        .zip(offsets.iter().zip(&weights))
        .map(|((t, key), (offset, weight))| GuitarNote {
            at_s: t.middle_s(),
            cents: *key as f64 * 100.0 + mixture.centre + wrap(offset - mixture.centre),
            weight: weight * mixture.probability(*offset),
        })
        .collect()
}

fn wrap(cents: f64) -> f64 {
    (cents + 50.0).rem_euclid(100.0) - 50.0
}

fn on_the_bass(track: &Track, bass: &[Run]) -> bool {
    let (from, to) = (track.first.saturating_sub(BASS_RINGS), track.first + track.frames);
    let begin = bass.partition_point(|r| r.end <= from);
    bass[begin..].iter().take_while(|r| r.first < to).any(|r| {
        (1..=BASS_PARTIALS).any(|n| (r.midi * 100.0 + 1200.0 * (n as f64).log2() - track.cents).abs() < BASS_NEAR_CENTS)
    })
}

/// Share of the track's frames that have a peak at twice its frequency.
fn second_share(store: &PeakStore, track: &Track) -> f64 {
    let target = track.cents + 1200.0;
    let heard = (track.first..track.first + track.frames)
        .filter(|&f| {
            store
                .frame(f)
                .any(|p| (100.0 * crate::units::hz_to_midi(f64::from(p.hz)) - target).abs() < SECOND_NEAR_CENTS)
        })
        .count();
    heard as f64 / track.frames as f64
}

/// Weights with no key above its share of the total.
fn cap_keys(weights: &[f64], keys: &[i64]) -> Vec<f64> {
    let mut out = weights.to_vec();
    for _ in 0..5 {
        let mut sums: std::collections::BTreeMap<i64, f64> = Default::default();
        let total: f64 = out.iter().sum();
        out.iter().zip(keys).for_each(|(w, k)| *sums.entry(*k).or_default() += w);
        for (w, k) in out.iter_mut().zip(keys) {
            let own = sums[k];
            if own > KEY_CAP * total {
                *w *= KEY_CAP * total / own;
            }
        }
    }
    out
}

/// A normal cluster of offsets on a circle of 100 cents, over a uniform background.
struct Mixture {
    centre: f64,
    spread: f64,
    /// Share of the weight in the cluster.
    share: f64,
}

impl Mixture {
    fn density(&self, offset: f64) -> (f64, f64) {
        let e = wrap(offset - self.centre) / self.spread;
        let own = self.share * (-0.5 * e * e).exp() / (self.spread * std::f64::consts::TAU.sqrt());
        (own, (1.0 - self.share).max(0.02) / 100.0)
    }

    fn probability(&self, offset: f64) -> f64 {
        let (own, rest) = self.density(offset);
        own / (own + rest)
    }

    /// The likeliest of fits from starts all around the circle.
    fn fit(offsets: &[f64], weights: &[f64]) -> Option<Self> {
        let total: f64 = weights.iter().sum();
        if total <= 0.0 {
            return None;
        }
        let mut best: Option<(f64, Self)> = None;
        for start in 0..25 {
            let mut m = Self { centre: -48.0 + 4.0 * f64::from(start), spread: 5.0, share: 0.4 };
            for _ in 0..60 {
                m.step(offsets, weights, total);
            }
            let likelihood: f64 = offsets
                .iter()
                .zip(weights)
                .map(|(o, w)| {
                    let (own, rest) = m.density(*o);
                    w * (own + rest).ln()
                })
                .sum();
            if best.as_ref().is_none_or(|b| likelihood > b.0) {
                best = Some((likelihood, m));
            }
        }
        best.map(|(_, mut m)| {
            m.centre = wrap(m.centre);
            m
        })
    }

    fn step(&mut self, offsets: &[f64], weights: &[f64], total: f64) {
        let (mut sum, mut first, mut second) = (1e-12, 0.0, 0.0);
        for (o, w) in offsets.iter().zip(weights) {
            let r = w * self.probability(*o);
            let e = wrap(o - self.centre);
            sum += r;
            first += r * e;
            second += r * e * e;
        }
        self.share = sum / total;
        self.centre += first / sum;
        self.spread = (second / sum).sqrt().clamp(SPREAD_CENTS.0, SPREAD_CENTS.1);
    }
}

/// Median offset of likely guitar partials around their common centre; for tests of the mixture.
#[cfg(test)]
fn centre_of(offsets: &[f64], weights: &[f64]) -> Option<f64> {
    let m = Mixture::fit(offsets, weights)?;
    let all: Vec<(f64, f64)> =
        offsets.iter().zip(weights).map(|(o, w)| (wrap(o - m.centre), w * m.probability(*o))).collect();
    crate::dsp::partials::weighted_median(&all).map(|e| m.centre + e)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixed pseudo-random numbers, -0.5..0.5.
    fn noise(i: u64) -> f64 {
        let x = (i.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        x as f64 / f64::from(u32::MAX >> 1) - 0.5
    }

    #[test]
    fn the_players_offset_is_found_over_as_much_background() {
        for truth in [-45.0, -20.0, -3.0, 0.0, 8.0, 33.0, 45.0] {
            let offsets: Vec<f64> = (0..200)
                .map(|i| if i % 2 == 0 { wrap(truth + 8.0 * noise(i)) } else { 100.0 * noise(i + 999) })
                .collect();
            let found = centre_of(&offsets, &vec![0.3; 200]).unwrap();
            assert!(wrap(found - truth).abs() < 1.5, "{truth}: {found}");
        }
    }

    #[test]
    fn one_key_that_sounds_all_the_time_cannot_bring_more_than_its_share() {
        let keys: Vec<i64> = (0..100).map(|i| if i < 60 { 54 } else { 40 + i % 10 }).collect();
        let capped = cap_keys(&vec![1.0; 100], &keys);
        let drum: f64 = capped[..60].iter().sum();
        assert!(drum / capped.iter().sum::<f64>() < 0.17);
    }
}
