//! The picture of the bar: how often each voice sounds at each place of it, one row a voice.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{BLUE, Colour, GRID, INK, LEADING, ORANGE, RULE, SKY, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::{BarPicture, Report};

/// Room left of the rows, in type sizes.
const GUTTER: f32 = 4.6;
const GAP: f32 = 7.0;

/// Draws the panel into `area`.
pub fn panel(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    voices(c, area, report, sizes, &VOICES);
}

/// The kit alone, for the sheet of the drums.
pub fn kit_panel(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    voices(c, area, report, sizes, &VOICES[..4]);
}

type Pick = fn(&BarPicture) -> &[f64];
/// The voices from top to bottom; the bass stands last.
const VOICES: [(&str, Pick, Colour); 5] = [
    ("cymbals", |p| &p.cymbals, SKY),
    ("hi-hat", |p| &p.hi_hat_closing, ORANGE),
    ("snare", |p| &p.snare, Colour(120, 116, 110)),
    ("kick", |p| &p.kick, INK),
    ("bass", |p| &p.bass, BLUE),
];

fn voices(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes, rows: &[(&str, Pick, Colour)]) {
    let line = sizes.small * LEADING;
    let Some((number, picture)) = most_bars(report) else {
        c.text(
            area.left,
            area.top + sizes.small,
            "Where in the bar they play",
            Type::bold(sizes.small, INK),
            Align::Left,
        );
        let why = report.takes.iter().find_map(|t| t.tempo.bpm.reason.as_deref());
        let why = why.map_or_else(|| "no bars were found".to_owned(), words::reason_in_words);
        let said = c.fonts().shorten_end(&format!("Not said: {why}."), Face::Regular, sizes.small, area.width());
        c.text(area.left, area.top + sizes.small + line, &said, Type::regular(sizes.small, INK), Align::Left);
        return;
    };
    let title = format!("Where in the bar they play: take {number}, {} bars", picture.bars);
    c.text(area.left, area.top + sizes.small, &title, Type::bold(sizes.small, INK), Align::Left);
    let plot =
        Area { left: area.left + sizes.small * GUTTER, top: area.top + line + 6.0, bottom: area.bottom - line, ..area };
    draw_beats(c, plot, picture.beats, sizes);
    let height = plot.height() / rows.len() as f32;
    for (index, (name, pick, colour)) in rows.iter().enumerate() {
        let row = Area {
            top: plot.top + index as f32 * height + GAP,
            bottom: plot.top + (index + 1) as f32 * height,
            ..plot
        };
        c.text(area.left, row.bottom - 4.0, name, Type::regular(sizes.small, INK), Align::Left);
        draw_row(c, row, pick(picture), *colour);
    }
}

/// The take with the most bars, counted from 1, with its picture.
fn most_bars(report: &Report) -> Option<(usize, &BarPicture)> {
    let numbered = report.takes.iter().enumerate();
    let pictures = numbered.map(|(i, t)| (i + 1, &t.time_detail.bar_picture));
    // The first of equals.
    pictures.filter(|(_, p)| p.bars > 0 && p.beats > 0).rev().max_by_key(|(_, p)| p.bars)
}

/// One column a place, as high as the share of the bars in which the voice sounds there.
fn draw_row(c: &mut Canvas, row: Area, shares: &[f64], colour: Colour) {
    let width = row.width() / shares.len().max(1) as f32;
    for (place, share) in shares.iter().enumerate().filter(|(_, s)| s.is_finite()) {
        let left = row.left + place as f32 * width;
        let top = row.bottom - (share.clamp(0.0, 1.0) as f32) * row.height();
        c.fill(Area::new(left + 1.0, top, left + width - 1.0, row.bottom), colour);
    }
    c.level(row.left, row.right, row.bottom, 1.0, RULE);
}

fn draw_beats(c: &mut Canvas, plot: Area, beats: usize, sizes: &TypeSizes) {
    let width = plot.width() / beats as f32;
    for beat in 0..beats {
        // The first place of a beat is centred on it.
        let x = plot.left + beat as f32 * width + width / 24.0;
        c.upright(x - 1.0, plot.top, plot.bottom, 2.0, GRID);
        let said = (beat + 1).to_string();
        c.text(x, plot.bottom + sizes.small * 0.95, &said, Type::bold(sizes.small, INK), Align::Centre);
    }
    let said = "beat of the bar";
    let room = c.sheet();
    let kind = Type::regular(sizes.small, SOFT_INK);
    c.text_if_free((plot.right, plot.bottom + sizes.small * 0.95), said, kind, Align::Right, room, None);
}
