//! The season as plain lines, for drawing.

use super::measures::{Measure, measures};
use super::trends::{lines, weeks};
use super::types::{LineBreak, Season, Trend};

/// A measure over the weeks.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonLine {
    /// Measure id.
    pub measure: &'static str,
    /// What it is, in plain words.
    pub title: &'static str,
    /// Unit as it is printed.
    pub unit: &'static str,
    /// Unbroken runs, in date order; points of different runs must not be joined.
    pub runs: Vec<Vec<SeasonPoint>>,
    /// Where a run ends because values cannot be compared, and why.
    pub breaks: Vec<LineBreak>,
    /// The trend of the last run.
    pub trend: Option<Trend>,
}

/// A rehearsal on a line.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonPoint {
    /// Date, ISO 8601.
    pub date: String,
    /// Weeks since the first rehearsal of the season.
    pub week: f64,
    /// Value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high: Option<f64>,
}

/// One line a measure that any rehearsal carries, in the order of the measure table.
pub fn picture_input(season: &Season) -> Vec<SeasonLine> {
    let first = season.rehearsals.first().and_then(|r| weeks(&r.date)).unwrap_or(0.0);
    measures().filter_map(|m| season_line(&m, season, first)).collect()
}

fn season_line(m: &Measure, season: &Season, first_week: f64) -> Option<SeasonLine> {
    let lines = lines(m, &season.rehearsals);
    let runs: Vec<Vec<SeasonPoint>> = lines
        .iter()
        .map(|line| {
            let point = |date: &str, v: &crate::stats::Measured| {
                Some(SeasonPoint {
                    date: date.to_owned(),
                    week: weeks(date)? - first_week,
                    value: v.value?,
                    low: v.low,
                    high: v.high,
                })
            };
            line.rehearsals.iter().filter_map(|r| point(&r.date, r.values.get(m.id)?)).collect()
        })
        .collect();
    if runs.is_empty() {
        return None;
    }
    let breaks = lines.into_iter().filter_map(|line| line.begins).collect();
    let trend = season.trends.iter().find(|t| t.measure == m.id).cloned();
    Some(SeasonLine { measure: m.id, title: m.title, unit: m.unit, runs, breaks, trend })
}
