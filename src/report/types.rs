//! Types of report.json and curves.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::passages::PassageKind;
use crate::stats::Measured;

/// Name in the `schema` block of report.json.
pub const REPORT_SCHEMA_NAME: &str = "ledgerline.report";
/// Removing, renaming or re-meaning a field raises this.
pub const REPORT_SCHEMA_VERSION: u32 = 1;
/// Adding a field raises this.
pub const REPORT_SCHEMA_REVISION: u32 = 7;

/// Which contract a file follows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Schema {
    /// Name of the contract.
    pub name: String,
    /// A reader refuses a higher version.
    pub version: u32,
    /// A reader ignores unknown fields of a higher revision.
    pub revision: u32,
}

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

/// The report of one tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// Which contract this file follows.
    pub schema: Schema,
    /// Who wrote it.
    pub program: Program,
    /// What was assumed because nobody said otherwise, in plain words.
    pub assumed: Vec<String>,
    /// The band sheet that held for this tape; absent without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<SheetFacts>,
    /// Method id of each family.
    pub methods: Vec<Method>,
    /// The tape.
    pub tape: TapeFacts,
    /// Other recordings of the same date, and where they lie on this one; absent when there are none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded_with: Option<RecordedWith>,
    /// What the recording can be trusted for.
    pub health: HealthFacts,
    /// How the tape was spent, in time order, half-open, without holes.
    pub passages: Vec<PassageFacts>,
    /// Seconds of each kind.
    pub time_use: TimeUse,
    /// The takes, in time order.
    pub takes: Vec<TakeFacts>,
    /// Tuning over the whole tape.
    pub tuning: TuningFacts,
    /// Balance over the takes.
    pub balance: BalanceFacts,
    /// Note by note, how strong the bass sounds; only compared with another tape or target of the same player.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tone: Option<ToneFacts>,
    /// What to turn on the amplifiers; empty when nothing is wrong.
    pub amp_advice: Vec<AmpAdvice>,
    /// Noise exposure; only with a calibration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exposure: Option<Exposure>,
    /// Ranked statements, the most important first.
    pub findings: Vec<Finding>,
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

/// A stretch of the tape, half-open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
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

/// A stretch of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PassageFacts {
    /// What it is.
    pub kind: PassageKind,
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Probability that the kind is right, 0..=1.
    pub confidence: f64,
    /// Open strings heard, on tuning passages.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strings: Vec<OpenString>,
}

/// The last sounding of an open string.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OpenString {
    /// "bass" or "guitar".
    pub instrument: String,
    /// Sounding pitch, MIDI note number.
    pub string_midi: u8,
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
}

/// Seconds of each kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimeUse {
    /// Playing.
    pub take_s: f64,
    /// Talk.
    pub talk_s: f64,
    /// Tuning.
    pub tuning_s: f64,
    /// Quiet.
    pub quiet_s: f64,
    /// Anything else.
    #[serde(default)]
    pub other_s: f64,
}

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

/// A bar in which guitar and piano together play more chords than leave room.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrowdedBar {
    /// Number of the bar in the take, from 1 at its first downbeat.
    pub bar: u32,
    /// Start, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// Chords of guitar and piano in it, one that both play counted once.
    pub hits: u32,
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

/// Where in a take, and where in the bar, time is kept or lost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimeDetail {
    /// Bars that went by faster or slower than those around them, beyond the noise; in time order.
    pub slipped_bars: Vec<SlippedBar>,
    /// Stretches of the take in which no steady beat was found; in time order.
    pub without_beat: Vec<Span>,
    /// How often each voice of the rhythm section sounds at each place of the bar.
    pub bar_picture: BarPicture,
    /// The largest distance between bass and drums, early or late, that the sound leaves open, ms.
    pub bass_to_drums_at_most_ms: Measured,
    /// Spread (standard deviation) of single bass onsets against the drums, onset error included, ms.
    pub bass_to_drums_spread_ms: Measured,
    /// Spread (standard deviation) of the tempi of four-bar phrases about the take's drift, less the error of the onsets, percent;
    /// from revision 4 on, as all that follows.
    #[serde(default = "not_measured")]
    pub phrase_steadiness_percent: Measured,
    /// Spread (standard deviation) of single onsets about the beats, ms: what the steadiness of the beat is apart from.
    #[serde(default = "not_measured")]
    pub onset_spread_ms: Measured,
    /// Tempo of the take against the one marked in the band sheet, percent, plus = faster; null without a marked tempo.
    #[serde(default = "not_measured")]
    pub re_marked_tempo_percent: Measured,
    /// How the tempo moved where parts begin; in time order.
    #[serde(default)]
    pub part_changes: Vec<PartChange>,
    /// Tempo of the last bars before parts begin, where drummers fill, against the bars around them, median, percent, plus = faster.
    #[serde(default = "not_measured")]
    pub lead_in_percent: Measured,
    /// What ride cymbals on published recordings swing at this tempo, long to short: a context, not a norm; absent without a tempo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub published_swing_ratio: Option<f64>,
    /// Bars in which this recording hears more hits of guitar and keys than the threshold `comping_crowded_per_bar`, beyond the error of
    /// a single bar (2.5 hits), from 1 at the take's first downbeat. Always empty in reports before revision 6.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub crowded_bars: Vec<CrowdedBar>,
}

fn not_measured() -> Measured {
    Measured::absent("not_measured")
}

/// How the tempo moved where a part begins.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PartChange {
    /// Label of the part that begins.
    pub label: String,
    /// Number of the bar that begins it, from 1 at the take's first downbeat.
    pub bar: u32,
    /// Start of that bar, seconds.
    pub at_s: f64,
    /// Tempo of the four bars after against that of the four before, percent, plus = faster.
    pub change_percent: Measured,
    /// Is it larger than the tempo moves elsewhere in the take (2.5 standard deviations)?
    pub stands_out: bool,
}

impl Default for TimeDetail {
    fn default() -> Self {
        let no = not_measured;
        Self {
            slipped_bars: Vec::new(),
            without_beat: Vec::new(),
            bar_picture: BarPicture::default(),
            bass_to_drums_at_most_ms: no(),
            bass_to_drums_spread_ms: no(),
            phrase_steadiness_percent: no(),
            onset_spread_ms: no(),
            re_marked_tempo_percent: no(),
            part_changes: Vec::new(),
            lead_in_percent: no(),
            published_swing_ratio: None,
            crowded_bars: Vec::new(),
        }
    }
}

/// A bar that slipped.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlippedBar {
    /// Number of the bar in the take, from 1 at its first downbeat.
    pub bar: u32,
    /// Start, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// Tempo of the bar against that of the bars around it, percent, plus = rushed.
    pub change_percent: Measured,
}

/// Shares of the bars with an onset at each place of the bar, 0 to 1, for each voice; a place is a twelfth of a beat, the
/// first centred on beat 1. Empty rows where no bar was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BarPicture {
    /// Bars that were looked at.
    pub bars: usize,
    /// Beats in a bar.
    pub beats: usize,
    /// Kick and lowest bass notes, 35 to 95 Hz.
    pub kick: Vec<f64>,
    /// Snare and sticks, 0.8 to 4 kHz; chords sound here too.
    pub snare: Vec<f64>,
    /// Strokes of ride and hi-hat, 4 to 16 kHz.
    pub cymbals: Vec<f64>,
    /// Those of `cymbals` on which the hi-hat closes.
    pub hi_hat_closing: Vec<f64>,
    /// Bass notes, 47 to 375 Hz; chords sound here too.
    pub bass: Vec<f64>,
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

/// Time of a part, by the take's beats.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PartTime {
    /// Beats a minute.
    pub bpm: Measured,
    /// Change of tempo from first to last beat of the part, percent, plus = rushing.
    pub drift_percent: Measured,
    /// Beat-to-beat unsteadiness, percent of a beat.
    pub steadiness_percent: Measured,
    /// Long to short eighth.
    pub swing_ratio: Measured,
    /// Share of bars in which the hi-hat closes on 2 and 4 and not equally on 1 and 3, percent.
    pub hat_on_2_and_4_percent: Measured,
    /// Kick on the downbeats and snare on the upbeats, loud against the ride.
    pub backbeat_heavy: Measured<bool>,
    /// Kick against ride, dB.
    pub kick_re_ride_db: Measured,
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

/// Tempo of a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TempoFacts {
    /// Beats a minute.
    pub bpm: Measured,
    /// Change of tempo from first to last beat of a straight line fitted to local tempo, percent, plus = rushing.
    pub drift_percent: Measured,
    /// Beat-to-beat unsteadiness, percent of a beat.
    pub steadiness_percent: Measured,
    /// Beats, seconds.
    pub beat_times_s: Vec<f64>,
    /// Place of each beat in its bar, from 1.
    pub beat_in_bar: Vec<u8>,
}

/// Feel of a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FeelFacts {
    /// Long to short eighth.
    pub swing_ratio: Measured,
    /// Share of bars in which the hi-hat closes on 2 and 4 and not equally on 1 and 3, percent.
    pub hat_on_2_and_4_percent: Measured,
    /// Kick on the downbeats and snare on the upbeats, loud against the ride.
    pub backbeat_heavy: Measured<bool>,
    /// Kick against ride, dB.
    pub kick_re_ride_db: Measured,
    /// Median of bass onset minus ride or kick onset, ms, plus = bass late.
    pub bass_to_drums_ms: Measured,
    /// Onsets of guitar and keys together in a bar.
    pub comping_onsets_per_bar: Measured,
}

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

/// Evidence behind a finding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Evidence {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Measure: its path in this report, or its name with unit when it is computed from several fields. A yes counts as 1.
    pub measure: String,
    /// Its value.
    pub value: Measured,
    /// The threshold it passed.
    pub threshold: f64,
}

/// A statement in the director's words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Code of the kind of finding.
    pub id: String,
    /// Who it is for: "bass", "guitar", "piano", "drums", "horns", "band", "recording".
    pub player: String,
    /// 0 (praise or note) to 3 (fix first).
    pub severity: u8,
    /// What was found.
    pub statement: String,
    /// What to do at the next rehearsal; may be empty.
    pub ask: String,
    /// Where and how much.
    pub evidence: Vec<Evidence>,
    /// Probability that it is so, 0..=1.
    pub confidence: f64,
}

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

impl TimeUse {
    /// Seconds of each kind in `passages`.
    pub fn of(passages: &[crate::passages::Passage]) -> Self {
        let mut used = Self::default();
        for passage in passages {
            let seconds = passage.end_s - passage.start_s;
            match passage.kind {
                PassageKind::Take => used.take_s += seconds,
                PassageKind::Talk => used.talk_s += seconds,
                PassageKind::Tuning => used.tuning_s += seconds,
                PassageKind::Quiet => used.quiet_s += seconds,
                PassageKind::Other => used.other_s += seconds,
            }
        }
        used
    }

    /// Share of the whole that is playing, percent; `None` for an empty tape.
    pub fn playing_percent(&self) -> Option<f64> {
        let whole = self.take_s + self.talk_s + self.tuning_s + self.quiet_s + self.other_s;
        (whole > 0.0).then(|| 100.0 * self.take_s / whole)
    }
}
