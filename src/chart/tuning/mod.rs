//! Tuning: bass and guitar against the rest of the band over the rehearsal, and the open strings as they were tuned.
//!
//! Conventions: cents against the band's own pitch where it is known, else against A4 = 440 Hz, and the picture says which;
//! sharp is up. The line is the player's pitch from moment to moment, the box of a take its value with the interval that
//! holds the truth 95 times in 100, a ringed letter an open string as it was left in a tuning passage.

mod panel;
mod sentences;

use super::canvas::{Align, Area, Canvas, Drawn, Type};
use super::error::ChartError;
use super::text::Face;
use super::theme::{INK, LEADING, SOFT_INK, WIDE_TYPE};
use super::words;
use crate::report::{Curves, InstrumentTuning, PlayerTuning, Report, TakeTuning};
use crate::stats::Measured;
use crate::units::TUNING_A4_HZ;

/// Sentences beside the plots.
const COLUMN_WIDTH: f32 = 356.0;

/// A player that has a panel.
#[derive(Clone, Copy)]
struct Player {
    name: &'static str,
    /// Open strings of four and six, low to high: MIDI number and letter.
    strings: &'static [(u8, &'static str)],
    take: fn(&TakeTuning) -> &PlayerTuning,
    rehearsal: fn(&Report) -> &InstrumentTuning,
    curve: fn(&Curves) -> &[Option<f64>],
}

/// Standard tuning, four- and five-string bass and guitar (scientific pitch notation, common practice).
const PLAYERS: [Player; 2] = [
    Player {
        name: "bass",
        strings: &[(23, "B"), (28, "E"), (33, "A"), (38, "D"), (43, "G")],
        take: |t| &t.bass,
        rehearsal: |r| &r.tuning.instruments.bass,
        curve: |c| &c.bass_cents,
    },
    Player {
        name: "guitar",
        strings: &[(40, "E"), (45, "A"), (50, "D"), (55, "G"), (59, "B"), (64, "e")],
        take: |t| &t.guitar,
        rehearsal: |r| &r.tuning.instruments.guitar,
        curve: |c| &c.guitar_cents,
    },
];

/// What the values are measured against.
#[derive(Clone, Copy)]
struct Zero {
    /// Cents of the zero line against A4 = 440 Hz.
    cents: f64,
    is_band: bool,
}

impl Zero {
    fn of(report: &Report) -> Self {
        let hz = words::finite(&report.tuning.concert_pitch_hz).filter(|hz| *hz > 0.0);
        Self { cents: hz.map_or(0.0, |hz| 1200.0 * (hz / TUNING_A4_HZ).log2()), is_band: hz.is_some() }
    }

    /// A take's value against the zero line.
    fn of_take(self, t: &PlayerTuning) -> &Measured {
        if self.is_band { &t.offset_from_band_cents } else { &t.offset_from_a440_cents }
    }

    fn name(self) -> &'static str {
        if self.is_band { "the rest of the band" } else { "A = 440 Hz" }
    }
}

/// The picture.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let sizes = &WIDE_TYPE;
    let mut c = Canvas::new(1600, 900, 100)?;
    let (left, right) = (60.0, 1540.0);
    let mut y = 52.0 + sizes.title * 0.5;
    let zero = Zero::of(report);
    let title = format!("Tuning of bass and guitar against {}", zero.name());
    c.text(left, y, &title, Type::bold(sizes.title, INK), Align::Left);
    y += sizes.body * 1.7;
    let from = super::page::heading::tape_line(&c, report, sizes.body, right - left);
    c.text(left, y, &from, Type::regular(sizes.body, SOFT_INK), Align::Left);
    y += sizes.small * 1.8;
    let key = "Line: the player's pitch. Box: a whole take, with its uncertainty. Ringed letter or dot: an open string as it was tuned.";
    c.text(left, y, key, Type::regular(sizes.small, SOFT_INK), Align::Left);
    y += sizes.small * 1.3;
    c.text(left, y, &sentences::unit_words(), Type::regular(sizes.small, SOFT_INK), Align::Left);
    let area = Area::new(left, y + 20.0, right - COLUMN_WIDTH - 24.0, 868.0);
    panel::panels(&mut c, area, report, curves, zero, sizes);
    column(&mut c, Area::new(right - COLUMN_WIDTH, y + 20.0, right, 868.0), report, zero);
    Ok(c.finish())
}

/// What the picture says, in words; sentences that do not fit are left out, the first ones matter most.
fn column(c: &mut Canvas, area: Area, report: &Report, zero: Zero) {
    let size = WIDE_TYPE.small;
    let mut y = area.top + size;
    for (said, face) in sentences::sentences(report, zero) {
        let lines = c.fonts().wrap(&said, face, size, area.width(), 5);
        if y + (lines.len() as f32 - 1.0) * size * LEADING > area.bottom {
            break;
        }
        for line in lines {
            let kind = if face == Face::Bold { Type::bold(size, INK) } else { Type::regular(size, INK) };
            c.text(area.left, y, &line, kind, Align::Left);
            y += size * LEADING;
        }
        y += size * if face == Face::Bold { 0.1 } else { 0.4 };
    }
}
