//! Layers: how loud bass, drums, comping and horns stand in the band, part by part.
//!
//! Conventions: LU against the loudness of the whole band, one lane a layer; the top of a lane is as loud as the band. A
//! column is a part of a take, the upright line through its top holds the truth 95 times in 100. A hatched column stands
//! for a layer that is not heard over the others, an empty place for one that does not play.

mod lane;
mod sentences;

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::strip;
use super::text::Face;
use super::theme::{BLUE, Colour, INK, LEADING, ORANGE, PURPLE, SKY, SOFT_INK, TypeSizes, WIDE_TYPE};
use super::words;
use crate::report::{LayerLevels, PartFacts, Report};
use crate::stats::Measured;

/// Sentences beside the lanes.
const COLUMN_WIDTH: f32 = 356.0;
/// Room left of the lanes, in type sizes.
const GUTTER: f32 = 7.2;

/// One layer and how it is shown.
#[derive(Clone, Copy)]
struct Layer {
    name: &'static str,
    colour: Colour,
    of: fn(&LayerLevels) -> &Measured,
}

const LAYERS: [Layer; 4] = [
    Layer { name: "horns", colour: ORANGE, of: |l| &l.horns },
    Layer { name: "comping", colour: PURPLE, of: |l| &l.comping },
    Layer { name: "drums", colour: SKY, of: |l| &l.drums },
    Layer { name: "bass", colour: BLUE, of: |l| &l.bass },
];

/// A part with the number of its take, from 1.
struct Part<'a> {
    take: usize,
    facts: &'a PartFacts,
    re_band: &'a LayerLevels,
}

fn parts(report: &Report) -> Vec<Part<'_>> {
    let numbered = report.takes.iter().enumerate();
    numbered
        .flat_map(|(i, t)| {
            t.parts
                .iter()
                .filter_map(move |facts| Some(Part { take: i + 1, facts, re_band: facts.layers_re_band_lu.as_ref()? }))
        })
        .collect()
}

/// The picture.
pub fn draw(report: &Report) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let mut c = Canvas::new(1600, 900, 100)?;
    let (left, right) = (60.0, 1540.0);
    let mut y = 52.0 + sizes.title * 0.5;
    c.text(left, y, "Who is how loud: the layers of the band", Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.7;
    let from = super::page::heading::tape_line(&c, report, sizes.body, right - left);
    c.text(left, y, &from, Type::regular(sizes.body, SOFT_INK), Align::Left);
    for said in [
        "Loudness of each layer against the whole band (LU: 0 is as loud as all together). One column a part; estimated",
        "from the mix. Upright line: its uncertainty. Hatched: not heard over the others.",
    ] {
        y += sizes.small * 1.35;
        c.text(left, y, said, Type::regular(sizes.small, SOFT_INK), Align::Left);
    }
    let area = Area::new(left, y + 18.0, right - COLUMN_WIDTH - 24.0, 868.0);
    panel(&mut c, area, report, sizes);
    column(&mut c, Area::new(right - COLUMN_WIDTH, y + 18.0, right, 868.0), report);
    Ok(c.finish())
}

fn panel(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let line = sizes.small * LEADING;
    let strip_height = sizes.small * 1.7;
    let foot = 2.0 * line + 18.0 + strip_height;
    let inner = Area { left: area.left + sizes.small * GUTTER, bottom: area.bottom - foot, ..area };
    let time = Scale::new(0.0, report.tape.duration_s, inner.left, inner.right);
    let parts = parts(report);
    let height = inner.height() / LAYERS.len() as f32;
    for (index, layer) in LAYERS.iter().enumerate() {
        let top = inner.top + index as f32 * height;
        let lane = Area { top: top + 10.0, bottom: top + height - 4.0, ..inner };
        lane::draw(c, lane, time, *layer, &parts, area.left, sizes);
    }
    if parts.is_empty() {
        say_nothing(c, inner, report, sizes);
    }
    let strip_area = Area { top: inner.bottom, bottom: inner.bottom + strip_height, ..inner };
    strip::draw(c, strip_area, time, report, sizes);
    let foot = axes::draw_time_axis(c, strip_area, time, sizes, true);
    strip::key(c, area.left, foot - sizes.small * 0.3, report, sizes);
}

fn say_nothing(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let why = if report.takes.is_empty() { "no playing was found" } else { "the takes were not divided into parts" };
    let said = c.fonts().shorten_end(&format!("No layers to show: {why}."), Face::Regular, sizes.body, area.width());
    let (x, y) = ((area.left + area.right) / 2.0, (area.top + area.bottom) / 2.0);
    let room = c.sheet();
    c.text_if_free((x, y), &said, Type::regular(sizes.body, INK), Align::Centre, room, Some(super::theme::PAPER));
}

/// What the picture says, in words; what does not fit is left out, the first takes come first.
fn column(c: &mut Canvas, area: Area, report: &Report) {
    let size = WIDE_TYPE.small;
    let mut y = area.top + size;
    for (said, face) in sentences::sentences(report) {
        let lines = c.fonts().wrap(&said, face, size, area.width(), 6);
        if y + (lines.len() as f32 - 1.0) * size * LEADING > area.bottom {
            break;
        }
        for line in lines {
            let kind = if face == Face::Bold { Type::bold(size, INK) } else { Type::regular(size, INK) };
            c.text(area.left, y, &line, kind, Align::Left);
            y += size * LEADING;
        }
        y += size * if face == Face::Bold { 0.1 } else { 0.45 };
    }
}

/// A part's value for a layer, when it has one.
fn value(part: &Part, layer: Layer) -> Option<f64> {
    words::finite((layer.of)(part.re_band))
}
