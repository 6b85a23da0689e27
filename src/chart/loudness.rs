//! Loudness over the rehearsal: as a panel of the page and as a picture of its own.
//!
//! Conventions: levels in LUFS, a louder sound nearer 0. The dark line is short-term loudness (3 s), the pale line behind it
//! the loudest moment (0.4 s) of each hop; the blue bar is the integrated loudness of a take. A line is cut off where the
//! level leaves the scale, never bent to its edge.

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::curve;
use super::error::ChartError;
use super::strip;
use super::theme::{BLUE, GRID, INK, LEADING, PAPER, RULE, SOFT_INK, TypeSizes, WIDE_TYPE};
use super::words;
use crate::report::{Curves, Report};

/// Words of the level axis.
pub const AXIS_WORDS: &str = "Loudness (LUFS, a louder sound is nearer 0)";
/// What the three lines are.
pub const LINE_WORDS: &str =
    "Dark line: the last 3 seconds. Pale line: the loudest moment of each second. Blue bar and number: the whole take.";
/// The scale shows at most this much, so that silence does not flatten the music.
const LARGEST_SPAN_LU: f64 = 45.0;
/// And at least this much, so that breath does not look like a storm.
const SMALLEST_SPAN_LU: f64 = 20.0;
const STEP_LU: f64 = 5.0;

/// Room left of the plot for the numbers of the level axis.
pub fn gutter(sizes: &TypeSizes) -> f32 {
    sizes.small * 2.9
}

/// The picture of its own.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let mut c = Canvas::new(1600, 900, 100)?;
    let (left, right) = (60.0, 1540.0);
    let mut y = 52.0 + sizes.title * 0.5;
    c.text(left, y, "Loudness over the rehearsal", Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.7;
    let from = super::page::heading::tape_line(&c, report, sizes.body, right - left);
    c.text(left, y, &from, Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.small * 1.8;
    c.text(left, y, LINE_WORDS, Type::regular(sizes.small, SOFT_INK), Align::Left);
    panel(&mut c, Area::new(left, y + 22.0, right, 840.0), report, curves, sizes, true);
    Ok(c.finish())
}

/// Draws the panel into `area`; `with_strip` adds the strip of the rehearsal under the plot.
pub fn panel(c: &mut Canvas, area: Area, report: &Report, curves: &Curves, sizes: &TypeSizes, with_strip: bool) {
    let line = sizes.small * LEADING;
    c.text(area.left, area.top + sizes.small, AXIS_WORDS, Type::regular(sizes.small, SOFT_INK), Align::Left);
    let strip_height = if with_strip { sizes.small * 1.7 } else { 0.0 };
    let foot = 2.2 * line + 14.0 + strip_height;
    let plot = Area::new(area.left + gutter(sizes), area.top + line + 8.0, area.right, area.bottom - foot);
    let time = Scale::new(0.0, report.tape.duration_s, plot.left, plot.right);
    let data_top = plot.top + 2.0 * line + 10.0;
    match span(report, curves) {
        None => say_nothing(c, plot, report, sizes),
        Some((low, high)) => {
            let level = Scale::new(low, high, plot.bottom, data_top);
            draw_takes(c, plot, time, report);
            draw_level_axis(c, plot, level, sizes);
            draw_curves(c, Area { top: data_top - 6.0, ..plot }, time, level, curves);
            draw_take_levels(c, plot, time, level, report);
        }
    }
    label_takes(c, plot, time, report, sizes);
    c.level(plot.left, plot.right, plot.bottom - 1.0, 2.0, SOFT_INK);
    let strip_area = Area { top: plot.bottom, bottom: plot.bottom + strip_height, ..plot };
    if with_strip {
        strip::draw(c, strip_area, time, report, sizes, true);
    }
    axes::draw_time_axis(c, Area { bottom: strip_area.bottom, ..plot }, time, sizes, false);
}

/// Lowest and highest level shown; `None` when there is nothing to show.
fn span(report: &Report, curves: &Curves) -> Option<(f64, f64)> {
    let takes = report.takes.iter().filter_map(|t| words::finite(&t.loudness.integrated_lufs));
    let lines = curves.short_term_lufs.iter().chain(&curves.momentary_max_lufs).flatten().copied();
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
    let said = format!("No loudness to show: {}", words::reason_in_words(reason.unwrap_or("no_signal")));
    let middle = ((plot.left + plot.right) / 2.0, (plot.top + plot.bottom) / 2.0 + sizes.body);
    let said = c.fonts().shorten_end(&words::sentence(&said), super::text::Face::Regular, sizes.body, plot.width() - 20.0);
    c.text(middle.0, middle.1, &said, Type::regular(sizes.body, INK), Align::Centre);
}

fn draw_takes(c: &mut Canvas, plot: Area, time: Scale, report: &Report) {
    for take in &report.takes {
        let shade = Area { left: time.at(take.start_s).max(plot.left), right: time.at(take.end_s).min(plot.right), ..plot };
        c.fill(shade, BLUE.tint(12));
        c.upright(shade.left, plot.top, plot.bottom, 2.0, BLUE.tint(45));
    }
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

fn draw_curves(c: &mut Canvas, plot: Area, time: Scale, level: Scale, curves: &Curves) {
    let (from, to) = time.range();
    let shared = curve::entries_per_column(to - from, curves.hop_s, plot.width());
    for run in curve::runs(&curves.momentary_max_lufs, curves.hop_s, shared) {
        let points: Vec<_> = run.iter().map(|p| (time.at(p.at_s), level.at(p.high))).collect();
        c.curve(&points, 1.5, RULE, plot);
    }
    for run in curve::runs(&curves.short_term_lufs, curves.hop_s, shared) {
        for p in run.iter().filter(|p| p.high > p.low) {
            let (top, bottom) = (level.at(p.high).max(plot.top), level.at(p.low).min(plot.bottom));
            c.upright(time.at(p.at_s), top, bottom, 1.0, SOFT_INK);
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
            let bar = Area::new(left, y - 3.0, right, y + 3.0);
            c.fill(bar.grown(1.5), PAPER);
            c.fill(bar, BLUE);
        }
    }
}

/// Number and title of each take in the first line of the plot, its level in the second, where they fit.
fn label_takes(c: &mut Canvas, plot: Area, time: Scale, report: &Report, sizes: &TypeSizes) {
    let first = plot.top + sizes.small * 1.05;
    let second = first + sizes.small * LEADING;
    for (index, take) in report.takes.iter().enumerate() {
        let (left, right) = (time.at(take.start_s), time.at(take.end_s).min(plot.right));
        let room = Area { left, right: right.max(left), ..plot };
        let number = Type::bold(sizes.small, BLUE);
        let at = c.text_if_free((left + 10.0, first), &(index + 1).to_string(), number, Align::Left, room, None);
        if let Some(at) = at {
            let title = c.fonts().shorten_end(&take.title, super::text::Face::Regular, sizes.small, right - at.right - 16.0);
            if title == take.title || title.chars().count() > 7 {
                let kind = Type::regular(sizes.small, INK);
                c.text_if_free((at.right + 10.0, first), &title, kind, Align::Left, room, None);
            }
        }
        let said = match words::finite(&take.loudness.integrated_lufs) {
            Some(value) => words::number(value, 1, false),
            None => "not said".to_owned(),
        };
        let full = format!("{said} LUFS");
        let known = words::finite(&take.loudness.integrated_lufs).is_some();
        let fits = known && c.text_width(&full, number) < room.width() - 20.0;
        c.text_if_free((left + 10.0, second), if fits { &full } else { &said }, number, Align::Left, room, None);
    }
}
