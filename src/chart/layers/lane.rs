//! One lane: the columns of a layer along the time of the tape.

use super::super::axes::Scale;
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::theme::{GRID, INK, PAPER, Pattern, RULE, SOFT_INK, TypeSizes};
use super::super::words;
use super::{Layer, Part, value};

/// A lane shows levels down to this; below, a layer counts as not heard.
const FLOOR_LU: f64 = -15.0;
const STEP_LU: f64 = 5.0;

/// Draws `layer` into `lane`; its name stands from `left`.
pub fn draw(c: &mut Canvas, lane: Area, time: Scale, layer: Layer, parts: &[Part], left: f32, sizes: &TypeSizes) {
    let level = Scale::new(FLOOR_LU, 0.0, lane.bottom, lane.top);
    let name = words::capital(layer.name);
    let baseline = (lane.top + lane.bottom) / 2.0 + sizes.small * 0.36;
    c.text(left, baseline, &name, Type::bold(sizes.small, INK), Align::Left);
    draw_axis(c, lane, level, sizes);
    for part in parts {
        draw_part(c, lane, time, level, layer, part, sizes);
    }
    c.level(lane.left, lane.right, lane.bottom, 2.0, SOFT_INK);
}

fn draw_axis(c: &mut Canvas, lane: Area, level: Scale, sizes: &TypeSizes) {
    let steps = (FLOOR_LU / STEP_LU).abs() as i32;
    for value in (0..=steps).map(|i| -f64::from(i) * STEP_LU) {
        let y = level.at(value);
        c.level(lane.left, lane.right, y, 1.0, if value == 0.0 { RULE } else { GRID });
        if value > FLOOR_LU {
            let room = c.sheet();
            let said = words::number(value, 0, false);
            let at = (lane.left - 12.0, y + sizes.small * 0.36);
            c.text_if_free(at, &said, Type::regular(sizes.small, SOFT_INK), Align::Right, room, None);
        }
    }
}

fn draw_part(c: &mut Canvas, lane: Area, time: Scale, level: Scale, layer: Layer, part: &Part, sizes: &TypeSizes) {
    let left = time.at(part.facts.start_s).max(lane.left) + 1.5;
    let right = time.at(part.facts.end_s).min(lane.right) - 1.5;
    let column = Area { left, right, ..lane };
    if right - left < 1.0 {
        return;
    }
    let m = (layer.of)(part.re_band);
    let Some(value) = value(part, layer) else {
        if m.reason.as_deref() == Some("covered") {
            let low = Area { top: level.at(FLOOR_LU + 3.0), ..column };
            c.fill(low, PAPER);
            c.pattern(low, Pattern::Rising, RULE);
        }
        return;
    };
    let y = level.at(value.clamp(FLOOR_LU, 0.0));
    c.fill(Area { top: y, ..column }, layer.colour);
    let middle = (left + right) / 2.0;
    if let Some((low, high)) = words::interval(m) {
        let (top, bottom) = (level.at(high.clamp(FLOOR_LU, 0.0)), level.at(low.clamp(FLOOR_LU, 0.0)));
        c.upright(middle - 1.5, top, bottom, 3.0, INK);
    }
    let said = words::number(value, 0, false);
    let kind = Type::bold(sizes.small, INK);
    let width = c.text_width(&said, kind);
    // Beside the upright line, on the column, where there is room.
    let room = Area { left: middle + 5.0, right, ..lane };
    if width + 2.0 < room.width() {
        c.text_if_free((middle + 6.0, lane.bottom - 8.0), &said, kind, Align::Left, room, Some(PAPER));
    }
}
