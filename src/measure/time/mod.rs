//! Time: beats, bars, tempo, steadiness, swing, and how drums and bass agree.
//!
//! Conventions: times are seconds on the tape; a take is a span that the passages found, its edges within a second or
//! so. [`TimeMeter`] keeps features while the tape streams; [`measure_take`] turns the features of a span into facts.
//!
//! Limits: one tempo level and one metre a take, 57 to 335 beats a minute, bars of three or four.

pub mod bass_lag;
pub mod beats;
pub mod evidence;
pub mod features;
pub mod grid;
pub mod kit;
pub mod pulses;
pub mod strength;
pub mod swing;
pub mod tempo;
mod weights;

pub use beats::{BeatTrack, TimeHints, track_beats};
pub use features::{TimeFeatures, TimeMeter};
pub use tempo::TempoFacts;

use crate::stats::Measured;
use grid::Grid;
use strength::Strengths;

/// Changes whenever a number of this family may move.
pub const METHOD_ID: &str = "time.1";

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
    /// Median of bass onset minus ride or kick onset, ms, plus = bass late.
    pub bass_to_drums_ms: Measured,
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
            comping_onsets_per_bar: Measured::absent(reason),
        }
    }
}

/// Time and feel of one take.
#[derive(Clone, Debug)]
pub struct TakeTime {
    /// Tempo, beats and bars.
    pub tempo: TempoFacts,
    /// Feel.
    pub feel: FeelFacts,
}

/// Tempo and feel of `[start_s, end_s)`.
///
/// # Not measurable
/// `too_short` under four seconds, `no_steady_beat` where no pulse is clearer than chance; single values have reasons of
/// their own.
pub fn measure_take(features: &TimeFeatures, start_s: f64, end_s: f64, hints: &TimeHints) -> TakeTime {
    let track = match track_beats(features, start_s, end_s, hints) {
        Ok(track) => track,
        Err(reason) => return TakeTime { tempo: TempoFacts::absent(reason), feel: FeelFacts::absent(reason) },
    };
    let strengths = Strengths::of_span(features, start_s, end_s);
    let tempo = TempoFacts::of_track(&track);
    let Some(grid) = Grid::new(&track, &strengths) else {
        return TakeTime { tempo, feel: FeelFacts::absent("too_few_beats") };
    };
    let kit = kit::kit_facts(&strengths, &grid);
    let bass_to_drums_ms = match &kit.hat_on_2_and_4_percent.reason {
        Some(reason) if reason == kit::NO_CYMBALS => Measured::absent(reason),
        _ => bass_lag::bass_to_drums_ms(&strengths, &grid),
    };
    let feel = FeelFacts {
        swing_ratio: swing::swing_ratio(&strengths, &grid),
        hat_on_2_and_4_percent: kit.hat_on_2_and_4_percent,
        backbeat_heavy: kit.backbeat_heavy,
        kick_re_ride_db: kit.kick_re_ride_db,
        bass_to_drums_ms,
        comping_onsets_per_bar: Measured::absent("comping_not_separable"),
    };
    TakeTime { tempo, feel }
}
