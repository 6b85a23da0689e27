//! What drawing hands over and takes in: pictures, areas, type.
//!
//! Conventions: pixels from the top left, y grows downwards.

use super::text::Face;
use super::theme::Colour;

/// A finished picture: 8-bit RGB, rows from the top.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Resolution for print, dots an inch.
    pub dpi: u32,
    /// `3 * width * height` bytes.
    pub rgb: Vec<u8>,
}

/// A picture with the boxes of its text.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// The pixels.
    pub picture: Picture,
    /// Every text that was set, in the order of drawing.
    pub texts: Vec<TextBox>,
}

/// Where a text stands.
#[derive(Clone, Debug, PartialEq)]
pub struct TextBox {
    /// Its letters.
    pub text: String,
    /// From ascenders to descenders, from first to last pen position.
    pub area: Area,
}

/// A rectangle in pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Left edge.
    pub left: f32,
    /// Top edge.
    pub top: f32,
    /// Right edge.
    pub right: f32,
    /// Bottom edge.
    pub bottom: f32,
}

impl Area {
    /// From its four edges.
    pub const fn new(left: f32, top: f32, right: f32, bottom: f32) -> Self {
        Self { left, top, right, bottom }
    }

    /// Width in pixels.
    pub fn width(&self) -> f32 {
        self.right - self.left
    }

    /// Height in pixels.
    pub fn height(&self) -> f32 {
        self.bottom - self.top
    }

    /// Do the two share more than an edge?
    pub fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    /// Does `other` lie wholly inside?
    pub fn holds(&self, other: &Self) -> bool {
        self.left <= other.left && self.top <= other.top && self.right >= other.right && self.bottom >= other.bottom
    }

    /// Larger by `by` on every side.
    pub fn grown(&self, by: f32) -> Self {
        Self::new(self.left - by, self.top - by, self.right + by, self.bottom + by)
    }

    /// Are all four edges numbers?
    pub fn is_finite(&self) -> bool {
        [self.left, self.top, self.right, self.bottom].iter().all(|v| v.is_finite())
    }
}

/// Type of one text.
#[derive(Clone, Copy, Debug)]
pub struct Type {
    /// Weight.
    pub face: Face,
    /// Em size in pixels.
    pub size: f32,
    /// Colour.
    pub colour: Colour,
}

impl Type {
    /// Regular weight.
    pub const fn regular(size: f32, colour: Colour) -> Self {
        Self { face: Face::Regular, size, colour }
    }

    /// Bold weight.
    pub const fn bold(size: f32, colour: Colour) -> Self {
        Self { face: Face::Bold, size, colour }
    }
}

/// Which point of the line is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// Its left end.
    Left,
    /// Its middle.
    Centre,
    /// Its right end.
    Right,
}
