//! Tuning of a take and of the tape.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

/// Tuning of one player in a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlayerTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
    /// Cents from the band's own pitch, plus = sharp.
    pub offset_from_band_cents: Measured,
}

/// Tuning in a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TakeTuning {
    /// Bass.
    pub bass: PlayerTuning,
    /// Guitar.
    pub guitar: PlayerTuning,
    /// Piano.
    pub piano: PlayerTuning,
    /// Horns as a group.
    pub horns: PlayerTuning,
    /// The recording close to the bass that the bass's figures are from; absent when they are from this tape.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bass_close_recording: Option<String>,
    /// The bass's strings against its own offset, low to high, as if all were played in the first position. From revision 7 on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bass_strings: Vec<PlayedString>,
}

/// The notes of one string in a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlayedString {
    /// MIDI number of the open string.
    pub string_midi: u8,
    /// Against the player's own offset in the take, cents, plus = sharp; null for a string that is hardly played.
    pub offset_from_player_cents: Measured,
    /// Share of the playing time, percent.
    pub share_of_time_percent: f64,
}

/// Tuning of one player over the tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InstrumentTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
    /// Cents from the band's own pitch, plus = sharp.
    pub offset_from_band_cents: Measured,
    /// Drift, cents a minute, plus = going sharp.
    pub drift_cents_per_min: Measured,
    /// Offset at the start, cents from A4 = 440 Hz.
    pub at_start_cents: Measured,
    /// Offset at the end, cents from A4 = 440 Hz.
    pub at_end_cents: Measured,
    /// Seconds at which the player retuned.
    pub retuned_at_s: Vec<f64>,
    /// How long the player was heard tuning open strings before the first take, seconds; absent for players without strings, and
    /// in reports before revision 7.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tuned_before_first_take_s: Option<Measured>,
}

/// Players whose tuning is followed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InstrumentTunings {
    /// Bass.
    pub bass: InstrumentTuning,
    /// Guitar.
    pub guitar: InstrumentTuning,
    /// Piano.
    pub piano: InstrumentTuning,
}

/// Tuning over the tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TuningFacts {
    /// What the fixed-pitch and wind instruments agree on, as the frequency of A4 in Hz.
    pub concert_pitch_hz: Measured,
    /// The players.
    pub instruments: InstrumentTunings,
}
