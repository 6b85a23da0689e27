//! Types of the festival block of season.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

/// How far the band is on its way to a festival.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Festival {
    /// Its date, ISO 8601.
    pub date: String,
    /// Weeks from the last rehearsal to the festival; negative once it is over, null without a rehearsal.
    pub weeks_left: Option<f64>,
    /// The goals, in the order of the plan.
    pub goals: Vec<GoalState>,
    /// The charts against the slot.
    pub run_through: RunThrough,
    /// What was changed or advised at an amplifier, and what came of it, in date order.
    pub amp: Vec<AmpEffect>,
}

/// A yes that needs evidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The whole interval says so.
    Yes,
    /// The whole interval says the opposite.
    No,
    /// The interval reaches to both sides, or there is no value.
    CannotTell,
}

/// Where a goal stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GoalState {
    /// Measure id, whose unit is in the id.
    pub measure: String,
    /// What it is, in plain words.
    pub title: String,
    /// Unit as it is printed.
    pub unit: String,
    /// Least value that meets the goal; null when there is none.
    pub at_least: Option<f64>,
    /// Largest value that meets the goal; null when there is none.
    pub at_most: Option<f64>,
    /// The first rehearsal that can be compared with the last one.
    pub at_start: Measured,
    /// Date of that rehearsal; null without any value.
    pub start_date: Option<String>,
    /// The last rehearsal.
    pub now: Measured,
    /// Change a week since the line was last broken.
    pub slope_per_week: Measured,
    /// What is to be expected at the festival if the line goes on: level or slope, whichever the data bear out.
    pub at_festival: Measured,
    /// Did the last rehearsal meet it?
    pub met_now: Answer,
    /// Will the festival meet it?
    pub will_be_met: Answer,
}

/// The charts against the slot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunThrough {
    /// The slot, minutes.
    pub slot_minutes: f64,
    /// The charts in playing order, each with the length of its latest whole take.
    pub charts: Vec<ChartLength>,
    /// All charts together, minutes.
    pub takes_minutes: Measured,
    /// The changes between them, minutes.
    pub changes_minutes: Measured,
    /// Both together, minutes.
    pub total_minutes: Measured,
    /// Does it fit the slot?
    pub fits: Answer,
}

/// How long a chart takes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartLength {
    /// Its title.
    pub title: String,
    /// Minutes of the longest take of the last rehearsal that played it; low and high over the last three.
    pub minutes: Measured,
}

/// What a change at an amplifier did to the low end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AmpEffect {
    /// Date of the rehearsal at which it was advised or done, ISO 8601.
    pub date: String,
    /// What, in plain words.
    pub what: String,
    /// True for advice of the page, false for what the director noted as done.
    pub advised: bool,
    /// low_end_excess_db of the last comparable rehearsal before it took effect.
    pub before_db: Measured,
    /// low_end_excess_db of the first comparable rehearsal after it.
    pub after_db: Measured,
    /// After minus before.
    pub change_db: Measured,
    /// "less_low_end", "more_low_end", "no_change_beyond_noise" or "not_comparable".
    pub verdict: String,
}
