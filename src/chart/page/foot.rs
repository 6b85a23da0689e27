//! The foot of the page: what is odd about the file, what was assumed, and the cautions.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{Colour, INK, LEADING, RULE, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::Report;

/// Said on every page without a calibration.
pub const CAUTION: &str = "Levels are relative to the recorder's full scale, not sound pressure. Loud rehearsals can hurt \
    hearing: follow local rules and a qualified hearing-conservation professional.";
const CAUTION_LINES: usize = 3;

/// The planned foot.
pub struct Foot {
    lines: Vec<(Colour, String)>,
    step: f32,
}

impl Foot {
    /// Plans the foot for `width` pixels.
    pub fn plan(c: &Canvas, report: &Report, sizes: &TypeSizes, width: f32, assumed_lines: usize) -> Self {
        let assumed: Vec<String> = report.assumed.iter().map(|a| words::sentence(a)).collect();
        let odd: Vec<String> = report.tape.warnings.iter().map(|w| words::reason_in_words(w)).collect();
        let odd =
            if odd.is_empty() { String::new() } else { words::sentence(&format!("the file: {}", odd.join("; "))) };
        let assumed = if assumed.is_empty() { String::new() } else { format!("Assumed: {}", assumed.join(" ")) };
        let assumed = format!("{odd} {assumed}");
        let caution = report.exposure.as_ref().map_or(CAUTION, |e| e.caution.as_str());
        let wrap = |words: &str, most| c.fonts().wrap(words, Face::Regular, sizes.small, width, most);
        let assumed = wrap(&assumed, assumed_lines).into_iter().map(|l| (SOFT_INK, l));
        let lines = assumed.chain(wrap(caution, CAUTION_LINES).into_iter().map(|l| (INK, l))).collect();
        Self { lines, step: sizes.small * LEADING }
    }

    /// Pixels that the foot needs.
    pub fn height(&self) -> f32 {
        self.step * self.lines.len() as f32 + 14.0
    }

    /// Draws it from the top of `area`.
    pub fn draw(&self, c: &mut Canvas, area: Area, sizes: &TypeSizes) {
        c.level(area.left, area.right, area.top, 2.0, RULE);
        let mut y = area.top + 10.0 + sizes.small;
        for (colour, line) in &self.lines {
            c.text(area.left, y, line, Type::regular(sizes.small, *colour), Align::Left);
            y += self.step;
        }
    }
}
