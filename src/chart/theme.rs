//! Colours, patterns and sizes of type that all pictures share.
//!
//! Conventions: hues from the colour-blind-safe set of M. Okabe and K. Ito, "Color Universal Design" (2008); green and
//! vermilion of that set are never used side by side. The kinds of passage differ in lightness and in pattern.

use crate::passages::PassageKind;

/// An opaque sRGB colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

impl Colour {
    /// Mixed with white; 1.0 keeps the colour, 0.0 is white.
    pub const fn tint(self, strength_percent: u16) -> Self {
        const fn mix(channel: u8, percent: u16) -> u8 {
            (255 - (255 - channel as u16) * percent / 100) as u8
        }
        Self(mix(self.0, strength_percent), mix(self.1, strength_percent), mix(self.2, strength_percent))
    }
}

/// Paper.
pub const PAPER: Colour = Colour(255, 255, 255);
/// Main text and the curves that matter most.
pub const INK: Colour = Colour(31, 36, 40);
/// Second text: axis words, remarks; contrast to paper above 7 to 1.
pub const SOFT_INK: Colour = Colour(80, 85, 90);
/// Lines between parts of a page.
pub const RULE: Colour = Colour(150, 144, 134);
/// Grid lines.
pub const GRID: Colour = Colour(222, 217, 208);
/// Where a recorder hears nothing.
pub const UNHEARD: Colour = Colour(236, 234, 230);
/// Playing, and whatever belongs to takes.
pub const BLUE: Colour = Colour(0, 114, 178);
/// Talk.
pub const ORANGE: Colour = Colour(230, 159, 0);
/// Tuning.
pub const PURPLE: Colour = Colour(204, 121, 167);
/// Less than the target.
pub const SKY: Colour = Colour(86, 180, 233);

/// A pattern laid over a fill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pattern {
    /// Lines that rise to the right.
    Rising,
    /// Lines that fall to the right.
    Falling,
    /// Upright lines.
    Upright,
    /// Small squares.
    Dots,
}

/// How a kind of passage is shown.
#[derive(Clone, Copy, Debug)]
pub struct KindLook {
    /// Word for the director.
    pub word: &'static str,
    /// Fill.
    pub fill: Colour,
    /// Pattern over the fill, if any, and its colour.
    pub pattern: Option<(Pattern, Colour)>,
    /// Colour of a label on the fill.
    pub label: Colour,
}

/// How `kind` is shown; lightness from dark to light: take, tuning, talk, other, quiet.
pub fn look(kind: PassageKind) -> KindLook {
    match kind {
        PassageKind::Take => KindLook { word: "playing", fill: BLUE, pattern: None, label: PAPER },
        PassageKind::Talk => {
            KindLook { word: "talk", fill: ORANGE.tint(40), pattern: Some((Pattern::Rising, ORANGE)), label: INK }
        }
        PassageKind::Tuning => KindLook {
            word: "tuning",
            fill: PURPLE.tint(80),
            pattern: Some((Pattern::Upright, Colour(140, 66, 108))),
            label: INK,
        },
        PassageKind::Quiet => KindLook { word: "quiet", fill: PAPER, pattern: None, label: INK },
        PassageKind::Other => KindLook {
            word: "other",
            fill: Colour(238, 236, 232),
            pattern: Some((Pattern::Dots, Colour(128, 124, 118))),
            label: INK,
        },
    }
}

/// All kinds, in the order in which the page speaks of them.
pub const KINDS: [PassageKind; 5] =
    [PassageKind::Take, PassageKind::Talk, PassageKind::Tuning, PassageKind::Quiet, PassageKind::Other];

/// Sizes of type of one picture, em sizes in pixels.
#[derive(Clone, Copy, Debug)]
pub struct TypeSizes {
    /// The one title.
    pub title: f32,
    /// Heading of a part.
    pub heading: f32,
    /// Sentences.
    pub body: f32,
    /// Axis words, numbers along axes, remarks.
    pub small: f32,
}

/// The page: 25 px at 200 dpi is 9 pt.
pub const PAGE_TYPE: TypeSizes = TypeSizes { title: 50.0, heading: 32.0, body: 27.0, small: 25.0 };
/// The landscape pictures.
pub const WIDE_TYPE: TypeSizes = TypeSizes { title: 38.0, heading: 28.0, body: 25.0, small: 23.0 };
/// Distance of baselines, in em.
pub const LEADING: f32 = 1.32;
