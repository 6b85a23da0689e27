//! The season: from the report folders alone; the players' sheets and the festival sheet that follow from it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::chart_words::season_charts;
use super::error::PipelineError;
use super::season_low_end::bass_changes;
use super::season_words::{changed, festival_picture, notes, series};
use super::{ease, named_pages, player_sheets};
use crate::chart::{self, SeasonPicture};
use crate::report::{self, OutFolder};
use crate::season::{self, FestivalPlan, Season, SeasonLine};

/// What came of drawing the season.
#[derive(Clone, Debug)]
pub struct SeasonOutcome {
    /// Number of dated rehearsals.
    pub rehearsals: usize,
    /// Report folders that take no part, a line each.
    pub warnings: Vec<String>,
    /// The picture.
    pub picture: PathBuf,
    /// The evidence sheet, when there is a festival.
    pub festival: Option<PathBuf>,
    /// Players' sheets that were drawn anew.
    pub sheets_drawn: usize,
}

/// Redraws the season of the reports under `out`.
///
/// # Errors
/// No such folder, another run writing there, a plan that cannot be used, or the disk.
pub fn redraw_season(out: &Path, plan: Option<&FestivalPlan>) -> Result<SeasonOutcome, PipelineError> {
    if !out.is_dir() {
        return Err(PipelineError::NoReports { path: out.to_owned() });
    }
    let folder = OutFolder::open(out)?;
    // The plan is not in the reports: without one, that of the last season holds.
    let kept = season::read_season(out).ok().and_then(|s| s.festival).map(|f| FestivalPlan::of(&f));
    write_season(folder.path(), plan.or(kept.as_ref()))
}

/// Reads every report folder and writes season.json, season.png, the players' sheets, pages with the charts' names and, with a
/// plan, festival.png.
pub fn write_season(out: &Path, plan: Option<&FestivalPlan>) -> Result<SeasonOutcome, PipelineError> {
    if let Some(plan) = plan {
        plan.validate().map_err(|cause| PipelineError::Plan { cause })?;
    }
    let redrawn = season::redraw_season_for(out, plan)?;
    ease::give_back();
    let sheets_drawn = player_sheets::write_sheets(out, &redrawn.entries)?;
    named_pages::write_pages(out, &redrawn.entries, &redrawn.season)?;
    let mut picture = picture_of(&redrawn.season);
    // The newest first, before the trends: it can be undone at the next rehearsal.
    picture.changed.splice(..0, bass_changes(&redrawn.season, &redrawn.entries).into_iter().take(MOST_BASS_CHANGES));
    let picture = chart::write_season(&picture, out)?;
    let festival = festival_picture(&redrawn.season).map(|f| chart::write_festival(&f, out)).transpose()?;
    if festival.is_none() {
        remove_stale(&out.join(chart::FESTIVAL_FILE))?;
    }
    let warnings = redrawn.warnings.iter().map(|w| format!("left out of the season: {w}")).collect();
    Ok(SeasonOutcome { rehearsals: redrawn.season.rehearsals.len(), warnings, picture, festival, sheets_drawn })
}

/// A picture of an earlier run that nothing stands behind any more goes.
pub fn remove_stale(path: &Path) -> Result<(), PipelineError> {
    match std::fs::remove_file(path) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            Err(report::ReportError::Write { path: path.to_owned(), source }.into())
        }
        _ => Ok(()),
    }
}

/// Name and JSON Schema (laid out) of every file that the program writes, and of the band sheet that it reads.
pub fn schemas() -> Vec<(&'static str, String)> {
    [
        ("report", report::report_schema()),
        ("curves", report::curves_schema()),
        ("season", season::season_schema()),
        ("target", report::schema_of::<report::TargetFile>()),
        ("sheet", report::schema_of::<crate::sheet::BandSheet>()),
        ("compare", report::schema_of::<super::Compared>()),
    ]
    .map(|(name, schema)| (name, format!("{schema:#}")))
    .to_vec()
}

/// Most sentences about the bass's amplifier from rehearsal to rehearsal.
const MOST_BASS_CHANGES: usize = 2;
/// Measures in the order in which the picture shows them; what the band can work on comes first.
const SHOWN: [&str; 14] = [
    "playing_share_percent",
    "bass_offset_from_band_cents",
    "guitar_offset_from_band_cents",
    "drift_size_percent",
    "hat_on_2_and_4_percent",
    "low_end_excess_db",
    "integrated_lufs",
    "swing_ratio",
    "bass_to_drums_ms",
    "comping_onsets_per_bar",
    "steadiness_percent",
    "range_lu",
    "takes_minutes",
    "tilt_db_per_octave",
];

/// The season in the words of the picture.
pub fn picture_of(season: &Season) -> SeasonPicture {
    let dates: Vec<&str> = season.rehearsals.iter().map(|r| r.date.as_str()).collect();
    let mut lines: BTreeMap<usize, SeasonLine> = BTreeMap::new();
    for line in season::picture_input(season) {
        if let Some(place) = SHOWN.iter().position(|id| *id == line.measure) {
            lines.insert(place, line);
        }
    }
    SeasonPicture {
        rehearsals: dates.iter().filter_map(|d| d.parse().ok()).collect(),
        series: lines.values().map(|line| series(line, &dates)).collect(),
        changed: changed(season),
        returns: season.habits.iter().map(|h| h.statement.clone()).collect(),
        notes: notes(season),
        charts: season_charts(season),
    }
}
