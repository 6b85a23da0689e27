//! The evidence sheet for a festival: what was measured at the start, now, what is to be expected, the run-through against the
//! slot, and what the amplifier's knobs did.
//!
//! Conventions: as the page for the music stand; a goal has its own scale with its zone shaded; a ring is the start, a full dot
//! is now, a diamond is what is to be expected at the festival.

mod goals;
mod run;

use jiff::civil::Date;

use super::canvas::{Align, Area, Canvas, Drawn, Picture, Type};
use super::error::ChartError;
use super::page::{MARGIN, PAGE_HEIGHT, PAGE_WIDTH, part_heading};
use super::text::Face;
use super::theme::{GRID, INK, LEADING, PAGE_TYPE, RULE, SOFT_INK, TypeSizes};
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
    let y = goals::draw_goals(&mut c, Area { top: y, ..m }, festival, sizes);
    let y = run::draw_run_through(&mut c, Area { top: y + GAP, ..m }, festival, sizes);
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
    let said = "Lines, ± and brackets hold the truth 95 times in 100; yes and no are said only when the whole line says so. What is expected \
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
