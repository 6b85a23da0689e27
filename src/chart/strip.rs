//! The strip of the rehearsal: one band of fills and patterns over time, with words where they fit.

use super::axes::Scale;
use super::canvas::{Align, Area, Canvas, Type};
use super::theme::{KindLook, PAPER, SOFT_INK, TypeSizes, look};
use crate::passages::PassageKind;
use crate::report::Report;

/// Fills `area` as kind `look`.
pub fn swatch(c: &mut Canvas, area: Area, look: &KindLook) {
    c.fill(area, look.fill);
    if let Some((pattern, colour)) = look.pattern {
        c.pattern(area, pattern, colour);
    }
}

/// Draws the passages of `report` across `area` along `scale`; `words` also labels them.
pub fn draw(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes, words: bool) {
    let inner = Area { top: area.top + 2.0, bottom: area.bottom - 2.0, ..area };
    for passage in &report.passages {
        let part = Area { left: scale.at(passage.start_s).max(area.left), right: scale.at(passage.end_s).min(area.right), ..inner };
        swatch(c, part, &look(passage.kind));
    }
    // Takes that follow each other are kept apart by a thread of paper.
    for take in &report.takes {
        c.upright(scale.at(take.start_s).min(area.right - 2.0), inner.top, inner.bottom, 2.0, PAPER);
    }
    c.frame(area, 2.0, SOFT_INK);
    if words {
        label_takes(c, inner, scale, report, sizes);
        label_others(c, inner, scale, report, sizes);
    }
}

fn label_takes(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    let look = look(PassageKind::Take);
    let baseline = (area.top + area.bottom) / 2.0 + sizes.small * 0.36;
    for (index, take) in report.takes.iter().enumerate() {
        let room = Area { left: scale.at(take.start_s) + 6.0, right: scale.at(take.end_s) - 6.0, ..area };
        let number = (index + 1).to_string();
        let kind = Type::bold(sizes.small, look.label);
        let Some(at) = c.text_if_free((room.left + 4.0, baseline), &number, kind, Align::Left, room, None) else {
            continue;
        };
        let left = at.right + 12.0;
        let title = c.fonts().shorten_end(&take.title, kind.face, kind.size, room.right - left);
        // A title of which little is left says less than the number alone.
        if title == take.title || title.chars().count() > 7 {
            let kind = Type::regular(sizes.small, look.label);
            c.text_if_free((left, baseline), &title, kind, Align::Left, room, None);
        }
    }
}

fn label_others(c: &mut Canvas, area: Area, scale: Scale, report: &Report, sizes: &TypeSizes) {
    let baseline = (area.top + area.bottom) / 2.0 + sizes.small * 0.36;
    for passage in report.passages.iter().filter(|p| p.kind != PassageKind::Take) {
        let look = look(passage.kind);
        let (left, right) = (scale.at(passage.start_s), scale.at(passage.end_s));
        let room = Area { left: left + 8.0, right: right - 8.0, ..area };
        let kind = Type::regular(sizes.small, look.label);
        c.text_if_free(((left + right) / 2.0, baseline), look.word, kind, Align::Centre, room, Some(look.fill));
    }
}
