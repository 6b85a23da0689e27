//! How sharp the notes of a bass begin, partial by partial: learnt from its own open strings.
//!
//! Conventions: cents against the pitch that a note comes to, plus = sharp; partials count from 0 in tables.
//!
//! Method: in a tuning passage the strings sound alone and long enough to come to rest. Each is read as a note of the take
//! would be, over the same frames after its onset, and compared with the pitch that it comes to. What all partials begin
//! sharp by is taken from a mixture of the two kinds of basses that were met (one that is at rest within a cent or two, one that
//! still falls by five and more), as far as the strings agree; what a partial is off by besides is added, drawn towards what
//! it usually is.
//!
//! Limits: open strings speak for the notes stopped on them, and a string tuned gently for one that is played hard. Without a
//! tuning passage only the usual beginning is known.

use std::collections::BTreeMap;

use crate::stats::median;
use crate::units::midi_to_hz;

use super::compact::{PeakStore, frame_at};
use super::line::Run;
use super::offset::strongest_near;
use super::readings::{PARTIAL_CENTS, PARTIAL_SPREAD, PARTIALS, readings_of};
use super::strings::{OpenString, StringPlayer};

/// A string must sound for this many frames (0.6 s) to come to rest.
const FEWEST_FRAMES: usize = 15;
/// Frames around the start of a sounding in which its onset is looked for, and the partials whose rise is followed.
const BEFORE: usize = 10;
const AFTER: usize = 8;
const RISING: std::ops::RangeInclusive<u32> = 1..=5;
/// The onset is where a frame first has this share of the loudest one: half a window reaches over the onset.
const ONSET_SHARE: f64 = 0.5;
/// Partials that speak for what all have in common; a fundamental wanders too much. Fewest of them, over all strings.
const COMMON: std::ops::RangeInclusive<usize> = 1..=4;
const FEWEST: usize = 3;
/// What is known before any string is heard in the room.
const IN_ROOM: Known = Known { kinds: [(0.8, 0.0, 1.5), (0.2, 9.0, 5.0)], spread: (4.0, 3.0), floor: 1.0 };
/// A median of normal values has this times the variance of their mean.
const MEDIAN_FACTOR: f64 = 1.57;
/// Spread of a partial's own part over the strings, and what more strings do not take away.
const PARTIAL_CELL: f64 = 4.0;
const PARTIAL_FLOOR: f64 = 2.0;

/// What is known of how basses begin their notes before one is heard, cents.
pub struct Known {
    /// Kinds of basses: share, what their notes begin sharp by, and its spread.
    pub kinds: [(f64, f64, f64); 2],
    /// Spread of what single cells say (partials of strings, or strings), and how many of them that is worth.
    pub spread: (f64, f64),
    /// What more cells do not take away (standard deviation).
    pub floor: f64,
}

/// Where the partials of a note stand while it is read.
#[derive(Clone, Debug)]
pub struct Beginning {
    /// Expected place of each partial.
    pub cents: [f64; PARTIALS],
    /// Its spread.
    pub spread: [f64; PARTIALS],
    /// Standard deviation of what all partials have in common.
    pub unsure: f64,
}

impl Beginning {
    /// Of a bass of which nothing is known.
    pub fn usual() -> Self {
        Self { cents: PARTIAL_CENTS, spread: PARTIAL_SPREAD, unsure: 0.0 }
    }

    /// Of the bass whose open strings were heard, for notes of `frames`; none where too few strings sounded alone.
    pub fn learnt(store: &PeakStore, strings: &[OpenString], frames: usize) -> Option<Self> {
        let cells = cells(store, strings, frames);
        let common: Vec<f64> =
            cells.iter().filter(|((p, _), _)| COMMON.contains(p)).map(|((p, _), c)| c - PARTIAL_CENTS[*p]).collect();
        let (shared, unsure) = shared(&common, &IN_ROOM)?;
        let mut out = Self { cents: PARTIAL_CENTS.map(|c| c + shared), spread: PARTIAL_SPREAD, unsure };
        for (partial, (cents, spread)) in out.cents.iter_mut().zip(&mut out.spread).enumerate() {
            let own: Vec<f64> = cells.iter().filter(|((p, _), _)| *p == partial).map(|(_, c)| c - *cents).collect();
            let Some(middle) = median(&own) else { continue };
            let variance = PARTIAL_CELL.powi(2) / own.len() as f64 + PARTIAL_FLOOR.powi(2);
            let (before, heard) = (spread.powi(-2), 1.0 / variance);
            *cents += middle * heard / (before + heard);
            *spread = (before + heard).powf(-0.5);
        }
        Some(out)
    }
}

/// Where each partial of each string (by its MIDI number) stands while it would be read, against what the string comes to: the
/// middle of its soundings.
fn cells(store: &PeakStore, strings: &[OpenString], frames: usize) -> BTreeMap<(usize, u8), f64> {
    let mut all: BTreeMap<(usize, u8), Vec<f64>> = BTreeMap::new();
    for (string, run) in strings.iter().filter_map(|s| Some((s.string_midi, first_note(store, s, frames)?))) {
        for r in readings_of(store, 0, &run, None) {
            all.entry((r.number - 1, string)).or_default().push(r.cents - 100.0 * run.midi);
        }
    }
    all.into_iter().filter_map(|(at, values)| Some((at, median(&values)?))).collect()
}

/// The first `frames` of an open string of a bass as a note at the pitch that the string comes to; none where it sounds too short to come to rest.
pub fn first_note(store: &PeakStore, string: &OpenString, frames: usize) -> Option<Run> {
    let cents = string.offset_from_a440_cents.value.filter(|_| string.player == StringPlayer::Bass)?;
    let midi = f64::from(string.string_midi) + cents / 100.0;
    let end = frame_at(string.ended_at_s);
    let first = onset(store, frame_at(string.sounded_at_s), end, midi);
    (end >= first + FEWEST_FRAMES).then(|| Run { first, end: end.min(first + frames), midi })
}

/// The frame in which a string that is heard from `first` on was plucked: frames before it may be heard as another string's.
fn onset(store: &PeakStore, first: usize, end: usize, midi: f64) -> usize {
    let from = first.saturating_sub(BEFORE);
    let level = |frame: usize| -> f64 {
        RISING
            .filter_map(|n| strongest_near(store.frame(frame), midi_to_hz(midi) * f64::from(n)))
            .map(|(_, amplitude)| amplitude)
            .sum()
    };
    let levels: Vec<f64> = (from..end.min(first + AFTER)).map(level).collect();
    let at = first - from;
    let loudest = levels.iter().skip(at.saturating_sub(2)).copied().fold(0.0, f64::max);
    let last = (at + 3).min(levels.len().saturating_sub(1));
    let quiet = (0..last).rfind(|i| levels[*i] <= ONSET_SHARE * loudest);
    from + quiet.map_or(0, |i| i + 1)
}

/// What all partials (or strings) begin sharp by, and its standard deviation, from what each of them says.
pub fn shared(cells: &[f64], known: &Known) -> Option<(f64, f64)> {
    let middle = median(cells).filter(|_| cells.len() >= FEWEST)?;
    let away: Vec<f64> = cells.iter().map(|c| (c - middle).abs()).collect();
    let (n, scatter) = (cells.len() as f64, 1.4826 * median(&away)?);
    let (before, worth) = known.spread;
    let square = (worth * before * before + n * scatter * scatter) / (worth + n);
    let error = square * MEDIAN_FACTOR / n + known.floor.powi(2);
    let kinds = known.kinds.map(|(share, mean, spread)| {
        let own = spread * spread;
        let likelihood = share * (-0.5 * (middle - mean).powi(2) / (own + error)).exp() / (own + error).sqrt();
        (likelihood, mean + own / (own + error) * (middle - mean), own * error / (own + error))
    });
    let total: f64 = kinds.iter().map(|k| k.0).sum();
    let mean = kinds.iter().map(|k| k.0 * k.1).sum::<f64>() / total;
    let variance = kinds.iter().map(|k| k.0 * (k.2 + (k.1 - mean).powi(2))).sum::<f64>() / total;
    Some((mean, variance.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::super::compact::HOP_S;
    use super::*;
    use crate::dsp::peaks::Peak;
    use crate::stats::Measured;

    /// Four open strings of 30 frames, one after the other: sharp by `sharp` at the pluck and falling to `cents`.
    fn strings(cents: f64, sharp: f64) -> (PeakStore, Vec<OpenString>) {
        let mut store = PeakStore::default();
        let mut heard = Vec::new();
        for (i, midi) in [28u8, 33, 38, 43].into_iter().enumerate() {
            for frame in 0..30 {
                let now = cents + sharp * (-(frame as f64) / 12.0).exp();
                let peaks: Vec<Peak> = (0..6)
                    .map(|k| Peak {
                        hz: (midi_to_hz(f64::from(midi) + (now + PARTIAL_CENTS[k]) / 100.0) * (k + 1) as f64) as f32,
                        amplitude: 0.05,
                    })
                    .collect();
                store.push(&peaks);
            }
            heard.push(OpenString {
                player: StringPlayer::Bass,
                string_midi: midi,
                sounded_at_s: (30 * i) as f64 * HOP_S,
                ended_at_s: (30 * i + 30) as f64 * HOP_S,
                offset_from_a440_cents: Measured::symmetric(cents, 2.5, 18),
            });
        }
        (store, heard)
    }

    #[test]
    fn a_bass_that_begins_sharp_is_known_by_its_open_strings() {
        let (store, heard) = strings(6.0, 0.0);
        let level = Beginning::learnt(&store, &heard, 9).unwrap();
        let shift = |b: &Beginning| (1..4).map(|p| b.cents[p] - PARTIAL_CENTS[p]).sum::<f64>() / 3.0;
        assert!(shift(&level).abs() < 0.3 && level.unsure < 1.5, "{level:?}");
        let (store, heard) = strings(6.0, 16.0);
        let falling = Beginning::learnt(&store, &heard, 9).unwrap();
        // Frames 3 to 6: 16 exp(-4.5 / 12) = 11.
        assert!((shift(&falling) - 11.0).abs() < 1.5, "{falling:?}");
        let long = Beginning::learnt(&store, &heard, 28).unwrap();
        assert!(shift(&long) < shift(&falling) - 3.0, "a long note has fallen further: {long:?}");
    }

    #[test]
    fn one_string_alone_or_a_guitar_tells_nothing() {
        let (store, mut heard) = strings(0.0, 16.0);
        heard.truncate(1);
        heard[0].ended_at_s = 0.4;
        assert!(Beginning::learnt(&store, &heard, 9).is_none(), "too short to come to rest");
        assert!(Beginning::learnt(&store, &[], 9).is_none());
        let (store, mut heard) = strings(0.0, 16.0);
        heard.iter_mut().for_each(|s| s.player = StringPlayer::Guitar);
        assert!(Beginning::learnt(&store, &heard, 9).is_none());
    }

    #[test]
    fn a_string_heard_late_is_read_from_its_pluck() {
        let (store, heard) = strings(0.0, 0.0);
        let found = onset(&store, 33, 60, 33.0);
        assert_eq!(found, 30, "{:?}", heard[1]);
    }
}
