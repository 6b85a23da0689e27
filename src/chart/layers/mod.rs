//! Layers: how loud bass, drums, comping and horns stand in the band, part by part.
//!
//! Conventions: LU against the loudness of the whole band, one lane a layer; the top of a lane is as loud as the band. A
//! column is a part of a take, the upright line through its top holds the truth 95 times in 100. A hatched column stands
//! for a layer that is not heard over the others, an empty place for one that does not play.

mod lane;
mod sentences;

use super::axes::{self, Scale};
use super::canvas::{Area, Canvas, Drawn};
use super::error::ChartError;
use super::strip;
use super::theme::{BLUE, Colour, LEADING, ORANGE, PURPLE, SKY, TypeSizes, WIDE_TYPE};
use super::wide::{self, LEFT, RIGHT};
use super::words;
use crate::report::{LayerLevels, PartFacts, Report};
use crate::stats::Measured;

/// Sentences beside the lanes.
const COLUMN_WIDTH: f32 = 356.0;
/// Room left of the lanes, in type sizes.
const GUTTER: f32 = 8.6;

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
    let key = [
        "Loudness of each layer against the whole band (LU: 0 is as loud as all together). One column a part; estimated",
        "from the mix unless the words say otherwise. Upright line: its uncertainty. Hatched: not heard over the others.",
    ];
    let (mut c, y) = wide::begin("Who is how loud: the layers of the band", report, &key)?;
    let area = Area::new(LEFT, y + 18.0, RIGHT - COLUMN_WIDTH - 24.0, 868.0);
    panel(&mut c, area, report, &LAYERS, &WIDE_TYPE);
    wide::column(&mut c, Area::new(RIGHT - COLUMN_WIDTH, y + 18.0, RIGHT, 868.0), &sentences::sentences(report));
    Ok(c.finish())
}

/// The lane of one layer, for a player's sheet.
pub fn layer_panel(c: &mut Canvas, area: Area, report: &Report, name: &str, sizes: &TypeSizes) {
    let own: Vec<Layer> = LAYERS.iter().filter(|l| l.name == name).copied().collect();
    panel(c, area, report, &own, sizes);
}

fn panel(c: &mut Canvas, area: Area, report: &Report, layers: &[Layer], sizes: &TypeSizes) {
    let line = sizes.small * LEADING;
    let strip_height = sizes.small * 1.7;
    let foot = 2.0 * line + 18.0 + strip_height;
    let inner = Area { left: area.left + sizes.small * GUTTER, bottom: area.bottom - foot, ..area };
    let time = Scale::new(0.0, report.tape.duration_s, inner.left, inner.right);
    let parts = parts(report);
    let height = inner.height() / layers.len().max(1) as f32;
    for (index, layer) in layers.iter().enumerate() {
        let top = inner.top + index as f32 * height;
        let lane = Area { top: top + 10.0, bottom: top + height - 4.0, ..inner };
        lane::draw(c, lane, time, *layer, &parts, area.left, sizes);
    }
    if parts.is_empty() {
        let why =
            if report.takes.is_empty() { "no playing was found" } else { "the takes were not divided into parts" };
        wide::say_nothing(c, inner, &format!("No layers to show: {why}."), sizes);
    }
    let strip_area = Area { top: inner.bottom, bottom: inner.bottom + strip_height, ..inner };
    strip::draw(c, strip_area, time, report, sizes);
    let foot = axes::draw_time_axis(c, strip_area, time, sizes, true);
    strip::key(c, area.left, foot - sizes.small * 0.3, report, sizes);
}

/// A part's value for a layer, when it has one.
fn value(part: &Part, layer: Layer) -> Option<f64> {
    words::finite((layer.of)(part.re_band))
}
