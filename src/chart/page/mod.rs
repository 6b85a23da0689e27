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
const GAP: f32 = 26.0;
/// Heights that the plots share: at least, at most.
const LOUDNESS_HEIGHT: (f32, f32) = (335.0, 480.0);
const BALANCE_HEIGHT: (f32, f32) = (440.0, 540.0);
/// Right column beside the balance plot.
const TRUST_WIDTH: f32 = 590.0;

/// Lines granted to the parts that hold sentences, from generous to tight: the first that leaves room for the table wins.
const BUDGETS: [Budget; 3] = [
    Budget { statement: 2, ask: 2, assumed: 3 },
    Budget { statement: 2, ask: 1, assumed: 2 },
    Budget { statement: 1, ask: 1, assumed: 1 },
];
/// Rows of the table that the sentences must leave room for.
const ROWS_WANTED: usize = 5;

/// Most lines of a kind of sentence.
#[derive(Clone, Copy, Debug)]
struct Budget {
    statement: usize,
    ask: usize,
    assumed: usize,
}

/// The parts whose height follows from their words.
struct Plan {
    findings: findings::Findings,
    foot: foot::Foot,
    table: takes::Table,
    left_over: f32,
}

impl Plan {
    /// Plans what lies below `top`.
    fn new(c: &Canvas, report: &Report, sizes: &TypeSizes, top: f32, budget: Budget) -> Self {
        let findings = findings::Findings::plan(c, report, sizes, MARGIN.width(), budget.statement, budget.ask);
        let foot = foot::Foot::plan(c, report, sizes, MARGIN.width(), budget.assumed);
        let plots = LOUDNESS_HEIGHT.0 + BALANCE_HEIGHT.0;
        let room = MARGIN.bottom - top - findings.height() - foot.height() - plots - 5.0 * GAP;
        let table = takes::Table::plan(c, report, sizes, MARGIN.width(), room);
        let left_over = room - table.height();
        Self { findings, foot, table, left_over }
    }
}

/// Draws the page.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let mut c = Canvas::new(PAGE_WIDTH, PAGE_HEIGHT, PAGE_DPI)?;
    let sizes = &PAGE_TYPE;
    let m = MARGIN;
    let time = Scale::new(0.0, report.tape.duration_s, m.left + loudness::gutter(sizes), m.right);
    let mut y = heading::draw(&mut c, m, report, sizes);
    y = spent::draw(&mut c, Area { top: y + GAP, ..m }, time, report, sizes);

    let wanted = ROWS_WANTED.min(report.takes.len());
    let [generous, middle, tight] = BUDGETS.map(|b| Plan::new(&c, report, sizes, y, b));
    let fits = |p: &Plan| p.left_over >= 0.0 && p.table.rows() >= wanted;
    let plan = if fits(&generous) { generous } else { Some(middle).filter(fits).unwrap_or(tight) };

    plan.findings.draw(&mut c, Area { top: y + GAP, ..m }, sizes);
    y += GAP + plan.findings.height() + GAP;
    let share = |(least, most): (f32, f32)| (least + plan.left_over.max(0.0) * 0.5).min(most);
    let loudness = Area { top: y, bottom: y + share(LOUDNESS_HEIGHT), ..m };
    let top = part_heading(&mut c, m, loudness.top, "Loudness over the rehearsal", sizes);
    loudness::panel(&mut c, Area { top, ..loudness }, report, curves, sizes, loudness::Detail::Calm);
    let balance = Area { top: loudness.bottom + GAP, bottom: loudness.bottom + GAP + share(BALANCE_HEIGHT), ..m };
    draw_balance_and_trust(&mut c, balance, report, sizes);
    let foot_top = m.bottom - plan.foot.height();
    plan.table.draw(&mut c, Area { top: balance.bottom + GAP, bottom: foot_top - GAP, ..m }, sizes);
    plan.foot.draw(&mut c, Area { top: foot_top, ..m }, sizes);
    Ok(c.finish())
}

fn draw_balance_and_trust(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let right = Area { left: area.right - TRUST_WIDTH, ..area };
    let left = Area { right: right.left - 40.0, ..area };
    let top = part_heading(c, left, area.top, "Balance against the target", sizes);
    balance::panel(c, Area { top, ..left }, report, sizes);
    trust::draw(c, right, report, sizes);
}

/// Height of a part's rule and heading.
fn part_heading_height(sizes: &TypeSizes) -> f32 {
    18.0 + sizes.heading * 1.15
}

/// A thin rule with the heading under it; returns where the part goes on.
fn part_heading(c: &mut Canvas, area: Area, top: f32, words: &str, sizes: &TypeSizes) -> f32 {
    c.level(area.left, area.right, top, 2.0, RULE);
    let baseline = top + 14.0 + sizes.heading * 0.8;
    c.text(area.left, baseline, words, Type::bold(sizes.heading, INK), Align::Left);
    top + part_heading_height(sizes)
}
