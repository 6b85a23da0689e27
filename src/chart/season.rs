//! The season: one small field a measure, a point a rehearsal.
//!
//! Conventions: rehearsals stand in order of date at their true distance in days; a point carries its 95 % interval as an
//! upright line; a rehearsal without a value leaves a gap; no line crosses a break.

use jiff::civil::Date;

use super::axes::{Scale, round_steps};
use super::canvas::{Align, Area, Canvas, Drawn, Picture, Type};
use super::error::ChartError;
use super::season_charts::{self, SeasonChart};
use super::season_lists;
use super::text::Face;
use super::theme::{BLUE, GRID, INK, LEADING, RULE, SOFT_INK, TypeSizes, WIDE_TYPE};
use super::words;

/// Which way is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Better {
    /// Higher is better.
    Up,
    /// Lower is better.
    Down,
    /// Nearer zero is better.
    Zero,
    /// Neither: a fact, not a goal.
    Neither,
}

/// One measured value of one rehearsal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonPoint {
    /// The value.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// One measure over the rehearsals.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonSeries {
    /// What it is, in the director's words.
    pub title: String,
    /// Its unit; empty when it has none.
    pub unit: String,
    /// One entry a rehearsal; `None` where there is nothing to say.
    pub values: Vec<Option<SeasonPoint>>,
    /// Which way is better.
    pub better: Better,
    /// Rehearsals before which the line is broken, and why in two or three words ("new method").
    pub broken_before: Vec<(usize, String)>,
    /// One sentence about the trend; may be empty.
    pub verdict: String,
}

/// What the picture shows.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonPicture {
    /// Dates of the rehearsals, in order.
    pub rehearsals: Vec<Date>,
    /// The measures; at most eight are shown.
    pub series: Vec<SeasonSeries>,
    /// What changed beyond the noise, a sentence each.
    pub changed: Vec<String>,
    /// What returns from rehearsal to rehearsal, a sentence each.
    pub returns: Vec<String>,
    /// What to keep in mind (weeks without a rehearsal, another recorder), a sentence each.
    pub notes: Vec<String>,
    /// Charts that several rehearsals played.
    pub charts: Vec<SeasonChart>,
}

/// Fields on one picture.
pub const MOST_SERIES: usize = 8;
const COLUMNS: usize = 2;
const FIELD_HEIGHT: f32 = 316.0;
const HEAD: f32 = 136.0;

/// The season, 1600 pixels wide; its height follows the number of measures.
///
/// # Errors
/// [`ChartError::Font`].
pub fn draw_season(season: &SeasonPicture) -> Result<Picture, ChartError> {
    lay_out_season(season).map(|d| d.picture)
}

/// [`draw_season`] with the box of every text.
///
/// # Errors
/// As [`draw_season`].
pub fn lay_out_season(season: &SeasonPicture) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let shown = &season.series[..season.series.len().min(MOST_SERIES)];
    let rows = shown.len().div_ceil(COLUMNS).max(2);
    let mut measuring = Canvas::new(1, 1, 100)?;
    let lists = season_lists::lists(&mut measuring, season, sizes);
    let said = lists.iter().map(Vec::len).max().unwrap_or(0) as f32 * sizes.small * LEADING;
    let first = HEAD + if said > 0.0 { said + 34.0 } else { 14.0 };
    let table = first + rows as f32 * FIELD_HEIGHT;
    let height = table + season_charts::height(season, sizes) + 66.0;
    let mut c = Canvas::new(1600, height as u32, 100)?;
    draw_head(&mut c, season, sizes);
    season_lists::draw_lists(&mut c, HEAD, &lists, sizes);
    for (index, series) in shown.iter().enumerate() {
        let (row, column) = (index / COLUMNS, index % COLUMNS);
        let left = 60.0 + column as f32 * 760.0;
        let top = first + row as f32 * FIELD_HEIGHT;
        draw_field(&mut c, Area::new(left, top, left + 720.0, top + FIELD_HEIGHT - 26.0), season, series, sizes);
    }
    if shown.is_empty() {
        let said = "No measure has a value yet: review at least one tape.";
        c.text(60.0, first + 80.0, said, Type::regular(sizes.body, INK), Align::Left);
    }
    season_charts::draw(&mut c, table, season, sizes);
    let more = match season.series.len().saturating_sub(MOST_SERIES) {
        0 => String::new(),
        more => format!(" {more} more in season.json."),
    };
    let caution =
        format!("A point is one rehearsal; the upright line through it holds the truth 95 times in 100.{more}");
    let caution = c.fonts().shorten_end(&caution, Face::Regular, sizes.small, 1480.0);
    c.text(60.0, height - 30.0, &caution, Type::regular(sizes.small, SOFT_INK), Align::Left);
    Ok(c.finish())
}

fn draw_head(c: &mut Canvas, season: &SeasonPicture, sizes: &TypeSizes) {
    let y = 52.0 + sizes.title * 0.5;
    c.text(60.0, y, "The season so far", Type::bold(sizes.title, INK), Align::Left);
    let said = match (season.rehearsals.first(), season.rehearsals.last()) {
        (Some(first), Some(last)) if first != last => format!(
            "{} rehearsals, {} {} to {} {}",
            season.rehearsals.len(),
            words::short_date(*first),
            first.year(),
            words::short_date(*last),
            last.year()
        ),
        (Some(only), _) => format!("One day of rehearsal, {} {}", words::short_date(*only), only.year()),
        _ => "No rehearsal yet".to_owned(),
    };
    c.text(60.0, y + sizes.body * 1.7, &said, Type::regular(sizes.body, SOFT_INK), Align::Left);
}

/// Unit and direction in one line.
fn facts(series: &SeasonSeries) -> String {
    let facts = [series.unit.as_str(), better_words(series.better)];
    facts.into_iter().filter(|f| !f.is_empty()).collect::<Vec<_>>().join(", ")
}

fn better_words(better: Better) -> &'static str {
    match better {
        Better::Up => "higher is better",
        Better::Down => "lower is better",
        Better::Zero => "nearer 0 is better",
        Better::Neither => "",
    }
}

fn draw_field(c: &mut Canvas, area: Area, season: &SeasonPicture, series: &SeasonSeries, sizes: &TypeSizes) {
    let points = points(season, series);
    let kind = Type::regular(sizes.small, SOFT_INK);
    let title = c.fonts().shorten_end(&words::capital(&series.title), Face::Bold, sizes.body, area.width());
    c.text(area.left, area.top + sizes.small, &title, Type::bold(sizes.body, INK), Align::Left);
    let shorten = |words: &str| c.fonts().shorten_end(words, Face::Regular, sizes.small, area.width());
    let (facts, verdict) = (shorten(&facts(series)), shorten(&series.verdict));
    c.text(area.left, area.top + sizes.small * 2.35, &facts, kind, Align::Left);
    c.text(area.left, area.top + sizes.small * 3.65, &verdict, Type::regular(sizes.small, INK), Align::Left);
    let plot = Area::new(area.left + 84.0, area.top + 106.0, area.right - 96.0, area.bottom - 42.0);
    let verdict_y = area.bottom - 4.0;
    if points.is_empty() {
        c.frame(plot, 1.0, GRID);
        c.text(
            (plot.left + plot.right) / 2.0,
            (plot.top + plot.bottom) / 2.0 + 8.0,
            "no value yet",
            kind,
            Align::Centre,
        );
        return;
    }
    let (low, high) = range(&points, series.better);
    let level = Scale::new(low, high, plot.bottom, plot.top);
    for value in round_steps(low, high, 4) {
        let y = level.at(value);
        c.level(plot.left, plot.right, y, if value == 0.0 { 2.0 } else { 1.0 }, if value == 0.0 { RULE } else { GRID });
        let decimals = usize::from(high - low < 4.0) + usize::from(high - low < 0.4);
        // A number on the base line would stand in the way of the first date.
        if y < plot.bottom - 1.0 {
            let said = words::number(value, decimals, false);
            c.text(plot.left - 12.0, y + sizes.small * 0.36, &said, kind, Align::Right);
        }
    }
    c.level(plot.left, plot.right, plot.bottom, 2.0, SOFT_INK);
    let days = day_scale(season, plot);
    draw_points(c, plot, &points, level, &days, series);
    label_last(c, plot, &points, level, &days, sizes);
    draw_dates(c, plot, season, &days, sizes, verdict_y);
}

/// Index of the rehearsal and its point, only numbers that are finite.
fn points(season: &SeasonPicture, series: &SeasonSeries) -> Vec<(usize, SeasonPoint)> {
    let shown = series.values.iter().take(season.rehearsals.len()).enumerate();
    shown
        .filter_map(|(i, p)| p.map(|p| (i, p)))
        .filter(|(_, p)| p.value.is_finite())
        .map(|(i, p)| {
            let or = |v: f64| if v.is_finite() { v } else { p.value };
            (i, SeasonPoint { value: p.value, low: or(p.low), high: or(p.high) })
        })
        .collect()
}

fn range(points: &[(usize, SeasonPoint)], better: Better) -> (f64, f64) {
    let mut low = points.iter().map(|(_, p)| p.low).fold(f64::INFINITY, f64::min);
    let mut high = points.iter().map(|(_, p)| p.high).fold(f64::NEG_INFINITY, f64::max);
    if better == Better::Zero {
        (low, high) = (low.min(0.0), high.max(0.0));
    }
    // Nothing but zeros still needs an axis whose marks can be told apart.
    let least = if high.abs().max(low.abs()) < 1e-6 { 0.5 } else { 1e-6 };
    let margin = ((high - low) * 0.12).max(0.05 * high.abs().max(low.abs())).max(least);
    (low - margin, high + margin)
}

/// Pixel of each rehearsal.
fn day_scale(season: &SeasonPicture, plot: Area) -> Vec<f32> {
    let Some(first) = season.rehearsals.first() else { return Vec::new() };
    let day = |d: &Date| d.duration_since(*first).as_hours() as f64 / 24.0;
    let last = season.rehearsals.iter().map(day).fold(0.0, f64::max);
    let inner = (plot.left + 16.0, plot.right - 16.0);
    if last <= 0.0 {
        return vec![(inner.0 + inner.1) / 2.0; season.rehearsals.len()];
    }
    let scale = Scale::new(0.0, last, inner.0, inner.1);
    season.rehearsals.iter().map(|d| scale.at(day(d))).collect()
}

fn draw_points(
    c: &mut Canvas,
    plot: Area,
    points: &[(usize, SeasonPoint)],
    level: Scale,
    days: &[f32],
    series: &SeasonSeries,
) {
    for pair in points.windows(2) {
        let ((from, a), (to, z)) = (pair[0], pair[1]);
        let broken = series.broken_before.iter().any(|(b, _)| *b > from && *b <= to);
        if to == from + 1 && !broken {
            c.curve(&[(days[from], level.at(a.value)), (days[to], level.at(z.value))], 2.0, BLUE.tint(55), plot);
        }
    }
    for (broken, why) in series.broken_before.iter().filter(|(b, _)| *b > 0 && *b < days.len()) {
        let x = (days[*broken - 1] + days[*broken]) / 2.0;
        c.upright(x, plot.top, plot.bottom, 2.0, RULE);
        let kind = Type::regular(WIDE_TYPE.small, SOFT_INK);
        let room = Area { right: plot.right + 96.0, ..plot };
        for baseline in [plot.top + WIDE_TYPE.small, plot.bottom - 10.0] {
            if c.text_if_free((x + 10.0, baseline), why, kind, Align::Left, room, None).is_some()
                || c.text_if_free((x - 8.0, baseline), why, kind, Align::Right, plot, None).is_some()
            {
                break;
            }
        }
    }
    for (i, p) in points {
        c.upright(days[*i] - 1.0, level.at(p.high), level.at(p.low), 3.0, BLUE.tint(60));
        c.dot(days[*i], level.at(p.value), 6.5, BLUE);
    }
}

fn label_last(
    c: &mut Canvas,
    plot: Area,
    points: &[(usize, SeasonPoint)],
    level: Scale,
    days: &[f32],
    sizes: &TypeSizes,
) {
    let Some((i, p)) = points.last() else { return };
    let decimals = if p.value.abs() < 100.0 { 1 } else { 0 };
    let y = (level.at(p.value) + sizes.small * 0.36).clamp(plot.top + sizes.small, plot.bottom);
    let at = (days[*i] + 18.0, y);
    let said = words::number(p.value, decimals, false);
    let room = c.sheet();
    c.text_if_free(at, &said, Type::bold(sizes.small, INK), Align::Left, room, None);
}

fn draw_dates(c: &mut Canvas, plot: Area, season: &SeasonPicture, days: &[f32], sizes: &TypeSizes, baseline: f32) {
    let kind = Type::regular(sizes.small, SOFT_INK);
    let room = Area { left: plot.left - 60.0, right: plot.right + 60.0, ..c.sheet() };
    for (x, date) in days.iter().zip(&season.rehearsals) {
        c.upright(*x - 1.0, plot.bottom, plot.bottom + 7.0, 2.0, SOFT_INK);
        c.text_if_free((*x, baseline - 3.0), &words::short_date(*date), kind, Align::Centre, room, None);
    }
}
