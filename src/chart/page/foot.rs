//! The foot of the page: what was assumed, and the cautions.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{INK, LEADING, RULE, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::Report;

/// Said on every page without a calibration.
pub const CAUTION: &str = "Levels are relative to the recorder's full scale, not sound pressure. Loud rehearsals can hurt hearing: follow local rules and a qualified hearing-conservation professional.";
const ASSUMED_LINES: usize = 3;
const CAUTION_LINES: usize = 3;

/// Draws the foot upwards from the lower margin; returns its upper end.
pub fn draw(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) -> f32 {
    let caution = report.exposure.as_ref().map_or(CAUTION, |e| e.caution.as_str());
    let caution = c.fonts().wrap(caution, Face::Regular, sizes.small, area.width(), CAUTION_LINES);
    let assumed: Vec<String> = report.assumed.iter().map(|a| words::sentence(a)).collect();
    let assumed = if assumed.is_empty() { String::new() } else { format!("Assumed: {}", assumed.join(" ")) };
    let assumed = c.fonts().wrap(&assumed, Face::Regular, sizes.small, area.width(), ASSUMED_LINES);
    let step = sizes.small * LEADING;
    let top = area.bottom - step * (caution.len() + assumed.len()) as f32 - 14.0;
    c.level(area.left, area.right, top, 2.0, RULE);
    let mut y = top + 10.0 + sizes.small;
    for line in assumed {
        c.text(area.left, y, &line, Type::regular(sizes.small, SOFT_INK), Align::Left);
        y += step;
    }
    for line in caution {
        c.text(area.left, y, &line, Type::regular(sizes.small, INK), Align::Left);
        y += step;
    }
    top
}
