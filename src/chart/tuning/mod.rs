//! Tuning: bass and guitar against the rest of the band over the rehearsal, and the open strings as they were tuned.
//!
//! Conventions: cents against the band's own pitch where it is known, else against A4 = 440 Hz, and the picture says which;
//! sharp is up. The thin line is the band's own pitch from moment to moment, the thick one the player's, the box of a take its
//! value with the interval that holds the truth 95 times in 100, a ringed letter an open string as it was left in a tuning
//! passage.

mod panel;
mod sentences;

use super::canvas::{Area, Canvas, Drawn};
use super::error::ChartError;
use super::theme::{TypeSizes, WIDE_TYPE};
use super::wide::{self, LEFT, RIGHT};
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

/// What stands over [`player_panel`]: its lines and their unit.
pub fn player_heading(report: &Report) -> &'static str {
    if Zero::of(report).is_band {
        "Your pitch (thick line) and the band's (thin), in cents; 100 make a semitone"
    } else {
        "Your pitch over the rehearsal (cents; 100 make a semitone)"
    }
}

/// The panel of one player, for that player's sheet; nothing for a player without strings.
pub fn player_panel(c: &mut Canvas, area: Area, name: &str, (report, curves): (&Report, &Curves), sizes: &TypeSizes) {
    let own: Vec<Player> = PLAYERS.iter().filter(|p| p.name == name).copied().collect();
    panel::panels(c, area, &own, (report, curves), Zero::of(report), sizes);
}

/// The picture.
pub fn draw(report: &Report, curves: &Curves) -> Result<Drawn, ChartError> {
    let zero = Zero::of(report);
    let title = format!("Tuning of bass and guitar against {}", zero.name());
    let key = "Thick line: the player. Thin line: the band. Box: a whole take, with its uncertainty. Ring or dot: an open string as tuned.";
    let (mut c, y) = wide::begin(&title, report, &[key, &sentences::unit_words()])?;
    let area = Area::new(LEFT, y + 20.0, RIGHT - COLUMN_WIDTH - 24.0, 868.0);
    panel::panels(&mut c, area, &PLAYERS, (report, curves), zero, &WIDE_TYPE);
    let words = Area::new(RIGHT - COLUMN_WIDTH, y + 20.0, RIGHT, 868.0);
    wide::column(&mut c, words, &sentences::sentences(report, zero));
    Ok(c.finish())
}
