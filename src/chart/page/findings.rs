//! What to work on: up to three findings, each with its ask; or plainly what was measured when nothing stood out.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{BLUE, INK, LEADING, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::Report;

/// Findings on the page.
const MOST: usize = 3;
const STATEMENT_LINES: usize = 2;
const ASK_LINES: usize = 2;

/// Draws the part; returns its lower end.
pub fn draw(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) -> f32 {
    let y = super::part_heading(c, area, area.top, "For the next rehearsal", sizes);
    if report.findings.is_empty() {
        return draw_none(c, Area { top: y, ..area }, report, sizes);
    }
    let mut y = y + 4.0;
    for (index, finding) in report.findings.iter().take(MOST).enumerate() {
        y = draw_one(c, Area { top: y, ..area }, index + 1, &finding.statement, &finding.ask, sizes);
    }
    y - 8.0
}

fn draw_one(c: &mut Canvas, area: Area, number: usize, statement: &str, ask: &str, sizes: &TypeSizes) -> f32 {
    let indent = 54.0;
    let room = area.width() - indent;
    let mut y = area.top + sizes.body;
    c.text(area.left, y, &number.to_string(), Type::bold(sizes.heading, BLUE), Align::Left);
    for line in c.fonts().wrap(&words::sentence(statement), Face::Bold, sizes.body, room, STATEMENT_LINES) {
        c.text(area.left + indent, y, &line, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    for line in c.fonts().wrap(&words::sentence(ask), Face::Regular, sizes.body, room, ASK_LINES) {
        c.text(area.left + indent, y, &line, Type::regular(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    y - sizes.body + 18.0
}

/// Families that have a value on this tape, and those that have none.
fn measured(report: &Report) -> (Vec<String>, Vec<String>) {
    let takes = &report.takes;
    let tuning = &report.tuning.instruments;
    let tuned = [&tuning.bass, &tuning.guitar, &tuning.piano].iter().any(|t| t.offset_from_a440_cents.value.is_some());
    let families = [
        ("how the period was spent", !report.passages.is_empty()),
        ("loudness", takes.iter().any(|t| t.loudness.integrated_lufs.value.is_some())),
        ("balance", report.balance.third_octave.iter().any(|b| b.level_db.is_some())),
        ("tuning", tuned),
        ("tempo", takes.iter().any(|t| t.tempo.bpm.value.is_some())),
    ];
    let names = |wanted: bool| families.iter().filter(|f| f.1 == wanted).map(|f| f.0.to_owned()).collect();
    (names(true), names(false))
}

fn draw_none(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) -> f32 {
    let (with, without) = measured(report);
    let mut said = "Nothing to ask for: no statement can be made with confidence. ".to_owned();
    if !with.is_empty() {
        said += &format!("Measured on this tape: {}. ", words::list(&with));
    }
    if !without.is_empty() {
        said += &format!("No value on this tape for {}.", words::list(&without));
    }
    let mut y = area.top + sizes.body + 4.0;
    for line in c.fonts().wrap(&said, Face::Regular, sizes.body, area.width(), 3) {
        c.text(area.left, y, &line, Type::regular(sizes.body, SOFT_INK), Align::Left);
        y += sizes.body * LEADING;
    }
    y - sizes.body + 4.0
}
