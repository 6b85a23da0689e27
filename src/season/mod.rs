//! Reports become the ledger of the season.
//!
//! Conventions: season.json is made anew from the report folders each time, so it holds nothing that they do not: the same
//! folders give the same bytes, in any order, on any number of threads. A value carries the unit in its id. A line is
//! broken where method or recorder changed; a trend never crosses a break.
//!
//! Limits: two recorders that ran at the same time are only told apart by their file formats; a re-exported tape of the
//! same name and date counts as a second tape until its old folder is deleted (warned about).

mod build;
mod chart_types;
pub mod charts;
mod combine;
pub mod compare;
mod festival;
mod festival_amp;
mod festival_plan;
mod festival_run;
mod festival_types;
mod files;
mod habit_rows;
mod habits;
mod measures;
mod picture;
mod sheet_facts;
mod sheets;
mod slope;
mod trends;
mod types;

pub use build::{Entry, build_season, build_season_for};
pub use chart_types::{ChartPlayed, ChartWeek, Repeat, TakeOfChart, UnnamedTake};
pub use festival_plan::{AmpChange, FestivalPlan, Goal, PlanError};
pub use festival_types::*;
pub use files::{Redrawn, SEASON, SEASON_FILE, read_season, redraw_season, redraw_season_for};
pub use measures::{Hears, Measure, measure, measures};
pub use picture::{SeasonLine, SeasonPoint, picture_input};
pub use sheets::{Change, ChangeVerdict, PLAYERS, PlayerSheet, SheetSpan, Toward, player_sheets, players_of};
pub use types::*;

/// JSON Schema of season.json.
pub fn season_schema() -> serde_json::Value {
    crate::report::schema_of::<Season>()
}
