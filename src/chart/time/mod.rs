//! Time: the tempo of the takes with the bars that slipped, where in the bar each voice of the rhythm section falls, and
//! what that means in words.
//!
//! Conventions: tempo in percent of the take's own tempo, so that a ballad and a fast chart share one scale; faster is up.
//! The straight line through a take is its drift. The picture of the bar is of the take with the most bars.

pub mod bar;
mod parts;
mod sentences;
pub mod tempo;

use super::canvas::{Area, Drawn};
use super::error::ChartError;
use super::theme::WIDE_TYPE;
use super::wide::{self, LEFT, RIGHT};
use crate::report::{Curves, Report};

/// Height of the tempo panel with its time axis.
const TEMPO_HEIGHT: f32 = 388.0;
/// Width of the picture of the bar.
const BAR_WIDTH: f32 = 800.0;

/// The picture.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let key = "Curve: the tempo against the take's own tempo, in percent. Straight line: its drift. Dot: a bar that slipped. Thin upright: a part.";
    let (mut c, y) = wide::begin("Time: how the tempo held", report, &[key])?;
    let tempo = Area::new(LEFT, y + 12.0, RIGHT, y + 12.0 + TEMPO_HEIGHT);
    tempo::panel(&mut c, tempo, report, curves, sizes);
    let below = Area::new(LEFT, tempo.bottom + 16.0, RIGHT, 872.0);
    bar::panel(&mut c, Area { right: LEFT + BAR_WIDTH, ..below }, report, sizes);
    wide::column(&mut c, Area { left: LEFT + BAR_WIDTH + 40.0, ..below }, &sentences::sentences(report));
    Ok(c.finish())
}
