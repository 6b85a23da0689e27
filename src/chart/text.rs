//! Setting type: the carried font, measuring, wrapping, shortening, and boxes for letters that it lacks.
//!
//! Conventions: sizes are em sizes in pixels; widths include kerning; a text box reaches from the ascenders to the
//! descenders. Both faces are DejaVu Sans 2.37, which has the flat, sharp and natural signs.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef, Glyph, GlyphId, OutlinedGlyph, PxScale, ScaleFont, point};

use super::error::ChartError;

/// Height of ascenders above the baseline, em (DejaVu Sans: letters b, d, l).
pub const ASCENT_EM: f32 = 0.77;
/// Depth of descenders below the baseline, em (letters g, p, y).
pub const DESCENT_EM: f32 = 0.24;
/// Width of the box for a letter that the font lacks, em.
const MISSING_WIDTH_EM: f32 = 0.62;
const MISSING_HEIGHT_EM: f32 = 0.72;

/// Weight of the type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Face {
    /// Regular.
    Regular,
    /// Bold.
    Bold,
}

/// Both faces, read once.
pub struct Fonts {
    regular: FontRef<'static>,
    bold: FontRef<'static>,
}

/// One piece of a set line.
pub enum Piece {
    /// Ink of one letter.
    Letter(Box<OutlinedGlyph>),
    /// A letter that the font lacks: left, top, right, bottom.
    Missing(f32, f32, f32, f32),
}

static FONTS: OnceLock<Option<Fonts>> = OnceLock::new();

/// The carried fonts; read on first use, safe from any thread.
///
/// # Errors
/// [`ChartError::Font`] when the carried bytes are no font.
pub fn fonts() -> Result<&'static Fonts, ChartError> {
    let read = || {
        let regular = FontRef::try_from_slice(dejavu::sans::regular()).ok()?;
        let bold = FontRef::try_from_slice(dejavu::sans::bold()).ok()?;
        Some(Fonts { regular, bold })
    };
    FONTS.get_or_init(read).as_ref().ok_or(ChartError::Font { face: "DejaVu Sans" })
}

/// Marks that take no room of their own: joiners, direction marks, byte-order mark, variation selectors.
fn is_invisible(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}'
        | '\u{fe00}'..='\u{fe0f}' | '\u{ad}')
}

/// `text` on one line: control characters and line ends become spaces, invisible marks go.
pub fn clean(text: &str) -> String {
    text.chars().filter(|c| !is_invisible(*c)).map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Units that stay on the line of their number.
const UNITS: [&str; 14] = ["%", "dB", "LUFS", "LU", "dBTP", "Hz", "kHz", "ms", "s", "min", "h", "cents", "cent", "bpm"];

/// Words of `text`, a number together with the unit behind it.
fn words_with_units(text: &str) -> std::collections::VecDeque<String> {
    let mut words: std::collections::VecDeque<String> = Default::default();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')', '!', '?']);
        let follows_number = |w: &String| w.ends_with(|c: char| c.is_ascii_digit());
        match words.back_mut().filter(|w| UNITS.contains(&bare) && follows_number(w)) {
            Some(number) => {
                number.push('\u{a0}');
                number.push_str(word);
            }
            None => words.push_back(word.to_owned()),
        }
    }
    words
}

impl Fonts {
    fn face(&self, face: Face) -> &FontRef<'static> {
        match face {
            Face::Regular => &self.regular,
            Face::Bold => &self.bold,
        }
    }

    /// ab_glyph scales by ascent plus descent; this is the scale at which one em has `size` pixels.
    fn scale(font: &FontRef<'static>, size: f32) -> PxScale {
        PxScale::from(size * font.height_unscaled() / font.units_per_em().unwrap_or(font.height_unscaled()))
    }

    /// Calls `each` with every letter, its glyph (None when the font lacks it) and its pen position; returns the width.
    fn walk(&self, text: &str, face: Face, size: f32, mut each: impl FnMut(Option<GlyphId>, f32)) -> f32 {
        let font = self.face(face);
        let scaled = font.as_scaled(Self::scale(font, size));
        let mut x = 0.0;
        let mut previous: Option<GlyphId> = None;
        for c in text.chars() {
            let id = scaled.glyph_id(c);
            if id.0 == 0 {
                each(None, x);
                x += MISSING_WIDTH_EM * size;
                previous = None;
                continue;
            }
            if let Some(p) = previous {
                x += scaled.kern(p, id);
            }
            each(Some(id), x);
            x += scaled.h_advance(id);
            previous = Some(id);
        }
        x
    }

    /// Width of `text` in pixels.
    pub fn width(&self, text: &str, face: Face, size: f32) -> f32 {
        self.walk(text, face, size, |_, _| ())
    }

    /// The ink of `text` with its pen starting at `(x, baseline)`.
    pub fn set(&self, text: &str, face: Face, size: f32, x: f32, baseline: f32) -> Vec<Piece> {
        let font = self.face(face);
        let scale = Self::scale(font, size);
        let mut pieces = Vec::new();
        self.walk(text, face, size, |id, dx| match id {
            None => {
                let left = x + dx + 0.06 * size;
                let right = x + dx + (MISSING_WIDTH_EM - 0.06) * size;
                pieces.push(Piece::Missing(left, baseline - MISSING_HEIGHT_EM * size, right, baseline));
            }
            Some(id) => {
                let glyph = Glyph { id, scale, position: point(x + dx, baseline) };
                pieces.extend(font.outline_glyph(glyph).map(|g| Piece::Letter(Box::new(g))));
            }
        });
        pieces
    }

    /// `text`, shortened at its end with an ellipsis when it is wider than `room`.
    pub fn shorten_end(&self, text: &str, face: Face, size: f32, room: f32) -> String {
        if self.width(text, face, size) <= room {
            return text.to_owned();
        }
        let letters: Vec<char> = text.chars().collect();
        let fits = |n: usize| {
            let kept: String = letters[..n].iter().collect();
            format!("{}…", kept.trim_end())
        };
        let n = largest_that_fits(letters.len(), |n| self.width(&fits(n), face, size) <= room);
        fits(n)
    }

    /// `text`, shortened in its middle when it is wider than `room`: for file names, whose end tells as much.
    pub fn shorten_middle(&self, text: &str, face: Face, size: f32, room: f32) -> String {
        if self.width(text, face, size) <= room {
            return text.to_owned();
        }
        let letters: Vec<char> = text.chars().collect();
        let fits = |n: usize| {
            let head: String = letters[..n.div_ceil(2)].iter().collect();
            let tail: String = letters[letters.len() - n / 2..].iter().collect();
            format!("{head}…{tail}")
        };
        let n = largest_that_fits(letters.len(), |n| self.width(&fits(n), face, size) <= room);
        fits(n)
    }

    /// `text` in lines of at most `room` pixels; what does not fit in `max_lines` is cut with an ellipsis.
    pub fn wrap(&self, text: &str, face: Face, size: f32, room: f32, max_lines: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        let mut line = String::new();
        let mut words = words_with_units(text);
        while let Some(word) = words.pop_front() {
            let longer = if line.is_empty() { word.clone() } else { format!("{line} {word}") };
            if self.width(&longer, face, size) <= room {
                line = longer;
                continue;
            }
            if line.is_empty() {
                // One word wider than the line: cut it where the line ends.
                let letters: Vec<char> = word.chars().collect();
                let fits = |n: usize| self.width(&letters[..n].iter().collect::<String>(), face, size) <= room;
                let n = largest_that_fits(letters.len(), fits).max(1);
                line = letters[..n].iter().collect();
                let rest: String = letters[n..].iter().collect();
                if !rest.is_empty() {
                    words.push_front(rest);
                }
            } else {
                words.push_front(word);
            }
            if lines.len() + 1 == max_lines && !words.is_empty() {
                let rest: Vec<String> = words.drain(..).collect();
                line = self.shorten_end(&format!("{line} {}", rest.join(" ")), face, size, room);
            } else if !words.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
        }
        if !line.is_empty() {
            lines.push(line);
        }
        lines
    }
}

/// Largest `n` in `0..=limit` for which `fits(n)` holds, when it holds up to some n and not beyond.
fn largest_that_fits(limit: usize, fits: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (0, limit);
    while low < high {
        let middle = (low + high).div_ceil(2);
        if fits(middle) {
            low = middle;
        } else {
            high = middle - 1;
        }
    }
    low
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const BODY: f32 = 27.0;

    #[test]
    fn wrapped_lines_fit_and_lose_no_word_while_there_are_lines() {
        let f = fonts().unwrap();
        let text = "The low end is 4.2 dB above the target in the takes, and most of it is the bass amplifier.";
        let lines = f.wrap(text, Face::Regular, BODY, 400.0, 20);
        assert!(lines.len() > 2);
        assert!(lines.iter().all(|l| f.width(l, Face::Regular, BODY) <= 400.0), "{lines:?}");
        assert_eq!(lines.join(" ").replace('\u{a0}', " "), text);
    }

    #[test]
    fn a_number_is_never_parted_from_its_unit() {
        let f = fonts().unwrap();
        for room in 120..600 {
            let lines = f.wrap("bass 71 % and below 38 Hz, that is 5.6 dB.", Face::Regular, BODY, room as f32, 20);
            assert!(lines.iter().all(|l| !["%", "Hz,", "dB."].iter().any(|u| l.starts_with(u))), "{lines:?}");
        }
    }

    #[test]
    fn text_beyond_the_last_line_is_cut_with_an_ellipsis() {
        let f = fonts().unwrap();
        let lines = f.wrap(&"word ".repeat(100), Face::Regular, BODY, 300.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines[1].ends_with('…'));
        assert!(f.width(&lines[1], Face::Regular, BODY) <= 300.0);
    }

    #[test]
    fn a_word_wider_than_the_line_is_split_without_losing_letters() {
        let f = fonts().unwrap();
        let word = "abcdefghij".repeat(12);
        let lines = f.wrap(&word, Face::Bold, BODY, 200.0, 50);
        assert_eq!(lines.concat(), word);
        assert!(lines.iter().all(|l| f.width(l, Face::Bold, BODY) <= 200.0));
    }

    #[test]
    fn a_long_file_name_keeps_both_ends() {
        let f = fonts().unwrap();
        let name = format!("2025-10-14 {}final take.wav", "very ".repeat(60));
        let short = f.shorten_middle(&name, Face::Regular, BODY, 500.0);
        assert!(short.starts_with("2025-10-14") && short.ends_with("take.wav") && short.contains('…'), "{short}");
        assert!(f.width(&short, Face::Regular, BODY) <= 500.0);
    }

    #[test]
    fn flats_and_sharps_are_in_the_font_and_missing_letters_become_boxes() {
        let f = fonts().unwrap();
        let boxes = |s: &str| {
            f.set(s, Face::Regular, BODY, 0.0, 0.0).iter().filter(|p| matches!(p, Piece::Missing(..))).count()
        };
        assert_eq!(boxes("B♭ F♯ C♮ − … ± é"), 0);
        assert_eq!(boxes("練習"), 2);
        assert!(f.width("練習", Face::Regular, BODY) > BODY);
    }

    #[test]
    fn control_and_invisible_characters_leave_the_line() {
        assert_eq!(clean("a\nb\u{200b}\u{202e}c\td"), "a bc d");
    }

    /// DejaVu Sans 2.37, hmtx table: "0" advances 1303 of 2048 units.
    #[test]
    fn an_em_is_as_wide_as_asked() {
        let f = fonts().unwrap();
        assert!((f.width("0", Face::Regular, 2048.0) - 1303.0).abs() < 0.5);
    }
}
