//! Time: the tempo of the takes with the bars that slipped, where in the bar each voice of the rhythm section falls, and
//! what that means in words.
//!
//! Conventions: tempo in percent of the take's own tempo, so that a ballad and a fast chart share one scale; faster is up.
//! The straight line through a take is its drift. The picture of the bar is of the take with the most bars.

mod bar;
mod sentences;
mod tempo;

use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::text::Face;
use super::theme::{INK, LEADING, SOFT_INK, WIDE_TYPE};
use crate::report::{Curves, Report};

/// Height of the tempo panel with its time axis.
const TEMPO_HEIGHT: f32 = 388.0;
/// Width of the picture of the bar.
const BAR_WIDTH: f32 = 800.0;

/// The picture.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let mut c = Canvas::new(1600, 900, 100)?;
    let (left, right) = (60.0, 1540.0);
    let mut y = 52.0 + sizes.title * 0.5;
    c.text(left, y, "Time: how the tempo held", Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.7;
    let from = super::page::heading::tape_line(&c, report, sizes.body, right - left);
    c.text(left, y, &from, Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.small * 1.8;
    let key = "Curve: the tempo against the take's own tempo, in percent. Straight line: its drift. Numbered mark: a bar that slipped.";
    c.text(left, y, key, Type::regular(sizes.small, SOFT_INK), Align::Left);
    let tempo = Area::new(left, y + 12.0, right, y + 12.0 + TEMPO_HEIGHT);
    tempo::panel(&mut c, tempo, report, curves, sizes);
    let below = Area::new(left, tempo.bottom + 16.0, right, 872.0);
    bar::panel(&mut c, Area { right: left + BAR_WIDTH, ..below }, report, sizes);
    column(&mut c, Area { left: left + BAR_WIDTH + 40.0, ..below }, report);
    Ok(c.finish())
}

/// What the picture says, in words; what does not fit is left out, the first takes come first.
fn column(c: &mut Canvas, area: Area, report: &Report) {
    let size = WIDE_TYPE.small;
    let mut y = area.top + size;
    for (heading, said) in sentences::sentences(report) {
        let lines = c.fonts().wrap(&said, Face::Regular, size, area.width(), 6);
        if y + lines.len() as f32 * size * LEADING > area.bottom {
            break;
        }
        c.text(area.left, y, &heading, Type::bold(size, INK), Align::Left);
        y += size * LEADING;
        for line in lines {
            c.text(area.left, y, &line, Type::regular(size, INK), Align::Left);
            y += size * LEADING;
        }
        y += size * 0.3;
    }
}
