//! Scales and the numbers along them.
//!
//! Conventions: a scale maps a value to a pixel position; steps are 1, 2 or 5 times a power of ten for plain numbers, and
//! the steps of a clock for time.

use super::canvas::{Align, Area, Canvas, Type};
use super::theme::{SOFT_INK, TypeSizes};

/// A straight scale.
#[derive(Clone, Copy, Debug)]
pub struct Scale {
    from: f64,
    to: f64,
    start: f32,
    end: f32,
}

impl Scale {
    /// Values `from..=to` go to pixels `start..=end`; an empty range is widened to 1.
    pub fn new(from: f64, to: f64, start: f32, end: f32) -> Self {
        let to = if to > from { to } else { from + 1.0 };
        Self { from, to, start, end }
    }

    /// Pixel position of `value`.
    pub fn at(&self, value: f64) -> f32 {
        self.start + ((value - self.from) / (self.to - self.from)) as f32 * (self.end - self.start)
    }

    /// First and last value.
    pub fn range(&self) -> (f64, f64) {
        (self.from, self.to)
    }
}

/// A number above zero, neither infinite nor NaN.
pub fn is_positive(value: f64) -> bool {
    value.is_finite() && value > 0.0
}

/// Round values inside `from..=to`, at most about `most` of them.
pub fn round_steps(from: f64, to: f64, most: usize) -> Vec<f64> {
    if !is_positive(to - from) || most == 0 {
        return Vec::new();
    }
    let rough = (to - from) / most as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|m| m * power).find(|s| *s >= rough).unwrap_or(10.0 * power);
    multiples(from, to, step)
}

/// Multiples of `step` inside `from..=to`.
fn multiples(from: f64, to: f64, step: f64) -> Vec<f64> {
    let first = (from / step - 1e-9).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

/// Steps that a clock has, seconds.
const CLOCK_STEPS_S: [f64; 16] =
    [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0, 43200.0];

/// Times at which a time axis of `width` pixels has a number, at least `apart` pixels from each other.
pub fn clock_steps(duration_s: f64, width: f32, apart: f32) -> Vec<f64> {
    if !is_positive(duration_s) || !is_positive(f64::from(width - apart)) {
        return vec![0.0];
    }
    let least = duration_s * f64::from(apart / width);
    let last = 86400.0 * (least / 86400.0).ceil();
    let step = CLOCK_STEPS_S.into_iter().find(|s| *s >= least).unwrap_or(last);
    multiples(0.0, duration_s, step)
}

/// Hours show as `h:mm` once the tape has one, else `m:ss`.
pub fn clock(seconds: f64, duration_s: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    if duration_s >= 3600.0 {
        format!("{}:{:02}", whole / 3600, whole / 60 % 60)
    } else {
        format!("{}:{:02}", whole / 60, whole % 60)
    }
}

/// What the numbers of [`clock`] mean.
pub fn clock_words(duration_s: f64) -> &'static str {
    if duration_s >= 3600.0 { "time on the tape, hours:minutes" } else { "time on the tape, minutes:seconds" }
}

/// The same time with its unit beside it, for an axis without words: `30 s`, `5 min`, `1 h 30`.
pub fn clock_with_unit(seconds: f64, duration_s: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, 0) => "0".to_owned(),
        (0, 0, s) => format!("{s} s"),
        (0, m, s) if duration_s <= 120.0 => format!("{} s", 60 * m + s),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m}:{s:02} min"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m:02}"),
    }
}

/// Draws the numbers of a time axis below `plot`, and below them at the right the words of the axis; without
/// words every number carries its unit.
/// Returns the lowest pixel used.
pub fn draw_time_axis(c: &mut Canvas, plot: Area, scale: Scale, sizes: &TypeSizes, with_words: bool) -> f32 {
    let (_, duration_s) = scale.range();
    let kind = Type::regular(sizes.small, SOFT_INK);
    let baseline = plot.bottom + 16.0 + sizes.small * 0.8;
    for t in clock_steps(duration_s, plot.width(), 110.0) {
        let x = scale.at(t);
        c.upright(x, plot.bottom, plot.bottom + 8.0, 2.0, SOFT_INK);
        let said = if with_words { clock(t, duration_s) } else { clock_with_unit(t, duration_s) };
        // The last number stays inside the margin.
        let x = x.min(plot.right - c.text_width(&said, kind) / 2.0);
        let room = Area { left: plot.left - 60.0, right: plot.right + 1.0, ..c.sheet() };
        c.text_if_free((x, baseline), &said, kind, Align::Centre, room, None);
    }
    if !with_words {
        return baseline + sizes.small * 0.3;
    }
    let words = baseline + sizes.small * 1.25;
    c.text(plot.right, words, clock_words(duration_s), kind, Align::Right);
    words + sizes.small * 0.3
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_steps_are_few_round_and_inside() {
        assert_eq!(round_steps(-42.0, -8.0, 5), [-40.0, -30.0, -20.0, -10.0]);
        assert_eq!(round_steps(0.0, 1.0, 5), [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]);
        assert!(round_steps(f64::NAN, 1.0, 5).is_empty() && round_steps(1.0, 1.0, 5).is_empty());
    }

    #[test]
    fn a_clock_axis_never_crowds_from_one_second_to_ten_days() {
        for exponent in 0..24 {
            let duration = 1.7f64.powi(exponent);
            let steps = clock_steps(duration, 1400.0, 110.0);
            assert!(!steps.is_empty() && steps.len() <= 13, "{duration}: {}", steps.len());
            for pair in steps.windows(2) {
                assert!((pair[1] - pair[0]) / duration * 1400.0 >= 110.0 - 1e-3, "{duration}");
            }
        }
    }

    #[test]
    fn the_clock_changes_to_hours_with_the_tape() {
        assert_eq!(clock(600.0, 3000.0), "10:00");
        assert_eq!(clock(5400.0, 36000.0), "1:30");
        let said: Vec<String> =
            [0.0, 30.0, 90.0, 300.0, 3600.0, 5400.0].iter().map(|t| clock_with_unit(*t, 6000.0)).collect();
        assert_eq!(said, ["0", "30 s", "1:30 min", "5 min", "1 h", "1 h 30"]);
        assert_eq!(clock_with_unit(90.0, 100.0), "90 s");
    }

    #[test]
    fn a_scale_runs_either_way() {
        let down = Scale::new(-40.0, 0.0, 100.0, 0.0);
        assert!((down.at(-40.0) - 100.0).abs() < 1e-4 && down.at(0.0).abs() < 1e-4);
    }
}
