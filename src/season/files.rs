//! Reads all report folders under an out folder and writes season.json beside them.
//!
//! Conventions: reports are read in parallel and put in order by folder name, so the bytes do not depend on threads.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::build::{Entry, build_season_for};
use super::festival_plan::FestivalPlan;
use super::types::{SEASON_SCHEMA_NAME, SEASON_SCHEMA_VERSION, Season};
use crate::report::folder::report_dirs;
use crate::report::migrate::SEASON_STEPS;
use crate::report::read::{Contract, read_file, read_report};
use crate::report::write::laid_out;
use crate::report::{CURVES_FILE, REPORT_FILE, ReportError, write_atomic};

/// Name of the season file in the out folder.
pub const SEASON_FILE: &str = "season.json";
/// The contract of season.json.
pub const SEASON: Contract = Contract { name: SEASON_SCHEMA_NAME, version: SEASON_SCHEMA_VERSION, steps: SEASON_STEPS };

/// A season that was brought up to date.
#[derive(Debug)]
pub struct Redrawn {
    /// The season as it lies on the disk.
    pub season: Season,
    /// Folders that could not be read, by name; the season goes on without them.
    pub warnings: Vec<ReportError>,
    /// The reports it was made from, in the order of the folders.
    pub entries: Vec<Entry>,
}

/// Reads every report folder under `out`, writes season.json there and gives it back.
///
/// # Errors
/// [`ReportError::Read`] when `out` cannot be listed; [`ReportError::Write`] when season.json cannot be written. A folder that
/// cannot be read is a warning, not an error.
pub fn redraw_season(out: &Path) -> Result<Redrawn, ReportError> {
    redraw_season_for(out, None)
}

/// [`redraw_season`] on the way to a festival.
///
/// # Errors
/// As [`redraw_season`].
pub fn redraw_season_for(out: &Path, plan: Option<&FestivalPlan>) -> Result<Redrawn, ReportError> {
    let (entries, warnings) = read_entries(out)?;
    let season = build_season_for(&entries, plan);
    let path = out.join(SEASON_FILE);
    let bytes = laid_out(&season).map_err(|source| ReportError::NotFinite { path: path.clone(), source })?;
    write_atomic(&path, &bytes)?;
    Ok(Redrawn { season: read_season(out)?, warnings, entries })
}

/// Reads season.json of the out folder.
///
/// # Errors
/// What [`read_file`] says.
pub fn read_season(out: &Path) -> Result<Season, ReportError> {
    read_file(&out.join(SEASON_FILE), &SEASON)
}

fn read_entries(out: &Path) -> Result<(Vec<Entry>, Vec<ReportError>), ReportError> {
    let dirs: Vec<PathBuf> = report_dirs(out)?.into_iter().filter(|d| is_report_folder(d)).collect();
    let read: Vec<_> = dirs.par_iter().map(|dir| read_report(dir)).collect();
    let (mut entries, mut warnings) = (Vec::new(), Vec::new());
    for (dir, result) in dirs.iter().zip(read) {
        let folder = dir.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let report = result.map_err(|error| {
            let code = if dir.join(REPORT_FILE).exists() { error.code() } else { "no_report" };
            warnings.push(error);
            code.to_owned()
        });
        entries.push(Entry { folder, report });
    }
    Ok((entries, warnings))
}

/// A folder with a report, or with the other half of one; anything else under `out` is none of our business.
fn is_report_folder(dir: &Path) -> bool {
    dir.join(REPORT_FILE).exists() || dir.join(CURVES_FILE).exists()
}
