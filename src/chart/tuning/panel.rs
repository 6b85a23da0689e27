//! One panel a player: takes shaded, the line, the boxes of the takes, the open strings.

use super::super::axes::{self, Scale};
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::curve;
use super::super::strip;
use super::super::theme::{BLUE, Colour, GRID, INK, LEADING, PAPER, PURPLE, RULE, SOFT_INK, TypeSizes};
use super::super::wide;
use super::super::words;
use super::{Player, Zero, sentences};
use crate::report::{Curves, Report};
use crate::stats::quantile;

/// The scale shows at least and at most this much to each side of the zero line.
const LEAST_REACH_CENTS: f64 = 15.0;
const LARGEST_REACH_CENTS: f64 = 60.0;
const STEP_CENTS: f64 = 5.0;
/// Radius of an open string with its letter, and of one whose passage is too short on the sheet for letters.
const RING: f32 = 13.0;
const DOT: f32 = 5.5;
/// Share of the line that may leave the scale at each end: the slips of single notes must not flatten the rest.
const LINE_ENDS: f64 = 0.04;
/// Width and colour of the player's line and of the band's.
const PLAYER_LINE: (f32, Colour) = (2.8, INK);
const BAND_LINE: (f32, Colour) = (1.3, SOFT_INK);
/// Room left of the plots, in type sizes.
const GUTTER: f32 = 6.0;

/// One panel a player over one time axis and one scale of cents.
pub fn panels(
    c: &mut Canvas,
    area: Area,
    players: &[Player],
    (report, curves): (&Report, &Curves),
    zero: Zero,
    sizes: &TypeSizes,
) {
    let line = sizes.small * LEADING;
    let foot = 2.0 * line + 22.0 + sizes.small * 1.7;
    let head = line + 6.0;
    let inner = Area { left: area.left + sizes.small * GUTTER, bottom: area.bottom - foot, ..area };
    let time = Scale::new(0.0, report.tape.duration_s, inner.left, inner.right);
    let height = inner.height() / players.len().max(1) as f32;
    let reach = reach(players, report, curves, zero);
    for (index, player) in players.iter().enumerate() {
        let top = inner.top + index as f32 * height;
        let plot = Area { top: top + head, bottom: top + height - 10.0, ..inner };
        let title = words::capital(player.name);
        c.text(area.left, top + sizes.small, &title, Type::bold(sizes.small, INK), Align::Left);
        let frame = Frame { plot, time, cents: Scale::new(-reach, reach, plot.bottom, plot.top), zero };
        draw_panel(c, &frame, player, report, curves, sizes);
    }
    let strip = Area { top: inner.bottom, bottom: inner.bottom + sizes.small * 1.7, ..inner };
    strip::draw(c, strip, time, report, sizes);
    let foot = axes::draw_time_axis(c, strip, time, sizes, true);
    strip::key(c, area.left, foot - sizes.small * 0.3, report, sizes);
}

struct Frame {
    plot: Area,
    time: Scale,
    cents: Scale,
    zero: Zero,
}

impl Frame {
    /// Pixel of cents against A4 = 440 Hz; none off the scale.
    fn y_of_a440(&self, cents: f64) -> Option<f32> {
        self.y(cents - self.zero.cents)
    }

    fn y(&self, cents: f64) -> Option<f32> {
        let (low, high) = self.cents.range();
        (low..=high).contains(&cents).then(|| self.cents.at(cents))
    }
}

/// How far the scale reaches to each side, so that takes and tuned strings fit on it.
fn reach(players: &[Player], report: &Report, curves: &Curves, zero: Zero) -> f64 {
    let mut largest = LEAST_REACH_CENTS;
    for player in players {
        let takes = report.takes.iter().map(|t| zero.of_take((player.take)(&t.tuning)));
        let takes = takes.flat_map(|m| [words::finite(m), m.low, m.high]).flatten();
        let strings = strings(report, player).map(|(_, cents, _)| cents - zero.cents);
        let line: Vec<f64> =
            (player.curve)(curves).iter().flatten().filter(|v| v.is_finite()).map(|v| v - zero.cents).collect();
        let line = [LINE_ENDS, 1.0 - LINE_ENDS].into_iter().filter_map(|share| quantile(&line, share));
        largest = takes.chain(strings).chain(line).filter(|v| v.is_finite()).map(f64::abs).fold(largest, f64::max);
    }
    (((largest + 1.0) / STEP_CENTS).ceil() * STEP_CENTS).min(LARGEST_REACH_CENTS)
}

/// Open strings as they were left in each tuning passage: time, cents against A4 = 440 Hz, letter.
fn strings<'a>(report: &'a Report, player: &'a Player) -> impl Iterator<Item = (f64, f64, &'static str)> + 'a {
    report.passages.iter().flat_map(move |p| {
        let own = sentences::strings_of(p, player);
        let share = (p.end_s - p.start_s) / (own.len() + 1) as f64;
        own.into_iter().enumerate().map(move |(i, (letter, cents))| (p.start_s + (i + 1) as f64 * share, cents, letter))
    })
}

fn draw_panel(c: &mut Canvas, f: &Frame, player: &Player, report: &Report, curves: &Curves, sizes: &TypeSizes) {
    for take in &report.takes {
        let (left, right) = (f.time.at(take.start_s).max(f.plot.left), f.time.at(take.end_s).min(f.plot.right));
        c.fill(Area { left, right, ..f.plot }, BLUE.tint(10));
        c.upright(left, f.plot.top, f.plot.bottom, 2.0, BLUE.tint(40));
    }
    draw_axis(c, f, sizes);
    let has_line = (player.curve)(curves).iter().flatten().any(|v| v.is_finite());
    let has_take = report.takes.iter().any(|t| words::finite(f.zero.of_take((player.take)(&t.tuning))).is_some());
    let has_string = strings(report, player).next().is_some();
    if !(has_line || has_take || has_string) {
        say_nothing(c, f, player, report, sizes);
        return;
    }
    draw_takes(c, f, player, report);
    if f.zero.is_band {
        draw_line(c, f, &curves.band_cents, curves.hop_s, BAND_LINE);
    }
    draw_line(c, f, (player.curve)(curves), curves.hop_s, PLAYER_LINE);
    draw_strings(c, f, player, report, sizes);
    label_takes(c, f, player, report, sizes);
}

fn draw_axis(c: &mut Canvas, f: &Frame, sizes: &TypeSizes) {
    let (low, high) = f.cents.range();
    let kind = Type::regular(sizes.small, SOFT_INK);
    for value in axes::round_steps(low, high, 6) {
        let y = f.cents.at(value);
        let middle = value == 0.0;
        c.level(f.plot.left, f.plot.right, y - 1.0, if middle { 3.0 } else { 1.0 }, if middle { RULE } else { GRID });
        let said = if middle { "0".to_owned() } else { words::number(value, 0, true) };
        let room = c.sheet();
        c.text_if_free((f.plot.left - 12.0, y + sizes.small * 0.36), &said, kind, Align::Right, room, Some(PAPER));
    }
    let words = [("sharp", f.plot.top + sizes.small * 0.9), ("flat", f.plot.bottom - sizes.small * 0.3)];
    for (said, baseline) in words {
        let room = c.sheet();
        let x = f.plot.left - sizes.small * GUTTER;
        c.text_if_free((x, baseline), said, Type::regular(sizes.small, INK), Align::Left, room, None);
    }
    c.level(f.plot.left, f.plot.right, f.plot.bottom - 1.0, 1.0, GRID);
}

fn draw_takes(c: &mut Canvas, f: &Frame, player: &Player, report: &Report) {
    let (least, most) = f.cents.range();
    for take in &report.takes {
        let m = f.zero.of_take((player.take)(&take.tuning));
        let Some(y) = words::finite(m).and_then(|v| f.y(v)) else { continue };
        let (left, right) = (f.time.at(take.start_s), f.time.at(take.end_s).min(f.plot.right));
        if let Some((low, high)) = words::interval(m) {
            let top = f.cents.at(high.clamp(least, most));
            let bottom = f.cents.at(low.clamp(least, most));
            c.fill(Area::new(left, top, right, bottom), BLUE.tint(32));
        }
        c.level(left, right, y - 1.5, 3.0, BLUE);
    }
}

fn draw_line(c: &mut Canvas, f: &Frame, curve_cents: &[Option<f64>], hop_s: f64, (width, colour): (f32, Colour)) {
    let (from, to) = f.time.range();
    let shared = curve::entries_per_column(to - from, hop_s, f.plot.width());
    for run in curve::runs(curve_cents, hop_s, shared) {
        let points: Vec<_> = run.iter().map(|p| (f.time.at(p.at_s), f.cents.at(p.mean - f.zero.cents))).collect();
        c.curve(&points, width, colour, f.plot);
    }
}

fn draw_strings(c: &mut Canvas, f: &Frame, player: &Player, report: &Report, sizes: &TypeSizes) {
    let all: Vec<_> = strings(report, player).collect();
    for (i, (at_s, cents, letter)) in all.iter().enumerate() {
        let Some(y) = f.y_of_a440(*cents) else { continue };
        // Never `clamp`: on a plot lower than a ring the ends change places.
        let x = f.time.at(*at_s).min(f.plot.right - RING).max(f.plot.left + RING);
        let y = y.min(f.plot.bottom - RING).max(f.plot.top + RING);
        let near = |k: usize| all.get(k).is_some_and(|n| (f.time.at(n.0) - x).abs() < 2.0 * RING - 1.0);
        if near(i + 1) || (i > 0 && near(i - 1)) {
            c.dot(x, y, DOT, PURPLE.tint(100));
            continue;
        }
        c.dot(x, y, RING, PURPLE);
        c.dot(x, y, RING - 2.5, PAPER);
        let size = sizes.small * 0.9;
        let room = c.sheet();
        c.text_if_free((x, y + size * 0.36), letter, Type::bold(size, INK), Align::Centre, room, None);
    }
}

/// Number of each take and its value in words, above the plot where there is room.
fn label_takes(c: &mut Canvas, f: &Frame, player: &Player, report: &Report, sizes: &TypeSizes) {
    for (index, take) in report.takes.iter().enumerate() {
        let left = f.time.at(take.start_s);
        let next = report.takes.get(index + 1).map_or(f.plot.right, |t| (f.time.at(t.start_s) - 8.0).min(f.plot.right));
        let room = Area::new(left, f.plot.top - sizes.small * 1.6, next, f.plot.top + sizes.small * 1.4);
        let m = f.zero.of_take((player.take)(&take.tuning));
        let said = sentences::in_words(m);
        let kind = Type::bold(sizes.small, BLUE);
        let both = format!("{}: {said}", index + 1);
        let words = if c.text_width(&both, kind) < room.width() - 4.0 { both } else { (index + 1).to_string() };
        c.text_if_free((left + 2.0, f.plot.top - 8.0), &words, kind, Align::Left, room, None);
    }
}

fn say_nothing(c: &mut Canvas, f: &Frame, player: &Player, report: &Report, sizes: &TypeSizes) {
    let why = report
        .takes
        .iter()
        .map(|t| f.zero.of_take((player.take)(&t.tuning)))
        .find_map(|m| m.reason.as_deref())
        .map_or_else(|| words::why_absent(&(player.rehearsal)(report).offset_from_a440_cents), words::reason_in_words);
    let said = format!("Nothing to show for the {}: {why}.", player.name);
    wide::say_nothing(c, f.plot, &said, sizes);
}
