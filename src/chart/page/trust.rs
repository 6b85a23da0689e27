//! Beside the balance plot: the low end in words, and what this recording can be trusted for.

use super::super::balance;
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{INK, LEADING, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::{Report, Verdict};

/// Draws the column.
pub fn draw(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let mut y = super::part_heading(c, area, area.top, "Low end and trust", sizes) + sizes.body;
    for line in c.fonts().wrap(&balance::low_end_sentence(&report.balance), Face::Bold, sizes.body, area.width(), 3) {
        c.text(area.left, y, &line, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    y += 14.0;
    c.text(area.left, y, "This recording can be trusted for", Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.body * LEADING;
    let trusted = &report.health.trusted_for;
    let rows = [
        ("loudness over time", &trusted.loudness_over_time),
        ("balance", &trusted.balance),
        ("the low end", &trusted.low_end),
        ("tuning", &trusted.tuning),
        ("time", &trusted.time),
    ];
    for (index, (name, verdict)) in rows.iter().enumerate() {
        let rows_left = (rows.len() - 1 - index) as f32;
        let lines_left = ((area.bottom - y) / (sizes.small * LEADING) - rows_left) as usize;
        for line in verdict_lines(c, name, verdict, area.width(), sizes, lines_left.clamp(1, 2)) {
            c.text(area.left, y, &line, Type::regular(sizes.small, INK), Align::Left);
            y += sizes.small * LEADING;
        }
    }
}

fn verdict_lines(c: &Canvas, name: &str, verdict: &Verdict, room: f32, sizes: &TypeSizes, most: usize) -> Vec<String> {
    let answer = if verdict.ok { "yes" } else { "no" };
    let reason = match verdict.reason.as_str() {
        "" => String::new(),
        reason if verdict.ok => format!(", but {}", words::reason_in_words(reason)),
        reason => format!(", {}", words::reason_in_words(reason)),
    };
    c.fonts().wrap(&format!("{name}: {answer}{reason}"), Face::Regular, sizes.small, room, most)
}
