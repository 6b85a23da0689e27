//! The bass of a take as one instrument: an offset common to all notes, one of each string, one of each key.
//!
//! Conventions: cents, plus = sharp; pitches in cents above MIDI 0 at A4 = 440 Hz; partials count from 1.
//!
//! Method: a note gives one reading of each partial below 300 Hz, from its steady part (after the attack, before the next
//! note reaches into the frame). A reading is the sum of the common offset, its string's, its key's, what this partial of
//! this bass is off by, and an error whose spread is learnt from the take, partial by partial; it may also be the band's
//! or nothing's, the likelier the less of its band's power is the bass's while it sounds (where the layers do not tell that: the higher it lies),
//! and counts by the square of that share. The sum is solved by expectation and maximisation with Student's errors;
//! the spread of strings and keys is learnt as well, so that strings tuned apart are told apart, and keys heard badly stand
//! where the others do. The offset of the take is the pitch under which half of its playing time lies.
//!
//! A plucked string begins sharp. How sharp is learnt from the bass's own open strings where the tape has them
//! ([`super::beginning`]). Without them, a bass whose second partials scatter more from note to note than its third (the body
//! pulls at the lowest partials, as on an upright) and whose notes fall in pitch while they are heard has not come to rest
//! when the next note begins; its offset is moved by what such basses still fall, and the interval grows.
//!
//! Limits: strings are taken to be played in the first position. What such basses still fall is known from two recorded
//! uprights only.

use crate::dsp::whose::BassStretch;
use crate::stats::median;

use super::beginning::Beginning;
use super::circle::wrap;
use super::compact::{HOP_S, PeakStore};
use super::fall::fall_rate;
use super::line::Run;
use super::model::{KeyOffset, Model, ROUNDS, logistic};
use super::normal::middle;
use super::played_strings::{PlayedString, StringPart, played_strings, strings_of_keys};
use super::readings::{Reading, readings_of};
use super::strings::OpenString;
use super::strings_say::{IN_THE_ROOM, StringsSay, bass_strings_say};
use super::trend::CellReading;

/// Shorter runs are passing errors of the line, frames.
const SHORTEST_RUN: usize = 5;
const FEWEST_READINGS: usize = 10;
/// No key's pitch is known better than this when the middle of the playing time is sought, cents.
const KEY_BLUR: f64 = 1.0;
/// What basses that have not come to rest still fall, cents: middle and spread.
const STILL_FALLS: (f64, f64) = (9.0, 3.5);
/// A fundamental scatters more than a second partial on every bass: it counts by this.
const FUNDAMENTAL_SHARE: f64 = 0.6;
/// Such a bass: its second partials scatter by more than this times its third (and the width of that border, in
/// logarithms), and its notes fall faster than this, cents a second (and the width).
const SCATTER_RATIO: (f64, f64) = (1.35, 0.1);
const FALLS_FASTER: (f64, f64) = (6.0, 1.0);
/// What basses differ by between the pitch that is heard and the one that they come to, whatever the take says, cents: 2.5 as half of
/// a 95 % interval.
const BASSES_DIFFER: f64 = 1.28;

/// The bass's offset in a take.
#[derive(Clone, Debug)]
pub struct Settled {
    /// Cents from the nearest semitone.
    pub cents: f64,
    /// Half of the 95 % interval, cents.
    pub half_width: f64,
    /// How well its lowest partials agree, 0..=1.
    pub agreement: f64,
    /// How its notes begin was learnt from its own open strings.
    pub by_own_strings: bool,
    /// The readings behind it, for the drift.
    pub readings: Vec<CellReading>,
    /// Its strings.
    pub strings: Vec<PlayedString>,
    /// From `cents` to where its open strings say that it stands.
    pub strings_say: Vec<StringsSay>,
}

/// Reads the runs again around `centre_cents`, where the offset is known to be; `band_cents` is where the band stands, `whose` the
/// power is, where that is known; `strings` are the open strings that were heard on the tape.
pub fn settled(
    store: &PeakStore,
    runs: &[Run],
    centre_cents: f64,
    band_cents: Option<f64>,
    whose: Option<&BassStretch>,
    strings: &[OpenString],
) -> Option<Settled> {
    read(store, runs, (centre_cents, band_cents), whose, strings).map(|found| found.0)
}

/// The offset, by how much it was moved for notes that still fall, and the keys behind it.
fn read(
    store: &PeakStore,
    runs: &[Run],
    (centre_cents, band_cents): (f64, Option<f64>),
    whose: Option<&BassStretch>,
    strings: &[OpenString],
) -> Option<(Settled, f64, Vec<KeyOffset>)> {
    let runs: Vec<Run> = runs.iter().copied().filter(|r| r.end - r.first >= SHORTEST_RUN).collect();
    let readings: Vec<Reading> = runs.iter().enumerate().flat_map(|(i, r)| readings_of(store, i, r, whose)).collect();
    if readings.len() < FEWEST_READINGS {
        return None;
    }
    let lengths: Vec<f64> = runs.iter().map(|r| (r.end - r.first) as f64).collect();
    let learnt = Beginning::learnt(store, strings, median(&lengths)? as usize);
    let beginning = learnt.clone().unwrap_or_else(Beginning::usual);
    let mut model = Model::new(&readings, &runs, centre_cents, band_cents, beginning);
    for _ in 0..ROUNDS {
        model.round()?;
    }
    let keys = model.keys(&readings, &runs);
    if keys.is_empty() {
        return None;
    }
    let by_own_strings = learnt.is_some();
    let (fall_cents, unsure) = match learnt {
        Some(beginning) => (0.0, beginning.unsure.powi(2)),
        None => still_falls(&model, fall_rate(store, &runs)),
    };
    let sigma = (model.variance(&keys) + BASSES_DIFFER.powi(2) + unsure).sqrt();
    let middle = middle_of(&keys);
    let at_rest = |p: StringPart| StringPart { cents: p.cents - fall_cents, ..p };
    let parts: Vec<StringPart> = strings_of_keys(&keys).into_iter().map(at_rest).collect();
    let played_s = (runs.first()?.first as f64 * HOP_S, runs.last()?.end as f64 * HOP_S);
    let settled = Settled {
        cents: wrap(middle - fall_cents),
        half_width: 1.96 * sigma,
        agreement: model.agreement(),
        by_own_strings,
        readings: model.cells(&readings, &runs),
        strings: played_strings(&model, &keys, middle),
        strings_say: bass_strings_say(&parts, middle - fall_cents, strings, played_s, IN_THE_ROOM),
    };
    Some((settled, fall_cents, keys))
}

/// What a bass of which only the take is known still falls after its notes are read, cents, and the variance of that.
fn still_falls(model: &Model, (rate, rate_error): (f64, f64)) -> (f64, f64) {
    let lowest = model.sigma[1].max(FUNDAMENTAL_SHARE * model.sigma[0]);
    let ratio = (lowest / model.sigma[2]).ln() - SCATTER_RATIO.0.ln();
    let falls =
        logistic(ratio / SCATTER_RATIO.1) * logistic((-rate - 0.5 * rate_error - FALLS_FASTER.0) / FALLS_FASTER.1);
    (STILL_FALLS.0 * falls, falls * STILL_FALLS.1.powi(2) + falls * (1.0 - falls) * STILL_FALLS.0.powi(2))
}

/// The pitch under which half of the playing time lies, each key as uncertain as it is.
pub fn middle_of(keys: &[KeyOffset]) -> f64 {
    middle(&keys.iter().map(|k| (k.cents, k.sigma.hypot(KEY_BLUR), k.share)).collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    use super::super::model::string_of;
    use super::super::readings::PARTIAL_CENTS;
    use super::*;
    use crate::dsp::peaks::Peak;
    use crate::dsp::whose::{BASS_BANDS, Bass};
    use crate::units::midi_to_hz;

    /// Fixed pseudo-random numbers, -1..1.
    fn noise(i: usize) -> f64 {
        let x = ((i as u64).wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        x as f64 / f64::from(u32::MAX >> 2) - 1.0
    }

    /// Eighty notes of twelve frames over all four strings: each `cents` off and by `strings` of its string, every partial
    /// of every note by its own chance, `scatter` cents at most, and falling.
    fn line_of(cents: f64, strings: [f64; 4], scatter: [f64; 4], fall: f64) -> (PeakStore, Vec<Run>) {
        let mut store = PeakStore::default();
        let mut runs = Vec::new();
        for i in 0..80usize {
            let key = 28 + (i * 7) % 19;
            let off = cents + strings[string_of(key as i64)];
            runs.push(Run { first: i * 12, end: i * 12 + 12, midi: key as f64 + (off / 25.0).round() / 4.0 });
            for frame in 0..12 {
                let peaks: Vec<Peak> = (0..4)
                    .map(|k| {
                        let now = off + PARTIAL_CENTS[k] + scatter[k] * noise(4 * i + k) - fall * frame as f64 * HOP_S;
                        let hz = midi_to_hz(key as f64 + now / 100.0) * (k + 1) as f64;
                        Peak { hz: hz as f32, amplitude: 0.05 }
                    })
                    .collect();
                store.push(&peaks);
            }
        }
        (store, runs)
    }

    #[test]
    fn the_offset_comes_back_over_a_semitone() {
        for cents in [-45.0, -20.0, 0.0, 7.0, 33.0, 45.0] {
            let (store, runs) = line_of(cents, [0.0; 4], [6.0, 4.0, 4.0, 6.0], 0.0);
            let (found, fall_cents, _) = read(&store, &runs, (cents + 4.0, Some(0.0)), None, &[]).unwrap();
            assert!(wrap(found.cents - cents).abs() < 1.2, "{cents}: {} +- {}", found.cents, found.half_width);
            assert!(found.half_width > 2.5 && found.half_width < 4.2, "{}", found.half_width);
            assert_eq!(fall_cents.round(), 0.0);
        }
    }

    #[test]
    fn strings_tuned_apart_are_told_apart_and_the_offset_lies_where_most_time_is_played() {
        let strings = [0.0, 0.0, -1.0, -18.0];
        let (store, runs) = line_of(5.0, strings, [4.0; 4], 0.0);
        let (found, _, keys) = read(&store, &runs, (1.0, None), None, &[]).unwrap();
        for k in &keys {
            let want = 5.0 + strings[string_of(k.key)];
            assert!((k.cents - want).abs() < 3.0, "{}: {} for {want}", k.key, k.cents);
        }
        assert!((found.cents - 5.0).abs() < 2.0, "the mean stands at 1: {}", found.cents);
        let told: Vec<f64> = found.strings.iter().filter_map(|s| s.offset_from_player_cents.value).collect();
        assert_eq!(found.strings.iter().map(|s| s.string_midi).collect::<Vec<_>>(), [28, 33, 38, 43]);
        assert!(told[..3].iter().all(|c| c.abs() < 3.0) && (told[3] + 18.0).abs() < 4.0, "{told:?}");
        let apart = &found.strings[3].offset_from_player_cents;
        assert!(apart.high.unwrap() < -3.0, "clearly apart: {apart:?}");
    }

    #[test]
    fn a_bass_that_still_falls_and_whose_body_pulls_is_moved_and_known_worse() {
        let (steady, runs) = line_of(10.0, [0.0; 4], [12.0, 20.0, 2.0, 2.0], 0.0);
        let (falling, _) = line_of(10.0, [0.0; 4], [12.0, 20.0, 2.0, 2.0], 14.0);
        let (even, _) = line_of(10.0, [0.0; 4], [4.0; 4], 14.0);
        let fall = |store: &PeakStore| read(store, &runs, (10.0, None), None, &[]).unwrap().1;
        assert!(fall(&steady) < 1.0 && fall(&even) < 1.0);
        let (found, fall_cents, _) = read(&falling, &runs, (10.0, None), None, &[]).unwrap();
        assert!(fall_cents > 7.0 && found.half_width > 6.0, "{fall_cents} {}", found.half_width);
    }

    #[test]
    fn partials_that_scatter_over_the_semitone_do_not_agree() {
        let agreement = |scatter: f64| {
            let (store, runs) = line_of(0.0, [0.0; 4], [scatter; 4], 0.0);
            read(&store, &runs, (0.0, None), None, &[]).unwrap().0.agreement
        };
        assert!(agreement(5.0) > 0.95 && agreement(30.0) < 0.6, "{} {}", agreement(5.0), agreement(30.0));
    }

    #[test]
    fn partials_of_somebody_else_do_not_count_where_it_is_known_whose_the_power_is() {
        // Whatever lies above 130 Hz is somebody's who stands 18 cents above the bass.
        let (line, runs) = line_of(4.0, [0.0; 4], [4.0; 4], 0.0);
        let mut store = PeakStore::default();
        for frame in 0..line.frames() {
            let higher = |p: Peak| if p.hz > 130.0 { Peak { hz: p.hz * 2f32.powf(0.015), ..p } } else { p };
            store.push(&line.frame(frame).map(higher).collect::<Vec<_>>());
        }
        let edges_hz: Vec<f64> = (0..=BASS_BANDS).map(|band| 30.0 + 50.0 * band as f64).collect();
        let mut shares = Bass::new(60.0, &edges_hz, None);
        shares.push(&[std::array::from_fn(|band| if band < 2 { 1.0 } else { 0.1 })]);
        let whose = shares.between(0.0, 60.0);
        let found = |whose: Option<&BassStretch>| read(&store, &runs, (4.0, None), whose, &[]).unwrap().0;
        let (known, unknown) = (found(Some(&whose)), found(None));
        assert!((known.cents - 4.0).abs() < 1.5 && unknown.cents > 9.0, "{} {}", known.cents, unknown.cents);
        assert!(known.agreement > unknown.agreement + 0.1, "{} {}", known.agreement, unknown.agreement);
    }

    #[test]
    fn no_line_no_offset() {
        assert!(settled(&PeakStore::default(), &[], 0.0, None, None, &[]).is_none());
    }
}
