//! The strip of the rehearsal: one band of fills and patterns over time, with words where they fit.

use super::axes::Scale;
use super::canvas::{Align, Area, Canvas, Type};
use super::text;
use super::theme::{BLUE, INK, KINDS, KindLook, PAPER, SOFT_INK, TypeSizes, look};
use crate::passages::PassageKind;
use crate::report::{PartFacts, Report};

/// Fills `area` as kind `look`.
pub fn swatch(c: &mut Canvas, area: Area, look: &KindLook) {
    c.fill(area, look.fill);
    if let Some((pattern, colour)) = look.pattern {
        c.pattern(area, pattern, colour);
    }
}

/// Draws the passages of `report` across `area` along `scale`, with words where they fit.
pub fn draw(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    let inner = Area { top: area.top + 2.0, bottom: area.bottom - 2.0, ..area };
    for passage in &report.passages {
        let part = Area {
            left: scale.at(passage.start_s).max(area.left),
            right: scale.at(passage.end_s).min(area.right),
            ..inner
        };
        swatch(c, part, &look(passage.kind));
    }
    // Takes that follow each other are kept apart by a thread of paper.
    for take in &report.takes {
        c.upright(scale.at(take.start_s).min(area.right - 2.0), inner.top, inner.bottom, 2.0, PAPER);
    }
    c.frame(area, 2.0, SOFT_INK);
    label_takes(c, inner, scale, report, sizes);
    label_others(c, inner, scale, report, sizes);
}

/// Words beside a small swatch, with the word's left edge on `x`; returns the right end.
pub fn named_swatch(c: &mut Canvas, x: f32, baseline: f32, look: &KindLook, said: &str, size: f32) -> f32 {
    let area = Area::new(x, baseline - size * 0.78, x + size * 1.05, baseline + size * 0.12);
    swatch(c, area, look);
    c.frame(area, 2.0, SOFT_INK);
    c.text(area.right + size * 0.35, baseline, said, Type::regular(size, INK), Align::Left).right
}

/// Names of the kinds that happen on the tape, in one line from `x`.
pub fn key(c: &mut Canvas, x: f32, baseline: f32, report: &Report, sizes: &TypeSizes) {
    let mut x = x;
    for kind in KINDS.into_iter().filter(|k| report.passages.iter().any(|p| p.kind == *k)) {
        let look = look(kind);
        x = named_swatch(c, x, baseline, &look, look.word, sizes.small) + sizes.small;
    }
}

/// A title, shortened to the room right of `x`; left out when so little would be left that the number says more.
pub fn title(c: &mut Canvas, x: f32, baseline: f32, title: &str, kind: Type, room: Area) {
    let short = c.fonts().shorten_end(&text::clean(title), kind.face, kind.size, room.right - x - 2.0);
    if short == title || short.chars().count() > 7 {
        c.text_if_free((x, baseline), &short, kind, Align::Left, room, None);
    }
}

/// A thin line where a part of a take begins; the take's own start has a line already.
pub fn part_lines(c: &mut Canvas, plot: Area, scale: Scale, report: &Report) {
    for part in report.takes.iter().flat_map(|t| t.parts.iter().skip(1)) {
        let x = scale.at(part.start_s);
        if x > plot.left && x < plot.right {
            c.upright(x, plot.top, plot.bottom, 1.0, BLUE.tint(70));
        }
    }
}

/// Names of the parts at the bottom of the plot, where a take has more than one and they fit: the longest words that do.
pub fn part_labels(c: &mut Canvas, plot: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    for part in report.takes.iter().filter(|t| t.parts.len() > 1).flat_map(|t| &t.parts) {
        let (left, right) = (scale.at(part.start_s), scale.at(part.end_s).min(plot.right));
        let kind = Type::regular(sizes.small, SOFT_INK);
        let room = Area { left, right: right.max(left), ..plot };
        let at = (left + 7.0, plot.bottom - 9.0);
        for words in part_words(part) {
            if c.text_if_free(at, &words, kind, Align::Left, room, None).is_some() {
                break;
            }
        }
    }
}

/// What a part is called, the longest words first.
fn part_words(part: &PartFacts) -> Vec<String> {
    let name = if part.label.chars().all(|d| d.is_ascii_digit()) {
        format!("part {}", part.label)
    } else {
        part.label.clone()
    };
    let same = part.same_form_as.as_ref().map(|first| format!("{name}, changes of {first}"));
    same.into_iter().chain([name, part.label.clone()]).collect()
}

fn label_takes(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    let look = look(PassageKind::Take);
    let baseline = (area.top + area.bottom) / 2.0 + sizes.small * 0.36;
    for (index, take) in report.takes.iter().enumerate() {
        let room =
            Area { left: scale.at(take.start_s) + 6.0, right: scale.at(take.end_s).min(area.right) - 6.0, ..area };
        let number = (index + 1).to_string();
        let kind = Type::bold(sizes.small, look.label);
        let Some(at) = c.text_if_free((room.left + 4.0, baseline), &number, kind, Align::Left, room, None) else {
            continue;
        };
        title(c, at.right + 12.0, baseline, &take.title, Type::regular(sizes.small, look.label), room);
    }
}

fn label_others(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    let baseline = (area.top + area.bottom) / 2.0 + sizes.small * 0.36;
    for passage in report.passages.iter().filter(|p| p.kind != PassageKind::Take) {
        let look = look(passage.kind);
        let (left, right) = (scale.at(passage.start_s), scale.at(passage.end_s).min(area.right));
        let room = Area { left: left + 8.0, right: right - 8.0, ..area };
        let kind = Type::regular(sizes.small, look.label);
        c.text_if_free(((left + right) / 2.0, baseline), look.word, kind, Align::Centre, room, Some(look.fill));
    }
}
