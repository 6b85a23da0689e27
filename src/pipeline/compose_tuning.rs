//! The tuning measures in the words of the report.

use super::compose::absent;
use crate::measure::tuning::{self, OpenString, StringPlayer, TapeTuning};
use crate::report::{self, InstrumentTunings, TuningFacts};

/// Tuning of the players in take number `take`.
pub fn take_tuning(tuning: &TapeTuning, take: usize) -> report::TakeTuning {
    let bass = tuning.takes.get(take).map_or_else(no_player, |t| player(&t.bass));
    report::TakeTuning { bass, guitar: no_player(), piano: no_player(), horns: no_player() }
}

/// Tuning over the tape.
pub fn tuning_facts(tuning: &TapeTuning) -> TuningFacts {
    TuningFacts {
        concert_pitch_hz: absent(),
        instruments: InstrumentTunings {
            bass: instrument(&tuning.bass),
            guitar: no_instrument(),
            piano: no_instrument(),
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
    report::PlayerTuning { offset_from_a440_cents: p.offset_from_a440_cents.clone(), offset_from_band_cents: absent() }
}

fn no_player() -> report::PlayerTuning {
    report::PlayerTuning { offset_from_a440_cents: absent(), offset_from_band_cents: absent() }
}

fn instrument(i: &tuning::InstrumentTuning) -> report::InstrumentTuning {
    report::InstrumentTuning {
        offset_from_a440_cents: i.offset_from_a440_cents.clone(),
        offset_from_band_cents: absent(),
        drift_cents_per_min: i.drift_cents_per_min.clone(),
        at_start_cents: i.at_start_cents.clone(),
        at_end_cents: i.at_end_cents.clone(),
        retuned_at_s: i.retuned_at_s.clone(),
    }
}

fn no_instrument() -> report::InstrumentTuning {
    report::InstrumentTuning {
        offset_from_a440_cents: absent(),
        offset_from_band_cents: absent(),
        drift_cents_per_min: absent(),
        at_start_cents: absent(),
        at_end_cents: absent(),
        retuned_at_s: Vec::new(),
    }
}
