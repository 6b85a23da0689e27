//! Which rehearsal this is: date in words, file, length.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::{Face, clean};
use super::super::theme::{INK, RULE, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::Report;

/// The date in words, and whether it can be believed.
fn date_words(report: &Report) -> (String, bool) {
    let date = report.tape.recorded_at.as_deref().and_then(words::date);
    let sure = report.tape.recorded_at_source.as_deref() != Some("file_time");
    match date {
        Some(date) => (date, sure),
        None => ("Date not known".to_owned(), true),
    }
}

/// Length and file name in one line of at most `room` pixels.
fn file_words(c: &Canvas, report: &Report, size: f32, room: f32, before: &str) -> String {
    let tape = &report.tape;
    let length = format!("{before}{} long, from ", words::exact_length(tape.duration_s));
    let pieces = match tape.pieces.len() {
        0 | 1 => String::new(),
        n => format!(" and {} more", n - 1),
    };
    let left = room - c.fonts().width(&length, Face::Regular, size) - c.fonts().width(&pieces, Face::Regular, size);
    let name = c.fonts().shorten_middle(&clean(&tape.file_name), Face::Regular, size, left.max(size * 4.0));
    format!("{length}{name}{pieces}")
}

/// Date, length and file in one line: the second line of the landscape pictures.
pub fn tape_line(c: &Canvas, report: &Report, size: f32, room: f32) -> String {
    let (date, sure) = date_words(report);
    let doubt = if sure { "" } else { " (uncertain)" };
    file_words(c, report, size, room, &format!("{date}{doubt}. "))
}

/// Draws the heading; returns where the next part may start.
pub fn draw(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) -> f32 {
    let (date, sure) = date_words(report);
    let mut y = area.top + sizes.title * 0.78;
    c.text(area.left, y, &date, Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.55;
    let doubt = if sure { "" } else { "The date is the file's own time and may be wrong. " };
    let line = file_words(c, report, sizes.body, area.width(), doubt);
    c.text(area.left, y, &line, Type::regular(sizes.body, SOFT_INK), Align::Left);
    let y = y + sizes.body * 0.55;
    c.level(area.left, area.right, y, 3.0, INK);
    c.level(area.left, area.right, y + 7.0, 1.0, RULE);
    y - 22.0
}
