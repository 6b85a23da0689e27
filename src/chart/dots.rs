//! Rows of dots on one scale: a label, a dot with its interval, and words at the right. Shared by the page, the players' sheets
//! and the festival sheet.
//!
//! Conventions: a full dot is now, a ring is before, a diamond is what is expected; the thick line through a mark holds the
//! truth 95 times in 100. The shaded zone is where it should lie.

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Type};
use super::text::Face;
use super::theme::{BLUE, GRID, INK, ORANGE, PAPER, RULE, SKY, SOFT_INK, TypeSizes};
use super::words;
use crate::stats::Measured;

/// Which mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A full dot.
    Now,
    /// A ring.
    Before,
    /// A diamond.
    Expected,
}

/// One row.
#[derive(Clone, Debug)]
pub struct Row {
    /// Left of the plot.
    pub label: String,
    /// Marks on the scale.
    pub marks: Vec<(Mark, Measured)>,
    /// Right of the plot; instead of it, in the plot, when there is no mark.
    pub said: String,
}

/// The scale of a set of rows.
#[derive(Clone, Copy, Debug)]
pub struct Look<'a> {
    /// Smallest and largest value shown.
    pub range: (f64, f64),
    /// Where it should lie.
    pub zone: (f64, f64),
    /// Words at the two ends of the axis.
    pub ends: (&'a str, &'a str),
    /// Unit behind the numbers of the axis.
    pub unit: &'a str,
    /// Room for the labels and for the words, pixels.
    pub gutters: (f32, f32),
}

const DOT: f32 = 10.0;

/// Height of one row.
pub fn row_height(sizes: &TypeSizes) -> f32 {
    sizes.small * 1.55
}

/// Height of `rows` rows with their axis.
pub fn height(rows: usize, sizes: &TypeSizes) -> f32 {
    row_height(sizes) * rows as f32 + sizes.small * 1.6 + 10.0
}

/// A reach for the scale that holds all marks, at least `least`, in steps of `step`, at most `most`.
pub fn reach(rows: &[Row], least: f64, step: f64, most: f64) -> f64 {
    let values = rows.iter().flat_map(|r| &r.marks).flat_map(|(_, m)| [words::finite(m), m.low, m.high]).flatten();
    let largest = values.filter(|v| v.is_finite()).map(f64::abs).fold(least, f64::max);
    ((largest / step).ceil() * step).min(most)
}

/// Draws the rows from the top of `area`; returns the lowest pixel used.
pub fn draw(c: &mut Canvas, area: Area, rows: &[Row], look: &Look, sizes: &TypeSizes) -> f32 {
    let step = row_height(sizes);
    let plot = Area {
        left: area.left + look.gutters.0,
        right: area.right - words_room(c, area, rows, look, sizes),
        top: area.top,
        bottom: area.top + step * rows.len() as f32,
    };
    let scale = Scale::new(look.range.0, look.range.1, plot.left, plot.right);
    draw_zone(c, plot, scale, look);
    for value in axes::round_steps(look.range.0, look.range.1, 4) {
        c.upright(scale.at(value), plot.top, plot.bottom, 1.0, GRID);
    }
    if look.range.0 < 0.0 && look.range.1 > 0.0 {
        c.upright(scale.at(0.0) - 1.0, plot.top, plot.bottom, 2.0, RULE);
    }
    for (index, row) in rows.iter().enumerate() {
        let middle = plot.top + (index as f32 + 0.5) * step;
        draw_row(c, plot, scale, middle, row, area, sizes);
    }
    draw_axis(c, plot, scale, look, sizes)
}

/// Room for the words: a number that is cut short is another number, so the widest words get what they need.
fn words_room(c: &Canvas, area: Area, rows: &[Row], look: &Look, sizes: &TypeSizes) -> f32 {
    let marked = rows.iter().filter(|r| r.marks.iter().any(|(_, m)| words::finite(m).is_some()));
    let widest = marked.map(|r| c.fonts().width(&r.said, Face::Bold, sizes.small) + 14.0).fold(0.0, f32::max);
    look.gutters.1.max(widest.min(0.6 * area.width()))
}

fn draw_zone(c: &mut Canvas, plot: Area, scale: Scale, look: &Look) {
    let (low, high) = (look.zone.0.max(look.range.0), look.zone.1.min(look.range.1));
    if low < high {
        c.fill(Area { left: scale.at(low), right: scale.at(high), ..plot }, SKY.tint(28));
    }
}

fn draw_row(c: &mut Canvas, plot: Area, scale: Scale, middle: f32, row: &Row, area: Area, sizes: &TypeSizes) {
    let kind = Type::regular(sizes.small, INK);
    let baseline = middle + sizes.small * 0.36;
    if !row.label.is_empty() {
        let label = c.fonts().shorten_end(&row.label, Face::Regular, sizes.small, plot.left - area.left - 12.0);
        c.text(area.left, baseline, &label, kind, Align::Left);
    }
    if row.marks.iter().all(|(_, m)| words::finite(m).is_none()) {
        let room = area.right - plot.left - 8.0;
        let said = c.fonts().shorten_end(&row.said, Face::Regular, sizes.small, room);
        let kind = Type::regular(sizes.small, SOFT_INK);
        let at = c.text_area(plot.left + 8.0, baseline, &said, kind, Align::Left);
        c.fill(at.grown(2.0), PAPER);
        c.text(plot.left + 8.0, baseline, &said, kind, Align::Left);
        return;
    }
    for (mark, m) in &row.marks {
        draw_mark(c, plot, scale, middle, *mark, m);
    }
    if row.said.is_empty() {
        return;
    }
    let said = c.fonts().shorten_end(&row.said, Face::Bold, sizes.small, area.right - plot.right - 12.0);
    c.text(area.right, baseline, &said, Type::bold(sizes.small, INK), Align::Right);
}

/// One mark with its interval; beyond the scale it stands on its edge.
pub fn draw_mark(c: &mut Canvas, plot: Area, scale: Scale, y: f32, mark: Mark, m: &Measured) {
    let Some(value) = words::finite(m) else { return };
    let (least, most) = scale.range();
    let at = |v: f64| scale.at(v.clamp(least, most));
    let colour = match mark {
        Mark::Now => BLUE,
        Mark::Before => SOFT_INK,
        Mark::Expected => ORANGE,
    };
    if let Some((low, high)) = words::interval(m) {
        let thick = if mark == Mark::Now { 5.0 } else { 3.0 };
        c.level(at(low), at(high).max(at(low) + 1.0), y - thick / 2.0, thick, colour.tint(70));
    }
    let x = at(value).clamp(plot.left, plot.right);
    match mark {
        Mark::Now => c.dot(x, y, DOT, colour),
        Mark::Before => {
            c.dot(x, y, DOT, colour);
            c.dot(x, y, DOT - 3.0, PAPER);
        }
        Mark::Expected => diamond(c, x, y, DOT + 2.0),
    }
}

fn diamond(c: &mut Canvas, x: f32, y: f32, reach: f32) {
    let rows = reach as i32;
    for dy in -rows..=rows {
        let half = reach - dy.abs() as f32;
        c.fill(Area::new(x - half, y + dy as f32, x + half, y + dy as f32 + 1.0), INK);
        if half > 4.0 {
            c.fill(Area::new(x - half + 4.0, y + dy as f32, x + half - 4.0, y + dy as f32 + 1.0), ORANGE);
        }
    }
}

fn draw_axis(c: &mut Canvas, plot: Area, scale: Scale, look: &Look, sizes: &TypeSizes) -> f32 {
    c.level(plot.left, plot.right, plot.bottom, 2.0, SOFT_INK);
    let kind = Type::regular(sizes.small, SOFT_INK);
    let baseline = plot.bottom + 8.0 + sizes.small * 0.85;
    let room = c.sheet();
    // The words of the ends go first: they say which way is which.
    let left = c.text_if_free((plot.left, baseline), look.ends.0, kind, Align::Left, room, None);
    let right = c.text_if_free((plot.right, baseline), look.ends.1, kind, Align::Right, room, None);
    let free = Area {
        left: left.map_or(plot.left - 30.0, |a| a.right + 8.0),
        right: right.map_or(plot.right + 60.0, |a| a.left - 8.0),
        ..room
    };
    let decimals = usize::from(look.range.1 - look.range.0 < 4.0);
    let steps = axes::round_steps(look.range.0, look.range.1, 4);
    // A margin below zero makes no signed scale: a share of "+50 %" would read as a change.
    let signed = steps.iter().any(|v| *v < 0.0) && look.range.1 > 0.0;
    for value in steps {
        let said = words::number(value, decimals, signed);
        let said = if look.unit.is_empty() { said } else { format!("{said}\u{a0}{}", look.unit) };
        c.text_if_free((scale.at(value), baseline), &said, kind, Align::Centre, free, None);
    }
    baseline + sizes.small * 0.3
}
