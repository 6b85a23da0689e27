//! The tempo panel: takes shaded, the local tempo, the drift, the bars that slipped.

use super::super::axes::{self, Scale};
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::curve;
use super::super::strip;
use super::super::theme::{BLUE, GRID, INK, LEADING, ORANGE, PAPER, RULE, SOFT_INK, TypeSizes};
use super::super::wide;
use super::super::words;
use crate::report::{Curves, Report, TakeFacts};

/// The scale shows at least and at most this much to each side, percent.
const LEAST_REACH_PERCENT: f64 = 5.0;
const LARGEST_REACH_PERCENT: f64 = 30.0;
/// Room left of the plot, in type sizes.
const GUTTER: f32 = 7.6;
const MARK: f32 = 7.0;

struct Frame {
    plot: Area,
    time: Scale,
    percent: Scale,
}

/// Draws the panel into `area`.
pub fn panel(c: &mut Canvas, area: Area, report: &Report, curves: &Curves, sizes: &TypeSizes) {
    let line = sizes.small * LEADING;
    let strip_height = sizes.small * 1.7;
    let foot = 2.0 * line + 18.0 + strip_height;
    let plot =
        Area { left: area.left + sizes.small * GUTTER, top: area.top + line + 8.0, bottom: area.bottom - foot, ..area };
    let time = Scale::new(0.0, report.tape.duration_s, plot.left, plot.right);
    let reach = reach(report, curves);
    let f = Frame { plot, time, percent: Scale::new(-reach, reach, plot.bottom, plot.top) };
    for take in &report.takes {
        let (left, right) = (time.at(take.start_s).max(plot.left), time.at(take.end_s).min(plot.right));
        c.fill(Area { left, right, ..plot }, BLUE.tint(10));
        c.upright(left, plot.top, plot.bottom, 2.0, BLUE.tint(40));
    }
    strip::part_lines(c, plot, time, report);
    draw_axis(c, &f, area.left, sizes);
    if report.takes.iter().any(|t| words::finite(&t.tempo.bpm).is_some()) {
        for take in &report.takes {
            draw_take(c, &f, take, curves);
        }
        draw_slips(c, &f, report, sizes);
    } else {
        say_nothing(c, plot, report, sizes);
    }
    label_takes(c, &f, report, sizes);
    strip::part_labels(c, plot, time, report, sizes);
    let strip = Area { top: plot.bottom, bottom: plot.bottom + strip_height, ..plot };
    strip::draw(c, strip, time, report, sizes);
    let foot = axes::draw_time_axis(c, strip, time, sizes, true);
    strip::key(c, area.left, foot - sizes.small * 0.3, report, sizes);
}

/// Local tempo of a take in percent of its own: one entry a hop of the curve, absent outside the take.
fn percent_curve(take: &TakeFacts, curves: &Curves) -> Vec<Option<f64>> {
    let Some(bpm) = words::finite(&take.tempo.bpm).filter(|b| *b > 0.0) else { return Vec::new() };
    let inside = |i: usize| {
        let at = (i as f64 + 0.5) * curves.hop_s;
        at >= take.start_s && at < take.end_s
    };
    let entry = |(i, v): (usize, &Option<f64>)| v.filter(|_| inside(i)).map(|v| 100.0 * (v / bpm - 1.0));
    curves.tempo_bpm.iter().enumerate().map(entry).collect()
}

fn reach(report: &Report, curves: &Curves) -> f64 {
    let mut largest = LEAST_REACH_PERCENT - 0.5;
    for take in &report.takes {
        let drift = words::finite(&take.tempo.drift_percent).map(|d| d / 2.0);
        let all = percent_curve(take, curves).into_iter().flatten().chain(drift);
        largest = all.filter(|v| v.is_finite()).map(f64::abs).fold(largest, f64::max);
    }
    (((largest + 0.5) / LEAST_REACH_PERCENT).ceil() * LEAST_REACH_PERCENT).min(LARGEST_REACH_PERCENT)
}

fn draw_axis(c: &mut Canvas, f: &Frame, left: f32, sizes: &TypeSizes) {
    let (low, high) = f.percent.range();
    let kind = Type::regular(sizes.small, SOFT_INK);
    for value in axes::round_steps(low, high, 6) {
        let y = f.percent.at(value);
        let middle = value == 0.0;
        c.level(f.plot.left, f.plot.right, y - 1.0, if middle { 3.0 } else { 1.0 }, if middle { RULE } else { GRID });
        let said = if middle { "0 %".to_owned() } else { format!("{} %", words::number(value, 0, true)) };
        let room = c.sheet();
        c.text_if_free((f.plot.left - 12.0, y + sizes.small * 0.36), &said, kind, Align::Right, room, Some(PAPER));
    }
    for (said, baseline) in [("faster", f.plot.top - 8.0), ("slower", f.plot.bottom + sizes.small)] {
        let room = c.sheet();
        c.text_if_free((left, baseline), said, Type::regular(sizes.small, INK), Align::Left, room, None);
    }
}

fn draw_take(c: &mut Canvas, f: &Frame, take: &TakeFacts, curves: &Curves) {
    let (from, to) = f.time.range();
    if let (Some(_), Some(drift)) = (words::finite(&take.tempo.bpm), words::finite(&take.tempo.drift_percent)) {
        let beats = &take.tempo.beat_times_s;
        if let (Some(first), Some(last)) = (beats.first(), beats.last()) {
            let ends = [(*first, -drift / 2.0), (*last, drift / 2.0)];
            let points: Vec<_> = ends.iter().map(|(t, p)| (f.time.at(*t), f.percent.at(*p))).collect();
            c.curve(&points, 5.0, BLUE.tint(55), f.plot);
        }
    }
    let percent = percent_curve(take, curves);
    let shared = curve::entries_per_column(to - from, curves.hop_s, f.plot.width());
    for run in curve::runs(&percent, curves.hop_s, shared) {
        let points: Vec<_> = run.iter().map(|p| (f.time.at(p.at_s), f.percent.at(p.mean))).collect();
        c.curve(&points, 2.4, INK, f.plot);
    }
}

/// A mark on the tempo with the bar's number, where there is room for it.
fn draw_slips(c: &mut Canvas, f: &Frame, report: &Report, sizes: &TypeSizes) {
    let (low, high) = f.percent.range();
    for slip in report.takes.iter().flat_map(|t| &t.time_detail.slipped_bars) {
        let Some(change) = words::finite(&slip.change_percent) else { continue };
        let (x, y) = (f.time.at((slip.start_s + slip.end_s) / 2.0), f.percent.at(change.clamp(low, high)));
        c.dot(x, y, MARK, INK);
        c.dot(x, y, MARK - 2.5, ORANGE);
        let said = format!("bar {}", slip.bar);
        let room = Area { top: f.plot.top + 2.0, bottom: f.plot.bottom - 2.0, ..f.plot };
        let kind = Type::regular(sizes.small, INK);
        let (above, below) = (y - MARK - 5.0, y + MARK + sizes.small * 0.9);
        // Away from the middle first, towards it where the sheet ends.
        for baseline in if change > 0.0 { [above, below] } else { [below, above] } {
            if c.text_if_free((x, baseline), &said, kind, Align::Centre, room, None).is_some() {
                break;
            }
        }
    }
}

/// Number of each take with its tempo above the plot, where there is room.
fn label_takes(c: &mut Canvas, f: &Frame, report: &Report, sizes: &TypeSizes) {
    for (index, take) in report.takes.iter().enumerate() {
        let left = f.time.at(take.start_s);
        let next = report.takes.get(index + 1).map_or(f.plot.right, |t| (f.time.at(t.start_s) - 8.0).min(f.plot.right));
        let room = Area::new(left, f.plot.top - sizes.small * 1.6, next, f.plot.top + sizes.small);
        let kind = Type::bold(sizes.small, BLUE);
        let tempo = words::finite(&take.tempo.bpm)
            .map_or_else(|| "no steady tempo".to_owned(), |bpm| format!("{} bpm", words::number(bpm, 0, false)));
        let number = (index + 1).to_string();
        let both = format!("{number}: {tempo}");
        let words = if c.text_width(&both, kind) < room.width() - 4.0 { both } else { number };
        c.text_if_free((left + 2.0, f.plot.top - 8.0), &words, kind, Align::Left, room, None);
    }
}

fn say_nothing(c: &mut Canvas, plot: Area, report: &Report, sizes: &TypeSizes) {
    let why = report.takes.iter().find_map(|t| t.tempo.bpm.reason.as_deref());
    let why = why.map_or_else(|| "no playing was found".to_owned(), words::reason_in_words);
    let said = format!("No tempo to show: {why}.");
    wide::say_nothing(c, plot, &said, sizes);
}
