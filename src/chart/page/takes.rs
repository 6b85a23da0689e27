//! The table of takes: as many rows as the page has room for, the longest takes when there are more.

use super::super::axes::clock;
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{BLUE, GRID, INK, LEADING, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::{Report, TakeFacts};
use crate::stats::Measured;

/// One column: heading in two lines, a cell for each take shown.
struct Column {
    heading: [&'static str; 2],
    width: f32,
    cells: Vec<String>,
}

/// A planned table.
pub struct Table {
    columns: Vec<Column>,
    numbers: Vec<usize>,
    titles: Vec<String>,
    all: usize,
    notes: Vec<String>,
    row: f32,
    head: f32,
    note_step: f32,
}

/// One reading of a take.
type Pick = fn(&TakeFacts) -> &Measured;
/// Players whose tuning has a column when there is a value.
const PLAYERS: [(&str, Pick); 2] =
    [("bass", |t| &t.tuning.bass.offset_from_band_cents), ("guitar", |t| &t.tuning.guitar.offset_from_band_cents)];
/// Width of the number of a take.
const NUMBER_WIDTH: f32 = 60.0;
const NOTE_LINES: usize = 2;

impl Table {
    /// Plans the table for `width` pixels and at most `room` pixels of height.
    pub fn plan(c: &Canvas, report: &Report, sizes: &TypeSizes, width: f32, room: f32) -> Self {
        let row = sizes.small * 1.42;
        let head = 14.0 + sizes.heading * 1.3 + sizes.small * LEADING * 1.1;
        let note_step = sizes.small * LEADING;
        let rows = (((room - head - note_step * NOTE_LINES as f32) / row).max(1.0)) as usize;
        let numbers = longest_in_order(&report.takes, rows);
        let shown: Vec<&TakeFacts> = numbers.iter().filter_map(|n| report.takes.get(*n)).collect();
        let columns = columns(&shown, report.tape.duration_s);
        let title_width = width - NUMBER_WIDTH - columns.iter().map(|col| col.width).sum::<f32>() - 24.0;
        let titles = shown
            .iter()
            .map(|t| if t.title.is_empty() { "no title given" } else { t.title.as_str() })
            .map(|t| c.fonts().shorten_end(&super::super::text::clean(t), Face::Regular, sizes.small, title_width))
            .collect();
        let all = report.takes.len();
        let notes = c.fonts().wrap(&notes(&numbers, &shown, all), Face::Regular, sizes.small, width, NOTE_LINES);
        Self { columns, numbers, titles, all, notes, row, head, note_step }
    }

    /// Pixels that the table needs.
    pub fn height(&self) -> f32 {
        self.head + self.row * self.numbers.len() as f32 + self.note_step * self.notes.len() as f32 + 12.0
    }

    /// Takes that it shows.
    pub fn rows(&self) -> usize {
        self.numbers.len()
    }

    /// Draws it from the top of `area`.
    pub fn draw(&self, c: &mut Canvas, area: Area, sizes: &TypeSizes) {
        let heading = match (self.all, self.numbers.len()) {
            (0, _) => "Takes: none found".to_owned(),
            (all, shown) if all == shown => "Takes".to_owned(),
            (all, shown) => format!("The {shown} longest of {all} takes"),
        };
        let y = super::part_heading(c, area, area.top, &heading, sizes);
        if self.all > 0 {
            self.draw_head(c, area, y, sizes);
        }
        let mut y = area.top + self.head;
        for (index, number) in self.numbers.iter().enumerate() {
            c.level(area.left, area.right, y + 4.0, 1.0, GRID);
            let baseline = y + self.row * 0.5 + 4.0 + sizes.small * 0.36;
            let bold = Type::bold(sizes.small, BLUE);
            c.text(area.left + NUMBER_WIDTH - 28.0, baseline, &(number + 1).to_string(), bold, Align::Right);
            let kind = Type::regular(sizes.small, INK);
            c.text(area.left + NUMBER_WIDTH, baseline, &self.titles[index], kind, Align::Left);
            let mut right = area.right;
            for column in self.columns.iter().rev() {
                c.text(right, baseline, &column.cells[index], kind, Align::Right);
                right -= column.width;
            }
            y += self.row;
        }
        y += sizes.small + 8.0;
        for note in &self.notes {
            c.text(area.left, y, note, Type::regular(sizes.small, SOFT_INK), Align::Left);
            y += self.note_step;
        }
    }

    fn draw_head(&self, c: &mut Canvas, area: Area, y: f32, sizes: &TypeSizes) {
        let kind = Type::regular(sizes.small, SOFT_INK);
        let mut right = area.right;
        for column in self.columns.iter().rev() {
            // The upper line shares the height of the part's heading, which stands far to the left.
            c.text(right, y - sizes.small * 0.25, column.heading[0], kind, Align::Right);
            c.text(right, y + sizes.small * 1.0, column.heading[1], kind, Align::Right);
            right -= column.width;
        }
    }
}

/// Indices of the `most` longest takes, in the order in which they were played.
fn longest_in_order(takes: &[TakeFacts], most: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..takes.len()).collect();
    let length = |i: &usize| takes[*i].end_s - takes[*i].start_s;
    order.sort_by(|a, b| length(b).total_cmp(&length(a)).then(a.cmp(b)));
    order.truncate(most);
    order.sort_unstable();
    order
}

fn columns(takes: &[&TakeFacts], duration_s: f64) -> Vec<Column> {
    let text = |heading, width, cell: &dyn Fn(&TakeFacts) -> String| Column {
        heading,
        width,
        cells: takes.iter().map(|t| cell(t)).collect(),
    };
    let mut columns = vec![
        text(["starts", clock_unit(duration_s)], 130.0, &|t| clock(t.start_s, duration_s)),
        text(["length", "min:s"], 120.0, &|t| clock(t.end_s - t.start_s, 0.0)),
        text(["loudness", "LUFS"], 185.0, &|t| cell(&t.loudness.integrated_lufs, 1, true)),
        text(["range", "LU"], 120.0, &|t| cell(&t.loudness.range_lu, 1, false)),
        text(["peak", "dBTP"], 125.0, &|t| cell(&t.loudness.true_peak_dbtp, 1, false)),
    ];
    if takes.iter().any(|t| words::finite(&t.tempo.bpm).is_some()) {
        columns.push(text(["tempo", "beats/min"], 160.0, &|t| cell(&t.tempo.bpm, 0, false)));
    }
    type Pick = fn(&TakeFacts) -> &Measured;
    let players: [(&str, Pick); 2] =
        [("bass", |t| &t.tuning.bass.offset_from_band_cents), ("guitar", |t| &t.tuning.guitar.offset_from_band_cents)];
    for (name, pick) in players {
        if takes.iter().any(|t| words::finite(pick(t)).is_some()) {
            let cells = takes.iter().map(|t| signed(pick(t))).collect();
            columns.push(Column { heading: [name, "cents"], width: 125.0, cells });
        }
    }
    columns
}

fn clock_unit(duration_s: f64) -> &'static str {
    if duration_s >= 3600.0 { "h:min" } else { "min:s" }
}

/// The number with half of its interval, or "not said".
fn cell(m: &Measured, decimals: usize, with_interval: bool) -> String {
    let Some(value) = words::finite(m) else { return "not said".to_owned() };
    let value = words::number(value, decimals, false);
    match words::interval(m).filter(|_| with_interval) {
        Some((low, high)) => format!("{value} ±{}", words::number((high - low) / 2.0, decimals, false)),
        None => value,
    }
}

fn signed(m: &Measured) -> String {
    words::finite(m).map_or_else(|| "not said".to_owned(), |v| words::number(v, 0, true))
}

/// What the units mean, and why some cells say nothing.
fn notes(numbers: &[usize], takes: &[&TakeFacts], all: usize) -> String {
    let tempo = takes.iter().any(|t| words::finite(&t.tempo.bpm).is_some());
    let tuned = |pick: Pick| takes.iter().any(|t| words::finite(pick(t)).is_some());
    let players: Vec<Pick> = PLAYERS.iter().map(|p| p.1).filter(|p| tuned(*p)).collect();
    let mut reasons: Vec<(String, Vec<String>)> = Vec::new();
    for (number, take) in numbers.iter().zip(takes) {
        let l = &take.loudness;
        let mut cells = vec![&l.integrated_lufs, &l.range_lu, &l.true_peak_dbtp];
        cells.extend(tempo.then_some(&take.tempo.bpm));
        cells.extend(players.iter().map(|pick| pick(take)));
        for reason in cells.into_iter().filter(|m| words::finite(m).is_none()).map(words::why_absent) {
            let name = (number + 1).to_string();
            match reasons.iter_mut().find(|(r, _)| *r == reason) {
                Some((_, names)) if names.last() == Some(&name) => {}
                Some((_, names)) => names.push(name),
                None => reasons.push((reason, vec![name])),
            }
        }
    }
    let mut said: Vec<String> = reasons
        .iter()
        .map(|(r, names)| {
            format!("Not said in take{} {}: {r}.", if names.len() > 1 { "s" } else { "" }, words::list(names))
        })
        .collect();
    if all > takes.len() {
        said.push("All takes are in report.json.".to_owned());
    }
    if takes.iter().any(|t| words::interval(&t.loudness.integrated_lufs).is_some()) {
        said.push("± holds the truth 95 times in 100.".to_owned());
    }
    if all > 0 {
        said.push("Range: from the soft to the loud parts. Peak: 0 is the recorder's limit.".to_owned());
    }
    if !players.is_empty() {
        said.push("Cents: against the band, plus is sharp.".to_owned());
    }
    said.join(" ")
}
