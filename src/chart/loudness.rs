//! Loudness over the rehearsal: as a panel of the page and as a picture of its own.
//!
//! Conventions: levels in LUFS, a louder sound nearer 0. The dark line is short-term loudness (3 s), the pale line behind it
//! the loudest moment (0.4 s) of each hop; the thick bar is the integrated loudness of a take. A line is cut off where the
//! level leaves the scale, never bent to its edge.

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::curve;
use super::error::ChartError;
use super::strip;
use super::theme::{BLUE, GRID, INK, LEADING, RULE, SOFT_INK, TypeSizes, WIDE_TYPE};
use super::wide::{self, LEFT, RIGHT};
use super::words;
use crate::report::{Curves, Report};

/// Words of the level axis.
pub const AXIS_WORDS: &str = "Loudness (LUFS, a louder sound is nearer 0)";
/// What the lines are.
const LINE_WORDS: &str = "Dark line: the last 3 seconds. Pale: the loudest moment of each second. Thick bar: the whole take. Thin upright: a part.";
/// The same for the page, which leaves the pale line out.
const SHORT_LINE_WORDS: &str = "dark line: the last 3 seconds; thick bar: the whole take";
/// The scale shows at most this much, so that silence does not flatten the music.
const LARGEST_SPAN_LU: f64 = 45.0;
/// And at least this much, so that breath does not look like a storm.
const SMALLEST_SPAN_LU: f64 = 20.0;
const STEP_LU: f64 = 5.0;

/// How much the panel shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Detail {
    /// On the page: under the strip of the rehearsal, titles in the table.
    Calm,
    /// On its own: loudest moments, titles, and a strip under the plot.
    Full,
}

/// Room left of the plot for the numbers of the level axis.
pub fn gutter(sizes: &TypeSizes) -> f32 {
    sizes.small * 2.9
}

/// The picture of its own.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let (mut c, y) = wide::begin("Loudness over the rehearsal", report, &[LINE_WORDS])?;
    panel(&mut c, Area::new(LEFT, y + 22.0, RIGHT, 868.0), report, curves, &WIDE_TYPE, Detail::Full);
    Ok(c.finish())
}

/// Draws the panel into `area`.
pub fn panel(c: &mut Canvas, area: Area, report: &Report, curves: &Curves, sizes: &TypeSizes, detail: Detail) {
    let full = detail == Detail::Full;
    let line = sizes.small * LEADING;
    let words = if full { AXIS_WORDS.to_owned() } else { format!("{AXIS_WORDS}; {SHORT_LINE_WORDS}") };
    c.text(area.left, area.top + sizes.small, &words, Type::regular(sizes.small, SOFT_INK), Align::Left);
    let strip_height = if full { sizes.small * 1.7 } else { 0.0 };
    let foot = if full { 2.2 * line + 18.0 + strip_height } else { line + 18.0 };
    let plot = Area::new(area.left + gutter(sizes), area.top + line + 8.0, area.right, area.bottom - foot);
    let time = Scale::new(0.0, report.tape.duration_s, plot.left, plot.right);
    let data_top = plot.top + if full { 2.0 } else { 1.0 } * line + 12.0;
    match span(report, curves, full) {
        None => say_nothing(c, plot, report, sizes),
        Some((low, high)) => {
            let level = Scale::new(low, high, plot.bottom, data_top);
            draw_takes(c, plot, time, report);
            draw_level_axis(c, plot, level, sizes);
            draw_take_levels(c, plot, time, level, report);
            draw_curves(c, Area { top: data_top - 6.0, ..plot }, time, level, curves, full);
        }
    }
    label_takes(c, plot, time, report, sizes, detail);
    strip::part_labels(c, plot, time, report, sizes);
    c.level(plot.left, plot.right, plot.bottom - 1.0, 2.0, SOFT_INK);
    let strip_area = Area { top: plot.bottom, bottom: plot.bottom + strip_height, ..plot };
    if full {
        strip::draw(c, strip_area, time, report, sizes);
    }
    let foot = axes::draw_time_axis(c, Area { bottom: strip_area.bottom, ..plot }, time, sizes, full);
    if full {
        strip::key(c, plot.left, foot - sizes.small * 0.3, report, sizes);
    }
}

/// Lowest and highest level shown; `None` when there is nothing to show.
fn span(report: &Report, curves: &Curves, moments: bool) -> Option<(f64, f64)> {
    let takes = report.takes.iter().filter_map(|t| words::finite(&t.loudness.integrated_lufs));
    let moments = if moments { curves.momentary_max_lufs.as_slice() } else { &[] };
    let lines = curves.short_term_lufs.iter().chain(moments).flatten().copied();
    let values: Vec<f64> = lines.chain(takes).filter(|v| v.is_finite()).collect();
    let highest = values.iter().copied().reduce(f64::max)?;
    let lowest = values.iter().copied().reduce(f64::min)?;
    let high = (highest / STEP_LU).ceil() * STEP_LU;
    let low = (lowest.max(high - LARGEST_SPAN_LU) / STEP_LU).floor() * STEP_LU;
    Some((low.min(high - SMALLEST_SPAN_LU), high))
}

fn say_nothing(c: &mut Canvas, plot: Area, report: &Report, sizes: &TypeSizes) {
    c.frame(plot, 1.0, GRID);
    let reason = report.takes.iter().find_map(|t| t.loudness.integrated_lufs.reason.as_deref());
    let reason = reason.map_or("nothing on this tape was loud enough to measure".to_owned(), words::reason_in_words);
    let said = format!("No loudness to show: {reason}");
    let middle = ((plot.left + plot.right) / 2.0, (plot.top + plot.bottom) / 2.0 + sizes.body);
    let said =
        c.fonts().shorten_end(&words::sentence(&said), super::text::Face::Regular, sizes.body, plot.width() - 20.0);
    c.text(middle.0, middle.1, &said, Type::regular(sizes.body, INK), Align::Centre);
}

fn draw_takes(c: &mut Canvas, plot: Area, time: Scale, report: &Report) {
    for take in &report.takes {
        let shade =
            Area { left: time.at(take.start_s).max(plot.left), right: time.at(take.end_s).min(plot.right), ..plot };
        c.fill(shade, BLUE.tint(12));
        c.upright(shade.left, plot.top, plot.bottom, 2.0, BLUE.tint(45));
    }
    strip::part_lines(c, plot, time, report);
}

fn draw_level_axis(c: &mut Canvas, plot: Area, level: Scale, sizes: &TypeSizes) {
    let (low, high) = level.range();
    let most = (plot.height() / (sizes.small * 1.9)) as usize;
    for value in axes::round_steps(low, high, most.clamp(1, 8)) {
        let y = level.at(value);
        c.level(plot.left, plot.right, y, 1.0, GRID);
        let kind = Type::regular(sizes.small, SOFT_INK);
        let room = c.sheet();
        let at = (plot.left - 12.0, y + sizes.small * 0.36);
        c.text_if_free(at, &words::number(value, 0, false), kind, Align::Right, room, None);
    }
}

fn draw_curves(c: &mut Canvas, plot: Area, time: Scale, level: Scale, curves: &Curves, moments: bool) {
    let (from, to) = time.range();
    let shared = curve::entries_per_column(to - from, curves.hop_s, plot.width());
    let pale = if moments { curves.momentary_max_lufs.as_slice() } else { &[] };
    for run in curve::runs(pale, curves.hop_s, shared) {
        let points: Vec<_> = run.iter().map(|p| (time.at(p.at_s), level.at(p.high))).collect();
        c.curve(&points, 1.5, RULE, plot);
    }
    for run in curve::runs(&curves.short_term_lufs, curves.hop_s, shared) {
        for p in run.iter().filter(|p| p.high > p.low) {
            let (top, bottom) = (level.at(p.high).max(plot.top), level.at(p.low).min(plot.bottom));
            c.upright(time.at(p.at_s), top, bottom, 1.0, RULE);
        }
        let points: Vec<_> = run.iter().map(|p| (time.at(p.at_s), level.at(p.mean))).collect();
        c.curve(&points, 2.6, INK, plot);
    }
}

fn draw_take_levels(c: &mut Canvas, plot: Area, time: Scale, level: Scale, report: &Report) {
    for take in &report.takes {
        let Some(value) = words::finite(&take.loudness.integrated_lufs) else { continue };
        let y = level.at(value);
        if y < plot.bottom - 4.0 {
            let (left, right) = (time.at(take.start_s), time.at(take.end_s).min(plot.right));
            c.fill(Area::new(left, y - 4.0, right, y + 4.0), BLUE.tint(85));
        }
    }
}

/// Number of each take with its level, and in full detail its title, where they fit above the curves.
fn label_takes(c: &mut Canvas, plot: Area, time: Scale, report: &Report, sizes: &TypeSizes, detail: Detail) {
    let first = plot.top + sizes.small * 1.05;
    let number = Type::bold(sizes.small, BLUE);
    for (index, take) in report.takes.iter().enumerate() {
        let left = time.at(take.start_s);
        // A short take's words may run on above the talk that follows it, up to the next take.
        let next = report.takes.get(index + 1).map_or(plot.right, |t| time.at(t.start_s) - 6.0);
        let room = Area { left, right: next.clamp(left, plot.right.max(left)), ..plot };
        let name = (index + 1).to_string();
        let said = words::finite(&take.loudness.integrated_lufs)
            .map_or_else(|| "not said".to_owned(), |value| words::number(value, 1, false));
        if detail == Detail::Calm {
            let both = format!("{name}: {said}");
            let words = if c.text_width(&both, number) < room.width() - 14.0 { both } else { name };
            c.text_if_free((left + 7.0, first), &words, number, Align::Left, room, None);
            continue;
        }
        let at = c.text_if_free((left + 10.0, first), &name, number, Align::Left, room, None);
        if let Some(at) = at {
            strip::title(c, at.right + 10.0, first, &take.title, Type::regular(sizes.small, INK), room);
        }
        let second = first + sizes.small * LEADING;
        let with_unit = format!("{said} LUFS");
        let known = words::finite(&take.loudness.integrated_lufs).is_some();
        let fits = known && c.text_width(&with_unit, number) < room.width() - 20.0;
        c.text_if_free((left + 10.0, second), if fits { &with_unit } else { &said }, number, Align::Left, room, None);
    }
}
