//! The band sheets of a run: one for each tape that has one, and what is wrong with them.

use std::path::{Path, PathBuf};

use super::plan::{Look, LookedInto};
use super::sheet_wishes;
use crate::report::SheetFacts;
use crate::season::FestivalPlan;
use crate::sheet::{Known, SheetFinder, TapeSheet};

/// What rooms know by name, so that a sheet can be told of a slip.
fn known() -> Known {
    let thresholds = crate::findings::thresholds::ALL.iter().map(|t| t.name).collect();
    Known { thresholds, measures: crate::season::measures().map(|m| m.id).collect() }
}

/// The sheets of the tapes in their order, the festival of the first sheet that has one, and a line for everything that is
/// wrong with a sheet.
pub fn sheets_of(paths: &[PathBuf], looks: &[Look]) -> (Vec<Option<TapeSheet>>, Option<FestivalPlan>, Vec<String>) {
    let mut finder = SheetFinder::new(paths, known());
    let ready = |look: &Look| if let Look::Ready(tape) = look { Some(tape.clone()) } else { None };
    let tapes: Vec<Option<LookedInto>> = looks.iter().map(ready).collect();
    let files: Vec<&Path> = tapes.iter().flatten().flat_map(|t| t.source.pieces.iter().map(PathBuf::as_path)).collect();
    let sheets = tapes
        .iter()
        .map(|tape| {
            let tape = tape.as_ref()?;
            let loaded = finder.sheet_of(tape.source.pieces.first()?)?;
            Some(TapeSheet::new(&loaded, &tape.source.pieces, tape.recorded_at.as_deref(), &files))
        })
        .collect();
    let lines = finder.found().into_iter().flat_map(|sheet| {
        sheet.all_problems(&files).iter().map(|problem| problem.in_file(&sheet.path)).collect::<Vec<_>>()
    });
    let festival = finder.found().iter().find_map(|sheet| sheet_wishes::festival(&sheet.sheet));
    (sheets, festival, lines.collect())
}

/// The sheet in the words of the report.
pub fn sheet_facts(sheet: &TapeSheet) -> SheetFacts {
    let folder = sheet.file.parent().and_then(Path::file_name).map(|n| format!("{}/", n.to_string_lossy()));
    let name = sheet.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    SheetFacts {
        file: format!("{}{name}", folder.unwrap_or_default()),
        key: sheet.key(),
        problems: sheet.problems.clone(),
    }
}

/// The same, with what could not be used on this tape.
pub fn sheet_facts_with(sheet: &TapeSheet, problems: &[String]) -> SheetFacts {
    let mut facts = sheet_facts(sheet);
    facts.problems.extend(problems.iter().cloned());
    facts
}

/// What was assumed because neither a sheet nor anything else said otherwise.
pub fn assumptions(sheet: Option<&TapeSheet>, microphone: &str) -> Vec<String> {
    let mut assumed = Vec::new();
    let mut say = |text: &str| assumed.push(text.to_owned());
    let Some(sheet) = sheet else {
        say("No band sheet: charts have no titles, and who plays what is not known.");
        say(microphone);
        say("No calibration: levels are against the recorder's full scale.");
        return assumed;
    };
    if sheet.charts.is_empty() && sheet.order.is_empty() {
        say("The band sheet names no charts: takes have no titles.");
    }
    say(microphone);
    if sheet.level.full_scale_dba.is_none() && sheet.level.reading.is_empty() {
        say("No calibration: levels are against the recorder's full scale.");
    }
    if !sheet.problems.is_empty() {
        say("Lines of the band sheet that could not be understood count for nothing; see sheet.problems.");
    }
    assumed
}
