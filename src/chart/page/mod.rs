//! The page for the music stand: one printed sheet that answers how the period was spent, what to work on, how loud, in tune and
//! in time the takes were, what to turn at the amplifier, and how far the recording can be trusted.
//!
//! Conventions: US Letter portrait at 200 dpi. All content keeps 110 pixels (14 mm) from the sides and 90 from top and
//! bottom, so that the sheet also prints on A4 at 100 %, which is 6 mm narrower. Parts stand in a fixed order; what a part
//! needs is measured before anything is drawn, and the two plots share the height that is left.

mod findings;
mod foot;
pub mod heading;
mod players;
mod spent;
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
const LOUDNESS_HEIGHT: (f32, f32) = (290.0, 460.0);
const BALANCE_HEIGHT: (f32, f32) = (390.0, 540.0);
/// Right column beside the balance plot.
const TRUST_WIDTH: f32 = 590.0;

/// What is granted to the parts that hold sentences and rows, from generous to tight: the first that fits wins.
const BUDGETS: [Budget; 4] = [
    Budget { statement: 2, ask: 2, assumed: 2, rows: 8 },
    Budget { statement: 2, ask: 1, assumed: 2, rows: 6 },
    Budget { statement: 1, ask: 1, assumed: 1, rows: 5 },
    Budget { statement: 1, ask: 1, assumed: 1, rows: 3 },
];

/// Most lines of a kind of sentence, most rows of tuning and time.
#[derive(Clone, Copy, Debug)]
struct Budget {
    statement: usize,
    ask: usize,
    assumed: usize,
    rows: usize,
}

/// The parts whose height follows from their words.
struct Plan {
    findings: findings::Findings,
    foot: foot::Foot,
    players: players::Players,
    left_over: f32,
}

impl Plan {
    /// Plans what lies below `top`.
    fn new(c: &Canvas, report: &Report, sizes: &TypeSizes, top: f32, budget: Budget) -> Self {
        let findings = findings::Findings::plan(c, report, sizes, MARGIN.width(), budget.statement, budget.ask);
        let foot = foot::Foot::plan(c, report, sizes, MARGIN.width(), budget.assumed);
        let players = players::Players::plan(report, budget.rows);
        let plots = LOUDNESS_HEIGHT.0 + BALANCE_HEIGHT.0;
        let words = findings.height() + foot.height() + players.height(sizes);
        let left_over = MARGIN.bottom - top - words - plots - 5.0 * GAP;
        Self { findings, foot, players, left_over }
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

    let [first, others @ ..] = BUDGETS;
    let mut plan = Plan::new(&c, report, sizes, y, first);
    for budget in others {
        if plan.left_over < 0.0 {
            plan = Plan::new(&c, report, sizes, y, budget);
        }
    }
    plan.findings.draw(&mut c, Area { top: y + GAP, ..m }, sizes);
    y += GAP + plan.findings.height() + GAP;
    let share = |(least, most): (f32, f32)| (least + plan.left_over.max(0.0) * 0.5).min(most);
    let loudness = Area { top: y, bottom: y + share(LOUDNESS_HEIGHT), ..m };
    let top = part_heading(&mut c, m, loudness.top, "Loudness over the rehearsal", sizes);
    loudness::panel(&mut c, Area { top, ..loudness }, report, curves, sizes, loudness::Detail::Calm);
    let players = Area { top: loudness.bottom + GAP, ..m };
    plan.players.draw(&mut c, players, sizes);
    let top = players.top + plan.players.height(sizes) + GAP;
    let balance = Area { top, bottom: top + share(BALANCE_HEIGHT), ..m };
    draw_balance_and_trust(&mut c, balance, report, sizes);
    plan.foot.draw(&mut c, Area { top: m.bottom - plan.foot.height(), ..m }, sizes);
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
pub fn part_heading_height(sizes: &TypeSizes) -> f32 {
    18.0 + sizes.heading * 1.15
}

/// A thin rule with the heading under it; returns where the part goes on.
pub fn part_heading(c: &mut Canvas, area: Area, top: f32, words: &str, sizes: &TypeSizes) -> f32 {
    c.level(area.left, area.right, top, 2.0, RULE);
    let baseline = top + 14.0 + sizes.heading * 0.8;
    c.text(area.left, baseline, words, Type::bold(sizes.heading, INK), Align::Left);
    top + part_heading_height(sizes)
}
