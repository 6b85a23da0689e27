//! What a director plans for a festival, as plain data, and whether it can be used.

use super::festival_types::Festival;
use super::measures::{measure, measures};
use super::trends::weeks;

/// What the director plans.
#[derive(Clone, Debug, PartialEq)]
pub struct FestivalPlan {
    /// Date, ISO 8601.
    pub date: String,
    /// Minutes on the stage.
    pub slot_minutes: f64,
    /// Titles of the charts in playing order.
    pub charts: Vec<String>,
    /// What the band wants to reach.
    pub goals: Vec<Goal>,
    /// What was changed at an amplifier, as the director noted it.
    pub amp_changes: Vec<AmpChange>,
}

/// A goal for a measure of the season.
#[derive(Clone, Debug, PartialEq)]
pub struct Goal {
    /// Measure id.
    pub measure: String,
    /// Least value that meets it.
    pub at_least: Option<f64>,
    /// Largest value that meets it.
    pub at_most: Option<f64>,
}

impl Goal {
    /// Not under `value`.
    pub fn at_least(measure: &str, value: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: Some(value), at_most: None }
    }

    /// Not over `value`.
    pub fn at_most(measure: &str, value: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: None, at_most: Some(value) }
    }

    /// No further than `size` from zero, either way.
    pub fn within(measure: &str, size: f64) -> Self {
        Self { measure: measure.to_owned(), at_least: Some(-size.abs()), at_most: Some(size.abs()) }
    }
}

/// Something that was changed at an amplifier.
#[derive(Clone, Debug, PartialEq)]
pub struct AmpChange {
    /// Date of the first rehearsal with it, ISO 8601.
    pub date: String,
    /// What, in plain words.
    pub what: String,
}

/// Why a plan cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// Not a date.
    #[error("festival date \"{got}\" is no date; write it as year-month-day, for example 2026-04-18")]
    Date {
        /// What was written.
        got: String,
    },
    /// No such measure.
    #[error("there is no measure \"{got}\" for a goal; known are: {known}")]
    Measure {
        /// What was written.
        got: String,
        /// The ids that a goal can have.
        known: String,
    },
    /// Neither end, or the ends change places.
    #[error("the goal for \"{measure}\" needs at_least, at_most or within, with the lower end below the upper")]
    Ends {
        /// Which goal.
        measure: String,
    },
    /// Not a length of time.
    #[error("the slot must be longer than 0 minutes")]
    Slot,
}

impl FestivalPlan {
    /// The plan behind a festival that was drawn before.
    pub fn of(festival: &Festival) -> Self {
        Self {
            date: festival.date.clone(),
            slot_minutes: festival.run_through.slot_minutes,
            charts: festival.run_through.charts.iter().map(|c| c.title.clone()).collect(),
            goals: festival
                .goals
                .iter()
                .map(|g| Goal { measure: g.measure.clone(), at_least: g.at_least, at_most: g.at_most })
                .collect(),
            amp_changes: festival
                .amp
                .iter()
                .filter(|a| !a.advised)
                .map(|a| AmpChange { date: a.date.clone(), what: a.what.clone() })
                .collect(),
        }
    }

    /// Can this plan be used?
    ///
    /// # Errors
    /// The first thing that cannot.
    pub fn validate(&self) -> Result<(), PlanError> {
        for date in std::iter::once(&self.date).chain(self.amp_changes.iter().map(|c| &c.date)) {
            if weeks(date).is_none() {
                return Err(PlanError::Date { got: date.clone() });
            }
        }
        if !self.slot_minutes.is_finite() || self.slot_minutes <= 0.0 {
            return Err(PlanError::Slot);
        }
        self.goals.iter().try_for_each(validate_goal)
    }
}

fn validate_goal(goal: &Goal) -> Result<(), PlanError> {
    if measure(&goal.measure).is_none() {
        let known = measures().map(|m| m.id).collect::<Vec<_>>().join(", ");
        return Err(PlanError::Measure { got: goal.measure.clone(), known });
    }
    let fits = match (goal.at_least, goal.at_most) {
        (None, None) => false,
        (Some(low), Some(high)) => low <= high,
        (low, high) => low.or(high).is_some_and(f64::is_finite),
    };
    if fits { Ok(()) } else { Err(PlanError::Ends { measure: goal.measure.clone() }) }
}
