//! The band's own pitch, and piano and horns as far as they can be told apart.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; offsets from the nearest semitone.
//!
//! Method: partials between 262 and 1100 Hz are followed through time, where fixed-pitch and wind instruments have their
//! fundamentals and strong partials; the offset at which their weight is densest is the band's (the mode does not follow
//! a guitar or a bass that stands beside it). Steady long tracks are the horns; tracks that die away are the piano. From
//! second to second it is the middle of what lies around the take's offset near that second.
//!
//! Limits: with neither piano nor horns playing, guitar and bass partials are what is left. Horns a few cents off a piano that
//! plays the same notes cannot be told from it: on six rendered tapes with horns 5 flat to 9 sharp of the piano they were told
//! near the piano, up to 11 cents wrong; beside a piano their interval says so.

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

use super::circle::wrap;
use super::compact::{HOP_S, PeakStore};
use super::tracks::{Track, tracks};

const REGISTER_HZ: (f64, f64) = (262.0, 1100.0);
/// A horn note lasts at least this many frames (0.48 s) and falls by less than this many dB a second.
const HORN_FRAMES: usize = 12;
const HORN_FALL_DB_PER_S: f64 = -12.0;
/// Kernel of the density, cents.
const KERNEL_CENTS: f64 = 2.0;
/// Around the densest place the median of what lies this near is the offset, cents.
const NEAR_CENTS: f64 = 8.0;
const FEWEST: usize = 12;
/// Known accuracy of horns beside a piano, half of a 95 % interval, cents.
const HORNS_BESIDE_PIANO_CENTS: f64 = 11.0;
/// A tone belongs to a take's offset within this distance, cents: what is further off is another player.
const AROUND_CENTS: f64 = 15.0;
/// Half of the stretch from which one second of the curve is read.
const CURVE_REACH_S: f64 = 8.0;

/// Offsets of the band and its parts in one take.
#[derive(Clone, Debug)]
pub struct BandPitch {
    /// All of them.
    pub band: Measured,
    /// Long steady tones.
    pub horns: Measured,
    /// Tones that die away.
    pub piano: Measured,
    /// The band, cents from A4 = 440 Hz, one a second of the tape from the one in which the take begins.
    pub curve: Vec<Option<f64>>,
}

/// Reads frames `first..end`.
pub fn band_pitch(store: &PeakStore, first: usize, end: usize) -> BandPitch {
    let all = tracks(store, first, end, REGISTER_HZ);
    let weight = |t: &Track| t.seconds().min(1.0) * t.amplitude.sqrt() / (1.0 + (t.wander_cents / 3.0).powi(2));
    let offset = |t: &Track| t.cents - 100.0 * (t.cents / 100.0).round();
    let pick = |keep: &dyn Fn(&Track) -> bool| -> Vec<(f64, f64)> {
        all.iter().filter(|t| keep(t)).map(|t| (offset(t), weight(t))).collect()
    };
    let horn = |t: &Track| t.frames >= HORN_FRAMES && t.slope_db_per_s > HORN_FALL_DB_PER_S;
    let piano = |t: &Track| {
        t.slope_db_per_s < -6.0 && t.slope_db_per_s > -60.0 && t.frames >= 6 && t.wander_cents < 4.0 && !horn(t)
    };
    let band = densest(&pick(&|_| true), 1.0, "no_steady_tones_heard");
    let piano = densest(&pick(&piano), 3.0, "no_piano_heard");
    let known = if piano.value.is_some() { HORNS_BESIDE_PIANO_CENTS } else { 1.5 };
    let horns = densest(&pick(&horn), known, "no_horns_heard");
    let around = |t: &Track| {
        let level = band.value?;
        let away = wrap(offset(t) - level);
        (away.abs() < AROUND_CENTS).then_some(level + away)
    };
    let tones: Vec<(f64, f64, f64)> = all.iter().filter_map(|t| Some((t.middle_s(), around(t)?, weight(t)))).collect();
    let whole_s = |frame: usize| frame as f64 * HOP_S;
    BandPitch { curve: curve(tones, whole_s(first), whole_s(end)), band, horns, piano }
}

/// The middle of `tones` (time, cents, weight) around each second of `from_s..to_s`.
fn curve(mut tones: Vec<(f64, f64, f64)>, from_s: f64, to_s: f64) -> Vec<Option<f64>> {
    tones.sort_by(|a, b| a.0.total_cmp(&b.0));
    (from_s as usize..to_s as usize)
        .map(|second| {
            let at = second as f64 + 0.5;
            let near = tones.partition_point(|t| t.0 < at - CURVE_REACH_S)
                ..tones.partition_point(|t| t.0 <= at + CURVE_REACH_S);
            let near: Vec<(f64, f64)> = tones[near].iter().map(|t| (t.1, t.2)).collect();
            if near.len() >= FEWEST { weighted_median(&near) } else { None }
        })
        .collect()
}

/// Median around the densest place of the circle; `systematic_cents` (95 %) is the known accuracy.
fn densest(points: &[(f64, f64)], systematic_cents: f64, none: &str) -> Measured {
    let total: f64 = points.iter().map(|p| p.1).sum();
    if points.len() < FEWEST || total <= 0.0 {
        return Measured::absent(none);
    }
    let density =
        |at: f64| -> f64 { points.iter().map(|p| p.1 * (-0.5 * (wrap(p.0 - at) / KERNEL_CENTS).powi(2)).exp()).sum() };
    let (mut place, mut most) = (0.0, f64::MIN);
    for step in 0..200 {
        let at = -50.0 + 0.5 * f64::from(step);
        let d = density(at);
        if d > most {
            (place, most) = (at, d);
        }
    }
    let near: Vec<(f64, f64)> =
        points.iter().map(|p| (wrap(p.0 - place), p.1)).filter(|p| p.0.abs() < NEAR_CENTS).collect();
    // A flat background alone would have 5 % of its weight within one kernel of any place.
    let share: f64 = near.iter().map(|p| p.1).sum::<f64>() / total;
    if share < 0.3 {
        return Measured::absent(none);
    }
    let Some(rest) = weighted_median(&near) else { return Measured::absent(none) };
    let away: Vec<(f64, f64)> = near.iter().map(|p| ((p.0 - rest).abs(), p.1)).collect();
    let sigma = 1.4826 * weighted_median(&away).unwrap_or(NEAR_CENTS);
    let squares: f64 = near.iter().map(|p| p.1 * p.1).sum();
    let effective = near.iter().map(|p| p.1).sum::<f64>().powi(2) / squares.max(1e-12);
    let scatter = 1.96 * 1.2533 * sigma / effective.sqrt();
    Measured::symmetric(place + rest, scatter.hypot(systematic_cents), near.len() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_is_where_most_of_the_weight_lies_and_not_between_two_players() {
        let points: Vec<(f64, f64)> =
            (0..90).map(|i| if i % 3 == 0 { (14.0, 1.0) } else { (-2.0 + f64::from(i % 5) * 0.5, 1.0) }).collect();
        let m = densest(&points, 1.0, "none");
        assert!((m.value.unwrap() + 1.0).abs() < 0.6, "{m:?}");
    }

    #[test]
    fn a_band_that_goes_sharp_is_followed() {
        use crate::dsp::peaks::Peak;
        use crate::units::midi_to_hz;
        let mut store = PeakStore::default();
        // Four minutes of three steady tones that change every 0.8 s and rise by 2 cents a minute.
        for frame in 0..6000usize {
            let cents = 5.0 + 2.0 * frame as f64 * HOP_S / 60.0;
            let peaks: Vec<Peak> = if frame % 20 < 18 {
                let root = 62.0 + ((frame / 20) % 5) as f64;
                let hz = |above: f64| midi_to_hz(root + above + cents / 100.0) as f32;
                [0.0, 4.0, 7.0].map(|above| Peak { hz: hz(above), amplitude: 0.05 }).to_vec()
            } else {
                Vec::new()
            };
            store.push(&peaks);
        }
        let found = band_pitch(&store, 0, 6000);
        assert_eq!(found.curve.len(), 240);
        for (second, cents) in found.curve.iter().enumerate().skip(10).take(220) {
            let true_cents = 5.0 + 2.0 * second as f64 / 60.0;
            assert!((cents.unwrap() - true_cents).abs() < 0.4, "{second}: {cents:?} for {true_cents}");
        }
        assert!((found.horns.value.unwrap() - 9.0).abs() < 1.0 && found.horns.half_width() < 2.5, "{:?}", found.horns);
        assert_eq!(found.piano.reason.as_deref(), Some("no_piano_heard"));
    }

    #[test]
    fn scattered_noise_has_no_pitch() {
        let points: Vec<(f64, f64)> = (0..100).map(|i| (f64::from(i) - 50.0, 1.0)).collect();
        assert_eq!(densest(&points, 1.0, "no_horns_heard").reason.as_deref(), Some("no_horns_heard"));
    }
}
