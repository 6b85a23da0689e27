//! Scales and the numbers along them.
//!
//! Conventions: a scale maps a value to a pixel position; steps are 1, 2 or 5 times a power of ten for plain numbers, and
//! the steps of a clock for time.

use super::canvas::{Align, Area, Canvas, Type};
use super::theme::{GRID, SOFT_INK, TypeSizes};

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

/// Round values inside `from..=to`, at most about `most` of them.
pub fn round_steps(from: f64, to: f64, most: usize) -> Vec<f64> {
    if !(to > from) || !from.is_finite() || !to.is_finite() || most == 0 {
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
const CLOCK_STEPS_S: [f64; 16] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0, 43200.0,
];

/// Times at which a time axis of `width` pixels has a number, at least `apart` pixels from each other.
pub fn clock_steps(duration_s: f64, width: f32, apart: f32) -> Vec<f64> {
    if !(duration_s > 0.0) || !duration_s.is_finite() || !(width > apart) {
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

/// Draws the numbers of a time axis below `plot` with their grid lines, and the words of the axis below them at the right.
/// Returns the lowest pixel used.
pub fn draw_time_axis(c: &mut Canvas, plot: Area, scale: Scale, sizes: &TypeSizes, grid: bool) -> f32 {
    let (_, duration_s) = scale.range();
    let kind = Type::regular(sizes.small, SOFT_INK);
    let baseline = plot.bottom + 12.0 + sizes.small * 0.8;
    for t in clock_steps(duration_s, plot.width(), 110.0) {
        let x = scale.at(t);
        if grid {
            c.upright(x, plot.top, plot.bottom, 1.0, GRID);
        }
        c.upright(x, plot.bottom, plot.bottom + 8.0, 2.0, SOFT_INK);
        let room = Area { left: plot.left - 60.0, right: plot.right + 40.0, ..c.sheet() };
        c.text_if_free((x, baseline), &clock(t, duration_s), kind, Align::Centre, room, None);
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
    }

    #[test]
    fn a_scale_runs_either_way() {
        let down = Scale::new(-40.0, 0.0, 100.0, 0.0);
        assert!((down.at(-40.0) - 100.0).abs() < 1e-4 && down.at(0.0).abs() < 1e-4);
    }
}
