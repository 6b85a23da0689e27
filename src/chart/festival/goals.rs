//! The goals of the evidence sheet: start, now and what is to be expected, each on its own scale.

use super::super::axes::Scale;
use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::dots::{self, Look, Mark, Row};
use super::super::page::part_heading;
use super::super::text::Face;
use super::super::theme::{INK, LEADING, SOFT_INK, TypeSizes};
use super::super::words;
use super::{FestivalGoal, FestivalPicture, MOST_GOALS};
use crate::stats::Measured;

/// Draws all goals; returns the lowest pixel used.
pub fn draw_goals(c: &mut Canvas, area: Area, f: &FestivalPicture, sizes: &TypeSizes) -> f32 {
    let mut y = part_heading(c, area, area.top, "Goals: start, now, and what is to be expected", sizes);
    y = draw_key(c, area, y, sizes);
    if f.goals.is_empty() {
        y += sizes.body;
        c.text(area.left, y, "No goals were set.", Type::regular(sizes.body, INK), Align::Left);
        return y + sizes.body * 0.5;
    }
    for goal in f.goals.iter().take(MOST_GOALS) {
        y = draw_goal(c, Area { top: y + 16.0, ..area }, goal, sizes);
    }
    y
}

fn draw_key(c: &mut Canvas, area: Area, top: f32, sizes: &TypeSizes) -> f32 {
    let y = top + sizes.small;
    let mut x = area.left + 12.0;
    let plot = c.sheet();
    let zero = Measured::plain(0.0, 1);
    for (mark, said) in [
        (Mark::Before, "at the start"),
        (Mark::Now, "now"),
        (Mark::Expected, "expected at the festival, if it goes on so"),
    ] {
        let here = Scale::new(-1.0, 1.0, x - 1.0, x + 1.0);
        dots::draw_mark(c, plot, here, y - sizes.small * 0.33, mark, &zero);
        x = c.text(x + 22.0, y, said, Type::regular(sizes.small, SOFT_INK), Align::Left).right + 44.0;
    }
    c.text(x, y, "shaded: the goal", Type::regular(sizes.small, SOFT_INK), Align::Left);
    y + sizes.small * 0.5
}

fn goal_words(g: &FestivalGoal) -> String {
    let n = |v: f64| words::number(v, usize::from(v.fract().abs() > 1e-9), false);
    match (g.at_least, g.at_most) {
        (Some(low), Some(high)) if (low + high).abs() < 1e-9 => format!("goal: within {} {}", n(high), g.unit),
        (Some(low), Some(high)) => format!("goal: {} to {} {}", n(low), n(high), g.unit),
        (Some(low), None) => format!("goal: at least {} {}", n(low), g.unit),
        (None, Some(high)) => format!("goal: at most {} {}", n(high), g.unit),
        (None, None) => String::new(),
    }
}

fn draw_goal(c: &mut Canvas, area: Area, g: &FestivalGoal, sizes: &TypeSizes) -> f32 {
    let baseline = area.top + sizes.body;
    let title = format!("{}; {}", words::capital(&g.title), goal_words(g));
    let title = c.fonts().shorten_end(&title, Face::Bold, sizes.body, area.width());
    c.text(area.left, baseline, &title, Type::bold(sizes.body, INK), Align::Left);
    let values = [&g.start, &g.now, &g.expected].into_iter().flat_map(|m| [words::finite(m), m.low, m.high]).flatten();
    let ends = g.at_least.into_iter().chain(g.at_most);
    let all: Vec<f64> = values.chain(ends).filter(|v| v.is_finite()).collect();
    let (low, high) = all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
    let margin = ((high - low) * 0.1).max(0.05 * high.abs().max(low.abs())).max(0.1);
    let row = Row {
        label: String::new(),
        marks: vec![(Mark::Before, g.start.clone()), (Mark::Expected, g.expected.clone()), (Mark::Now, g.now.clone())],
        said: if words::finite(&g.now).is_some() {
            String::new()
        } else {
            format!("not said: {}", words::why_absent(&g.now))
        },
    };
    let look = Look {
        range: (low - margin, high + margin),
        zone: (g.at_least.unwrap_or(f64::NEG_INFINITY), g.at_most.unwrap_or(f64::INFINITY)),
        ends: ("", ""),
        unit: &g.unit,
        gutters: (12.0, WORDS_WIDTH),
    };
    let top = baseline + 14.0;
    let bottom = dots::draw(c, Area { top, ..area }, &[row], &look, sizes);
    let mut at = top + sizes.small;
    let left = area.right - WORDS_WIDTH + 30.0;
    for (said, kind) in goal_lines(g, sizes) {
        let said = c.fonts().shorten_end(&said, kind.face, sizes.small, area.right - left);
        c.text(left, at, &said, kind, Align::Left);
        at += sizes.small * LEADING;
    }
    bottom.max(at - sizes.small * 0.6) + 12.0
}

/// Room for the words beside a goal.
const WORDS_WIDTH: f32 = 750.0;

/// Start and now, what is expected, and the two answers.
fn goal_lines(g: &FestivalGoal, sizes: &TypeSizes) -> [(String, Type); 3] {
    // The unit after the second number does for both, unless a share is told with its ends.
    let with = |m: &Measured, unit: &str| match (words::finite(m), words::interval(m)) {
        (Some(v), Some((low, high))) => words::share_with_ends(m, &g.unit).unwrap_or_else(|| {
            format!("{} ± {}{unit}", words::number(v, 1, false), words::number((high - low) / 2.0, 1, false))
        }),
        (Some(v), None) => format!("{}{unit}", words::number(v, 1, false)),
        (None, _) => "not said".to_owned(),
    };
    let unit = format!(" {}", g.unit);
    let expected = match (words::finite(&g.expected), words::interval(&g.expected)) {
        (Some(_), Some((low, high))) => {
            format!("expected {} to {} {}", words::number(low, 1, false), words::number(high, 1, false), g.unit)
        }
        (Some(v), None) => format!("expected {} {}", words::number(v, 1, false), g.unit),
        (None, _) => format!("not foretold: {}", words::why_absent(&g.expected)),
    };
    [
        (format!("start {}, now {}", with(&g.start, ""), with(&g.now, &unit)), Type::regular(sizes.small, INK)),
        (expected, Type::regular(sizes.small, INK)),
        (format!("met now: {}; at the festival: {}", g.met_now, g.will_be_met), Type::bold(sizes.small, INK)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_that_may_be_none_or_all_is_told_with_both_ends() {
        let line = |unit: &str, start: Measured, now: Measured| {
            let goal = FestivalGoal {
                title: String::new(),
                unit: unit.to_owned(),
                at_least: None,
                at_most: None,
                start,
                now,
                expected: Measured::absent("too_few_rehearsals"),
                met_now: "yes".to_owned(),
                will_be_met: "yes".to_owned(),
            };
            goal_lines(&goal, &super::super::super::theme::PAGE_TYPE)[0].0.clone()
        };
        let (none, all) = (Measured::new(0.0, 0.0, 15.2, 24), Measured::new(100.0, 88.4, 100.0, 24));
        let between = Measured::new(62.0, 53.0, 71.0, 24);
        assert_eq!(line("%", none.clone(), all.clone()), "start 0 % (0 to 15), now 100 % (88 to 100)");
        assert_eq!(line("%", none, between.clone()), "start 0 % (0 to 15), now 62.0 ± 9.0 %");
        assert_eq!(line("%", between, all), "start 62.0 ± 9.0, now 100 % (88 to 100)");
        let flat = Measured::new(-20.0, -24.0, -16.0, 2);
        assert_eq!(line("cents", flat.clone(), flat), "start −20.0 ± 4.0, now −20.0 ± 4.0 cents");
        assert_eq!(line("cents", Measured::absent("x"), Measured::absent("x")), "start not said, now not said");
    }
}
