//! A take and its parts.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

use super::{CrowdedBar, FeelFacts, PartTime, TakeTuning, TempoFacts, TimeDetail, not_measured};

/// One take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TakeFacts {
    /// First note or count-off, seconds.
    pub start_s: f64,
    /// The last note has died, seconds.
    pub end_s: f64,
    /// Title of the chart; empty when nobody said.
    pub title: String,
    /// What the band sheet says of the chart; absent for a take that it does not name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marked: Option<MarkedChart>,
    /// Parts of the chart inside the take.
    pub parts: Vec<PartFacts>,
    /// Loudness of the take.
    pub loudness: LoudnessFacts,
    /// Power in 40-160 Hz against 400-2500 Hz in this take minus the same for the target, dB; plus = too much low end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_end_excess_db: Option<Measured>,
    /// Tempo.
    pub tempo: TempoFacts,
    /// Feel.
    pub feel: FeelFacts,
    /// Tuning of the players in this take.
    pub tuning: TakeTuning,
    /// Where in the take and in the bar time is kept or lost.
    #[serde(default)]
    pub time_detail: TimeDetail,
    /// Bars after which the changes return (12 for a blues), n = whole times round; null with a reason where the form is played
    /// once or its return is not clear. Absent in reports before revision 5.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub form_bars: Option<Measured>,
    /// What sounds on each beat, by which the same chart is known again in other takes; absent in reports before revision 3.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub harmony: Option<HarmonyFacts>,
    /// What recordings close to single players say of the take; absent without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub close: Option<CloseFacts>,
}

/// What sounds on each beat of `tempo.beat_times_s`, by pitch class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HarmonyFacts {
    /// The pitch that the classes are counted in, cents from A4 = 440 Hz, plus = sharp; null with a reason where the beats say
    /// nothing.
    pub concert_pitch_cents: Measured,
    /// One word a beat: twelve digits for C, C sharp to B above the bass, 0 = not heard, 9 = the strongest of the beat.
    pub chords: Vec<String>,
    /// The same of the bass, 30 to 185 Hz.
    pub bass: Vec<String>,
}

/// A recording, or channels of one, close to a player.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CloseRecording {
    /// Whom it hears: bass, guitar, piano, drums or horns.
    pub player: String,
    /// Its file name.
    pub file_name: String,
    /// Its channels, from 1; empty for a recording of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<u16>,
}

/// What recordings close to single players say of a take. Moments are those at the room's recorder, the way of the sound through
/// the air (2.9 ms a metre) included.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CloseFacts {
    /// The recordings.
    pub recordings: Vec<CloseRecording>,
    /// Bass onset minus drum onset, median, ms, plus = bass late; also in `feel`. Null without a recording close to the bass.
    pub bass_to_drums_ms: Measured,
    /// Where the drums' onsets are from: "close" or "room"; absent without a recording close to the bass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drums_heard: Option<String>,
    /// How long a note of the bass sounds, median, ms: until it has fallen by 12 dB or the next one begins.
    pub bass_note_length_ms: Measured,
    /// The same as a share of the time to the next note, median, percent.
    pub bass_note_length_percent: Measured,
    /// Chords of the guitar in a bar; this and what follows is null unless guitar and piano both have a recording.
    pub guitar_hits_per_bar: Measured,
    /// Chords of the piano in a bar.
    pub piano_hits_per_bar: Measured,
    /// Hits that guitar and piano play at once (within 50 ms), of all hits, percent.
    pub comping_together_percent: Measured,
    /// Guitar minus piano where both play at once, median, ms, plus = the piano is first; null where a line is not certain.
    pub guitar_after_piano_ms: Measured,
    /// Chords of guitar and piano together in a bar, one that both play counted once; also in `feel`; from revision 4 on.
    #[serde(default = "not_measured")]
    pub comping_onsets_per_bar: Measured,
    /// Bars with more chords of both together than the threshold `comping_crowded_per_bar`, from 1 at the take's first downbeat.
    #[serde(default)]
    pub crowded_bars: Vec<CrowdedBar>,
}

/// What the band sheet says of the chart of a take; never what was played.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MarkedChart {
    /// How the title is known: "order" (of play), or "order_and_tempo" where takes and titles differ in number.
    pub known_by: String,
    /// Marked tempo, beats a minute; null when the sheet has none.
    pub tempo_bpm: Option<f64>,
    /// Marked feel; null when the sheet has none.
    pub feel: Option<String>,
}

/// Where a part comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PartSource {
    /// The band sheet.
    Sheet,
    /// The recorder's marks.
    Marks,
    /// Found in the sound.
    Found,
}

/// A part of the chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PartFacts {
    /// Name, or a neutral number.
    pub label: String,
    /// Where it comes from.
    pub source: PartSource,
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Label of the first part of the take over the same changes, bar by bar from both starts; null for the first of its form,
    /// for a part of fewer than eight bars, and where nothing is known of what sounds. From revision 5 on.
    #[serde(default)]
    pub same_form_as: Option<String>,
    /// Integrated loudness of the part, LUFS.
    pub loudness_lufs: Measured,
    /// Power in 40-160 Hz against 400-2500 Hz in this part minus the same for the target, dB; plus = too much low end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_end_excess_db: Option<Measured>,
    /// Loudness that each layer alone would have; null where the recorder rode its gain, clipped or came to full scale, and for
    /// bass and drums where a low cut takes their lowest part.
    pub layers_lufs: LayerLevels,
    /// The same against the loudness of the whole band, LU; holds also where the recorder's own level does not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layers_re_band_lu: Option<LayerLevels>,
    /// Layers whose levels are from recordings close to all their players, in the order of the layers.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub layers_from_close: Vec<String>,
    /// Time and the kit's pattern in this part; absent in reports before revision 4.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<PartTime>,
}

/// BS.1770 loudness that each layer alone would have at the microphone, LUFS.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LayerLevels {
    /// Bass.
    pub bass: Measured,
    /// Drums.
    pub drums: Measured,
    /// Guitar and keys.
    pub comping: Measured,
    /// Horns and everything else sustained.
    pub horns: Measured,
}

/// Loudness by BS.1770-5 and EBU R 128.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoudnessFacts {
    /// Integrated loudness, LUFS.
    pub integrated_lufs: Measured,
    /// Loudness range, LU.
    pub range_lu: Measured,
    /// Maximum true peak, dBTP.
    pub true_peak_dbtp: Measured,
}
