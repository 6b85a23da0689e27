//! The run-through of the evidence sheet: charts and changes along a minute axis, and the end of the slot.

use super::super::axes::{self, Scale};
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::page::part_heading;
use super::super::text::{self, Face};
use super::super::theme::{BLUE, INK, LEADING, ORANGE, PAPER, Pattern, SOFT_INK, TypeSizes};
use super::super::words;
use super::FestivalPicture;

/// Draws the part; returns the lowest pixel used.
pub fn draw_run_through(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let mut y = part_heading(c, area, area.top, "Run-through against the slot", sizes) + sizes.body;
    let said = match (words::finite(&f.total), words::interval(&f.total)) {
        (Some(total), Some((low, high))) => format!(
            "Charts and changes take {} minutes ({} to {}); the slot is {} minutes. Fits: {}.",
            words::number(total, 1, false),
            words::number(low, 1, false),
            words::number(high, 1, false),
            words::number(f.slot_minutes, 0, false),
            f.fits
        ),
        _ => format!(
            "The slot is {} minutes. The run-through cannot be timed: {}.",
            words::number(f.slot_minutes, 0, false),
            words::why_absent(&f.total)
        ),
    };
    for line in c.fonts().wrap(&said, Face::Bold, sizes.body, area.width(), 2) {
        c.text(area.left, y, &line, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    draw_bar(c, Area { top: y - sizes.body * 0.5, ..area }, f, sizes)
}

/// Charts and changes side by side along a minute axis, and the end of the slot.
fn draw_bar(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let longest = f.total.high.or(f.total.value).unwrap_or(0.0).max(f.slot_minutes) * 1.06;
    let scale = Scale::new(0.0, longest, area.left, area.right);
    let bar = Area { bottom: area.top + 58.0, ..area };
    let change = words::finite(&f.changes).unwrap_or(0.0) / (f.charts.len().max(2) - 1) as f64;
    let mut at = 0.0;
    for (index, (title, m)) in f.charts.iter().enumerate() {
        let Some(minutes) = words::finite(m) else { continue };
        if index > 0 {
            let gap = Area { left: scale.at(at), right: scale.at(at + change), ..bar };
            c.pattern(gap, Pattern::Rising, ORANGE);
            at += change;
        }
        let block = Area { left: scale.at(at) + 1.0, right: scale.at(at + minutes) - 1.0, ..bar };
        c.fill(block, BLUE);
        let name = c.fonts().shorten_end(&text::clean(title), Face::Regular, sizes.small, block.width() - 16.0);
        let baseline = (bar.top + bar.bottom) / 2.0 + sizes.small * 0.36;
        c.text_if_free(
            (block.left + 8.0, baseline),
            &name,
            Type::regular(sizes.small, PAPER),
            Align::Left,
            block,
            None,
        );
        at += minutes;
    }
    c.level(bar.left, bar.right, bar.bottom + 4.0, 2.0, SOFT_INK);
    let slot = scale.at(f.slot_minutes);
    c.upright(slot - 2.0, bar.top - 12.0, bar.bottom + 4.0, 4.0, INK);
    let kind = Type::regular(sizes.small, SOFT_INK);
    let baseline = bar.bottom + 14.0 + sizes.small * 0.85;
    let room = c.sheet();
    c.text_if_free((slot, baseline), "end of the slot", Type::bold(sizes.small, INK), Align::Right, room, None);
    c.text_if_free((area.left, baseline), "0", kind, Align::Left, room, None);
    c.text_if_free((area.right, baseline), "minutes", kind, Align::Right, room, None);
    for value in axes::round_steps(0.0, longest, 8).into_iter().filter(|v| *v > 0.0) {
        c.upright(scale.at(value), bar.bottom + 4.0, bar.bottom + 11.0, 2.0, SOFT_INK);
        let said = words::number(value, usize::from(longest < 4.0), false);
        c.text_if_free((scale.at(value), baseline), &said, kind, Align::Centre, room, None);
    }
    baseline + sizes.small * 0.4
}
