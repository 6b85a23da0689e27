//! Beside the balance plot: the low end in words, and what this recording can be trusted for.

use super::super::balance;
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::text::Face;
use super::super::theme::{INK, LEADING, SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::{AmpAdvice, AmpControl, Report, Verdict};

/// Draws the column.
pub fn draw(c: &mut Canvas, area: Area, report: &Report, sizes: &TypeSizes) {
    let mut y = super::part_heading(c, area, area.top, "Low end and amplifier", sizes) + sizes.body;
    for line in c.fonts().wrap(&balance::low_end_sentence(&report.balance), Face::Bold, sizes.body, area.width(), 3) {
        c.text(area.left, y, &line, Type::bold(sizes.body, INK), Align::Left);
        y += sizes.body * LEADING;
    }
    let small = Type::regular(sizes.small, INK);
    for said in advice(report) {
        y = paragraph(c, area, y, &said, small, 2);
    }
    if let Some(said) = balance::unheard_sentence(report) {
        y = paragraph(c, area, y, &said, small, 2);
    }
    y += 14.0;
    c.text(area.left, y, "This recording can be trusted for", Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.body * LEADING;
    let said = verdicts(report);
    for (index, said) in said.iter().enumerate().map(|(i, s)| (said.len() - 1 - i, s)) {
        // What is left after one line for each verdict to come.
        let lines = ((area.bottom - y) / (small.size * LEADING) - index as f32) as usize;
        y = paragraph(c, area, y, said, small, lines.clamp(1, 4)) + 5.0;
    }
}

/// What to turn at the amplifiers, and the caution that goes with it; nothing where nothing is advised.
fn advice(report: &Report) -> Vec<String> {
    let turn = |a: &AmpAdvice| {
        let db = words::finite(&a.change_db)?;
        let control = match a.control {
            AmpControl::Low => "low",
            AmpControl::Mid => "mid",
            AmpControl::High => "high",
            AmpControl::Level => "level",
        };
        let way = if db < 0.0 { "down" } else { "up" };
        let then = words::finite(&a.expected_low_end_excess_db)
            .map_or_else(String::new, |v| format!("; then the low end would be at {} dB", words::number(v, 1, true)));
        let name = words::capital(&a.instrument);
        Some(format!("{name} amplifier: {control} {way} by {} dB{then}.", words::number(db.abs(), 0, false)))
    };
    let sure = |a: &&AmpAdvice| !a.change_db.warnings.iter().any(|w| w == "inside_the_noise");
    let mut said: Vec<String> = report.amp_advice.iter().filter(sure).filter_map(turn).take(MOST_ADVICE).collect();
    if !said.is_empty() {
        said.push("Small steps, one knob at a time, by ear in the room.".to_owned());
    }
    said
}

const MOST_ADVICE: usize = 2;

fn paragraph(c: &mut Canvas, area: Area, top: f32, said: &str, kind: Type, most: usize) -> f32 {
    let mut y = top;
    for line in c.fonts().wrap(said, kind.face, kind.size, area.width(), most) {
        c.text(area.left, y, &line, kind, Align::Left);
        y += kind.size * LEADING;
    }
    y
}

/// The verdicts in words; families that share one stand together.
fn verdicts(report: &Report) -> Vec<String> {
    let trusted = &report.health.trusted_for;
    let rows = [
        ("loudness over time", &trusted.loudness_over_time),
        ("balance", &trusted.balance),
        ("the low end", &trusted.low_end),
        ("tuning", &trusted.tuning),
        ("time", &trusted.time),
    ];
    let mut groups: Vec<(&Verdict, Vec<String>)> = Vec::new();
    for (name, verdict) in rows {
        match groups.iter_mut().find(|(v, _)| *v == verdict) {
            Some((_, names)) => names.push(name.to_owned()),
            None => groups.push((verdict, vec![name.to_owned()])),
        }
    }
    groups.iter().map(|(v, names)| format!("{}: {}", words::list(names), answer(v))).collect()
}

fn answer(verdict: &Verdict) -> String {
    match (verdict.ok, verdict.reason.as_str()) {
        (true, "") => "yes".to_owned(),
        (false, "") => "no".to_owned(),
        (true, reason) => format!("yes, but {}", words::reason_in_words(reason)),
        (false, reason) => format!("no, {}", words::reason_in_words(reason)),
    }
}
