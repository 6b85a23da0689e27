//! A player's sheet: one printed page with that player's facts, one thing to practise, and what changed since the last rehearsal.
//!
//! Conventions: as the page for the music stand. Only this player's facts stand here; words are for a student to read.

mod table;

use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::page::{MARGIN, PAGE_HEIGHT, PAGE_WIDTH, heading, part_heading};
use super::text::Face;
use super::theme::{BLUE, INK, LEADING, PAGE_TYPE, RULE, SKY, SOFT_INK, TypeSizes};
use super::{axes, layers, time, tuning, words};
use crate::report::{Curves, Report};
use crate::stats::Measured;

pub use table::mark_words;

const DPI: u32 = 200;
const GAP: f32 = 28.0;
const MOST_LINES: usize = 2;
const MOST_PRAISE: usize = 3;
const COMPING: &str = "How loud guitar and keys stand in the band (LU; 0 is as loud as all together)";

/// What became of a fact since the last rehearsal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SheetMark {
    /// Better, beyond the noise.
    Better,
    /// Further away, beyond the noise.
    FurtherAway,
    /// Other than before, with no better side.
    Changed,
    /// No change beyond the noise.
    Same,
    /// Another method or another recorder.
    NotComparable,
    /// No value before, or none now.
    NoPair,
}

/// A fact beside the same of the last rehearsal.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetRow {
    /// What it is, in plain words.
    pub label: String,
    /// Unit as it is printed.
    pub unit: String,
    /// This rehearsal.
    pub now: Measured,
    /// The last one.
    pub before: Measured,
    /// What became of it.
    pub mark: SheetMark,
}

/// What a player's sheet shows besides the report.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetPicture {
    /// "bass", "guitar", "piano" or "drums".
    pub player: String,
    /// The one thing to practise; may be empty.
    pub practise: String,
    /// Why; may be empty.
    pub because: String,
    /// Where to listen, seconds.
    pub listen: Vec<(f64, f64)>,
    /// What else was found.
    pub also: Vec<String>,
    /// What went well.
    pub praise: Vec<String>,
    /// The table.
    pub rows: Vec<SheetRow>,
    /// Date of the last rehearsal, ISO 8601.
    pub last_date: Option<String>,
}

/// File name of a player's sheet.
pub fn sheet_file(player: &str) -> String {
    format!("player_{player}.png")
}

/// The sheet, 1700 x 2200 pixels (US Letter at 200 dpi), with the box of every text.
///
/// # Errors
/// [`ChartError::Font`].
pub fn lay_out_sheet(sheet: &SheetPicture, report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let mut c = Canvas::new(PAGE_WIDTH, PAGE_HEIGHT, DPI)?;
    let sizes = &PAGE_TYPE;
    let m = MARGIN;
    let y = draw_head(&mut c, m, sheet, report, sizes);
    let y = draw_practise(&mut c, Area { top: y, ..m }, sheet, report, sizes);
    let y = draw_praise(&mut c, Area { top: y + GAP, ..m }, sheet, sizes);
    let foot = m.bottom - sizes.small * LEADING * 3.0 - 20.0;
    let table = table::height(sheet, sizes);
    let plots = Area { top: y + GAP, bottom: foot - GAP - table - GAP, ..m };
    draw_plots(&mut c, plots, sheet, (report, curves), sizes);
    table::draw(&mut c, Area { top: foot - GAP - table, bottom: foot - GAP, ..m }, sheet, sizes);
    draw_foot(&mut c, Area { top: foot, ..m }, sheet, sizes);
    Ok(c.finish())
}

fn draw_head(c: &mut Canvas, area: Area, sheet: &SheetPicture, report: &Report, sizes: &TypeSizes) -> f32 {
    let mut y = area.top + sizes.title * 0.78;
    c.text(area.left, y, &words::capital(&sheet.player), Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.55;
    let line = heading::tape_line(c, report, sizes.body, area.width());
    c.text(area.left, y, &line, Type::regular(sizes.body, SOFT_INK), Align::Left);
    let y = y + sizes.body * 0.55;
    c.level(area.left, area.right, y, 3.0, INK);
    c.level(area.left, area.right, y + 7.0, 1.0, RULE);
    y + 34.0
}

/// The one thing, in a tinted box, with why and where to listen.
fn draw_practise(c: &mut Canvas, area: Area, sheet: &SheetPicture, report: &Report, sizes: &TypeSizes) -> f32 {
    let inner = Area { left: area.left + 30.0, right: area.right - 30.0, ..area };
    let said = if sheet.practise.is_empty() {
        "Nothing on this tape asks for work of yours. Keep what you do, and listen to the others.".to_owned()
    } else {
        words::sentence(&sheet.practise)
    };
    let ask = c.fonts().wrap(&said, Face::Bold, sizes.heading, inner.width(), MOST_LINES);
    let mut lines: Vec<(Face, String)> = Vec::new();
    let regular = |c: &Canvas, said: &str, most| c.fonts().wrap(said, Face::Regular, sizes.body, inner.width(), most);
    lines.extend(regular(c, &words::sentence(&sheet.because), 2).into_iter().map(|l| (Face::Regular, l)));
    lines.extend(regular(c, &listen_words(sheet, report), 1).into_iter().map(|l| (Face::Regular, l)));
    for also in &sheet.also {
        lines
            .extend(regular(c, &format!("Also: {}", words::sentence(also)), 1).into_iter().map(|l| (Face::Regular, l)));
    }
    let step = sizes.body * LEADING;
    let height = 62.0 + sizes.heading * LEADING * ask.len() as f32 + step * lines.len() as f32 + 26.0;
    c.fill(Area { bottom: area.top + height, ..area }, SKY.tint(22));
    c.fill(Area { right: area.left + 10.0, bottom: area.top + height, ..area }, BLUE);
    let mut y = area.top + 18.0 + sizes.body;
    c.text(inner.left, y, "One thing to practise", Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.heading * LEADING + 4.0;
    for line in ask {
        c.text(inner.left, y, &line, Type::bold(sizes.heading, INK), Align::Left);
        y += sizes.heading * LEADING;
    }
    for (face, line) in lines {
        c.text(inner.left, y, &line, Type { face, size: sizes.body, colour: INK }, Align::Left);
        y += step;
    }
    area.top + height
}

fn listen_words(sheet: &SheetPicture, report: &Report) -> String {
    let duration = report.tape.duration_s;
    let spans: Vec<String> = sheet
        .listen
        .iter()
        .map(|(a, b)| format!("{} to {}", axes::clock(*a, duration.min(3599.0)), axes::clock(*b, duration.min(3599.0))))
        .collect();
    if spans.is_empty() { String::new() } else { format!("Listen on the tape at {}.", words::list(&spans)) }
}

fn draw_praise(c: &mut Canvas, area: Area, sheet: &SheetPicture, sizes: &TypeSizes) -> f32 {
    if sheet.praise.is_empty() {
        return area.top - GAP;
    }
    let mut y = part_heading(c, area, area.top, "Went well", sizes) + sizes.body;
    for said in sheet.praise.iter().take(MOST_PRAISE) {
        for line in c.fonts().wrap(&words::sentence(said), Face::Regular, sizes.body, area.width(), 1) {
            c.text(area.left, y, &line, Type::regular(sizes.body, INK), Align::Left);
            y += sizes.body * LEADING;
        }
    }
    y - sizes.body
}

/// What is drawn of a player: string players their pitch, drums the bar, drums and keys the tempo, all but drums the place in the band.
fn draw_plots(c: &mut Canvas, area: Area, sheet: &SheetPicture, tape: (&Report, &Curves), sizes: &TypeSizes) {
    let report = tape.0;
    let half = (area.height() - GAP) / 2.0;
    let upper = Area { bottom: area.top + half, ..area };
    let lower = Area { top: area.bottom - half, ..area };
    match sheet.player.as_str() {
        "bass" | "guitar" => {
            let top = part_heading(c, upper, upper.top, tuning::player_heading(report), sizes);
            tuning::player_panel(c, Area { top, ..upper }, &sheet.player, tape, sizes);
            let (name, said) = match sheet.player.as_str() {
                "bass" => ("bass", "How loud you stand in the band (LU; 0 is as loud as all together)"),
                _ => ("comping", COMPING),
            };
            draw_layer(c, lower, report, name, said, sizes);
        }
        "drums" => {
            draw_tempo(c, upper, tape, sizes);
            let said = "How often each sounds in the bar (full height: in every bar)";
            let top = part_heading(c, lower, lower.top, said, sizes);
            time::bar::kit_panel(c, Area { top, ..lower }, report, sizes);
        }
        _ => {
            draw_layer(c, upper, report, "comping", COMPING, sizes);
            draw_tempo(c, lower, tape, sizes);
        }
    }
}

fn draw_tempo(c: &mut Canvas, area: Area, (report, curves): (&Report, &Curves), sizes: &TypeSizes) {
    let top = part_heading(c, area, area.top, "How the tempo held (percent of the take's own tempo)", sizes);
    time::tempo::panel(c, Area { top, ..area }, report, curves, sizes);
}

fn draw_layer(c: &mut Canvas, area: Area, report: &Report, layer: &str, said: &str, sizes: &TypeSizes) {
    let top = part_heading(c, area, area.top, said, sizes);
    layers::layer_panel(c, Area { top, ..area }, report, layer, sizes);
}

fn draw_foot(c: &mut Canvas, area: Area, sheet: &SheetPicture, sizes: &TypeSizes) {
    c.level(area.left, area.right, area.top, 2.0, RULE);
    let recorder = sheet.rows.iter().any(|r| r.mark == SheetMark::NotComparable);
    let note = if recorder { " Not comparable: another recorder or another method." } else { "" };
    let said = format!(
        "± and brackets hold the truth 95 times in 100; \"about the same\" means no change beyond that, or none to be \
         heard.{note} Loud rehearsals can hurt hearing: follow local rules and a qualified hearing-conservation professional."
    );
    let mut y = area.top + 10.0 + sizes.small;
    for line in c.fonts().wrap(&said, Face::Regular, sizes.small, area.width(), 3) {
        c.text(area.left, y, &line, Type::regular(sizes.small, INK), Align::Left);
        y += sizes.small * LEADING;
    }
}
