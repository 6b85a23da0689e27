//! The page for the music stand: one printed sheet that answers how the period was spent, what to work on, and how far
//! the recording can be trusted.
//!
//! Conventions: US Letter portrait at 200 dpi. All content keeps 110 pixels (14 mm) from the sides and 90 from top and
//! bottom, so that the sheet also prints on A4 at 100 %, which is 6 mm narrower. Parts stand in a fixed order; what a part
//! needs is measured before anything is drawn, and the two plots share the height that is left.

mod findings;
mod foot;
pub mod heading;
mod spent;
mod takes;
mod trust;

use super::axes::Scale;
use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::theme::{INK, PAGE_TYPE, RULE, TypeSizes};
use super::{balance, loudness};
use crate::report::{Curves, Report};

/// Width of US Letter at 200 dpi.
pub const PAGE_WIDTH: u32 = 1700;
/// Height of US Letter at 200 dpi.
pub const PAGE_HEIGHT: u32 = 2200;
const PAGE_DPI: u32 = 200;
/// What printers and A4 leave alone.
pub const MARGIN: Area = Area::new(110.0, 90.0, 1590.0, 2112.0);
/// Between two parts.
const GAP: f32 = 30.0;
/// Heights that the plots share: at least, at most.
const LOUDNESS_HEIGHT: (f32, f32) = (330.0, 470.0);
const BALANCE_HEIGHT: (f32, f32) = (430.0, 560.0);
/// Right column beside the balance plot.
const TRUST_WIDTH: f32 = 560.0;

/// Draws the page.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let mut c = Canvas::new(PAGE_WIDTH, PAGE_HEIGHT, PAGE_DPI)?;
    let sizes = &PAGE_TYPE;
    let m = MARGIN;
    let time = Scale::new(0.0, report.tape.duration_s, m.left + loudness::gutter(sizes), m.right);
    let mut y = heading::draw(&mut c, m, report, sizes);
    y = spent::draw(&mut c, Area { top: y + GAP, ..m }, time, report, sizes);
    y = findings::draw(&mut c, Area { top: y + GAP, ..m }, report, sizes);

    let foot_top = foot::draw(&mut c, m, report, sizes);
    let room = foot_top - y - 3.0 * GAP;
    let plots_least = LOUDNESS_HEIGHT.0 + BALANCE_HEIGHT.0;
    let table = takes::Table::plan(&c, report, sizes, m.width(), (room - plots_least).max(0.0));
    let left_over = (room - table.height() - plots_least).max(0.0);
    let for_loudness = (LOUDNESS_HEIGHT.0 + left_over * 0.5).min(LOUDNESS_HEIGHT.1);
    let for_balance = (BALANCE_HEIGHT.0 + left_over * 0.5).min(BALANCE_HEIGHT.1);

    let top = y + GAP;
    let below = part_heading(&mut c, m, top, "Loudness over the rehearsal", sizes);
    loudness::panel(&mut c, Area { top: below, bottom: top + for_loudness, ..m }, report, curves, sizes, false);
    let top = top + for_loudness + GAP;
    draw_balance_and_trust(&mut c, Area { top, bottom: top + for_balance, ..m }, report, sizes);
    table.draw(&mut c, Area { top: top + for_balance + GAP, bottom: foot_top, ..m }, sizes);
    Ok(c.finish())
}

fn draw_balance_and_trust(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let right = Area { left: area.right - TRUST_WIDTH, ..area };
    let left = Area { right: right.left - 40.0, ..area };
    let top = part_heading(c, left, area.top, "Balance against the target", sizes);
    balance::panel(c, Area { top, ..left }, report, sizes);
    trust::draw(c, right, report, sizes);
}

/// A thin rule with the heading under it; returns where the part goes on.
fn part_heading(c: &mut Canvas, area: Area, top: f32, words: &str, sizes: &TypeSizes) -> f32 {
    c.level(area.left, area.right, top, 2.0, RULE);
    let baseline = top + 14.0 + sizes.heading * 0.8;
    c.text(area.left, baseline, words, Type::bold(sizes.heading, INK), Align::Left);
    baseline + sizes.heading * 0.35 + 4.0
}
