//! The strings of a bass while it is played: whether the notes of one stand apart from those of the others.
//!
//! Conventions: cents against the bass's own offset in the take, plus = sharp; strings by the MIDI number of the open one.
//!
//! Method: the mean of the keys of a string, by their playing time, less the offset of the take, as the model of the take
//! ([`super::model`]) tells them; it draws strings towards each other, the more the worse they are heard.
//!
//! Accuracy: 373 strings of rendered takes with known notes, those told: 2.5 cents rms, the truth inside on 96 of 100. A
//! string that is 10 cents off is told about half as much: what is told apart is apart, what is not may still be.
//!
//! Limits: strings are taken to be played in the first position; a five-string bass's low B counts with its E.

use std::collections::BTreeSet;

use crate::stats::Measured;

use super::model::{KeyOffset, Model, STRING_FROM, string_of};

/// One string in a take.
#[derive(Clone, Debug)]
pub struct PlayedString {
    /// MIDI number of the open string.
    pub string_midi: u8,
    /// Against the offset of the take, cents; the count is that of the keys.
    pub offset_from_player_cents: Measured,
    /// Share of the playing time, 0..=1.
    pub share_of_time: f64,
}

/// A string that is played for less than this share of the time is not told.
const LEAST_SHARE: f64 = 0.12;
/// Known accuracy besides what the model knows, half of a 95 % interval, cents: recorded strings differ from each other by as
/// much.
const STRINGS_DIFFER: f64 = 5.5;

/// The notes of a take on one string.
#[derive(Clone, Copy, Debug)]
pub struct StringPart {
    /// Which string, from 0.
    pub string: usize,
    /// Mean of its keys by their playing time, cents.
    pub cents: f64,
    /// Their share of the playing time.
    pub share: f64,
    /// How many keys.
    pub keys: u64,
}

impl StringPart {
    /// MIDI number of the open string.
    pub fn string_midi(&self) -> u8 {
        STRING_FROM[self.string] as u8
    }
}

/// The strings on which notes or keys lie, low to high: of each its key, its cents and its share of the playing time.
pub fn string_parts(notes: &[(i64, f64, f64)]) -> Vec<StringPart> {
    (0..STRING_FROM.len())
        .filter_map(|string| {
            let own: Vec<&(i64, f64, f64)> = notes.iter().filter(|n| string_of(n.0) == string).collect();
            let share: f64 = own.iter().map(|n| n.2).sum();
            let cents = own.iter().map(|n| n.2 * n.1).sum::<f64>() / share;
            let keys: BTreeSet<i64> = own.iter().map(|n| n.0).collect();
            (share > 0.0).then_some(StringPart { string, cents, share, keys: keys.len() as u64 })
        })
        .collect()
}

/// The same of the keys of a take.
pub fn strings_of_keys(keys: &[KeyOffset]) -> Vec<StringPart> {
    string_parts(&keys.iter().map(|k| (k.key, k.cents, k.share)).collect::<Vec<_>>())
}

/// The same as they are told; `middle` is the offset of the take.
pub fn played_strings(model: &Model, keys: &[KeyOffset], middle: f64) -> Vec<PlayedString> {
    strings_of_keys(keys)
        .iter()
        .map(|part| {
            let half = (1.96 * model.string_sigma(keys, part.string)).hypot(STRINGS_DIFFER);
            let told = Measured::symmetric(part.cents - middle, half, part.keys);
            PlayedString {
                string_midi: part.string_midi(),
                offset_from_player_cents: if part.share < LEAST_SHARE {
                    Measured::absent("too_few_notes")
                } else {
                    told
                },
                share_of_time: part.share.min(1.0),
            }
        })
        .collect()
}
