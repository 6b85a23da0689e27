//! The evidence sheet for a festival: what was measured at the start, now, what is to be expected, the run-through against the
//! slot, and what the amplifier's knobs did.
//!
//! Conventions: as the page for the music stand; a goal has its own scale with its zone shaded; a ring is the start, a full dot
//! is now, a diamond is what is to be expected at the festival.

use jiff::civil::Date;

use super::axes::{self, Scale};
use super::canvas::{Align, Area, Canvas, Drawn, Picture, Type};
use super::dots::{self, Look, Mark, Row};
use super::error::ChartError;
use super::page::{MARGIN, PAGE_HEIGHT, PAGE_WIDTH, part_heading};
use super::text::Face;
use super::theme::{BLUE, GRID, INK, LEADING, ORANGE, PAGE_TYPE, PAPER, Pattern, RULE, SOFT_INK, TypeSizes};
use super::words;
use crate::stats::Measured;

const DPI: u32 = 200;
const GAP: f32 = 44.0;
/// Goals and changes on the sheet; the rest is in season.json.
const MOST_GOALS: usize = 6;
const MOST_AMP: usize = 4;

/// A goal on the sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct FestivalGoal {
    /// What it is, in plain words.
    pub title: String,
    /// Unit as it is printed.
    pub unit: String,
    /// Lower end of the goal.
    pub at_least: Option<f64>,
    /// Upper end of the goal.
    pub at_most: Option<f64>,
    /// The first comparable rehearsal.
    pub start: Measured,
    /// The last rehearsal.
    pub now: Measured,
    /// What is to be expected at the festival.
    pub expected: Measured,
    /// Is it met now: "yes", "no" or "cannot tell".
    pub met_now: String,
    /// Will it be met: the same words.
    pub will_be_met: String,
}

/// A change at an amplifier.
#[derive(Clone, Debug, PartialEq)]
pub struct FestivalAmp {
    /// When.
    pub date: String,
    /// What.
    pub what: String,
    /// Low end before, dB.
    pub before: Measured,
    /// Low end after, dB.
    pub after: Measured,
    /// After minus before, dB.
    pub change: Measured,
    /// What it did, in words.
    pub said: String,
}

/// What the sheet shows.
#[derive(Clone, Debug, PartialEq)]
pub struct FestivalPicture {
    /// The day.
    pub date: Date,
    /// Weeks from the last rehearsal.
    pub weeks_left: Option<f64>,
    /// First and last rehearsal.
    pub rehearsals: Option<(Date, Date, usize)>,
    /// The goals.
    pub goals: Vec<FestivalGoal>,
    /// The slot, minutes.
    pub slot_minutes: f64,
    /// Charts and their minutes.
    pub charts: Vec<(String, Measured)>,
    /// Changes between them, minutes.
    pub changes: Measured,
    /// All together, minutes.
    pub total: Measured,
    /// Does it fit: "yes", "no" or "cannot tell".
    pub fits: String,
    /// Changes at amplifiers.
    pub amp: Vec<FestivalAmp>,
}

/// The sheet, 1700 x 2200 pixels.
///
/// # Errors
/// [`ChartError::Font`].
pub fn draw_festival(festival: &FestivalPicture) -> Result<Picture, ChartError> {
    lay_out_festival(festival).map(|d| d.picture)
}

/// [`draw_festival`] with the box of every text.
///
/// # Errors
/// As [`draw_festival`].
pub fn lay_out_festival(festival: &FestivalPicture) -> Result<Drawn, ChartError> {
    let mut c = Canvas::new(PAGE_WIDTH, PAGE_HEIGHT, DPI)?;
    let sizes = &PAGE_TYPE;
    let m = MARGIN;
    let y = draw_head(&mut c, m, festival, sizes);
    let y = draw_goals(&mut c, Area { top: y, ..m }, festival, sizes);
    let y = draw_run_through(&mut c, Area { top: y + GAP, ..m }, festival, sizes);
    draw_amp(&mut c, Area { top: y + GAP, ..m }, festival, sizes);
    draw_foot(&mut c, m, sizes);
    Ok(c.finish())
}

fn draw_head(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let mut y = area.top + sizes.title * 0.78;
    c.text(area.left, y, "On the way to the festival", Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.55;
    let day = words::date(&f.date.to_string()).unwrap_or_default();
    let left = match f.weeks_left {
        Some(weeks) if weeks > 0.0 => format!(", {} after the last rehearsal", weeks_words(weeks)),
        Some(_) => ", now over".to_owned(),
        None => String::new(),
    };
    let seen = f.rehearsals.map_or_else(String::new, |(first, last, n)| {
        format!(". {n} rehearsals, {} to {}", words::short_date(first), words::short_date(last))
    });
    let said = c.fonts().shorten_end(&format!("{day}{left}{seen}"), Face::Regular, sizes.body, area.width());
    c.text(area.left, y, &said, Type::regular(sizes.body, SOFT_INK), Align::Left);
    let y = y + sizes.body * 0.55;
    c.level(area.left, area.right, y, 3.0, INK);
    c.level(area.left, area.right, y + 7.0, 1.0, RULE);
    y + 30.0
}

/// "2 weeks and 4 days".
fn weeks_words(weeks: f64) -> String {
    let days = (weeks * 7.0).round() as i64;
    let counted = |n: i64, noun: &str| if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") };
    match (days / 7, days % 7) {
        (0, d) => counted(d, "day"),
        (w, 0) => counted(w, "week"),
        (w, d) => format!("{} and {}", counted(w, "week"), counted(d, "day")),
    }
}

fn draw_goals(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let mut y = part_heading(c, area, area.top, "Goals: start, now, and what is to be expected", sizes);
    y = draw_key(c, area, y, sizes);
    if f.goals.is_empty() {
        y += sizes.body;
        c.text(area.left, y, "No goals were set.", Type::regular(sizes.body, INK), Align::Left);
        return y + sizes.body * 0.5;
    }
    for goal in f.goals.iter().take(MOST_GOALS) {
        y = draw_goal(c, Area { top: y + 16.0, ..area }, goal, sizes);
    }
    y
}

fn draw_key(c: &mut Canvas, area: Area, top: f32, sizes: &TypeSizes) -> f32 {
    let y = top + sizes.small;
    let mut x = area.left + 12.0;
    let plot = c.sheet();
    let zero = Measured::plain(0.0, 1);
    for (mark, said) in [
        (Mark::Before, "at the start"),
        (Mark::Now, "now"),
        (Mark::Expected, "expected at the festival, if it goes on so"),
    ] {
        let here = Scale::new(-1.0, 1.0, x - 1.0, x + 1.0);
        dots::draw_mark(c, plot, here, y - sizes.small * 0.33, mark, &zero);
        x = c.text(x + 22.0, y, said, Type::regular(sizes.small, SOFT_INK), Align::Left).right + 44.0;
    }
    c.text(x, y, "shaded: the goal", Type::regular(sizes.small, SOFT_INK), Align::Left);
    y + sizes.small * 0.5
}

fn goal_words(g: &FestivalGoal) -> String {
    let n = |v: f64| words::number(v, usize::from(v.fract().abs() > 1e-9), false);
    match (g.at_least, g.at_most) {
        (Some(low), Some(high)) if (low + high).abs() < 1e-9 => format!("goal: within {} {}", n(high), g.unit),
        (Some(low), Some(high)) => format!("goal: {} to {} {}", n(low), n(high), g.unit),
        (Some(low), None) => format!("goal: at least {} {}", n(low), g.unit),
        (None, Some(high)) => format!("goal: at most {} {}", n(high), g.unit),
        (None, None) => String::new(),
    }
}

fn draw_goal(c: &mut Canvas, area: Area, g: &FestivalGoal, sizes: &TypeSizes) -> f32 {
    let baseline = area.top + sizes.body;
    let title = format!("{}; {}", words::capital(&g.title), goal_words(g));
    let title = c.fonts().shorten_end(&title, Face::Bold, sizes.body, area.width());
    c.text(area.left, baseline, &title, Type::bold(sizes.body, INK), Align::Left);
    let values = [&g.start, &g.now, &g.expected].into_iter().flat_map(|m| [words::finite(m), m.low, m.high]).flatten();
    let ends = g.at_least.into_iter().chain(g.at_most);
    let all: Vec<f64> = values.chain(ends).filter(|v| v.is_finite()).collect();
    let (low, high) = all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
    let margin = ((high - low) * 0.1).max(0.05 * high.abs().max(low.abs())).max(0.1);
    let row = Row {
        label: String::new(),
        marks: vec![(Mark::Before, g.start.clone()), (Mark::Expected, g.expected.clone()), (Mark::Now, g.now.clone())],
        said: if words::finite(&g.now).is_some() {
            String::new()
        } else {
            format!("not said: {}", words::why_absent(&g.now))
        },
    };
    let look = Look {
        range: (low - margin, high + margin),
        zone: (g.at_least.unwrap_or(f64::NEG_INFINITY), g.at_most.unwrap_or(f64::INFINITY)),
        ends: ("", ""),
        unit: &g.unit,
        gutters: (12.0, WORDS_WIDTH),
    };
    let top = baseline + 14.0;
    let bottom = dots::draw(c, Area { top, ..area }, &[row], &look, sizes);
    let mut at = top + sizes.small;
    let left = area.right - WORDS_WIDTH + 30.0;
    for (said, kind) in goal_lines(g, sizes) {
        let said = c.fonts().shorten_end(&said, kind.face, sizes.small, area.right - left);
        c.text(left, at, &said, kind, Align::Left);
        at += sizes.small * LEADING;
    }
    bottom.max(at - sizes.small * 0.6) + 12.0
}

/// Room for the words beside a goal.
const WORDS_WIDTH: f32 = 750.0;

/// Start and now, what is expected, and the two answers.
fn goal_lines(g: &FestivalGoal, sizes: &TypeSizes) -> [(String, Type); 3] {
    let with = |m: &Measured| match (words::finite(m), words::interval(m)) {
        (Some(v), Some((low, high))) => {
            format!("{} ± {}", words::number(v, 1, false), words::number((high - low) / 2.0, 1, false))
        }
        (Some(v), None) => words::number(v, 1, false),
        (None, _) => "not said".to_owned(),
    };
    let expected = match (words::finite(&g.expected), words::interval(&g.expected)) {
        (Some(_), Some((low, high))) => {
            format!("expected {} to {} {}", words::number(low, 1, false), words::number(high, 1, false), g.unit)
        }
        (Some(v), None) => format!("expected {} {}", words::number(v, 1, false), g.unit),
        (None, _) => format!("not foretold: {}", words::why_absent(&g.expected)),
    };
    [
        (format!("start {}, now {} {}", with(&g.start), with(&g.now), g.unit), Type::regular(sizes.small, INK)),
        (expected, Type::regular(sizes.small, INK)),
        (format!("met now: {}; at the festival: {}", g.met_now, g.will_be_met), Type::bold(sizes.small, INK)),
    ]
}

fn draw_run_through(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let mut y = part_heading(c, area, area.top, "Run-through against the slot", sizes) + sizes.body;
    let said = match (words::finite(&f.total), words::interval(&f.total)) {
        (Some(total), Some((low, high))) => format!(
            "Charts and changes take {} minutes ({} to {}); the slot is {} minutes. Fits: {}.",
            words::number(total, 1, false),
            words::number(low, 1, false),
            words::number(high, 1, false),
            words::number(f.slot_minutes, 0, false),
            f.fits
        ),
        _ => format!(
            "The slot is {} minutes. The run-through cannot be timed: {}.",
            words::number(f.slot_minutes, 0, false),
            words::why_absent(&f.total)
        ),
    };
    for line in c.fonts().wrap(&said, Face::Bold, sizes.body, area.width(), 2) {
        c.text(area.left, y, &line, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    draw_bar(c, Area { top: y - sizes.body * 0.5, ..area }, f, sizes)
}

/// Charts and changes side by side along a minute axis, and the end of the slot.
fn draw_bar(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let longest = f.total.high.or(f.total.value).unwrap_or(0.0).max(f.slot_minutes) * 1.06;
    let scale = Scale::new(0.0, longest, area.left, area.right);
    let bar = Area { bottom: area.top + 58.0, ..area };
    let change = words::finite(&f.changes).unwrap_or(0.0) / (f.charts.len().max(2) - 1) as f64;
    let mut at = 0.0;
    for (index, (title, m)) in f.charts.iter().enumerate() {
        let Some(minutes) = words::finite(m) else { continue };
        if index > 0 {
            let gap = Area { left: scale.at(at), right: scale.at(at + change), ..bar };
            c.pattern(gap, Pattern::Rising, ORANGE);
            at += change;
        }
        let block = Area { left: scale.at(at) + 1.0, right: scale.at(at + minutes) - 1.0, ..bar };
        c.fill(block, BLUE);
        let name = c.fonts().shorten_end(&super::text::clean(title), Face::Regular, sizes.small, block.width() - 16.0);
        let baseline = (bar.top + bar.bottom) / 2.0 + sizes.small * 0.36;
        c.text_if_free(
            (block.left + 8.0, baseline),
            &name,
            Type::regular(sizes.small, PAPER),
            Align::Left,
            block,
            None,
        );
        at += minutes;
    }
    c.level(bar.left, bar.right, bar.bottom + 4.0, 2.0, SOFT_INK);
    let slot = scale.at(f.slot_minutes);
    c.upright(slot - 2.0, bar.top - 12.0, bar.bottom + 4.0, 4.0, INK);
    let kind = Type::regular(sizes.small, SOFT_INK);
    let baseline = bar.bottom + 14.0 + sizes.small * 0.85;
    let room = c.sheet();
    c.text_if_free((slot, baseline), "end of the slot", Type::bold(sizes.small, INK), Align::Right, room, None);
    c.text_if_free((area.left, baseline), "0", kind, Align::Left, room, None);
    c.text_if_free((area.right, baseline), "minutes", kind, Align::Right, room, None);
    for value in axes::round_steps(0.0, longest, 8).into_iter().filter(|v| *v > 0.0) {
        c.upright(scale.at(value), bar.bottom + 4.0, bar.bottom + 11.0, 2.0, SOFT_INK);
        let said = words::number(value, usize::from(longest < 4.0), false);
        c.text_if_free((scale.at(value), baseline), &said, kind, Align::Centre, room, None);
    }
    baseline + sizes.small * 0.4
}

fn draw_amp(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) {
    let mut y = part_heading(c, area, area.top, "At the amplifier, and what it did to the low end", sizes) + sizes.body;
    if f.amp.is_empty() {
        let said = "Nothing was advised or noted.";
        c.text(area.left, y, said, Type::regular(sizes.body, INK), Align::Left);
        return;
    }
    // The last ones are the ones that count.
    let shown = &f.amp[f.amp.len().saturating_sub(MOST_AMP)..];
    for a in shown {
        let date = a.date.parse().map_or_else(|_| a.date.clone(), words::short_date);
        let head = c.fonts().shorten_end(&format!("{date}: {}", a.what), Face::Bold, sizes.body, area.width());
        c.text(area.left, y, &head, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
        let with = |m: &Measured| {
            let v = words::finite(m)?;
            let half = words::interval(m).map_or(0.0, |(l, h)| (h - l) / 2.0);
            Some(format!("{} ± {} dB", words::number(v, 1, true), words::number(half, 1, false)))
        };
        let said = match (with(&a.before), with(&a.after), with(&a.change)) {
            (Some(b), Some(n), Some(d)) => format!("low end before {b}, after {n}: change {d}; {}", a.said),
            _ => a.said.clone(),
        };
        let said = c.fonts().shorten_end(&words::sentence(&said), Face::Regular, sizes.small, area.width());
        c.text(area.left, y, &said, Type::regular(sizes.small, INK), Align::Left);
        y += sizes.body * LEADING + 8.0;
        c.level(area.left, area.right, y - sizes.body - 4.0, 1.0, GRID);
    }
}

fn draw_foot(c: &mut Canvas, m: Area, sizes: &TypeSizes) {
    let said = "Lines and ± hold the truth 95 times in 100; yes and no are said only when the whole line says so. What is expected \
        supposes that the weeks go on as they went. Levels are relative to the recorder's full scale, not sound pressure. Loud \
        rehearsals can hurt hearing: follow local rules and a qualified hearing-conservation professional.";
    let lines = c.fonts().wrap(said, Face::Regular, sizes.small, m.width(), 4);
    let top = m.bottom - sizes.small * LEADING * lines.len() as f32 - 14.0;
    c.level(m.left, m.right, top, 2.0, RULE);
    let mut y = top + 10.0 + sizes.small;
    for line in lines {
        c.text(m.left, y, &line, Type::regular(sizes.small, INK), Align::Left);
        y += sizes.small * LEADING;
    }
}
