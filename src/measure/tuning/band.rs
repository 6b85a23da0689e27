//! The band's own pitch, and piano and horns as far as they can be told apart.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; offsets from the nearest semitone.
//!
//! Method: partials between 262 and 1100 Hz are followed through time, where fixed-pitch and wind instruments have their
//! fundamentals and strong partials. How far each is the keys' or the horns' is told by what the layers give them of its band at its
//! time ([`crate::dsp::whose`]); the offset at which the weight of either, and of both, is densest is the piano's, the horns' and the
//! band's: a guitar or a bass that stands beside it is not followed. Where nobody knows whose the power is, all tones speak for the band, long
//! steady ones for the horns, such as die away for the piano. From second to second it is the middle of what lies around the take's offset near
//! that second.
//!
//! Accuracy: `benches/README.md`, Where the band stands.
//! Limits: with neither piano nor horns playing, guitar and bass partials are what is left.

use crate::dsp::partials::weighted_median;
use crate::dsp::whose::{KeysAndHorns, KeysAndHornsStretch, WhoPlays};
use crate::stats::Measured;
use crate::units::midi_to_hz;

use super::circle::wrap;
use super::compact::{PeakStore, moment_s};
use super::densest::{FEWEST, densest, kernel};
use super::tracks::{Track, tracks};

const REGISTER_HZ: (f64, f64) = (262.0, 1100.0);
/// A horn note lasts at least this many frames (0.48 s) and falls by less than this many dB a second.
const HORN_FRAMES: usize = 12;
const HORN_FALL_DB_PER_S: f64 = -12.0;
/// Reasons of players that are not heard.
const NO_PIANO: &str = "no_piano_heard";
const NO_HORNS: &str = "no_horns_heard";
/// A tone belongs to a take's offset within this distance, cents: what is further off is another player.
const AROUND_CENTS: f64 = 15.0;
/// Half of the stretch from which one second of the curve is read.
const CURVE_REACH_S: f64 = 8.0;

/// Offsets of the band and its parts in one take.
#[derive(Clone, Debug)]
pub struct BandPitch {
    /// What keys and horns agree on.
    pub band: Measured,
    /// The horns, as a group.
    pub horns: Measured,
    /// The piano or other keys.
    pub piano: Measured,
    /// The band, cents from A4 = 440 Hz, one a second of the tape from the one in which the take begins.
    pub curve: Vec<Option<f64>>,
}

impl BandPitch {
    /// The same without the players that do not play: tones that die away or last may be anybody's.
    pub fn played_by(self, players: WhoPlays) -> Self {
        let if_heard = |heard: bool, own: Measured, none: &str| if heard { own } else { Measured::absent(none) };
        let piano = if_heard(players.keys, self.piano, NO_PIANO);
        Self { piano, horns: if_heard(players.horns, self.horns, NO_HORNS), ..self }
    }
}

/// How well each is known, half of a 95 % interval, cents, beside the scatter and a second place.
struct Known {
    band: f64,
    piano: f64,
    horns: f64,
}

/// By the layers' shares: on the twelve seeds of the accuracy table the piano is inside on 94 of 100 takes, the horns on 97; the band on 95 (294 of
/// these takes).
const BY_SHARES: Known = Known { band: 2.5, piano: 3.0, horns: 3.5 };
/// By how tones go on; horns beside a piano cannot be told from it so.
const BY_DECAY: Known = Known { band: 1.0, piano: 3.0, horns: 1.5 };
const HORNS_BESIDE_PIANO_CENTS: f64 = 11.0;
/// Powers to which the shares of the band's, the piano's and the horns' weights are taken: most of what is doubtful is somebody else's.
const BAND_POWER: f64 = 3.0;
const KEYS_POWER: f64 = 3.0;
const HORNS_POWER: f64 = 1.5;
/// Horns are told where this much of what lies around their place, and is the keys' or theirs, is theirs: else a piano beside them is taken for
/// soft horns. Of 80 takes with horns up to 25 cents off 27 are told so, none of them more than 2.4 cents wrong; of the others two in three would be
/// by more than 5.
const HORNS_CLEAR: f64 = 0.4;
/// A tone that dies away is a horn's by this share of what the layers say.
const DYING_HORN: f64 = 0.3;

/// A partial, and what it counts for whom.
struct Tone {
    middle_s: f64,
    /// From the nearest semitone, cents.
    cents: f64,
    band: f64,
    piano: f64,
    horns: f64,
    /// What of its weight is the horns', and what theirs or the keys'.
    of_horns: f64,
    of_either: f64,
}

impl Tone {
    fn new(t: &Track, whose: Option<&KeysAndHornsStretch>) -> Self {
        let weight = t.seconds().min(1.0) * t.amplitude.sqrt() / (1.0 + (t.wander_cents / 3.0).powi(2));
        let lasts = t.frames >= HORN_FRAMES && t.slope_db_per_s > HORN_FALL_DB_PER_S;
        let falls = t.slope_db_per_s < -6.0 && t.slope_db_per_s > -60.0;
        let dies = falls && t.frames >= 6 && t.wander_cents < 4.0 && !lasts;
        let one_if = |is: bool| f64::from(u8::from(is));
        let (either, keys, horns) = whose.map_or((1.0, one_if(dies), one_if(lasts)), |whose| {
            let half_s = t.seconds() / 2.0;
            let span_s = (t.middle_s() - half_s, t.middle_s() + half_s);
            let [keys, horns] = whose.of(midi_to_hz(t.cents / 100.0), span_s.0, span_s.1);
            (keys + horns, keys, horns)
        });
        let horn = if lasts { 1.0 } else { DYING_HORN };
        Self {
            middle_s: t.middle_s(),
            cents: t.cents - 100.0 * (t.cents / 100.0).round(),
            band: weight * either.powf(BAND_POWER),
            piano: weight * keys.powf(KEYS_POWER),
            horns: weight * (horn * horns).powf(HORNS_POWER),
            of_horns: weight * horn * horns,
            of_either: weight * horn * either,
        }
    }
}

/// The horns by their `points`, where what lies at their place is clearly theirs.
fn clear_horns(tones: &[Tone], points: &[(f64, f64)], known_cents: f64) -> Measured {
    let found = densest(points, known_cents, NO_HORNS);
    let clear = found.value.is_none_or(|at| horns_around(tones, at) >= HORNS_CLEAR);
    if clear { found } else { Measured::absent("horns_not_clear") }
}

/// Share of the horns in what lies around `at` and is theirs or the keys', 0..=1.
fn horns_around(tones: &[Tone], at: f64) -> f64 {
    let near = |t: &Tone| kernel(wrap(t.cents - at));
    let (own, either) =
        tones.iter().fold((0.0, 0.0), |(own, either), t| (own + near(t) * t.of_horns, either + near(t) * t.of_either));
    if either > 0.0 { own / either } else { 0.0 }
}

/// Reads frames `first..end`; `whose` the power of a band is, where that is known.
pub fn band_pitch(store: &PeakStore, (first, end): (usize, usize), whose: Option<&KeysAndHorns>) -> BandPitch {
    let stretch = whose.map(|w| w.between(moment_s(first), moment_s(end)));
    let all: Vec<Tone> =
        tracks(store, first, end, REGISTER_HZ).iter().map(|t| Tone::new(t, stretch.as_ref())).collect();
    let pick = |weight: fn(&Tone) -> f64| -> Vec<(f64, f64)> {
        all.iter().map(|t| (t.cents, weight(t))).filter(|(_, weight)| *weight > 0.0).collect()
    };
    let known = if whose.is_some() { BY_SHARES } else { BY_DECAY };
    let band = densest(&pick(|t| t.band), known.band, "no_steady_tones_heard");
    let piano = densest(&pick(|t| t.piano), known.piano, NO_PIANO);
    let horns = match whose {
        Some(_) => clear_horns(&all, &pick(|t| t.horns), known.horns),
        None if piano.value.is_some() => densest(&pick(|t| t.horns), HORNS_BESIDE_PIANO_CENTS, NO_HORNS),
        None => densest(&pick(|t| t.horns), known.horns, NO_HORNS),
    };
    let around = |t: &Tone| {
        let level = band.value?;
        let away = wrap(t.cents - level);
        (away.abs() < AROUND_CENTS && t.band > 0.0).then_some((t.middle_s, level + away, t.band))
    };
    let tones: Vec<(f64, f64, f64)> = all.iter().filter_map(around).collect();
    BandPitch { curve: curve(tones, moment_s(first), moment_s(end)), band, horns, piano }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    #[test]
    fn a_band_that_goes_sharp_is_followed() {
        let mut store = PeakStore::default();
        // Four minutes of three steady tones that change every 0.8 s and rise by 2 cents a minute.
        for frame in 0..6000usize {
            let cents = 5.0 + 2.0 * moment_s(frame) / 60.0;
            let peaks: Vec<Peak> = if frame % 20 < 18 {
                let root = 62.0 + ((frame / 20) % 5) as f64;
                let hz = |above: f64| midi_to_hz(root + above + cents / 100.0) as f32;
                [0.0, 4.0, 7.0].map(|above| Peak { hz: hz(above), amplitude: 0.05 }).to_vec()
            } else {
                Vec::new()
            };
            store.push(&peaks);
        }
        let found = band_pitch(&store, (0, 6000), None);
        assert_eq!(found.curve.len(), 240);
        for (second, cents) in found.curve.iter().enumerate().skip(10).take(220) {
            let true_cents = 5.0 + 2.0 * second as f64 / 60.0;
            assert!((cents.unwrap() - true_cents).abs() < 0.4, "{second}: {cents:?} for {true_cents}");
        }
        assert!((found.horns.value.unwrap() - 9.0).abs() < 1.0 && found.horns.half_width() < 2.5, "{:?}", found.horns);
        assert_eq!(found.piano.reason.as_deref(), Some("no_piano_heard"));
    }

    /// Half a minute of a chord that dies away, struck every 0.6 s, `keys_cents` off, and between its tones those of a louder one, `other_cents` off.
    fn chords(keys_cents: f64, other_cents: f64) -> PeakStore {
        let mut store = PeakStore::default();
        for frame in 0..750usize {
            let level = 0.05 * 10f32.powf(-((frame % 15) as f32) * 0.04);
            let tone = |midi: f64, cents: f64, amplitude: f32| {
                let hz = midi_to_hz(midi + ((frame / 15) % 3) as f64 + cents / 100.0) as f32;
                (frame % 15 < 13).then_some(Peak { hz, amplitude })
            };
            let keys = [76.0, 79.0, 81.0].map(|midi| tone(midi, keys_cents, level));
            let other = [62.0, 65.0, 69.0].map(|midi| tone(midi, other_cents, 4.0 * level));
            let mut peaks: Vec<Peak> = keys.into_iter().chain(other).flatten().collect();
            peaks.sort_by(|a, b| a.hz.total_cmp(&b.hz));
            store.push(&peaks);
        }
        store
    }

    const EDGES_HZ: [f64; 9] = [262.0, 300.0, 350.0, 400.0, 500.0, 600.0, 700.0, 900.0, 1100.0];

    #[test]
    fn a_louder_guitar_beside_the_band_is_not_followed_where_it_is_known_whose_the_tones_are() {
        // The keys' tones lie above 600 Hz, the other's below.
        let mut whose = KeysAndHorns::new(30.0, &EDGES_HZ, None);
        whose.push(&[[0.1, 0.1, 0.1, 0.1, 0.1, 0.8, 0.8, 0.8], [0.0; 8]]);
        let store = chords(4.0, -16.0);
        let found = band_pitch(&store, (0, 750), Some(&whose));
        let near = |m: &Measured| m.value.is_some_and(|v| (v - 4.0).abs() < 1.0);
        assert!(near(&found.band) && near(&found.piano), "{found:?}");
        assert!(found.band.half_width() < 3.5, "{:?}", found.band);
        assert_eq!(found.horns.reason.as_deref(), Some("no_horns_heard"));
        let unknown = band_pitch(&store, (0, 750), None);
        assert!((unknown.band.value.unwrap() + 16.0).abs() < 1.0, "{unknown:?}");
    }

    #[test]
    fn horns_are_told_where_most_at_their_place_is_theirs_and_not_where_a_piano_leaks_into_them() {
        let horns = |keys: f64, horns: f64| {
            let mut whose = KeysAndHorns::new(30.0, &EDGES_HZ, None);
            whose.push(&[[keys; 8], [horns; 8]]);
            band_pitch(&chords(4.0, 4.0), (0, 750), Some(&whose)).horns
        };
        // Of what is either's, 0.39 and 0.41 are the horns'.
        assert_eq!(horns(0.61, 0.39).reason.as_deref(), Some("horns_not_clear"));
        let told = horns(0.59, 0.41);
        assert!((told.value.unwrap() - 4.0).abs() < 1.0, "{told:?}");
    }

    #[test]
    fn whoever_does_not_play_has_no_pitch() {
        let m = || Measured::symmetric(3.0, 2.0, 90);
        let found = BandPitch { band: m(), horns: m(), piano: m(), curve: Vec::new() };
        let none = found.clone().played_by(WhoPlays { bass: true, keys: false, horns: false });
        assert_eq!((none.piano.reason.as_deref(), none.horns.reason.as_deref()), (Some(NO_PIANO), Some(NO_HORNS)));
        assert_eq!(none.band.value, Some(3.0));
        let all = found.played_by(WhoPlays::ALL);
        assert_eq!((all.piano.value, all.horns.value), (Some(3.0), Some(3.0)));
    }
}
