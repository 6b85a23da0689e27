//! The table of a player's facts: this rehearsal, the last one, and what became of it.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::page::{part_heading, part_heading_height};
use super::super::text::Face;
use super::super::theme::{BLUE, GRID, INK, ORANGE, PAPER, RULE, SOFT_INK, TypeSizes};
use super::super::words;
use super::{SheetMark, SheetPicture};
use crate::stats::Measured;

/// Right ends of the columns, from the right margin: last rehearsal, this rehearsal; what became of it starts after the gap.
const BECAME_WIDTH: f32 = 300.0;
const VALUE_WIDTH: f32 = 270.0;

fn row_height(sizes: &TypeSizes) -> f32 {
    sizes.small * 1.62
}

/// Pixels that the table needs.
pub fn height(sheet: &SheetPicture, sizes: &TypeSizes) -> f32 {
    part_heading_height(sizes) + row_height(sizes) * (sheet.rows.len() as f32 + 1.0) + 8.0
}

/// Draws it from the top of `area`.
pub fn draw(c: &mut Canvas, area: Area, sheet: &SheetPicture, sizes: &TypeSizes) {
    let date = sheet.last_date.as_deref().and_then(|d| d.parse().ok()).map(words::short_date);
    let heading = match &date {
        Some(date) => format!("Since the last rehearsal, {date}"),
        None => "Your numbers".to_owned(),
    };
    let top = part_heading(c, area, area.top, &heading, sizes);
    let became = area.right - BECAME_WIDTH;
    let (before, now) = (became - 40.0, became - 40.0 - VALUE_WIDTH);
    let kind = Type::regular(sizes.small, SOFT_INK);
    let head = top + sizes.small;
    c.text(now, head, "now", kind, Align::Right);
    if date.is_some() {
        c.text(before, head, "last time", kind, Align::Right);
    }
    let step = row_height(sizes);
    for (index, row) in sheet.rows.iter().enumerate() {
        let y = top + step * (index as f32 + 1.0) + 6.0;
        c.level(area.left, area.right, y, 1.0, GRID);
        let baseline = y + step * 0.5 + sizes.small * 0.36;
        let room = now - VALUE_WIDTH - area.left;
        let label = c.fonts().shorten_end(&words::capital(&row.label), Face::Regular, sizes.small, room);
        c.text(area.left, baseline, &label, Type::regular(sizes.small, INK), Align::Left);
        c.text(now, baseline, &value(&row.now, &row.unit), Type::bold(sizes.small, INK), Align::Right);
        if date.is_some() {
            let said = value(&row.before, &row.unit);
            c.text(before, baseline, &said, Type::regular(sizes.small, INK), Align::Right);
            draw_mark(c, became + 10.0, baseline - sizes.small * 0.33, row.mark);
            c.text(became + 32.0, baseline, mark_words(row.mark), Type::regular(sizes.small, INK), Align::Left);
        }
    }
}

/// A full dot for better, a ring for further away or changed, a stroke for the same, nothing where nothing can be said.
fn draw_mark(c: &mut Canvas, x: f32, y: f32, mark: SheetMark) {
    match mark {
        SheetMark::Better => c.dot(x, y, 9.0, BLUE),
        SheetMark::FurtherAway => {
            c.dot(x, y, 9.0, ORANGE);
            c.dot(x, y, 5.0, PAPER);
        }
        SheetMark::Changed => {
            c.dot(x, y, 9.0, SOFT_INK);
            c.dot(x, y, 6.0, PAPER);
        }
        SheetMark::Same => c.level(x - 9.0, x + 9.0, y - 2.0, 4.0, RULE),
        SheetMark::NotComparable | SheetMark::NoPair => {}
    }
}

/// What became of it, in words.
pub fn mark_words(mark: SheetMark) -> &'static str {
    match mark {
        SheetMark::Better => "better",
        SheetMark::FurtherAway => "further away",
        SheetMark::Changed => "changed",
        SheetMark::Same => "about the same",
        SheetMark::NotComparable => "not comparable",
        SheetMark::NoPair => "",
    }
}

/// "−9 ± 3 cents", "0 % (0 to 24)" where the interval ends at none or all of it, or "not said".
fn value(m: &Measured, unit: &str) -> String {
    let Some(v) = words::finite(m) else { return "not said".to_owned() };
    if let Some(ends) = words::share_with_ends(m, unit) {
        return ends;
    }
    let signed = matches!(unit, "cents" | "ms" | "dB" | "LU");
    let decimals =
        usize::from(matches!(unit, "dB" | "LU" | "% of a beat")) + usize::from(unit == "%" && v.abs() < 10.0);
    let said = words::number(v, decimals, signed && unit != "LU");
    let half = words::interval(m).map(|(low, high)| (high - low) / 2.0);
    let half = half.map_or_else(String::new, |h| format!(" ± {}", words::number(h, decimals, false)));
    let unit = if unit == "% of a beat" { "%" } else { unit };
    format!("{said}{half} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_that_may_be_none_or_all_is_told_with_both_ends() {
        assert_eq!(value(&Measured::new(0.0, 0.0, 23.6, 24), "%"), "0 % (0 to 24)");
        assert_eq!(value(&Measured::new(96.0, 80.4, 100.0, 24), "%"), "96 % (80 to 100)");
        assert_eq!(value(&Measured::new(0.1, 0.0, 0.4, 24), "%"), "0.1 % (0.0 to 0.4)");
        assert_eq!(value(&Measured::new(2.8, 2.6, 3.0, 24), "%"), "2.8 ± 0.2 %");
        assert_eq!(value(&Measured::new(50.0, 40.0, 60.0, 24), "%"), "50 ± 10 %");
        assert_eq!(value(&Measured::new(0.3, -0.2, 0.8, 24), "%"), "0.3 % (0.0 to 0.8)");
        assert_eq!(value(&Measured::new(97.0, 75.0, 99.999_999_999, 40), "%"), "97 % (75 to 100)");
        assert_eq!(value(&Measured::new(-9.0, -12.0, -6.0, 24), "cents"), "−9 ± 3 cents");
        assert_eq!(value(&Measured::absent("too_short"), "%"), "not said");
    }
}
