//! Balance over the takes, the amplifier, the tone of the bass and noise exposure.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

/// One third-octave band.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ThirdOctave {
    /// Exact base-10 mid-band frequency, Hz (IEC 61260-1).
    pub mid_hz: f64,
    /// Level against the mean level of the 400-2500 Hz bands, dB; null where the recorder hears nothing.
    pub level_db: Option<f64>,
    /// Lower end of the target's spread, dB.
    pub target_low_db: Option<f64>,
    /// The target, dB.
    pub target_db: Option<f64>,
    /// Upper end of the target's spread, dB.
    pub target_high_db: Option<f64>,
}

/// Whose the low end is; shares of power, 0..=1.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LowEndShare {
    /// Bass.
    pub bass: Measured,
    /// Kick.
    pub kick: Measured,
    /// Everything else.
    pub other: Measured,
}

/// Does a standing-out band stick out on one note or on every note?
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum StandingOutKind {
    /// A room mode or dead spot: move the amplifier or the listener.
    OneNote,
    /// An amplifier setting: turn the knob.
    EveryNote,
}

/// A band that sticks out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StandingOut {
    /// Where, Hz.
    pub hz: f64,
    /// By how much, dB.
    pub db: Measured,
    /// Why.
    pub kind: StandingOutKind,
    /// Name of the note, for example "Bb1" (C4 = middle C); null for every note.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Where the target comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetFacts {
    /// Name of the target.
    pub name: String,
    /// Its source, and how crude it is.
    pub source: String,
}

/// Balance over the takes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BalanceFacts {
    /// Band levels beside the target.
    pub third_octave: Vec<ThirdOctave>,
    /// Straight line through the band levels, dB an octave.
    pub tilt_db_per_octave: Measured,
    /// Power in 40-160 Hz against 400-2500 Hz minus the same for the target, dB; plus = too much low end.
    pub low_end_excess_db: Measured,
    /// Whose the low end is.
    pub low_end_share: LowEndShare,
    /// Bands that stick out.
    pub standing_out: Vec<StandingOut>,
    /// The target.
    pub target: TargetFacts,
}

/// A control of a usual amplifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum AmpControl {
    /// Low shelf.
    Low,
    /// Mid peak.
    Mid,
    /// High shelf.
    High,
    /// Level.
    Level,
}

/// One control of an amplifier: what to turn, or why nothing is said (from revision 4 on every control has its row).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AmpAdvice {
    /// Whose amplifier.
    pub instrument: String,
    /// Which control.
    pub control: AmpControl,
    /// Its corner, Hz; null for level.
    pub corner_hz: Option<f64>,
    /// Change, dB.
    pub change_db: Measured,
    /// low_end_excess_db that is expected after it.
    pub expected_low_end_excess_db: Measured,
}

/// How strong the bass sounds, semitone by semitone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ToneFacts {
    /// In rising order, one entry a semitone of partials, whatever the note that was played.
    pub bass_notes: Vec<BassNoteLevel>,
    /// Low control of the bass amplifier against the target's own bass, dB, plus = more low end than there; null with a
    /// reason when the target is not learnt from the same player.
    pub low_re_own_target_db: Measured,
    /// Power of the bass as a share of all power: in thirds of an octave from 40 to 160 Hz of the power there (six numbers),
    /// then in eight equal steps from 400 to 2500 Hz of the power there; empty in silence. From revision 4 on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bass_bands: Vec<f64>,
}

/// Level of the bass on one semitone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BassNoteLevel {
    /// MIDI note number.
    pub midi: u8,
    /// Level of the bass layer's partials there, 85 % quantile, dBFS; null where too little was played.
    pub level_dbfs: Option<f64>,
    /// Partials behind it.
    pub n: u32,
    /// Level of all that sounds there while the bass plays it, dBFS; null where too little was played. From revision 4 on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub all_dbfs: Option<f64>,
}

/// Noise exposure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Exposure {
    /// Equivalent level, dB(A).
    pub leq_dba: Measured,
    /// NIOSH dose, percent.
    pub niosh_dose_percent: Measured,
    /// OSHA dose, percent.
    pub osha_dose_percent: Measured,
    /// Daily exposure level, dB(A).
    pub lex_8h_dba: Measured,
    /// The caution that goes with every number above.
    pub caution: String,
    /// Hours of such sound that the doses and the daily level are for; null when unknown.
    #[serde(default)]
    pub session_hours: Option<f64>,
    /// "sheet" when the band sheet gives the hours, "recording" for the recording's own length.
    #[serde(default)]
    pub session_hours_source: String,
    /// Levels under this do not count in the OSHA dose, dB(A).
    #[serde(default)]
    pub osha_threshold_dba: Option<f64>,
}
