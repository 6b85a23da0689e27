//! What to work on: up to three findings, each with its ask; or plainly what was measured when nothing stood out.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{BLUE, INK, LEADING, TypeSizes};
use super::super::words;
use crate::findings::PRAISE;
use crate::report::Report;

/// Most lines of praise.
const PRAISE_LINES: usize = 2;
/// Findings on the page.
const MOST: usize = 3;
/// Room for the number.
const INDENT: f32 = 54.0;
/// Between two findings.
const GAP: f32 = 18.0;

/// The planned part: paragraphs of lines, bold or not.
pub struct Findings {
    items: Vec<Vec<(Face, String)>>,
    numbered: bool,
    praise: Vec<String>,
    head: f32,
    step: f32,
}

impl Findings {
    /// Plans the part for `width` pixels.
    pub fn plan(c: &Canvas, report: &Report, sizes: &TypeSizes, width: f32, statement: usize, ask: usize) -> Self {
        let asked = || report.findings.iter().filter(|f| f.severity > 0);
        let numbered = asked().next().is_some();
        let lines = |face: Face, words: &str, most: usize, room: f32| {
            c.fonts().wrap(words, face, sizes.body, room, most).into_iter().map(move |l| (face, l)).collect::<Vec<_>>()
        };
        let items = if numbered {
            let room = width - INDENT;
            let item = |said: &str, asked: &str| {
                let mut item = lines(Face::Bold, &words::sentence(said), statement, room);
                item.extend(lines(Face::Regular, &words::sentence(asked), ask, room));
                item
            };
            asked().take(MOST).map(|f| item(&f.statement, &f.ask)).collect()
        } else {
            vec![lines(Face::Regular, &nothing_found(report), 3, width)]
        };
        let praise = praise(report)
            .map_or_else(Vec::new, |said| c.fonts().wrap(&said, Face::Regular, sizes.body, width, PRAISE_LINES));
        Self { items, numbered, praise, head: super::part_heading_height(sizes) + 6.0, step: sizes.body * LEADING }
    }

    /// Pixels that the part needs.
    pub fn height(&self) -> f32 {
        let lines: usize = self.items.iter().map(Vec::len).sum();
        let praise = if self.praise.is_empty() { 0.0 } else { GAP + self.step * self.praise.len() as f32 };
        self.head + self.step * lines as f32 + GAP * (self.items.len() as f32 - 1.0) + praise
    }

    /// Draws it from the top of `area`.
    pub fn draw(&self, c: &mut Canvas, area: Area, sizes: &TypeSizes) {
        super::part_heading(c, area, area.top, "For the next rehearsal", sizes);
        let mut y = area.top + self.head + sizes.body * 0.85;
        for (index, item) in self.items.iter().enumerate() {
            if self.numbered {
                c.text(area.left, y, &(index + 1).to_string(), Type::bold(sizes.heading, BLUE), Align::Left);
            }
            let left = area.left + if self.numbered { INDENT } else { 0.0 };
            for (face, line) in item {
                c.text(left, y, line, Type { face: *face, size: sizes.body, colour: INK }, Align::Left);
                y += self.step;
            }
            y += GAP;
        }
        for line in &self.praise {
            c.text(area.left, y, line, Type::regular(sizes.body, INK), Align::Left);
            y += self.step;
        }
    }
}

/// What went well, in one paragraph.
fn praise(report: &Report) -> Option<String> {
    let note = |id: &&str| report.findings.iter().find(|f| f.id == **id && f.severity == 0);
    let said: Vec<&str> = PRAISE.iter().filter_map(note).map(|f| f.statement.as_str()).collect();
    (!said.is_empty()).then(|| format!("Went well: {}", said.join(" ")))
}

/// Families that have a value on this tape, and those that have none.
fn measured(report: &Report) -> (Vec<String>, Vec<String>) {
    let takes = &report.takes;
    let tuning = &report.tuning.instruments;
    let tuned = [&tuning.bass, &tuning.guitar, &tuning.piano].iter().any(|t| t.offset_from_a440_cents.value.is_some());
    let families = [
        ("how the period was spent", !report.passages.is_empty()),
        ("loudness", takes.iter().any(|t| t.loudness.integrated_lufs.value.is_some())),
        ("balance", report.balance.third_octave.iter().any(|b| b.level_db.is_some())),
        ("tuning", tuned),
        ("tempo", takes.iter().any(|t| t.tempo.bpm.value.is_some())),
    ];
    let names = |wanted: bool| families.iter().filter(|f| f.1 == wanted).map(|f| f.0.to_owned()).collect();
    (names(true), names(false))
}

fn nothing_found(report: &Report) -> String {
    let (with, without) = measured(report);
    let mut said = if with.is_empty() {
        "Nothing to ask for. ".to_owned()
    } else {
        format!("Nothing to ask for. Looked at, and nothing lies clearly beyond its limit: {}. ", words::list(&with))
    };
    if !without.is_empty() {
        said += &format!("No value on this tape for {}.", words::list(&without));
    }
    said
}
