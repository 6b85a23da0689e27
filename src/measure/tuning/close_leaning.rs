//! Takes of a bass heard close by, leaning on the open strings beside them.
//!
//! Conventions: cents, plus = sharp; seconds of the close recording.
//!
//! Method: as in the room ([`super::strings_say`], [`super::leaning`]), with notes that are read far better. What is left is mostly one instrument's
//! difference between what its partials sound at and what is called its pitch; neither the notes nor the strings tell that.

use crate::stats::Measured;

use super::circle::wrap;
use super::leaning::{Leaning, LeaningTake, lean};
use super::played_strings::{StringPart, string_parts};
use super::strings::OpenString;
use super::strings_say::{StringsKnown, bass_strings_say};
use super::trend::{CellReading, drift_between};

/// Notes further than this from the middle are misread, cents.
pub const NEAR_CENTS: f64 = 25.0;
/// How takes heard close by lean on the open strings, and what neither the notes nor the strings tell of an instrument: half of a 95 %
/// interval, cents. Chosen on 46 mixes of recorded and sampled basses together with 28 of basses by formula.
const CLOSE_BASSES: Leaning = Leaning { own_sigma: 0.9, worse: 0.8, least_sigma: 1.0, retuned: 0.05, between: true };
const INSTRUMENT_CENTS: f64 = 2.0;
/// What strings heard close by tell beside notes that are read as well as they are.
const CLOSE_STRINGS: StringsKnown = StringsKnown { shared: 0.3, notes_sigma: 1.0, common_sigma: 0.5 };

/// A take as its notes have it.
pub struct Take {
    /// Those that are certain.
    pub notes: Vec<Note>,
    /// Its offset, cents.
    pub told: Measured,
}

/// A note that is certain.
pub struct Note {
    /// Its middle.
    pub at_s: f64,
    /// The pitch that it comes to, cents above MIDI 0.
    pub pitch_cents: f64,
    /// A second at most.
    pub seconds: f64,
}

/// What is told of the takes when they lean on the open strings that were heard beside them; as they were read where none was.
pub fn lean_on(
    strings: &[OpenString],
    read: &[Take],
    takes_s: &[(f64, f64)],
    tuning_s: &[(f64, f64)],
) -> Vec<Measured> {
    let mut told: Vec<Measured> = read.iter().map(|take| take.told.clone()).collect();
    let clear: Vec<(usize, f64)> = told.iter().enumerate().filter_map(|(i, m)| Some((i, m.value?))).collect();
    let offsets: Vec<Vec<Offset>> = clear.iter().map(|(i, cents)| read[*i].offsets(*cents)).collect();
    let known: Vec<LeaningTake> = clear
        .iter()
        .zip(&offsets)
        .map(|((i, cents), notes)| LeaningTake {
            sigma: told[*i].half_width() / 1.96,
            said: bass_strings_say(&parts(notes), *cents, strings, takes_s[*i], CLOSE_STRINGS),
        })
        .collect();
    if known.iter().all(|take| take.said.is_empty()) {
        return told;
    }
    let drift = drift(&offsets, takes_s, tuning_s);
    for ((i, cents), leant) in clear.iter().zip(lean(&known, CLOSE_BASSES, drift)) {
        let half = (1.96 * leant.sigma).hypot(INSTRUMENT_CENTS);
        told[*i] = Measured::symmetric(wrap(cents + leant.cents), half, told[*i].n.unwrap_or(0));
    }
    told
}

/// Cents a minute and their standard deviation; from take to take only where nobody, not even another player, tuned between.
fn drift(offsets: &[Vec<Offset>], takes_s: &[(f64, f64)], tuning_s: &[(f64, f64)]) -> (f64, f64) {
    let starts_s: Vec<f64> = takes_s.iter().map(|t| t.0).collect();
    let gaps = takes_s.iter().zip(takes_s.iter().skip(1)).map(|(before, take)| (before.1, take.0));
    let tuned = |(from, to): &(f64, f64)| tuning_s.iter().any(|(start, end)| start < to && end > from);
    let tuned_s: Vec<f64> = gaps.filter(tuned).map(|gap| gap.1).collect();
    let readings: Vec<CellReading> = offsets.iter().flatten().map(Offset::reading).collect();
    drift_between(&readings, &starts_s, &tuned_s)
}

/// A note against the semitones, near the offset of its take.
struct Offset {
    at_s: f64,
    key: i64,
    cents: f64,
    seconds: f64,
}

impl Take {
    /// The notes that are not misread, around `centre`.
    fn offsets(&self, centre: f64) -> Vec<Offset> {
        let offset = |n: &Note| {
            let key = ((n.pitch_cents - centre) / 100.0).round();
            Offset { at_s: n.at_s, key: key as i64, cents: n.pitch_cents - 100.0 * key, seconds: n.seconds }
        };
        self.notes.iter().map(offset).filter(|o| (o.cents - centre).abs() < NEAR_CENTS).collect()
    }
}

impl Offset {
    fn reading(&self) -> CellReading {
        CellReading { at_s: self.at_s, cell: self.key.max(0) as u32, cents: self.cents, weight: self.seconds }
    }
}

/// The notes string by string, low to high.
fn parts(notes: &[Offset]) -> Vec<StringPart> {
    let all: f64 = notes.iter().map(|n| n.seconds).sum();
    string_parts(&notes.iter().map(|n| (n.key, n.cents, n.seconds / all)).collect::<Vec<_>>())
}
