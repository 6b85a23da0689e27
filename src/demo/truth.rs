//! What is true of a demo tape: known because it was made so.
//!
//! Conventions: seconds from the start of the tape, at the microphones (the way of the sound through the air is taken off);
//! cents plus = sharp against A4 = 440 Hz, of the first partial once the attack has settled; LUFS as in BS.1770.
//! In JSON the keys are short (`start`, `end`, `t`, `d`): the same as in the project's other truth files.

use std::collections::BTreeMap;

use serde::Serialize;

/// Everything known about one tape.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct DemoTruth {
    /// File stem of the tape.
    pub name: String,
    /// Length of the tape.
    #[serde(rename = "duration")]
    pub duration_s: f64,
    /// What happens when; between these (start and end of the tape) there is nothing but the room.
    #[serde(rename = "segments")]
    pub passages: Vec<PassageTruth>,
    /// The takes.
    pub takes: Vec<TakeTruth>,
    /// Notes a pitched instrument, in time order.
    pub notes: BTreeMap<&'static str, Vec<NoteTruth>>,
    /// The low end of the takes.
    pub balance: BalanceTruth,
    /// What the amplifiers' knobs do, a player.
    pub eq: BTreeMap<&'static str, Vec<EqTruth>>,
    /// The band's concert pitch against A4 = 440 Hz.
    #[serde(rename = "a4_cents")]
    pub concert_pitch_cents: f64,
    /// How each string player is in tune.
    pub tuning: BTreeMap<&'static str, TuningTruth>,
    /// Who is in the band.
    pub players: Vec<&'static str>,
    /// The recorder turned its own level up and down.
    #[serde(rename = "agc")]
    pub gain_riding: bool,
    /// Peaks are cut off.
    pub clipped: bool,
    /// The recorder's low cut.
    #[serde(rename = "mic_hp")]
    pub low_cut_hz: Option<f64>,
    /// Level of mains hum in dBFS.
    #[serde(rename = "hum")]
    pub hum_dbfs: Option<f64>,
    /// Loudness of the whole tape.
    pub integrated_lufs: Option<f64>,
}

/// A passage of the tape.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PassageTruth {
    /// `take`, `talk`, `tuning` or `silence`.
    pub kind: &'static str,
    /// First moment.
    #[serde(rename = "start")]
    pub start_s: f64,
    /// One past the last moment; of a take, when the last note has died.
    #[serde(rename = "end")]
    pub end_s: f64,
    /// Who tunes.
    pub player: Option<&'static str>,
}

/// One playing of a chart.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TakeTruth {
    /// Title of the chart.
    pub title: String,
    /// Mean speed of the tempo map at the start.
    pub bpm: f64,
    /// Change of the tempo map from start to end as a share, plus = rushing.
    pub drift: f64,
    /// Long to short eighth.
    pub swing: f64,
    /// Kick and snare carry a backbeat with straight eighths on the closed hi-hat.
    #[serde(rename = "rock")]
    pub backbeat: bool,
    /// The hi-hat closes on 2 and 4.
    #[serde(rename = "hat")]
    pub hat_on_2_and_4: bool,
    /// Strength of the kick, 0..=127.
    pub kick: f64,
    /// Bass after the ride, in ms.
    pub bass_lag_ms: f64,
    /// The beats (seconds, place in the bar from 1).
    pub beats: Vec<(f64, u8)>,
    /// Parts.
    #[serde(rename = "sections")]
    pub parts: Vec<PartTruth>,
    /// First beat.
    #[serde(rename = "start")]
    pub start_s: f64,
    /// End of the last bar.
    #[serde(rename = "end")]
    pub end_s: f64,
}

/// A part of a take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartTruth {
    /// Name.
    pub label: String,
    /// First beat.
    #[serde(rename = "start")]
    pub start_s: f64,
    /// One past its last beat.
    #[serde(rename = "end")]
    pub end_s: f64,
    /// Loudness of the tape here.
    pub lufs: Option<f64>,
    /// Loudness that each layer alone has at the microphones here; layers that are silent are left out.
    pub layer_lufs: BTreeMap<&'static str, f64>,
}

/// One note.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct NoteTruth {
    /// Onset.
    #[serde(rename = "t")]
    pub at_s: f64,
    /// Until it is let go.
    #[serde(rename = "d")]
    pub length_s: f64,
    /// MIDI note, sounding pitch.
    #[serde(rename = "key")]
    pub midi: u8,
    /// String, 0 = lowest.
    pub string: usize,
    /// Offset from equal temperament at A4 = 440 Hz.
    pub cents: f64,
}

/// The low end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct BalanceTruth {
    /// Power in 40..160 Hz against 400..2500 Hz over the takes; `None` without a take.
    pub low_re_mid_db: Option<f64>,
}

/// One knob.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EqTruth {
    /// `shelf` or `peak`.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// Corner or centre.
    #[serde(rename = "f")]
    pub hz: f64,
    /// Gain.
    pub db: f64,
    /// High shelf.
    pub high: bool,
    /// Quality of a peak.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub q: Option<f64>,
}

/// How a string player is in tune.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct TuningTruth {
    /// Offset at the start of the tape.
    pub cents: f64,
    /// Drift.
    #[serde(rename = "per_min")]
    pub cents_per_min: f64,
    /// Further offset a string.
    #[serde(rename = "strings", skip_serializing_if = "Vec::is_empty")]
    pub string_cents: Vec<f64>,
    /// New tunings (seconds, cents).
    #[serde(rename = "retune", skip_serializing_if = "Vec::is_empty")]
    pub retunes: Vec<RetuneTruth>,
}

/// A new tuning.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RetuneTruth {
    /// When.
    #[serde(rename = "at")]
    pub at_s: f64,
    /// Offset from then on.
    pub cents: f64,
}

impl DemoTruth {
    /// The truth as JSON, keys in fixed order, numbers as rounded when the truth was made.
    ///
    /// # Errors
    /// Whatever the JSON writer says; the types hold nothing that it refuses.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }
}

/// Rounded to `decimals` places.
pub(super) fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    (value * scale).round() / scale
}
