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
pub mod features;
pub mod grid;
pub mod hypotheses;
pub mod kit;
#[allow(clippy::approx_constant, reason = "fitted numbers may look like others")]
mod lag_weights;
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
pub use hypotheses::TimeHints;
pub use picture::BarPicture;
pub use slips::SlippedBar;
pub use tempo::TempoFacts;

use crate::stats::Measured;
use grid::Grid;
use strength::Strengths;

/// Changes whenever a number of this family may move.
pub const METHOD_ID: &str = "time.3";

/// Below this probability the level or the phase of the bar is marked as uncertain.
const CERTAIN_FROM: f64 = 0.7;

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
    /// Median of bass onset minus ride onset, ms, plus = bass late.
    pub bass_to_drums_ms: Measured,
    /// The largest distance between bass and drums that the sound leaves open, ms.
    pub bass_to_drums_at_most_ms: Measured,
    /// Spread of single bass onsets against the drums, ms.
    pub bass_to_drums_spread_ms: Measured,
    /// Onsets of guitar and keys together in a bar; always absent for now: neither the middle flux nor the levels at the
    /// beats follow the true count on mixes with known notes (correlation below 0.1 and 0.5).
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
    /// The beats, for [`measure_part`].
    track: Option<BeatTrack>,
}

/// Shortest stretch that is listed as being without a beat, s and beats: count-offs and last chords stay out.
pub const SHORTEST_UNSTEADY_S: f64 = 6.0;
const SHORTEST_UNSTEADY_BEATS: f64 = 10.5;

impl FeelFacts {
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
            track: None,
        }
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
        Ok(track) => along(features, start_s, end_s, track),
        Err(reason) => TakeTime::absent(reason, (start_s, end_s)),
    }
}

/// Tempo and feel of a part of a take, by the take's beats.
///
/// # Not measurable
/// `too_few_beats` with fewer than [`FEWEST_OF_PART`] of them in the part.
pub fn measure_part(features: &TimeFeatures, take: &TakeTime, start_s: f64, end_s: f64) -> TakeTime {
    let part = take.track.as_ref().and_then(|track| track.between(start_s, end_s));
    match part.filter(|p| p.times_s.len() >= FEWEST_OF_PART) {
        Some(track) => along(features, start_s, end_s, track),
        None => TakeTime::absent("too_few_beats", (start_s, end_s)),
    }
}

/// Fewest beats of a part that is measured by itself.
pub const FEWEST_OF_PART: usize = 16;

fn along(features: &TimeFeatures, start_s: f64, end_s: f64, track: BeatTrack) -> TakeTime {
    let strengths = Strengths::of_span(features, start_s, end_s);
    let tempo = TempoFacts::of_track(&track);
    let grid = Grid::new(&track, &strengths);
    TakeTime {
        tempo,
        feel: grid.as_ref().map_or_else(|| FeelFacts::absent("too_few_beats"), |g| feel(&strengths, g, &track)),
        slipped_bars: slips::slipped_bars(&track),
        without_beat: track.gaps((start_s, end_s), SHORTEST_UNSTEADY_S, SHORTEST_UNSTEADY_BEATS),
        bar_picture: grid.map_or_else(BarPicture::default, |g| picture::bar_picture(&strengths, &g)),
        track: Some(track),
    }
}

fn feel(strengths: &Strengths, grid: &Grid, track: &BeatTrack) -> FeelFacts {
    let mut kit = kit::kit_facts(strengths, grid);
    if track.phase_probability < CERTAIN_FROM {
        kit.hat_on_2_and_4_percent = kit.hat_on_2_and_4_percent.with_warning("downbeat_uncertain");
        kit.backbeat_heavy = kit.backbeat_heavy.with_warning("downbeat_uncertain");
    }
    let bass = match &kit.hat_on_2_and_4_percent.reason {
        Some(reason) if reason == kit::NO_CYMBALS => bass_lag::BassToDrums::absent(reason),
        _ => bass_lag::bass_to_drums(strengths, grid),
    };
    FeelFacts {
        swing_ratio: swing::swing_ratio(strengths, grid),
        hat_on_2_and_4_percent: kit.hat_on_2_and_4_percent,
        backbeat_heavy: kit.backbeat_heavy,
        kick_re_ride_db: kit.kick_re_ride_db,
        bass_to_drums_ms: bass.lag_ms,
        bass_to_drums_at_most_ms: bass.at_most_ms,
        bass_to_drums_spread_ms: bass.spread_ms,
        comping_onsets_per_bar: Measured::absent("comping_not_separable"),
    }
}
