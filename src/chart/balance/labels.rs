//! Words inside and beside the balance plot.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::theme::{INK, LEADING, SOFT_INK, TypeSizes, UNHEARD};
use super::{Frame, finite, unheard};
use crate::report::ThirdOctave;

/// The words for a deaf stretch, as many as fit in it.
pub fn label_unheard(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave], sizes: &TypeSizes) {
    let kind = Type::regular(sizes.small, INK);
    let wordings: [&[&str]; 3] = [&["this recorder", "does not hear", "here"], &["not heard"], &["not", "heard"]];
    for area in unheard(frame, bands) {
        let inner = area.grown(-6.0);
        let widest = |lines: &[&str]| lines.iter().map(|l| c.text_width(l, kind)).fold(0.0, f32::max);
        let Some(lines) = wordings.into_iter().find(|lines| widest(lines) + 8.0 < inner.width()) else { continue };
        let mut y = inner.bottom - 10.0 - (lines.len() as f32 - 1.0) * kind.size * LEADING;
        for line in lines {
            c.text_if_free(((area.left + area.right) / 2.0, y), line, kind, Align::Centre, inner, Some(UNHEARD));
            y += kind.size * LEADING;
        }
    }
}

/// Names of the two lines at the right end, each beside the end of its line.
pub fn label_lines(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave], sizes: &TypeSizes, right: f32) {
    let line = sizes.small * 1.27;
    let on_scale = |b: &&ThirdOctave| frame.level_of(b).filter(|v| *v >= frame.level.range().0);
    let end = bands.iter().rev().find_map(|b| on_scale(b).map(|v| (frame.stripe(b).right, frame.y(v))));
    let target = bands.iter().rev().find_map(|b| finite(b.target_db)).map(|v| frame.y(v));
    let Some((from, own)) = end else { return };
    let left = frame.plot.right + 14.0;
    if from < frame.plot.right - 2.0 {
        c.level(from, frame.plot.right, own, 1.0, INK);
    }
    // Each name takes two lines; keep them apart, the higher line's name on top, and inside the plot's height.
    let block = 2.0 * line + 8.0;
    let (mut own_y, mut target_y) = (own, target.unwrap_or(own + block));
    if (own_y - target_y).abs() < block {
        let middle = (own_y + target_y) / 2.0;
        let up = if own_y <= target_y { -1.0 } else { 1.0 };
        (own_y, target_y) = (middle + up * block / 2.0, middle - up * block / 2.0);
    }
    let lowest = own_y.max(target_y) + line;
    let lift = (lowest - frame.plot.bottom).max(0.0);
    let room = Area { left: left - 1.0, right: right + 1.0, ..c.sheet() };
    let mut name = |y: f32, lines: [&str; 2], kind: Type| {
        c.text_if_free((left, y - lift - 3.0), lines[0], kind, Align::Left, room, None);
        c.text_if_free((left, y - lift - 3.0 + line), lines[1], kind, Align::Left, room, None);
    };
    name(own_y, ["this", "rehearsal"], Type::bold(sizes.small, INK));
    if target.is_some() {
        name(target_y, ["target and", "its spread"], Type::regular(sizes.small, SOFT_INK));
    }
}

/// "more than the target" or "less" once, above the largest patch.
pub fn label_beyond(c: &mut Canvas, frame: &Frame, bands: &[&ThirdOctave], sizes: &TypeSizes) {
    let kind = Type::regular(sizes.small, INK);
    let patch = |b: &&&ThirdOctave, more: bool| {
        let level = frame.level_of(b)?;
        let edge = if more { finite(b.target_high_db)? } else { finite(b.target_low_db)? };
        let beyond = if more { level - edge } else { edge - level };
        (beyond > 1.0).then_some((beyond, frame.stripe(b), frame.y(level)))
    };
    for (more, said) in [(true, "more than the target"), (false, "less than the target")] {
        let largest = bands.iter().filter_map(|b| patch(&b, more)).max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, stripe, y)) = largest else { continue };
        let half = c.text_width(said, kind) / 2.0;
        let x = ((stripe.left + stripe.right) / 2.0).clamp(frame.plot.left + half + 6.0, frame.plot.right - half - 6.0);
        // Clear of every step that the words pass over.
        let over = bands.iter().filter(|b| {
            let s = frame.stripe(b);
            s.right > x - half - 6.0 && s.left < x + half + 6.0
        });
        let steps = over.filter_map(|b| frame.level_of(b).map(|v| frame.y(v)));
        let clear = if more { steps.fold(y, f32::min) } else { steps.fold(y, f32::max) };
        let baseline = if more { clear - 14.0 } else { clear + sizes.small + 10.0 };
        c.text_if_free((x, baseline), said, kind, Align::Centre, frame.plot, None);
    }
}
