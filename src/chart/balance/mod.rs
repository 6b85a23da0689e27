//! Balance: the band's third-octave levels beside the target, as a panel of the page and as a picture of its own.
//!
//! Conventions: levels in dB against the band's middle range (400 to 2500 Hz); one step a third-octave band. What lies
//! beyond the target's usual spread is filled: more with rising lines, less with dots. Where the recorder hears nothing the
//! sheet is grey and hatched, and no level is drawn.

mod labels;
mod sentences;

pub use sentences::{low_end_sentence, unheard_sentence};

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::text::Face;
use super::theme::{Colour, GRID, INK, LEADING, ORANGE, Pattern, RULE, SKY, SOFT_INK, TypeSizes, UNHEARD, WIDE_TYPE};
use super::wide::{self, LEFT, RIGHT};
use super::words;
use crate::report::{Report, ThirdOctave};

/// Words of the level axis.
pub const AXIS_WORDS: &str = "Level of each band (dB, 0 is the band's middle range)";
/// Half a third-octave band, as a factor (IEC 61260-1, base 10).
const HALF_BAND_RATIO: f64 = 1.122_018_454; // 10^(1/20)
/// Sentences beside the plot of the own picture.
const COLUMN_WIDTH: f32 = 350.0;
const LARGEST_SPAN_DB: f64 = 60.0;
const STEP_DB: f64 = 5.0;
/// Regions of the axis in plain words, with their upper ends in Hz.
const REGIONS: [(&str, f64); 4] = [("deep", 80.0), ("bass", 315.0), ("middle", 2500.0), ("treble", f64::INFINITY)];
/// Octaves that carry a number.
const NUMBERED_HZ: [(f64, &str); 10] = [
    (31.5, "31"),
    (63.0, "63"),
    (125.0, "125"),
    (250.0, "250"),
    (500.0, "500"),
    (1000.0, "1k"),
    (2000.0, "2k"),
    (4000.0, "4k"),
    (8000.0, "8k"),
    (16000.0, "16k"),
];

/// Where everything of one panel lies.
struct Frame {
    plot: Area,
    octave: Scale,
    level: Scale,
    heard: (f64, f64),
}

impl Frame {
    fn x(&self, hz: f64) -> f32 {
        self.octave.at(hz.log2()).clamp(self.plot.left, self.plot.right)
    }

    fn y(&self, db: f64) -> f32 {
        self.level.at(db).clamp(self.plot.top, self.plot.bottom)
    }

    /// The band's upright stripe.
    fn stripe(&self, band: &ThirdOctave) -> Area {
        let (left, right) = (self.x(band.mid_hz / HALF_BAND_RATIO), self.x(band.mid_hz * HALF_BAND_RATIO));
        Area { left, right, ..self.plot }
    }

    /// The band's level when the recorder hears the band.
    fn level_of(&self, band: &ThirdOctave) -> Option<f64> {
        let inside = band.mid_hz >= self.heard.0 && band.mid_hz <= self.heard.1;
        band.level_db.filter(|v| v.is_finite() && inside)
    }
}

/// The picture of its own.
pub fn draw(report: &Report) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let (left, right) = (LEFT, RIGHT);
    let (mut c, mut y) = wide::begin("Balance of the band over the takes", report, &[])?;
    y += sizes.body * 1.6;
    let said = low_end_sentence(&report.balance);
    let said = c.fonts().shorten_end(&said, Face::Bold, sizes.body, right - left);
    c.text(left, y, &said, Type::bold(sizes.body, INK), Align::Left);
    let column = Area::new(right - COLUMN_WIDTH, y + 22.0, right, 868.0);
    panel(&mut c, Area { left, right: column.left - 20.0, ..column }, report, sizes);
    let mut y = column.top + sizes.small * LEADING + 14.0 + sizes.small * 0.8;
    for said in sentences::sentences(report) {
        for line in c.fonts().wrap(&said, Face::Regular, sizes.small, column.width(), 4) {
            if y < column.bottom {
                c.text(column.left, y, &line, Type::regular(sizes.small, INK), Align::Left);
            }
            y += sizes.small * LEADING;
        }
        y += sizes.small * 0.6;
    }
    Ok(c.finish())
}

/// Draws the panel into `area`.
pub fn panel(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let line = sizes.small * LEADING;
    c.text(area.left, area.top + sizes.small, AXIS_WORDS, Type::regular(sizes.small, SOFT_INK), Align::Left);
    let side = sizes.small * 6.4;
    let top = area.top + line + 14.0;
    let plot = Area::new(area.left + sizes.small * 2.6, top, area.right - side, area.bottom - 2.0 * line - 6.0);
    let bands: Vec<&ThirdOctave> =
        report.balance.third_octave.iter().filter(|b| b.mid_hz.is_finite() && b.mid_hz > 0.0).collect();
    let Some(frame) = frame(plot, report, &bands) else {
        say_nothing(c, plot, report, sizes);
        return;
    };
    draw_unheard(c, &frame, &bands);
    draw_axes(c, &frame, sizes);
    draw_target(c, &frame, &bands);
    draw_levels(c, &frame, &bands);
    labels::label_unheard(c, &frame, &bands, sizes);
    labels::label_lines(c, &frame, &bands, sizes, area.right);
    labels::label_beyond(c, &frame, &bands, sizes);
}

fn frame(plot: Area, report: &Report, bands: &[&ThirdOctave]) -> Option<Frame> {
    let (first, last) = (bands.first()?.mid_hz / HALF_BAND_RATIO, bands.last()?.mid_hz * HALF_BAND_RATIO);
    let heard = (
        words::finite(&report.health.low_cut_hz).unwrap_or(0.0),
        words::finite(&report.health.high_cut_hz).unwrap_or(f64::INFINITY),
    );
    let octave = Scale::new(first.log2(), last.log2(), plot.left, plot.right);
    let mut frame = Frame { plot, octave, level: Scale::new(0.0, 1.0, plot.bottom, plot.top), heard };
    let levels: Vec<f64> = bands.iter().filter_map(|b| frame.level_of(b)).collect();
    if levels.is_empty() {
        return None;
    }
    let targets = bands.iter().flat_map(|b| [b.target_low_db, b.target_high_db]).flatten().filter(|v| v.is_finite());
    let all: Vec<f64> = levels.iter().copied().chain(targets).collect();
    let highest = all.iter().copied().reduce(f64::max)?;
    let lowest = all.iter().copied().reduce(f64::min)?;
    let high = ((highest + 1.0) / STEP_DB).ceil() * STEP_DB;
    let low = (lowest.max(high - LARGEST_SPAN_DB) / STEP_DB).floor() * STEP_DB;
    frame.level = Scale::new(low, high, plot.bottom, plot.top);
    Some(frame)
}

fn say_nothing(c: &mut Canvas, plot: Area, report: &Report, sizes: &TypeSizes) {
    c.frame(plot, 1.0, GRID);
    let reason = words::why_absent(&report.balance.low_end_excess_db);
    let said = format!("No balance to show: {reason}.");
    let lines = c.fonts().wrap(&said, Face::Regular, sizes.body, plot.width() - 40.0, 3);
    let mut y = (plot.top + plot.bottom) / 2.0 - (lines.len() as f32 - 1.0) * sizes.body * LEADING / 2.0;
    for line in lines {
        c.text((plot.left + plot.right) / 2.0, y, &line, Type::regular(sizes.body, INK), Align::Centre);
        y += sizes.body * LEADING;
    }
}

/// Stretches of neighbouring bands that are not heard.
fn unheard(frame: &Frame, bands: &[&ThirdOctave]) -> Vec<Area> {
    let mut areas: Vec<Area> = Vec::new();
    for band in bands.iter().filter(|b| frame.level_of(b).is_none()) {
        let stripe = frame.stripe(band);
        match areas.last_mut() {
            Some(last) if (last.right - stripe.left).abs() < 1.5 => last.right = stripe.right,
            _ => areas.push(stripe),
        }
    }
    areas
}

fn draw_unheard(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave]) {
    for area in unheard(frame, bands) {
        c.fill(area, UNHEARD);
        c.pattern(area, Pattern::Falling, Colour(214, 210, 204));
    }
}

fn draw_axes(c: &mut Canvas, frame: &Frame, sizes: &TypeSizes) {
    let plot = frame.plot;
    let (low, high) = frame.level.range();
    let kind = Type::regular(sizes.small, SOFT_INK);
    let most = (plot.height() / (sizes.small * 1.9)) as usize;
    for value in axes::round_steps(low, high, most.clamp(1, 8)) {
        let y = frame.y(value);
        c.level(plot.left, plot.right, y, if value == 0.0 { 2.0 } else { 1.0 }, GRID);
        c.text(plot.left - 10.0, y + sizes.small * 0.36, &words::number(value, 0, true), kind, Align::Right);
    }
    let first = plot.bottom + sizes.small * 1.15;
    let (from, to) = frame.octave.range();
    let room = Area { left: plot.left - 30.0, right: plot.right + 30.0, ..c.sheet() };
    for (hz, name) in NUMBERED_HZ.iter().filter(|(hz, _)| hz.log2() >= from && hz.log2() <= to) {
        let x = frame.x(*hz);
        c.upright(x, plot.bottom, plot.bottom + 7.0, 2.0, SOFT_INK);
        c.text_if_free((x, first), name, kind, Align::Centre, room, None);
    }
    c.text_if_free((plot.right + 34.0, first), "Hz", kind, Align::Left, c.sheet(), None);
    let second = first + sizes.small * 1.25;
    let mut left = plot.left;
    for (name, end) in REGIONS {
        let right = if end.is_finite() { frame.x(end) } else { plot.right };
        let room = Area { left, right, ..c.sheet() };
        c.text_if_free(
            ((left + right) / 2.0, second),
            name,
            Type::regular(sizes.small, INK),
            Align::Centre,
            room,
            None,
        );
        if end.is_finite() && right > plot.left && right < plot.right {
            c.upright(right, second - sizes.small * 0.8, second + sizes.small * 0.2, 2.0, RULE);
        }
        left = right.max(left);
    }
    c.level(plot.left, plot.right, plot.bottom - 1.0, 2.0, SOFT_INK);
}

fn draw_target(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave]) {
    for band in bands {
        let stripe = frame.stripe(band);
        if let (Some(low), Some(high)) = (finite(band.target_low_db), finite(band.target_high_db)) {
            c.fill(Area { top: frame.y(high), bottom: frame.y(low), ..stripe }, INK.tint(16));
        }
        if let Some(target) = finite(band.target_db) {
            c.level_dashed(stripe.left, stripe.right, frame.y(target) - 1.0, 2.0, 7.0, SOFT_INK);
        }
    }
}

fn draw_levels(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave]) {
    for band in bands {
        let Some(level) = frame.level_of(band) else { continue };
        let stripe = frame.stripe(band);
        if let Some(high) = finite(band.target_high_db).filter(|h| level > *h) {
            let area = Area { top: frame.y(level), bottom: frame.y(high), ..stripe };
            c.fill(area, ORANGE.tint(45));
            c.pattern(area, Pattern::Rising, ORANGE);
        }
        if let Some(low) = finite(band.target_low_db).filter(|l| level < *l) {
            let area = Area { top: frame.y(low), bottom: frame.y(level), ..stripe };
            c.fill(area, SKY.tint(30));
            c.pattern(area, Pattern::Dots, SKY);
        }
    }
    let mut before: Option<f32> = None;
    for band in bands {
        // A level below the scale leaves the plot; it is never bent to its edge.
        let Some(level) = frame.level_of(band).filter(|v| *v >= frame.level.range().0) else {
            before = None;
            continue;
        };
        let (stripe, y) = (frame.stripe(band), frame.y(level));
        if let Some(b) = before {
            c.fill(Area::new(stripe.left - 1.0, b.min(y) - 2.0, stripe.left + 2.0, b.max(y) + 2.0), INK);
        }
        c.fill(Area::new(stripe.left - 1.0, y - 2.0, stripe.right + 1.0, y + 2.0), INK);
        before = Some(y);
    }
}

fn finite(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite())
}
