//! The tuning measures in the words of the report.

use super::compose::absent;
use crate::measure::tuning::{self, Harmony, OpenString, PlayedString, StringPlayer, TapeTuning};
use crate::report::{self, HarmonyFacts, InstrumentTunings, TuningFacts};

/// Tuning of the players in take number `take`.
pub fn take_tuning(tuning: &TapeTuning, take: usize) -> report::TakeTuning {
    let of = |pick: fn(&tuning::TakeTuning) -> &tuning::PlayerTuning| {
        tuning.takes.get(take).map_or_else(no_player, |t| player(pick(t)))
    };
    report::TakeTuning {
        bass: of(|t| &t.bass),
        guitar: of(|t| &t.guitar),
        piano: of(|t| &t.piano),
        horns: of(|t| &t.horns),
        bass_close_recording: None,
        bass_strings: tuning.takes.get(take).map(|t| t.bass_strings.iter().map(played).collect()).unwrap_or_default(),
    }
}

/// What sounds on each beat of a take.
pub fn harmony_facts(harmony: &Harmony) -> HarmonyFacts {
    let word = |classes: &[u8]| classes.iter().map(|c| char::from(b'0' + c)).collect();
    HarmonyFacts {
        concert_pitch_cents: harmony.concert_pitch_cents.clone(),
        chords: harmony.beats.iter().map(|b| word(&b.chords)).collect(),
        bass: harmony.beats.iter().map(|b| word(&b.bass)).collect(),
    }
}

/// Tuning over the tape.
pub fn tuning_facts(tuning: &TapeTuning) -> TuningFacts {
    TuningFacts {
        concert_pitch_hz: tuning.concert_pitch_hz.clone(),
        instruments: InstrumentTunings {
            bass: instrument(&tuning.bass),
            guitar: instrument(&tuning.guitar),
            piano: instrument(&tuning.piano),
        },
    }
}

/// The open strings heard in passage number `passage`.
pub fn strings(tuning: &TapeTuning, passage: usize) -> Vec<report::OpenString> {
    let one = |s: &OpenString| report::OpenString {
        instrument: match s.player {
            StringPlayer::Bass => "bass",
            StringPlayer::Guitar => "guitar",
        }
        .to_owned(),
        string_midi: s.string_midi,
        offset_from_a440_cents: s.offset_from_a440_cents.clone(),
    };
    tuning.strings.get(passage).map(|strings| strings.iter().map(one).collect()).unwrap_or_default()
}

fn player(p: &tuning::PlayerTuning) -> report::PlayerTuning {
    report::PlayerTuning {
        offset_from_a440_cents: p.offset_from_a440_cents.clone(),
        offset_from_band_cents: p.offset_from_band_cents.clone(),
    }
}

fn no_player() -> report::PlayerTuning {
    report::PlayerTuning { offset_from_a440_cents: absent(), offset_from_band_cents: absent() }
}

fn instrument(i: &tuning::InstrumentTuning) -> report::InstrumentTuning {
    report::InstrumentTuning {
        offset_from_a440_cents: i.offset_from_a440_cents.clone(),
        offset_from_band_cents: i.offset_from_band_cents.clone(),
        drift_cents_per_min: i.drift_cents_per_min.clone(),
        at_start_cents: i.at_start_cents.clone(),
        at_end_cents: i.at_end_cents.clone(),
        retuned_at_s: i.retuned_at_s.clone(),
        tuned_before_first_take_s: i.tuned_before_first_take_s.clone(),
    }
}

fn played(s: &PlayedString) -> report::PlayedString {
    report::PlayedString {
        string_midi: s.string_midi,
        offset_from_player_cents: s.offset_from_player_cents.clone(),
        share_of_time_percent: 100.0 * s.share_of_time,
    }
}
