//! The season: from the report folders alone.

use std::path::{Path, PathBuf};

use super::error::PipelineError;
use crate::chart;
use crate::report::{self, OutFolder};
use crate::season;

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
    let (season, warnings) = season::write_season(out)?;
    let picture = chart::write_season(&chart::SeasonPicture::from(&season), out)?;
    Ok(SeasonOutcome { rehearsals: season.rehearsals.len(), warnings, picture })
}

/// Name and JSON Schema (laid out) of every file that the program writes.
pub fn schemas() -> Vec<(&'static str, String)> {
    [
        ("report", report::report_schema()),
        ("curves", report::curves_schema()),
        ("season", report::schema_of::<season::Season>()),
    ]
    .map(|(name, schema)| (name, format!("{schema:#}")))
    .to_vec()
}
