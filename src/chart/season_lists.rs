//! What stands above the fields of the season: what changed, what returns, what to keep in mind.

use super::canvas::{Align, Canvas, Type};
use super::season::SeasonPicture;
use super::text::Face;
use super::theme::{INK, LEADING, TypeSizes};
use super::words;

/// Most sentences of each list, and most lines of a sentence.
const MOST_SAID: usize = 6;
const MOST_LINES: usize = 2;
const COLUMN_WIDTH: f32 = 715.0;

/// What changed, and what returns: lines of the left and of the right column, headings bold.
pub fn lists(c: &mut Canvas, season: &SeasonPicture, sizes: &TypeSizes) -> [Vec<(Face, String)>; 2] {
    let wrap = |heading: &str, said: &[String]| {
        let mut lines = Vec::new();
        if !said.is_empty() {
            lines.push((Face::Bold, heading.to_owned()));
        }
        for sentence in said.iter().take(MOST_SAID) {
            let words = words::sentence(sentence);
            let wrapped = c.fonts().wrap(&words, Face::Regular, sizes.small, COLUMN_WIDTH, MOST_LINES);
            lines.extend(wrapped.into_iter().map(|l| (Face::Regular, l)));
        }
        lines
    };
    let mut left = wrap("What changed", &season.changed);
    left.extend(wrap("To keep in mind", &season.notes));
    [left, wrap("What returns", &season.returns)]
}

/// Draws both columns from `top`.
pub fn draw_lists(c: &mut Canvas, top: f32, lists: &[Vec<(Face, String)>; 2], sizes: &TypeSizes) {
    for (column, lines) in lists.iter().enumerate() {
        let left = 60.0 + column as f32 * 760.0;
        let mut y = top + sizes.small;
        for (face, line) in lines {
            c.text(left, y, line, Type { face: *face, size: sizes.small, colour: INK }, Align::Left);
            y += sizes.small * LEADING;
        }
    }
}
