//! Report types become PNG pictures: one printed page for the music stand, a sheet for each player, loudness, balance, tuning,
//! time, layers, the season, and the way to a festival.
//!
//! # Conventions
//! Pixels count from the top left; `f32` pixel positions, y grows downwards; text is placed by its baseline. Sizes of type
//! are em sizes in pixels. The page is US Letter at 200 dpi and also prints on A4 without scaling. Colours keep their order
//! of lightness in greyscale, and every kind has a pattern of its own, so no statement hangs on hue.
//!
//! # Limits
//! Text is set glyph by glyph from left to right: no shaping, no right-to-left scripts. A letter that the carried font
//! lacks becomes a visible box. Drawing is the same on every machine up to the last bit of floating-point text coverage.

mod axes;
mod balance;
mod canvas;
mod curve;
mod dots;
mod error;
mod festival;
mod layers;
mod loudness;
mod page;
mod picture;
mod season;
mod season_charts;
mod season_lists;
mod sheet;
mod strip;
mod text;
mod theme;
mod time;
mod tuning;
mod wide;
mod words;
mod write;

pub use error::ChartError;
pub use festival::{FestivalAmp, FestivalGoal, FestivalPicture, draw_festival, lay_out_festival};
pub use picture::{Area, Drawn, Picture, TextBox};
pub use season::{Better, SeasonPicture, SeasonPoint, SeasonSeries, draw_season, lay_out_season};
pub use season_charts::SeasonChart;
pub use sheet::{SheetMark, SheetPicture, SheetRow, lay_out_sheet, mark_words, sheet_file};
pub use words::reason_in_words;
pub use write::{made_from, write_all, write_festival, write_named, write_season, write_sheet};

use crate::report::{Curves, Report};

/// The page for the music stand.
pub const PAGE_FILE: &str = "page.png";
/// Loudness over the rehearsal.
pub const LOUDNESS_FILE: &str = "loudness.png";
/// Third-octave levels beside the target.
pub const BALANCE_FILE: &str = "balance.png";
/// Bass and guitar against the band.
pub const TUNING_FILE: &str = "tuning.png";
/// How the tempo held, and where in the bar they play.
pub const TIME_FILE: &str = "time.png";
/// Who is how loud, part by part.
pub const LAYERS_FILE: &str = "layers.png";
/// Every picture of a report folder.
pub const PICTURES: [&str; 6] = [PAGE_FILE, LOUDNESS_FILE, BALANCE_FILE, TUNING_FILE, TIME_FILE, LAYERS_FILE];
/// The season.
pub const SEASON_PICTURE_FILE: &str = "season.png";
/// The evidence sheet for a festival.
pub const FESTIVAL_FILE: &str = "festival.png";

/// The page for the music stand, 1700 x 2200 pixels (US Letter at 200 dpi).
///
/// # Errors
/// [`ChartError::Font`] when the carried font cannot be read, which would be a broken build.
pub fn draw_page(report: &Report, curves: &Curves) -> Result<Picture, ChartError> {
    lay_out_page(report, curves).map(|d| d.picture)
}

/// [`draw_page`] with the box of every text, for checks of the layout.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_page(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    page::draw(report, curves)
}

/// Loudness over the rehearsal, 1600 x 900 pixels.
///
/// # Errors
/// As [`draw_page`].
pub fn draw_loudness(report: &Report, curves: &Curves) -> Result<Picture, ChartError> {
    lay_out_loudness(report, curves).map(|d| d.picture)
}

/// [`draw_loudness`] with the box of every text.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_loudness(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    loudness::draw(report, curves)
}

/// The band's third-octave levels beside the target, 1600 x 900 pixels.
///
/// # Errors
/// As [`draw_page`].
pub fn draw_balance(report: &Report) -> Result<Picture, ChartError> {
    lay_out_balance(report).map(|d| d.picture)
}

/// [`draw_balance`] with the box of every text.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_balance(report: &Report) -> Result<Drawn, ChartError> {
    balance::draw(report)
}

/// Bass and guitar against the band over the rehearsal, 1600 x 900 pixels.
///
/// # Errors
/// As [`draw_page`].
pub fn draw_tuning(report: &Report, curves: &Curves) -> Result<Picture, ChartError> {
    lay_out_tuning(report, curves).map(|d| d.picture)
}

/// [`draw_tuning`] with the box of every text.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_tuning(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    tuning::draw(report, curves)
}

/// How the tempo of the takes held, and where in the bar they play, 1600 x 900 pixels.
///
/// # Errors
/// As [`draw_page`].
pub fn draw_time(report: &Report, curves: &Curves) -> Result<Picture, ChartError> {
    lay_out_time(report, curves).map(|d| d.picture)
}

/// [`draw_time`] with the box of every text.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_time(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    time::draw(report, curves)
}

/// How loud the layers of the band stand in it, part by part, 1600 x 900 pixels.
///
/// # Errors
/// As [`draw_page`].
pub fn draw_layers(report: &Report) -> Result<Picture, ChartError> {
    lay_out_layers(report).map(|d| d.picture)
}

/// [`draw_layers`] with the box of every text.
///
/// # Errors
/// As [`draw_page`].
pub fn lay_out_layers(report: &Report) -> Result<Drawn, ChartError> {
    layers::draw(report)
}
