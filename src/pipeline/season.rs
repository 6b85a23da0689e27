//! The season: from the report folders alone.

use std::path::{Path, PathBuf};

use super::error::PipelineError;
use crate::chart::{self, Better, SeasonPicture, SeasonSeries};
use crate::report::{self, OutFolder};
use crate::season::{self, Season, SeasonLine, TrendVerdict};

/// What came of drawing the season.
#[derive(Clone, Debug)]
pub struct SeasonOutcome {
    /// Number of dated rehearsals.
    pub rehearsals: usize,
    /// Report folders that take no part, a line each.
    pub warnings: Vec<String>,
    /// The picture.
    pub picture: PathBuf,
}

/// Redraws the season of the reports under `out`.
///
/// # Errors
/// No such folder, another run writing there, or the disk.
pub fn redraw_season(out: &Path) -> Result<SeasonOutcome, PipelineError> {
    if !out.is_dir() {
        return Err(PipelineError::NoReports { path: out.to_owned() });
    }
    let folder = OutFolder::open(out)?;
    write_season(folder.path())
}

/// Reads every report folder and writes season.json and season.png.
pub fn write_season(out: &Path) -> Result<SeasonOutcome, PipelineError> {
    let redrawn = season::redraw_season(out)?;
    let picture = chart::write_season(&picture_of(&redrawn.season), out)?;
    let warnings = redrawn.warnings.iter().map(|w| format!("left out of the season: {w}")).collect();
    Ok(SeasonOutcome { rehearsals: redrawn.season.rehearsals.len(), warnings, picture })
}

/// Name and JSON Schema (laid out) of every file that the program writes.
pub fn schemas() -> Vec<(&'static str, String)> {
    [
        ("report", report::report_schema()),
        ("curves", report::curves_schema()),
        ("season", season::season_schema()),
        ("target", report::schema_of::<report::TargetFile>()),
        ("compare", report::schema_of::<super::Compared>()),
    ]
    .map(|(name, schema)| (name, format!("{schema:#}")))
    .to_vec()
}

/// The season in the words of the picture.
fn picture_of(season: &Season) -> SeasonPicture {
    let dates: Vec<&str> = season.rehearsals.iter().map(|r| r.date.as_str()).collect();
    SeasonPicture {
        rehearsals: dates.iter().filter_map(|d| d.parse().ok()).collect(),
        series: season::picture_input(season).iter().map(|line| series(line, &dates)).collect(),
    }
}

fn series(line: &SeasonLine, dates: &[&str]) -> SeasonSeries {
    let points = line.runs.iter().flatten();
    let mut values = vec![None; dates.len()];
    for point in points {
        if let Some(at) = dates.iter().position(|d| *d == point.date) {
            let (low, high) = (point.low.unwrap_or(point.value), point.high.unwrap_or(point.value));
            values[at] = Some(chart::SeasonPoint { value: point.value, low, high });
        }
    }
    SeasonSeries {
        title: line.title.to_owned(),
        unit: line.unit.to_owned(),
        values,
        better: better(line.measure),
        broken_before: line
            .breaks
            .iter()
            .filter_map(|b| Some((dates.iter().position(|d| *d == b.date)?, break_words(&b.reason).to_owned())))
            .collect(),
        verdict: verdict(line),
    }
}

/// Which way is better; loudness, tempo feel and minutes are facts, not goals. Nor is the low end while the only target is
/// a published average that is no big-band norm.
fn better(measure: &str) -> Better {
    match measure {
        "playing_share_percent" | "hat_on_2_and_4_percent" => Better::Up,
        "clipped_percent" | "drift_size_percent" | "steadiness_percent" => Better::Down,
        "bass_offset_from_band_cents" | "guitar_offset_from_band_cents" | "bass_to_drums_ms" => Better::Zero,
        _ => Better::Neither,
    }
}

/// Why values before and after a break cannot be compared, short enough for the picture.
fn break_words(reason: &str) -> &str {
    match reason {
        "method_changed" => "new method",
        "recorder_changed" => "new recorder",
        other => other,
    }
}

fn verdict(line: &SeasonLine) -> String {
    let Some(trend) = &line.trend else { return String::new() };
    match (trend.verdict, trend.slope_per_week.value) {
        (TrendVerdict::Up | TrendVerdict::Down, Some(slope)) => format!("{slope:+.2} {} a week", line.unit),
        (TrendVerdict::TooFew, _) => "too few rehearsals for a trend".to_owned(),
        _ => "no change beyond the noise".to_owned(),
    }
}
