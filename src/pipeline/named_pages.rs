//! Pages on which takes carry the names that the season found for them.
//!
//! Conventions: a page is drawn when its tape is measured, without knowing the other tapes. Once the season is known, pages whose
//! takes have got a name that no band sheet gave are drawn again, with a note of the names; where the names are the same nothing
//! is drawn, and where they are gone the page is drawn as it was first.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::error::PipelineError;
use crate::chart;
use crate::report::{self, Report};
use crate::season::{Entry, Season};

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

/// By folder and number of the take: names that come from its harmony.
fn names(season: &Season) -> BTreeMap<&str, BTreeMap<usize, &str>> {
    let mut names: BTreeMap<&str, BTreeMap<usize, &str>> = BTreeMap::new();
    for take in season.charts.iter().flat_map(|c| &c.takes).filter(|t| t.known_by == "harmony") {
        names.entry(&take.folder).or_default().insert(take.take, &take.called);
    }
    names
}

fn write_page(dir: &Path, report: &Report, names: Option<&BTreeMap<usize, &str>>) -> Result<usize, PipelineError> {
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
            take.title = (*name).to_owned();
        }
    }
    chart::write_named(&named, &report::read_curves(dir)?, dir, note.as_deref())?;
    Ok(1)
}

/// Changes whenever the page would.
fn made_from(report: &Report, names: &BTreeMap<usize, &str>) -> String {
    let said =
        format!("{DESIGN} {} {:?} {} {names:?}", report.program.version, report.methods, report.tape.content_hash);
    blake3::hash(said.as_bytes()).to_hex().to_string()
}
