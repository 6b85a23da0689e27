//! A sheet of pixels that can be drawn on, and that remembers where its text stands.
//!
//! Conventions: upright and level shapes sit on whole pixels and go through the plotters bitmap backend; curves, dots and
//! type are placed between pixels with smooth edges. Whatever leaves the sheet is cut off, never a panic; positions that
//! are not finite draw nothing.

use plotters::backend::{BitMapBackend, DrawingBackend};
use plotters::style::RGBColor;

use super::error::ChartError;
pub use super::picture::{Align, Area, Drawn, Picture, TextBox, Type};
use super::text::{self, ASCENT_EM, DESCENT_EM, Fonts, Piece};
use super::theme::{Colour, PAPER, Pattern};

/// The sheet.
pub struct Canvas {
    width: u32,
    height: u32,
    dpi: u32,
    rgb: Vec<u8>,
    texts: Vec<TextBox>,
    fonts: &'static Fonts,
}

impl Canvas {
    /// A blank sheet.
    ///
    /// # Errors
    /// [`ChartError::Font`].
    pub fn new(width: u32, height: u32, dpi: u32) -> Result<Self, ChartError> {
        let rgb = vec![PAPER.0; 3 * width as usize * height as usize];
        Ok(Self { width, height, dpi, rgb, texts: Vec::new(), fonts: text::fonts()? })
    }

    /// The fonts, for measuring.
    pub fn fonts(&self) -> &'static Fonts {
        self.fonts
    }

    /// The sheet's edges.
    pub fn sheet(&self) -> Area {
        Area::new(0.0, 0.0, self.width as f32, self.height as f32)
    }

    /// Done: the pixels and where the text stands.
    pub fn finish(self) -> Drawn {
        let picture = Picture { width: self.width, height: self.height, dpi: self.dpi, rgb: self.rgb };
        Drawn { picture, texts: self.texts }
    }

    /// Whole pixels that `area` covers on the sheet: left, top, right, bottom, the last two not included.
    fn pixels_of(&self, area: Area) -> Option<(i32, i32, i32, i32)> {
        if !area.is_finite() {
            return None;
        }
        let x = |v: f32| v.round().clamp(0.0, self.width as f32) as i32;
        let y = |v: f32| v.round().clamp(0.0, self.height as f32) as i32;
        let (l, t, r, b) = (x(area.left), y(area.top), x(area.right), y(area.bottom));
        (l < r && t < b).then_some((l, t, r, b))
    }

    /// Fills `area` with one colour.
    pub fn fill(&mut self, area: Area, colour: Colour) {
        let Some((left, top, right, bottom)) = self.pixels_of(area) else { return };
        let mut backend = BitMapBackend::with_buffer(&mut self.rgb, (self.width, self.height));
        let style = RGBColor(colour.0, colour.1, colour.2);
        // This backend leaves out the last column and row of a filled area. Drawing into memory has no way to fail.
        let _ = backend.draw_rect((left, top), (right, bottom), &style, true);
    }

    /// The four edges of `area`, inside it.
    pub fn frame(&mut self, area: Area, thickness: f32, colour: Colour) {
        self.fill(Area { bottom: area.top + thickness, ..area }, colour);
        self.fill(Area { top: area.bottom - thickness, ..area }, colour);
        self.fill(Area { right: area.left + thickness, ..area }, colour);
        self.fill(Area { left: area.right - thickness, ..area }, colour);
    }

    /// A level line whose upper edge is `y`.
    pub fn level(&mut self, left: f32, right: f32, y: f32, thickness: f32, colour: Colour) {
        let y = y.round();
        self.fill(Area::new(left, y, right, y + thickness), colour);
    }

    /// A level line of dashes.
    pub fn level_dashed(&mut self, left: f32, right: f32, y: f32, thickness: f32, dash: f32, colour: Colour) {
        let mut x = left;
        while x < right && dash > 0.0 {
            self.level(x, (x + dash).min(right), y, thickness, colour);
            x += 1.7 * dash;
        }
    }

    /// An upright line whose left edge is `x`.
    pub fn upright(&mut self, x: f32, top: f32, bottom: f32, thickness: f32, colour: Colour) {
        let x = x.round();
        self.fill(Area::new(x, top, x + thickness, bottom), colour);
    }

    /// Lays `pattern` over `area`; patterns of neighbours join, because they hang on the sheet and not on the area.
    pub fn pattern(&mut self, area: Area, pattern: Pattern, colour: Colour) {
        const PERIOD: i32 = 14;
        const LINE: i32 = 3;
        let Some((left, top, right, bottom)) = self.pixels_of(area) else { return };
        for y in top..bottom {
            for x in left..right {
                let on = match pattern {
                    Pattern::Rising => (x + y).rem_euclid(PERIOD) < LINE,
                    Pattern::Falling => (x - y).rem_euclid(PERIOD) < LINE,
                    Pattern::Upright => x.rem_euclid(PERIOD / 2 + 1) < LINE,
                    Pattern::Dots => x.rem_euclid(PERIOD) < LINE + 1 && y.rem_euclid(PERIOD) < LINE + 1,
                };
                if on {
                    self.blend(x, y, colour, 1.0);
                }
            }
        }
    }

    fn blend(&mut self, x: i32, y: i32, colour: Colour, cover: f32) {
        if x < 0 || y < 0 || x >= self.width as i32 || y >= self.height as i32 {
            return;
        }
        let at = 3 * (y as usize * self.width as usize + x as usize);
        for (below, over) in self.rgb[at..at + 3].iter_mut().zip([colour.0, colour.1, colour.2]) {
            let mixed = f32::from(*below) + (f32::from(over) - f32::from(*below)) * cover.clamp(0.0, 1.0);
            *below = mixed.round() as u8;
        }
    }

    /// A curve through `points` with round ends, cut off at `clip`.
    ///
    /// A pixel is covered by how far it lies from the nearest piece of the curve, so that joints show no seam.
    pub fn curve(&mut self, points: &[(f32, f32)], thickness: f32, colour: Colour, clip: Area) {
        let reach = thickness / 2.0 + 1.0;
        let drawn = points.iter().filter(|p| p.0.is_finite() && p.1.is_finite());
        let around = drawn.fold(Area::new(f32::MAX, f32::MAX, f32::MIN, f32::MIN), |a, p| {
            Area::new(a.left.min(p.0), a.top.min(p.1), a.right.max(p.0), a.bottom.max(p.1))
        });
        let bounds = around.grown(reach);
        let (l, t) = (bounds.left.max(clip.left), bounds.top.max(clip.top));
        let (r, b) = (bounds.right.min(clip.right), bounds.bottom.min(clip.bottom));
        let Some((left, top, right, bottom)) = self.pixels_of(Area::new(l, t, r, b)) else { return };
        let stride = (right - left) as usize;
        let mut cover = vec![0f32; stride * (bottom - top) as usize];
        let ends = points.windows(2).map(|w| (w[0], w[1])).chain(points.first().map(|p| (*p, *p)));
        for (a, z) in ends.filter(|(a, z)| [a.0, a.1, z.0, z.1].iter().all(|v| v.is_finite())) {
            let x0 = ((a.0.min(z.0) - reach) as i32).clamp(left, right);
            let x1 = ((a.0.max(z.0) + reach) as i32).saturating_add(1).clamp(left, right);
            let y0 = ((a.1.min(z.1) - reach) as i32).clamp(top, bottom);
            let y1 = ((a.1.max(z.1) + reach) as i32).saturating_add(1).clamp(top, bottom);
            for y in y0..y1 {
                for x in x0..x1 {
                    let far = distance((x as f32 + 0.5, y as f32 + 0.5), a, z);
                    let at = &mut cover[(y - top) as usize * stride + (x - left) as usize];
                    *at = at.max((thickness / 2.0 + 0.5 - far).clamp(0.0, 1.0));
                }
            }
        }
        for (i, c) in cover.into_iter().enumerate().filter(|(_, c)| *c > 0.0) {
            self.blend(left + (i % stride) as i32, top + (i / stride) as i32, colour, c);
        }
    }

    /// A round dot.
    pub fn dot(&mut self, x: f32, y: f32, radius: f32, colour: Colour) {
        let sheet = self.sheet();
        self.curve(&[(x, y)], 2.0 * radius, colour, sheet);
    }

    /// Width of a text in pixels, after cleaning.
    pub fn text_width(&self, words: &str, kind: Type) -> f32 {
        self.fonts.width(&text::clean(words), kind.face, kind.size)
    }

    /// The box that a text would fill.
    pub fn text_area(&self, x: f32, baseline: f32, words: &str, kind: Type, align: Align) -> Area {
        let width = self.text_width(words, kind);
        let left = match align {
            Align::Left => x,
            Align::Centre => x - width / 2.0,
            Align::Right => x - width,
        };
        Area::new(left, baseline - ASCENT_EM * kind.size, left + width, baseline + DESCENT_EM * kind.size)
    }

    /// Sets `words`; returns the box that they fill.
    pub fn text(&mut self, x: f32, baseline: f32, words: &str, kind: Type, align: Align) -> Area {
        let area = self.text_area(x, baseline, words, kind, align);
        let words = text::clean(words);
        if !area.is_finite() || words.trim().is_empty() {
            return area;
        }
        for piece in self.fonts.set(&words, kind.face, kind.size, area.left, baseline.round()) {
            match piece {
                Piece::Missing(l, t, r, b) => {
                    self.frame(Area::new(l, t, r, b), (kind.size / 14.0).max(1.0), kind.colour)
                }
                Piece::Letter(glyph) => {
                    let bounds = glyph.px_bounds();
                    let (x0, y0) = (bounds.min.x as i32, bounds.min.y as i32);
                    glyph.draw(|x, y, c| self.blend(x0 + x as i32, y0 + y as i32, kind.colour, c));
                }
            }
        }
        self.texts.push(TextBox { text: words, area });
        area
    }

    /// Sets `words` only where they lie inside `room` and `gap` pixels clear of every text so far.
    pub fn text_if_free(
        &mut self,
        at: (f32, f32),
        words: &str,
        kind: Type,
        align: Align,
        room: Area,
        halo: Option<Colour>,
    ) -> Option<Area> {
        const GAP: f32 = 4.0;
        let area = self.text_area(at.0, at.1, words, kind, align);
        let clear = self.texts.iter().all(|t| !t.area.overlaps(&area.grown(GAP)));
        if !clear || !room.holds(&area) {
            return None;
        }
        if let Some(colour) = halo {
            self.fill(area.grown(3.0), colour);
        }
        Some(self.text(at.0, at.1, words, kind, align))
    }
}

/// Distance of `p` from the straight piece between `a` and `z`.
fn distance(p: (f32, f32), a: (f32, f32), z: (f32, f32)) -> f32 {
    let (dx, dy) = (z.0 - a.0, z.1 - a.1);
    let length = dx * dx + dy * dy;
    let along = if length > 0.0 { (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length).clamp(0.0, 1.0) } else { 0.0 };
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::theme::INK;
    use super::*;

    fn ink_pixels(c: &Canvas) -> usize {
        c.rgb.chunks_exact(3).filter(|p| p[0] < 128).count()
    }

    #[test]
    fn a_filled_area_covers_exactly_its_pixels() {
        let mut c = Canvas::new(40, 30, 100).unwrap();
        c.fill(Area::new(5.0, 6.0, 15.0, 10.0), INK);
        assert_eq!(ink_pixels(&c), 40);
    }

    #[test]
    fn shapes_beyond_the_sheet_or_not_finite_draw_nothing_and_do_not_panic() {
        let mut c = Canvas::new(40, 30, 100).unwrap();
        let sheet = c.sheet();
        c.fill(Area::new(50.0, 0.0, 90.0, 30.0), INK);
        c.fill(Area::new(f32::NAN, 0.0, 9.0, 9.0), INK);
        c.curve(&[(f32::NAN, 3.0), (f32::INFINITY, 4.0)], 3.0, INK, sheet);
        c.curve(&[(-1e9, -1e9), (-1e9, -2e9)], 3.0, INK, sheet);
        c.text(f32::NAN, 10.0, "abc", Type::regular(20.0, INK), Align::Left);
        assert_eq!(ink_pixels(&c), 0);
        assert!(c.texts.is_empty());
    }

    #[test]
    fn a_curve_breaks_where_a_point_is_not_finite() {
        let mut c = Canvas::new(100, 20, 100).unwrap();
        let sheet = c.sheet();
        c.curve(&[(5.0, 10.0), (30.0, 10.0), (f32::NAN, 10.0), (70.0, 10.0), (95.0, 10.0)], 3.0, INK, sheet);
        c.curve(&[(5.0, 5.0), (f32::INFINITY, 5.0)], 1.0, INK, sheet);
        assert!(c.rgb[3 * (5 * 100 + 20)..3 * (5 * 100 + 90)].iter().all(|v| *v == 255), "a line to infinity");
        c.curve(&[(5.0, 3.0), (1e30, 3.0)], 1.0, INK, sheet);
        let middle = &c.rgb[3 * (10 * 100 + 40)..3 * (10 * 100 + 60)];
        assert!(middle.iter().all(|v| *v == 255));
        assert!(ink_pixels(&c) > 100);
    }

    #[test]
    fn a_level_curve_has_the_thickness_that_was_asked() {
        let mut c = Canvas::new(100, 20, 100).unwrap();
        let sheet = c.sheet();
        c.curve(&[(10.0, 10.0), (90.0, 10.0)], 4.0, INK, sheet);
        assert_eq!((0..20).filter(|y| c.rgb[3 * (y * 100 + 50)] < 128).count(), 4);
    }

    #[test]
    fn free_text_refuses_a_place_that_is_taken() {
        let mut c = Canvas::new(300, 100, 100).unwrap();
        let room = c.sheet();
        let kind = Type::regular(20.0, INK);
        assert!(c.text_if_free((10.0, 50.0), "one", kind, Align::Left, room, None).is_some());
        assert!(c.text_if_free((20.0, 55.0), "two", kind, Align::Left, room, None).is_none());
        assert!(c.text_if_free((280.0, 50.0), "outside", kind, Align::Left, room, None).is_none());
    }
}
