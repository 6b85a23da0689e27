//! Types of curves.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Loudness of the layers over time, LUFS.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LayerCurves {
    /// Bass.
    pub bass: Vec<Option<f64>>,
    /// Drums.
    pub drums: Vec<Option<f64>>,
    /// Guitar and keys.
    pub comping: Vec<Option<f64>>,
    /// Horns.
    pub horns: Vec<Option<f64>>,
}

/// curves.json: one entry a hop over the whole tape, null where there is nothing to say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Curves {
    /// Hop in seconds.
    pub hop_s: f64,
    /// Short-term loudness, LUFS, of the 3 s that end with the hop.
    pub short_term_lufs: Vec<Option<f64>>,
    /// Largest momentary loudness within the hop, LUFS.
    pub momentary_max_lufs: Vec<Option<f64>>,
    /// Low end excess, dB.
    pub low_end_excess_db: Vec<Option<f64>>,
    /// Layers, LUFS; null where the part has no level of that layer.
    pub layers_lufs: LayerCurves,
    /// Local tempo, beats a minute.
    pub tempo_bpm: Vec<Option<f64>>,
    /// Bass against A4 = 440 Hz, cents.
    pub bass_cents: Vec<Option<f64>>,
    /// Guitar against A4 = 440 Hz, cents.
    pub guitar_cents: Vec<Option<f64>>,
    /// What fixed-pitch and wind instruments agree on, against A4 = 440 Hz, cents; empty in files before revision 1.
    #[serde(default)]
    pub band_cents: Vec<Option<f64>>,
}
