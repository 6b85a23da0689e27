//! Time and feel of a take.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

use super::{Span, not_measured};

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
