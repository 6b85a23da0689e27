//! From items to notes: who plays what, when, how hard and how far out of tune.
//!
//! Conventions: `at_s` is the onset at the microphones; velocity 0..=1; a beat is a quarter; beats count from the first beat
//! of the chart, the count-off has negative ones.

mod bass;
mod clock;
mod comping;
mod harmony;
mod horns;
mod kit;
mod take;

use std::collections::BTreeMap;

use super::rng::Rng;
use super::scenario::{Instrument, Item, Player, Scenario};
use super::truth::{PassageTruth, TakeTruth, rounded};

/// Silence before the first item and after the last.
const LEAD_IN_S: f64 = 0.5;
const LEAD_OUT_S: f64 = 0.8;
/// An open string in a tuning passage: from pluck to pluck, and how long it rings.
const TUNING_STEP_S: f64 = 1.45;
const TUNING_RING_S: f64 = 1.25;

/// One note of a pitched instrument.
#[derive(Clone, Copy, Debug)]
pub(super) struct Note {
    pub at_s: f64,
    pub length_s: f64,
    pub midi: u8,
    pub velocity: f64,
    pub string: usize,
    /// Offset from equal temperament at 440 Hz, all included.
    pub cents: f64,
    /// Level of the part, linear.
    pub gain: f64,
}

/// How a note is played: force 0..=1 before human scatter, and how long it is held.
#[derive(Clone, Copy, Debug)]
struct Touch {
    force: f64,
    length_s: f64,
}

/// The pieces of the kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Drum {
    Ride,
    Crash,
    FootHat,
    ClosedHat,
    Kick,
    Snare,
    SideStick,
}

/// One stroke.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    pub at_s: f64,
    pub drum: Drum,
    pub velocity: f64,
    /// Level of the part, linear.
    pub gain: f64,
}

/// Everything that sounds on a tape, and what is true of it.
#[derive(Clone, Debug, Default)]
pub(super) struct Score {
    pub notes: BTreeMap<Instrument, Vec<Note>>,
    pub hits: Vec<Hit>,
    /// Stretches (start, length) in which the director talks.
    pub talk: Vec<(f64, f64)>,
    /// Stretches (start, length) of chairs and paper.
    pub quiet: Vec<(f64, f64)>,
    pub passages: Vec<PassageTruth>,
    pub takes: Vec<TakeTruth>,
    pub duration_s: f64,
}

impl Score {
    fn note(&mut self, instrument: Instrument, note: Note) {
        self.notes.entry(instrument).or_default().push(note);
    }

    fn hit(&mut self, at_s: f64, drum: Drum, velocity: f64, gain: f64) {
        self.hits.push(Hit { at_s: at_s.max(0.0), drum, velocity: velocity.clamp(0.05, 1.0), gain });
    }
}

/// Writes out the whole tape.
pub(super) fn write(scenario: &Scenario) -> Score {
    let mut score = Score::default();
    let mut now_s = LEAD_IN_S;
    for (index, item) in scenario.items.iter().enumerate() {
        let start_s = now_s;
        let mut rng = Rng::keyed(scenario.seed, &[1, index as u64]);
        let (kind, player) = match item {
            Item::Quiet { length_s } => {
                score.quiet.push((now_s, *length_s));
                now_s += length_s;
                ("silence", None)
            }
            Item::Talk { length_s } => {
                score.talk.push((now_s, *length_s));
                now_s += length_s;
                ("talk", None)
            }
            Item::Tuning { instrument, rounds } => {
                now_s = tune(&mut score, scenario, *instrument, *rounds, now_s, &mut rng);
                ("tuning", Some(instrument.name()))
            }
            Item::Take(chart) => {
                now_s = take::write(&mut score, scenario, chart, now_s, index as u64);
                ("take", None)
            }
        };
        score.passages.push(PassageTruth { kind, start_s: rounded(start_s, 3), end_s: rounded(now_s, 3), player });
    }
    score.duration_s = now_s + LEAD_OUT_S;
    score.hits.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    for notes in score.notes.values_mut() {
        notes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s).then(a.midi.cmp(&b.midi)));
    }
    score
}

/// Offset of a note of `player` at a moment, finger scatter included when `rng` is given.
fn cents(scenario: &Scenario, player: &Player, at_s: f64, string: usize, rng: Option<&mut Rng>) -> f64 {
    let scatter = rng.map_or(0.0, |r| player.tuning.scatter_cents * r.human());
    scenario.concert_pitch_cents + player.tuning.cents_at(at_s, string) + scatter
}

fn tune(
    score: &mut Score,
    scenario: &Scenario,
    instrument: Instrument,
    rounds: u8,
    start_s: f64,
    rng: &mut Rng,
) -> f64 {
    let mut now_s = start_s;
    let Some(player) = scenario.players.iter().find(|p| p.instrument == instrument) else { return now_s };
    for _ in 0..rounds {
        for (string, midi) in instrument.open_strings().iter().enumerate() {
            let at_s = now_s + 0.1 + 0.03 * rng.unit();
            let cents = cents(scenario, player, at_s, string, None);
            let velocity = 0.85 + 0.05 * rng.human();
            score.note(
                instrument,
                Note { at_s, length_s: TUNING_RING_S, midi: *midi, velocity, string, cents, gain: 1.0 },
            );
            now_s += TUNING_STEP_S;
        }
    }
    now_s
}
