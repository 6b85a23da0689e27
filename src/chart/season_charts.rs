//! The same chart week by week: a table under the fields of the season.
//!
//! Conventions: one block a chart, three lines each; a column a rehearsal, the last [`MOST_COLUMNS`]; a dot stands where the chart
//! was not played or there is nothing to say.

use jiff::civil::Date;

use super::canvas::{Align, Canvas, Type};
use super::season::SeasonPicture;
use super::text::Face;
use super::theme::{GRID, INK, LEADING, RULE, SOFT_INK, TypeSizes};
use super::words;

/// A chart over the rehearsals; every list has one entry a rehearsal.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonChart {
    /// Its title, or its neutral name.
    pub name: String,
    /// Tempo, beats a minute.
    pub tempo_bpm: Vec<Option<f64>>,
    /// Change of tempo within the take, percent, plus = rushing.
    pub drift_percent: Vec<Option<f64>>,
    /// Bass against the band, cents, plus = sharp.
    pub bass_cents: Vec<Option<f64>>,
}

/// Charts in the table; the rest is in season.json.
pub const MOST_CHARTS: usize = 6;
const MOST_COLUMNS: usize = 8;
const LEFT: f32 = 60.0;
const LABELS: f32 = 400.0;
const COLUMNS: f32 = 800.0;
const RIGHT: f32 = 1540.0;
const BLOCK_GAP: f32 = 16.0;

/// Height that the table takes, nothing without a chart.
pub fn height(season: &SeasonPicture, sizes: &TypeSizes) -> f32 {
    let charts = season.charts.len().min(MOST_CHARTS);
    if charts == 0 {
        return 0.0;
    }
    let line = sizes.small * LEADING;
    head(sizes) + charts as f32 * (3.0 * line + BLOCK_GAP) + 24.0
}

fn head(sizes: &TypeSizes) -> f32 {
    18.0 + sizes.body * LEADING + 2.0 * sizes.small * LEADING
}

/// Draws the table from `top`.
pub fn draw(c: &mut Canvas, top: f32, season: &SeasonPicture, sizes: &TypeSizes) {
    if season.charts.is_empty() {
        return;
    }
    let soft = Type::regular(sizes.small, SOFT_INK);
    c.level(LEFT, RIGHT, top, 2.0, RULE);
    let mut y = top + 18.0 + sizes.body * 0.8;
    c.text(LEFT, y, "The same chart, week by week", Type::bold(sizes.body, INK), Align::Left);
    y += sizes.small * LEADING;
    let more = match season.charts.len().saturating_sub(MOST_CHARTS) {
        0 => String::new(),
        more => format!(" {more} more charts in season.json."),
    };
    let how =
        format!("Known again by what sounds on each beat and by tempo; takes that are not sure are left out.{more}");
    c.text(LEFT, y, &how, soft, Align::Left);
    y = top + head(sizes);
    let columns = columns(season);
    for (x, _, date) in &columns {
        c.text(*x, y, &words::short_date(*date), soft, Align::Right);
    }
    for chart in season.charts.iter().take(MOST_CHARTS) {
        y += BLOCK_GAP;
        c.level(LEFT, RIGHT, y - 6.0, 1.0, GRID);
        let name = c.fonts().shorten_end(&chart.name, Face::Bold, sizes.small, LABELS - LEFT - 16.0);
        for (at, (label, values, decimals, plus)) in lines(chart).into_iter().enumerate() {
            y += sizes.small * LEADING;
            if at == 0 {
                c.text(LEFT, y, &name, Type::bold(sizes.small, INK), Align::Left);
            }
            c.text(LABELS, y, label, soft, Align::Left);
            for (x, rehearsal, _) in &columns {
                let value = values.get(*rehearsal).copied().flatten().filter(|v| v.is_finite());
                let said = value.map_or_else(|| "\u{b7}".to_owned(), |v| words::number(v, decimals, plus));
                let face = if at == 0 && value.is_some() { Type::bold(sizes.small, INK) } else { soft };
                c.text(*x, y, &said, face, Align::Right);
            }
        }
    }
}

type Line<'a> = (&'static str, &'a [Option<f64>], usize, bool);

fn lines(chart: &SeasonChart) -> [Line<'_>; 3] {
    [
        ("beats a minute", &chart.tempo_bpm, 0, false),
        ("from first to last beat, %", &chart.drift_percent, 1, true),
        ("bass against the band, cents", &chart.bass_cents, 0, true),
    ]
}

/// Right edge of each column, its rehearsal and date: the last rehearsals that played any of the charts.
fn columns(season: &SeasonPicture) -> Vec<(f32, usize, Date)> {
    let played = |at: &usize| season.charts.iter().any(|c| c.tempo_bpm.get(*at).is_some_and(Option::is_some));
    let mut rehearsals: Vec<usize> = (0..season.rehearsals.len()).filter(played).collect();
    rehearsals.drain(..rehearsals.len().saturating_sub(MOST_COLUMNS));
    let step = (RIGHT - COLUMNS) / MOST_COLUMNS as f32;
    let place = |at: usize| COLUMNS + (at + 1) as f32 * step;
    rehearsals.iter().enumerate().map(|(at, r)| (place(at), *r, season.rehearsals[*r])).collect()
}
