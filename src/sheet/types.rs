//! What a band sheet can say; every field optional.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::feel::Feel;

/// band.toml: what the director knows. Every key is optional; unknown keys are refused.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct BandSheet {
    /// The band and its room.
    pub band: Band,
    /// Who plays on what.
    pub players: Players,
    /// The tone controls of the amplifiers.
    pub amp: Amps,
    /// The charts that are rehearsed.
    pub chart: Vec<Chart>,
    /// What single recordings are.
    pub recording: Vec<Recording>,
    /// What was played on single dates.
    pub rehearsal: Vec<Rehearsal>,
    /// Sound level calibration.
    pub level: Level,
    /// The microphone's own response.
    pub microphone: Microphone,
    /// The festival that the band prepares for.
    pub festival: Festival,
    /// Thresholds of findings that replace the program's own, by name.
    pub thresholds: BTreeMap<String, f64>,
}

/// The band and its room.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Band {
    /// Name of the band.
    pub name: Option<String>,
    /// Where it rehearses.
    pub room: Option<String>,
    /// Frequency of A4 that the band means to tune to, Hz, 400 to 480.
    pub concert_pitch_hz: Option<f64>,
    /// What the band mostly plays, in the director's own words.
    pub style: Option<String>,
}

/// A player whom the measures tell apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Player {
    /// Bass.
    Bass,
    /// Guitar.
    Guitar,
    /// Piano or another keyboard.
    Piano,
    /// Drums.
    Drums,
    /// Horns.
    Horns,
}

impl Player {
    /// All of them, in the order of the report.
    pub const ALL: [Self; 5] = [Self::Bass, Self::Guitar, Self::Piano, Self::Drums, Self::Horns];

    /// The word of the sheet.
    pub fn word(self) -> &'static str {
        match self {
            Self::Bass => "bass",
            Self::Guitar => "guitar",
            Self::Piano => "piano",
            Self::Drums => "drums",
            Self::Horns => "horns",
        }
    }
}

/// An instrument.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Instrument {
    /// What is played; for the bass "upright" or "electric".
    pub instrument: Option<String>,
    /// Number of strings: 4 to 6 on a bass, 6 to 8 on a guitar.
    pub strings: Option<u8>,
}

/// Who plays on what.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Players {
    /// Bass.
    pub bass: Instrument,
    /// Guitar.
    pub guitar: Instrument,
    /// Piano or another keyboard.
    pub piano: Instrument,
    /// Drums.
    pub drums: Instrument,
    /// Horns.
    pub horns: Instrument,
}

/// Where the tone controls of an amplifier turn, Hz.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct AmpCorners {
    /// Corner of the low shelf, Hz.
    pub low_corner_hz: Option<f64>,
    /// Middle of the mid control, Hz.
    pub mid_corner_hz: Option<f64>,
    /// Corner of the high shelf, Hz.
    pub high_corner_hz: Option<f64>,
}

/// The amplifiers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Amps {
    /// The bass amplifier.
    pub bass: AmpCorners,
    /// The guitar amplifier.
    pub guitar: AmpCorners,
}

/// A chart.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Chart {
    /// Its title.
    pub title: String,
    /// Marked tempo, beats a minute, 30 to 400.
    pub tempo_bpm: Option<f64>,
    /// Concert key: "F", "Bb minor", "C# major"; stored as the pitch class of the tonic (0 = C) and whether it is minor.
    #[schemars(with = "Option<String>")]
    pub key: Option<(u8, bool)>,
    /// How the eighths go.
    pub feel: Option<Feel>,
    /// Beats in a bar, 3 or 4.
    pub beats_in_bar: Option<u8>,
    /// Parts, in playing order.
    pub part: Vec<ChartPart>,
}

/// A part of a chart: in bars, or in minutes and seconds.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ChartPart {
    /// Its name.
    pub label: String,
    /// Where it lies.
    #[serde(flatten)]
    pub extent: Extent,
}

/// Where a part lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Extent {
    /// By bars; bar 1 begins with the first downbeat of the take, a count-off comes before it.
    Bars {
        /// First bar, from 1.
        from_bar: u32,
        /// How many bars.
        bars: u32,
    },
    /// By the clock, counted from the start of the take ("0:32"): its first note or count-off.
    Clock {
        /// Start, seconds from the start of the take; written "m:ss".
        #[schemars(with = "String")]
        from: f64,
        /// End, seconds from the start of the take; written "m:ss".
        #[schemars(with = "String")]
        to: f64,
    },
}

/// A recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Recording {
    /// File name, with folders below the sheet's where needed.
    pub file: String,
    /// The player whom the recorder stood close to.
    pub close_to: Option<Player>,
    /// What each channel of a multichannel recorder hears: a player's name, or "room".
    pub channels: Vec<String>,
    /// Titles of its takes in playing order; "" for a take that is no chart.
    pub order: Vec<String>,
}

/// A date.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Rehearsal {
    /// The date.
    pub date: String,
    /// Titles of the takes in playing order; "" for a take that is no chart.
    pub order: Vec<String>,
}

/// A reading of a sound level meter beside the recorder.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LevelReading {
    /// The recording that ran.
    pub file: String,
    /// Time in the recording, written "m:ss"; the middle of what the meter averaged.
    #[schemars(with = "String")]
    pub at: f64,
    /// What the meter showed: equivalent or slow A-weighted level, dB(A).
    pub dba: f64,
    /// How long the meter averaged, seconds (default 10).
    pub over_s: f64,
    /// How far the meter may be off (95 %), dB (default 2).
    pub plus_minus_db: f64,
}

/// Sound level calibration: readings, or a constant.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Level {
    /// A-weighted sound level, dB(A), of a recording whose A-weighted mean square is 1.0 (a sine at full scale is 3.01 dB
    /// softer); the same for every recording under the sheet.
    pub full_scale_dba: Option<f64>,
    /// How far the constant may be off (95 %), dB (default 2).
    pub plus_minus_db: Option<f64>,
    /// Readings of a meter; a recording with its own takes precedence over the constant.
    pub reading: Vec<LevelReading>,
    /// Hours of such sound in the day; without it the recording's own length counts.
    pub session_hours: Option<f64>,
    /// Levels under this do not count in the OSHA dose, dB(A): 80 or 90 in the regulation (default 80).
    pub osha_threshold_dba: Option<f64>,
}

/// The microphone.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Microphone {
    /// Text file with a frequency in Hz and a level in dB on each line, in the sheet's folder or below.
    pub curve: Option<String>,
}

/// A goal for the festival.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Goal {
    /// Id of a measure of season.json.
    pub measure: String,
    /// Least value that meets it, in the measure's unit.
    pub at_least: Option<f64>,
    /// Largest value that meets it.
    pub at_most: Option<f64>,
    /// Furthest from zero that meets it, either way.
    pub within: Option<f64>,
}

/// Something that was changed at an amplifier.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct AmpChange {
    /// Date of the first rehearsal with it.
    pub date: String,
    /// What, in plain words.
    pub what: String,
}

/// The festival.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Festival {
    /// Its date.
    pub date: Option<String>,
    /// Minutes on the stage.
    pub slot_minutes: Option<f64>,
    /// Titles of the charts that are played there, in order.
    pub charts: Vec<String>,
    /// Goals.
    pub goal: Vec<Goal>,
    /// What was changed at an amplifier on the way.
    pub amp_change: Vec<AmpChange>,
}
