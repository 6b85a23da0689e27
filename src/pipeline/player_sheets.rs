//! The players' sheets: drawn from the reports, and only where what they are made from has changed.

use std::path::Path;

use rayon::prelude::*;

use super::error::PipelineError;
use super::season::remove_stale;
use crate::chart::{self, SheetMark, SheetPicture, SheetRow};
use crate::report::{self, Report};
use crate::season::{self, ChangeVerdict, Entry, PlayerSheet};

/// Raise it when the sheets look otherwise, so that they are drawn anew.
const DESIGN: &str = "sheet-3";

/// Brings the sheets in every report folder up to date; how many were drawn.
pub fn write_sheets(out: &Path, entries: &[Entry]) -> Result<usize, PipelineError> {
    let sheets = season::player_sheets(entries);
    let work: Vec<(&Entry, &Vec<PlayerSheet>)> =
        entries.iter().filter_map(|e| Some((e, sheets.get(&e.folder)?))).collect();
    let drawn: Result<Vec<usize>, PipelineError> =
        work.par_iter().map(|(entry, sheets)| write_folder(&out.join(&entry.folder), entry, sheets)).collect();
    Ok(drawn?.into_iter().sum())
}

fn write_folder(dir: &Path, entry: &Entry, sheets: &[PlayerSheet]) -> Result<usize, PipelineError> {
    let Ok(report) = &entry.report else { return Ok(0) };
    for player in season::PLAYERS.into_iter().filter(|p| sheets.iter().all(|s| s.player != *p)) {
        remove_stale(&dir.join(chart::sheet_file(player)))?;
    }
    let stale =
        |s: &&PlayerSheet| chart::made_from(&dir.join(chart::sheet_file(s.player))) != Some(made_from(report, s));
    let stale: Vec<&PlayerSheet> = sheets.iter().filter(stale).collect();
    if stale.is_empty() {
        return Ok(0);
    }
    let curves = report::read_curves(dir)?;
    for sheet in &stale {
        chart::write_sheet(&picture(sheet), report, &curves, dir, &made_from(report, sheet))?;
    }
    Ok(stale.len())
}

/// Changes whenever the sheet would: its own facts, the tape, the methods, the design.
fn made_from(report: &Report, sheet: &PlayerSheet) -> String {
    let said =
        format!("{DESIGN} {} {:?} {} {sheet:?}", report.program.version, report.methods, report.tape.content_hash);
    blake3::hash(said.as_bytes()).to_hex().to_string()
}

/// A player's sheet in the words of the picture.
pub fn picture(sheet: &PlayerSheet) -> SheetPicture {
    let row = |c: &season::Change| SheetRow {
        label: c.label.to_owned(),
        unit: c.unit.to_owned(),
        now: c.now.clone(),
        before: c.before.clone(),
        mark: match c.verdict {
            ChangeVerdict::Better => SheetMark::Better,
            ChangeVerdict::FurtherAway => SheetMark::FurtherAway,
            ChangeVerdict::Changed => SheetMark::Changed,
            ChangeVerdict::Same => SheetMark::Same,
            ChangeVerdict::NotComparable => SheetMark::NotComparable,
            ChangeVerdict::NoPair => SheetMark::NoPair,
        },
    };
    SheetPicture {
        player: sheet.player.to_owned(),
        practise: sheet.practise.clone(),
        because: sheet.because.clone(),
        listen: sheet.listen.iter().map(|s| (s.start_s, s.end_s)).collect(),
        also: sheet.also.clone(),
        praise: sheet.praise.clone(),
        rows: sheet.changes.iter().map(row).collect(),
        last_date: sheet.last_date.clone(),
    }
}
