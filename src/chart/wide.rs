//! What the landscape pictures share: their head, the column of words beside the plot, and what stands where nothing is shown.

use super::canvas::{Align, Area, Canvas, Type};
use super::error::ChartError;
use super::text::Face;
use super::theme::{INK, LEADING, PAPER, SOFT_INK, TypeSizes, WIDE_TYPE};
use crate::report::Report;

/// Left and right margin of what a landscape picture shows.
pub const LEFT: f32 = 60.0;
/// See [`LEFT`].
pub const RIGHT: f32 = 1540.0;
/// Lines that a sentence of the column may take.
const MOST_LINES: usize = 6;

/// A sheet with its title, the tape that it is about, and a few lines that say what is what; with the last baseline.
pub fn begin(title: &str, report: &Report, key: &[&str]) -> Result<(Canvas, f32), ChartError> {
    let sizes = &WIDE_TYPE;
    let mut c = Canvas::new(1600, 900, 100)?;
    let mut y = 52.0 + sizes.title * 0.5;
    c.text(LEFT, y, title, Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.7;
    let from = super::page::heading::tape_line(&c, report, sizes.body, RIGHT - LEFT);
    c.text(LEFT, y, &from, Type::regular(sizes.body, SOFT_INK), Align::Left);
    for (index, line) in key.iter().enumerate() {
        y += sizes.small * if index == 0 { 1.8 } else { 1.3 };
        c.text(LEFT, y, line, Type::regular(sizes.small, SOFT_INK), Align::Left);
    }
    Ok((c, y))
}

/// Headings (bold) and sentences, one below the other; what does not fit is left out, and no heading stands alone.
pub fn column(c: &mut Canvas, area: Area, said: &[(String, Face)]) {
    let size = WIDE_TYPE.small;
    let mut y = area.top + size;
    // The last paragraph leaves no room to anybody, so it takes what is left.
    let most = |index: usize, y: f32| {
        let left = ((area.bottom - y) / (size * LEADING)).max(0.0) as usize + 1;
        if index + 1 == said.len() { left.max(MOST_LINES) } else { MOST_LINES }
    };
    for (index, (words, face)) in said.iter().enumerate() {
        let lines = c.fonts().wrap(words, *face, size, area.width(), most(index, y));
        let first = said.get(index + 1).filter(|_| *face == Face::Bold);
        let from = y + size * (LEADING + 0.1);
        let below = first.map_or(0, |(w, f)| c.fonts().wrap(w, *f, size, area.width(), most(index + 1, from)).len());
        if y + ((lines.len() + below) as f32 - 1.0) * size * LEADING > area.bottom {
            break;
        }
        for line in lines {
            let kind = if *face == Face::Bold { Type::bold(size, INK) } else { Type::regular(size, INK) };
            c.text(area.left, y, &line, kind, Align::Left);
            y += size * LEADING;
        }
        y += size * if *face == Face::Bold { 0.1 } else { 0.4 };
    }
}

/// Says in the middle of `plot`, clear of its middle line, why it is empty.
pub fn say_nothing(c: &mut Canvas, plot: Area, said: &str, sizes: &TypeSizes) {
    let said = c.fonts().shorten_end(said, Face::Regular, sizes.body, plot.width() - 20.0);
    let (x, y) = ((plot.left + plot.right) / 2.0, (plot.top + plot.bottom) / 2.0 + sizes.body * 1.3);
    let room = c.sheet();
    c.text_if_free((x, y), &said, Type::regular(sizes.body, INK), Align::Centre, room, Some(PAPER));
}
