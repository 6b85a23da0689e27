//! Time: beats, bars, tempo, steadiness, swing, and how drums and bass agree.
//!
//! Conventions: times are seconds on the tape; a take is a span that the passages found, its edges within a second or
//! so. [`TimeMeter`] keeps features while the tape streams; [`measure_take`] turns the features of a span into facts.
//!
//! Limits: one tempo level and one metre a take, 57 to 335 beats a minute, bars of three or four.

pub mod bass_lag;
pub mod beats;
mod curves;
pub mod evidence;
mod falling;
pub mod features;
mod form;
pub mod grid;
mod halves;
pub mod hypotheses;
pub mod kit;
#[allow(clippy::approx_constant, reason = "fitted numbers may look like others")]
mod lag_weights;
mod middle;
mod phrases;
pub mod picture;
pub mod pieces;
pub mod pulses;
pub mod runs;
pub mod slips;
pub mod strength;
pub mod swing;
pub mod tempo;
mod weights;

pub use beats::{BeatTrack, track_beats};
pub use features::{TimeFeatures, TimeMeter};
pub use form::PartChange;
pub use hypotheses::TimeHints;
pub use picture::BarPicture;
pub use slips::SlippedBar;
pub use tempo::TempoFacts;

use crate::stats::Measured;
use grid::Grid;
use strength::Strengths;

/// Changes whenever a number of this family may move.
pub const METHOD_ID: &str = "time.5";

/// Below this probability the level or the phase of the bar is marked as uncertain.
const CERTAIN_FROM: f64 = 0.7;

/// Warning of a tempo of which half or double is about as likely.
pub const HALF_OR_DOUBLE: &str = "half_or_double_possible";

/// Reason of a lag of the bass that only a recording close to it tells within 5 ms.
const NOT_FROM_ROOM: &str = "within_onset_error";

/// Feel of a take.
#[derive(Clone, Debug)]
pub struct FeelFacts {
    /// Long to short eighth.
    pub swing_ratio: Measured,
    /// Share of bars in which the hi-hat closes on 2 and 4 and not equally on 1 and 3, percent.
    pub hat_on_2_and_4_percent: Measured,
    /// Kick on the downbeats and snare on the upbeats, loud against the ride.
    pub backbeat_heavy: Measured<bool>,
    /// Kick against ride, dB.
    pub kick_re_ride_db: Measured,
    /// Median of bass onset minus ride onset, ms, plus = bass late; from the room alone never told, see [`bass_lag`].
    pub bass_to_drums_ms: Measured,
    /// The largest distance between bass and drums that the sound leaves open, ms.
    pub bass_to_drums_at_most_ms: Measured,
    /// Spread of single bass onsets against the drums, ms.
    pub bass_to_drums_spread_ms: Measured,
    /// Onsets of guitar and keys together in a bar; not of this room, see [`hear_comping`](Self::hear_comping).
    pub comping_onsets_per_bar: Measured,
}

impl FeelFacts {
    /// Nothing, and why.
    pub fn absent(reason: &str) -> Self {
        Self {
            swing_ratio: Measured::absent(reason),
            hat_on_2_and_4_percent: Measured::absent(reason),
            backbeat_heavy: Measured::absent(reason),
            kick_re_ride_db: Measured::absent(reason),
            bass_to_drums_ms: Measured::absent(reason),
            bass_to_drums_at_most_ms: Measured::absent(reason),
            bass_to_drums_spread_ms: Measured::absent(reason),
            comping_onsets_per_bar: Measured::absent(reason),
        }
    }
}

/// Time and feel of one take, or of a part of it.
#[derive(Clone, Debug)]
pub struct TakeTime {
    /// Tempo, beats and bars.
    pub tempo: TempoFacts,
    /// Feel.
    pub feel: FeelFacts,
    /// Bars that slipped, in time order.
    pub slipped_bars: Vec<SlippedBar>,
    /// Stretches of more than [`SHORTEST_UNSTEADY_S`] and ten beats in which no steady beat was found, s.
    pub without_beat: Vec<(f64, f64)>,
    /// Where in the bar the rhythm section's voices fall.
    pub bar_picture: BarPicture,
    /// Standard deviation of the phrases' tempi about the drift, percent.
    pub phrase_steadiness_percent: Measured,
    /// Standard deviation of single onsets about the beats, ms.
    pub onset_spread_ms: Measured,
    /// The beats, for [`measure_part`].
    track: Option<BeatTrack>,
}

/// Time of one part of a take, by the take's beats.
#[derive(Clone, Debug)]
pub struct PartTime {
    /// Tempo, drift and steadiness of the part.
    pub tempo: TempoFacts,
    /// Long to short eighth.
    pub swing_ratio: Measured,
    /// The kit's pattern.
    pub kit: kit::KitFacts,
}

impl PartTime {
    fn absent(reason: &str) -> Self {
        Self {
            tempo: TempoFacts::absent(reason),
            swing_ratio: Measured::absent(reason),
            kit: kit::KitFacts::absent(reason),
        }
    }
}

/// Shortest stretch that is listed as being without a beat, s and beats: count-offs and last chords stay out.
pub const SHORTEST_UNSTEADY_S: f64 = 6.0;
const SHORTEST_UNSTEADY_BEATS: f64 = 10.5;

impl FeelFacts {
    /// Takes the chords in a bar from the layers' hits, or from recordings close to guitar and piano.
    pub fn hear_comping(&mut self, onsets_per_bar: &Measured) {
        self.comping_onsets_per_bar = onsets_per_bar.clone();
    }

    /// Takes bass against drums from recordings close to them.
    pub fn hear_close(&mut self, lag_ms: &Measured, spread_ms: &Measured) {
        self.bass_to_drums_ms = lag_ms.clone();
        self.bass_to_drums_spread_ms = spread_ms.clone();
        let furthest = lag_ms.low.into_iter().chain(lag_ms.high).map(f64::abs).reduce(f64::max);
        if let Some(furthest) = furthest {
            self.bass_to_drums_at_most_ms = Measured::plain(furthest, lag_ms.n.unwrap_or(0));
        }
    }
}

impl TakeTime {
    /// Bars of the take by its beats, a last one that is cut short included as far as it goes; `None` where none were found.
    pub fn bars(&self) -> Option<f64> {
        let most = self.tempo.beat_in_bar.iter().max().filter(|most| **most > 1)?;
        Some(self.tempo.beat_in_bar.len() as f64 / f64::from(*most))
    }

    /// Nothing of the take that spans these seconds, and why.
    pub fn absent(reason: &str, span: (f64, f64)) -> Self {
        Self {
            tempo: TempoFacts::absent(reason),
            feel: FeelFacts::absent(reason),
            slipped_bars: Vec::new(),
            without_beat: vec![span],
            bar_picture: BarPicture::default(),
            phrase_steadiness_percent: Measured::absent(reason),
            onset_spread_ms: Measured::absent(reason),
            track: None,
        }
    }

    /// The same with these beats, for what is asked of them later.
    pub fn with_track(self, track: BeatTrack) -> Self {
        Self { track: Some(track), ..self }
    }

    /// How the tempo moved where parts begin (`starts_s`, on the tape).
    pub fn part_changes(&self, starts_s: &[f64]) -> Vec<PartChange> {
        self.track.as_ref().map_or_else(Vec::new, |track| form::part_changes(track, starts_s))
    }

    /// Tempo of the bars that lead into parts (which begin at `starts_s`) against the bars around them, percent.
    pub fn lead_in_percent(&self, starts_s: &[f64]) -> Measured {
        match &self.track {
            Some(track) => form::lead_in_percent(track, starts_s),
            None => Measured::absent(self.tempo.bpm.reason.as_deref().unwrap_or("no_steady_beat")),
        }
    }

    /// Number of the whole bars with their starts, s, in time order.
    pub fn bar_spans(&self) -> Vec<(u32, f64, f64)> {
        let bars = self.track.as_ref().map_or_else(Vec::new, slips::bars);
        bars.iter().map(|b| (b.number, b.start_s, b.end_s)).collect()
    }
}

/// Tempo and feel of `[start_s, end_s)`.
///
/// # Not measurable
/// `too_short` under four seconds, `no_steady_beat` where no pulse is clearer than chance; single values have reasons of
/// their own.
pub fn measure_take(features: &TimeFeatures, start_s: f64, end_s: f64, hints: &TimeHints) -> TakeTime {
    let features = &features.view();
    match track_beats(features, start_s, end_s, hints) {
        Ok(track) => along(features, start_s, end_s, track, hints),
        Err(reason) => TakeTime::absent(reason, (start_s, end_s)),
    }
}

/// Time of a part of a take, by the take's beats.
///
/// # Not measurable
/// `too_few_beats` with fewer than [`FEWEST_OF_PART`] of them in the part.
pub fn measure_part(features: &TimeFeatures, take: &TakeTime, start_s: f64, end_s: f64) -> PartTime {
    let part = take.track.as_ref().and_then(|track| track.between(start_s, end_s));
    let Some(track) = part.filter(|p| p.times_s.len() >= FEWEST_OF_PART) else {
        return PartTime::absent(take.tempo.bpm.reason.as_deref().unwrap_or("too_few_beats"));
    };
    let strengths = Strengths::of_span(features, start_s, end_s);
    let tempo = TempoFacts::of_track(&track);
    match Grid::new(&track, &strengths) {
        Some(grid) => PartTime {
            tempo,
            swing_ratio: swing::swing_ratio(&strengths, &grid),
            kit: warned(kit::kit_facts(&strengths, &grid), &track),
        },
        None => PartTime { tempo, ..PartTime::absent("too_few_beats") },
    }
}

/// Fewest beats of a part that is measured by itself.
pub const FEWEST_OF_PART: usize = 16;

fn along(features: &TimeFeatures, start_s: f64, end_s: f64, track: BeatTrack, hints: &TimeHints) -> TakeTime {
    let strengths = Strengths::of_span(features, start_s, end_s);
    let track = falling::without_falling(track, &strengths);
    let mut tempo = TempoFacts::of_track(&track);
    // A marked tempo decides.
    if hints.marked_bpm.is_none() && halves::half_as_likely(&track, &strengths) {
        tempo.bpm = tempo.bpm.with_warning(HALF_OR_DOUBLE);
    }
    let grid = Grid::new(&track, &strengths);
    let onset_ms = 1000.0 * track.onset_sd_s;
    let onsets = track.times_s.len();
    TakeTime {
        tempo,
        feel: grid.as_ref().map_or_else(|| FeelFacts::absent("too_few_beats"), |g| feel(&strengths, g, &track)),
        slipped_bars: slips::slipped_bars(&track),
        without_beat: track.gaps((start_s, end_s), SHORTEST_UNSTEADY_S, SHORTEST_UNSTEADY_BEATS),
        phrase_steadiness_percent: phrases::phrase_steadiness(&track),
        // Two standard errors of a spread of n values.
        onset_spread_ms: Measured::symmetric(onset_ms, 2.0 * onset_ms / (2.0 * onsets as f64).sqrt(), onsets as u64),
        bar_picture: grid.map_or_else(BarPicture::default, |g| picture::bar_picture(&strengths, &g)),
        track: Some(track),
    }
}

/// Marks what hangs on where the bars begin, where that is uncertain.
fn warned(mut kit: kit::KitFacts, track: &BeatTrack) -> kit::KitFacts {
    if track.phase_probability < CERTAIN_FROM {
        kit.hat_on_2_and_4_percent = kit.hat_on_2_and_4_percent.with_warning("downbeat_uncertain");
        kit.backbeat_heavy = kit.backbeat_heavy.with_warning("downbeat_uncertain");
    }
    kit
}

fn feel(strengths: &Strengths, grid: &Grid, track: &BeatTrack) -> FeelFacts {
    let kit = warned(kit::kit_facts(strengths, grid), track);
    let no_kit = kit.hat_on_2_and_4_percent.reason.as_deref().filter(|reason| *reason == kit::NO_CYMBALS);
    let bass = match no_kit {
        Some(reason) => bass_lag::BassToDrums::absent(reason),
        None => bass_lag::bass_to_drums(strengths, grid),
    };
    FeelFacts {
        bass_to_drums_ms: Measured::absent(no_kit.unwrap_or(NOT_FROM_ROOM)),
        swing_ratio: swing::swing_ratio(strengths, grid),
        hat_on_2_and_4_percent: kit.hat_on_2_and_4_percent,
        backbeat_heavy: kit.backbeat_heavy,
        kick_re_ride_db: kit.kick_re_ride_db,
        bass_to_drums_at_most_ms: bass.at_most_ms,
        bass_to_drums_spread_ms: bass.spread_ms,
        comping_onsets_per_bar: Measured::absent("comping_not_separable"),
    }
}
