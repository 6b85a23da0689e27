//! How the period was spent: one sentence, the strip, and the shares.

use super::super::axes::{self, Scale};
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::strip;
use super::super::theme::{INK, KINDS, TypeSizes, look};
use super::super::words;
use crate::passages::PassageKind;
use crate::report::Report;

const STRIP_HEIGHT: f32 = 62.0;

/// Seconds of one kind.
fn seconds(report: &Report, kind: PassageKind) -> f64 {
    let t = &report.time_use;
    match kind {
        PassageKind::Take => t.take_s,
        PassageKind::Talk => t.talk_s,
        PassageKind::Tuning => t.tuning_s,
        PassageKind::Quiet => t.quiet_s,
        PassageKind::Other => t.other_s,
    }
}

/// The answer in one line.
fn answer(report: &Report) -> String {
    let all = report.tape.duration_s;
    let played = report.time_use.take_s;
    if !axes::is_positive(played) {
        return format!("No playing was found in these {}.", words::length(all));
    }
    let others: Vec<String> = [(PassageKind::Talk, "talk"), (PassageKind::Tuning, "tuning")]
        .iter()
        .filter(|(kind, _)| seconds(report, *kind) > 0.0)
        .map(|(kind, name)| format!("{name} {}", words::length(seconds(report, *kind))))
        .collect();
    let rest = if others.is_empty() { String::new() } else { format!("; {}", words::list(&others)) };
    let share = words::share(played, all);
    format!("The band played {} of {} ({share}){rest}.", words::length(played), words::length(all))
}

/// Draws the part; returns its lower end.
pub fn draw(c: &mut Canvas, area: Area, time: Scale, report: &Report, sizes: &TypeSizes) -> f32 {
    let mut y = area.top + sizes.heading * 0.8 + 18.0;
    let answer = answer(report);
    let kind = Type::bold(sizes.heading, INK);
    let kind = if c.text_width(&answer, kind) > area.width() { Type::bold(sizes.small, INK) } else { kind };
    c.text(area.left, y, &answer, kind, Align::Left);
    y += 22.0;
    let (left, right) = (time.at(0.0), area.right);
    let strip_area = Area::new(left, y, right, y + STRIP_HEIGHT);
    strip::draw(c, strip_area, time, report, sizes);
    let y = axes::draw_time_axis(c, strip_area, time, sizes, false);
    shares(c, area, y, report, sizes)
}

/// Minutes and percent of each kind with its pattern; kinds that did not happen are left out.
fn shares(c: &mut Canvas, area: Area, top: f32, report: &Report, sizes: &TypeSizes) -> f32 {
    let all = report.tape.duration_s;
    let size = sizes.small;
    let mut baseline = top + size * 1.3;
    let mut x = area.left;
    for (passage, look) in KINDS.iter().map(|k| (*k, look(*k))) {
        let s = seconds(report, passage);
        if !axes::is_positive(s) {
            continue;
        }
        let said = format!("{} {}, {}", look.word, words::length(s), words::share(s, all));
        let width = size * 1.4 + c.text_width(&said, Type::regular(size, INK));
        if x > area.left && x + width > area.right {
            x = area.left;
            baseline += size * 1.5;
        }
        x = strip::named_swatch(c, x, baseline, &look, &said, size) + size;
    }
    baseline + size * 0.4
}
