//! The tape, what it can be trusted for, and what recorded beside it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

use super::Span;

/// The program that wrote the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// How a family of measures was made; a trend is never drawn across two ids.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Method {
    /// Family: "health", "passages", "loudness", "balance", "tuning", "time", "layers", "exposure", "together", "tone",
    /// "harmony".
    pub family: String,
    /// Changes whenever the family's numbers may move.
    pub id: String,
}

/// The band sheet that held for a tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SheetFacts {
    /// Its folder's name and its own.
    pub file: String,
    /// Changes whenever something in the sheet changes that may move this report.
    pub key: String,
    /// What of it could not be understood and counts for nothing: line, column and what was probably meant.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub problems: Vec<String>,
}

/// The tape itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TapeFacts {
    /// File name without folders; of the first piece when a recorder split it.
    pub file_name: String,
    /// Names of all pieces in playing order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pieces: Vec<String>,
    /// BLAKE3 of the file's bytes, lower-case hex.
    pub content_hash: String,
    /// Length in seconds.
    pub duration_s: f64,
    /// Sample rate in Hz.
    pub sample_rate_hz: u32,
    /// Number of channels.
    pub channels: u16,
    /// Codec.
    pub codec: String,
    /// Local date and time, ISO 8601; null when nothing tells.
    pub recorded_at: Option<String>,
    /// "bext", "tags", "name" or "file_time" (uncertain); null without a date.
    pub recorded_at_source: Option<String>,
    /// Stretches that could not be decoded, seconds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Span>,
    /// Marks that the recorder wrote.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<MarkFacts>,
    /// Codes of what went wrong while reading.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
}

/// Other recordings of the same date.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RecordedWith {
    /// Changes whenever another recording of the date comes, goes or changes.
    pub key: String,
    /// Whom this recording hears alone though no band sheet says that it stood close to anybody: `bass`, `drums`, or `comping` (guitar
    /// or keys: which is not told); null where the sheet says it, for a room recording, and in doubt. From revision 6 on.
    #[serde(default)]
    pub heard_close_to: Option<String>,
    /// The recordings, in the order in which they were found.
    pub tapes: Vec<OtherTape>,
}

/// Another recording of the same date. A moment at `t` seconds of it is at `offset_s + t * (1 + clock_ppm / 1e6)` of this tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OtherTape {
    /// Its file name.
    pub file_name: String,
    /// The player whom it stood close to, as the band sheet says; null when it does not say.
    pub close_to: Option<String>,
    /// The same as is heard, where the sheet does not say: as in `recorded_with`. From revision 6 on.
    #[serde(default)]
    pub heard_close_to: Option<String>,
    /// Its start on this tape's clock, s, negative when it began before; null with `nothing_in_common` or `too_short` when the two
    /// did not hear the same playing.
    pub offset_s: Measured,
    /// By how much its seconds are longer than this tape's, parts in a million; null as above.
    pub clock_ppm: Measured,
    /// What both recorded, on this tape's clock; null as above.
    pub common: Option<Span>,
}

/// A mark of the recorder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MarkFacts {
    /// Seconds from the start of the tape.
    pub at_s: f64,
    /// Its label, may be empty.
    pub label: String,
}

/// What the recording can be trusted for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HealthFacts {
    /// A recorder that turns its own level up and down.
    pub gain_riding: Measured<bool>,
    /// Share of frames that sit on a clipping rail, percent.
    pub clipped_percent: Measured,
    /// Where the recording stops hearing bass, Hz.
    pub low_cut_hz: Measured,
    /// Where the recording stops hearing treble, Hz.
    pub high_cut_hz: Measured,
    /// Mains hum, 50 or 60 Hz.
    pub hum_hz: Measured,
    /// Level of the quietest stretches, dBFS.
    pub noise_floor_dbfs: Measured,
    /// Offset of the waveform from zero, full scale = 1.0, the worst channel.
    pub dc_offset: Measured,
    /// Channels without signal, counted from 1.
    pub dead_channels: Vec<u16>,
    /// The verdicts.
    pub trusted_for: TrustedFor,
}

/// May these families be believed on this recording?
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrustedFor {
    /// Balance.
    pub balance: Verdict,
    /// Low end.
    pub low_end: Verdict,
    /// Loudness over time.
    pub loudness_over_time: Verdict,
    /// Tuning.
    pub tuning: Verdict,
    /// Time.
    pub time: Verdict,
}

/// A verdict with its reason.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// True when it may be believed.
    pub ok: bool,
    /// Why not, or what to keep in mind; empty when all is well.
    pub reason: String,
}
