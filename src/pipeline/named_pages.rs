//! Pages on which takes carry the names that the season found for them.
//!
//! Conventions: a page is drawn when its tape is measured, without knowing the other tapes. Once the season is known, pages whose
//! takes have got a name that no band sheet gave, or that were faster or slower than the time before, are drawn again, with a note of
//! the names; where the names are the same nothing
//! is drawn, and where they are gone the page is drawn as it was first.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::error::PipelineError;
use crate::chart;
use crate::report::{self, Report};
use crate::season::{Entry, Repeat, Season};

/// Raise it when pages look otherwise.
const DESIGN: &str = "named-1";

/// Brings the pages up to date; how many were drawn.
pub fn write_pages(out: &Path, entries: &[Entry], season: &Season) -> Result<usize, PipelineError> {
    let names = names(season);
    let drawn: Result<Vec<usize>, PipelineError> = entries
        .par_iter()
        .filter_map(|e| Some((e, e.report.as_ref().ok()?)))
        .map(|(entry, report)| write_page(&out.join(&entry.folder), report, names.get(entry.folder.as_str())))
        .collect();
    Ok(drawn?.into_iter().sum())
}

/// Names by folder and number of the take.
type Names<'a> = BTreeMap<&'a str, BTreeMap<usize, String>>;

/// Names that come from a take's harmony, and any name where the tempo of a chart was another than the time before.
fn names(season: &Season) -> Names<'_> {
    let mut names = Names::new();
    for chart in &season.charts {
        let repeats: Vec<&Repeat> = chart.weeks.iter().flat_map(|w| &w.repeats).collect();
        for take in &chart.takes {
            let repeat = repeats.iter().find(|r| r.folder == take.folder && r.take == take.take);
            let moved = repeat.filter(|r| r.verdict.as_deref().is_some_and(|v| v != "same"));
            let name = match moved {
                Some(repeat) => format!("{}, {}", take.called, repeat.said),
                None if take.known_by == "harmony" => take.called.clone(),
                None => continue,
            };
            names.entry(&take.folder).or_default().insert(take.take, name);
        }
    }
    names
}

fn write_page(dir: &Path, report: &Report, names: Option<&BTreeMap<usize, String>>) -> Result<usize, PipelineError> {
    let page = dir.join(chart::PAGE_FILE);
    // Reports may be kept without their pictures.
    if !page.exists() {
        return Ok(0);
    }
    let note = names.map(|names| made_from(report, names));
    if chart::made_from(&page) == note {
        return Ok(0);
    }
    let mut named = report.clone();
    for (take, name) in names.into_iter().flatten() {
        if let Some(take) = named.takes.get_mut(take - 1) {
            take.title.clone_from(name);
        }
    }
    chart::write_named(&named, &report::read_curves(dir)?, dir, note.as_deref())?;
    Ok(1)
}

/// Changes whenever the page would.
fn made_from(report: &Report, names: &BTreeMap<usize, String>) -> String {
    let said =
        format!("{DESIGN} {} {:?} {} {names:?}", report.program.version, report.methods, report.tape.content_hash);
    blake3::hash(said.as_bytes()).to_hex().to_string()
}
