//! The invented band's term: three rehearsals, a week apart, in which the rhythm section learns its trade.
//!
//! Band and charts are made up and meant to sound so: the Brindlewhistle School Jazz Band rehearses "Gravel in the Custard"
//! (a medium blues) and "Lantern for a Snail" (slow, in song form). What is wrong in week 1 is half mended in week 2 and
//! mended in week 3. More weeks only need more lines in [`WEEKS`].

use super::scenario::{Eq, Form, GuitarComping, HornLine, Instrument, Item, Kit, Part, Scenario, Take, Tempo};

/// Name of the invented band.
pub const BAND: &str = "Brindlewhistle School Jazz Band";
/// Title of the medium blues.
pub const CHART_BLUES: &str = "Gravel in the Custard";
/// Title of the slow chart.
pub const CHART_SLOW: &str = "Lantern for a Snail";

/// What changes from week to week.
struct Week {
    date: &'static str,
    bass_cents: f64,
    bass_cents_per_min: f64,
    bass_string_cents: [f64; 4],
    guitar_cents: f64,
    guitar_string_cents: [f64; 6],
    bass_low_shelf_db: f64,
    bass_level_db: f64,
    backbeat: bool,
    hat_on_2_and_4: bool,
    kick: f64,
    drift_percent: f64,
    bass_lag_ms: f64,
    piano_busy: bool,
    tunes_first: bool,
    talk_s: [f64; 3],
    blues_parts: usize,
    slow_parts: usize,
}

const WEEKS: [Week; 3] = [
    Week {
        date: "2026-02-03",
        bass_cents: -14.0,
        bass_cents_per_min: -0.8,
        bass_string_cents: [-4.0, 0.0, 2.0, 1.0],
        guitar_cents: 4.0,
        guitar_string_cents: [0.0, 3.0, -4.0, 0.0, 5.0, 0.0],
        bass_low_shelf_db: 8.0,
        bass_level_db: 4.5,
        backbeat: true,
        hat_on_2_and_4: false,
        kick: 0.85,
        drift_percent: -6.0,
        bass_lag_ms: 26.0,
        piano_busy: true,
        tunes_first: false,
        talk_s: [31.0, 30.0, 14.0],
        blues_parts: 3,
        slow_parts: 2,
    },
    Week {
        date: "2026-02-10",
        bass_cents: -4.0,
        bass_cents_per_min: -0.4,
        bass_string_cents: [-2.0, 0.0, 1.0, 0.0],
        guitar_cents: 2.0,
        guitar_string_cents: [0.0, 1.0, -2.0, 0.0, 2.0, 0.0],
        bass_low_shelf_db: 5.0,
        bass_level_db: 0.5,
        backbeat: false,
        hat_on_2_and_4: true,
        kick: 0.42,
        drift_percent: -3.5,
        bass_lag_ms: 13.0,
        piano_busy: false,
        tunes_first: true,
        talk_s: [18.0, 18.0, 10.0],
        blues_parts: 3,
        slow_parts: 2,
    },
    Week {
        date: "2026-02-17",
        bass_cents: 0.0,
        bass_cents_per_min: 0.0,
        bass_string_cents: [0.0, 0.5, -0.5, 0.0],
        guitar_cents: 0.5,
        guitar_string_cents: [0.0, 0.5, 0.0, -0.5, 0.5, 0.0],
        bass_low_shelf_db: 0.0,
        bass_level_db: 0.0,
        backbeat: false,
        hat_on_2_and_4: true,
        kick: 0.3,
        drift_percent: -0.5,
        bass_lag_ms: 3.0,
        piano_busy: false,
        tunes_first: true,
        talk_s: [8.0, 9.0, 6.0],
        blues_parts: 4,
        slow_parts: 2,
    },
];

/// The rehearsals in order.
pub fn season() -> Vec<Scenario> {
    WEEKS.iter().enumerate().map(|(k, week)| rehearsal(week, 2026 + k as u64)).collect()
}

fn rehearsal(week: &Week, seed: u64) -> Scenario {
    let mut scenario = Scenario::school_band(&format!("{}_rehearsal", week.date), seed);
    scenario.recorded_at = Some((week.date.to_owned(), "15:35:00".to_owned()));
    if let Some(bass) = scenario.player_mut(Instrument::Bass) {
        bass.tuning.cents = week.bass_cents;
        bass.tuning.cents_per_min = week.bass_cents_per_min;
        bass.tuning.string_cents = week.bass_string_cents.to_vec();
        bass.level_db = week.bass_level_db;
        bass.eq = vec![Eq::LowShelf { hz: 100.0, db: week.bass_low_shelf_db }];
    }
    if let Some(guitar) = scenario.player_mut(Instrument::Guitar) {
        guitar.tuning.cents = week.guitar_cents;
        guitar.tuning.string_cents = week.guitar_string_cents.to_vec();
    }
    scenario.items = items(week);
    scenario
}

fn items(week: &Week) -> Vec<Item> {
    let [before, between, after] = week.talk_s;
    let mut items = vec![Item::Quiet { length_s: 4.0 }];
    if week.tunes_first {
        items.push(Item::Tuning { instrument: Instrument::Bass, rounds: 2 });
        items.push(Item::Tuning { instrument: Instrument::Guitar, rounds: 1 });
    }
    items.push(Item::Talk { length_s: before });
    items.push(Item::Take(blues(week)));
    items.push(Item::Talk { length_s: between });
    items.push(Item::Take(slow(week)));
    items.push(Item::Talk { length_s: after });
    items.push(Item::Quiet { length_s: 3.0 });
    items
}

fn kit(week: &Week) -> Kit {
    Kit { backbeat: week.backbeat, hat_on_2_and_4: week.hat_on_2_and_4, kick: week.kick }
}

fn blues(week: &Week) -> Take {
    let parts = vec![
        Part::new("head", HornLine::Melody),
        Part::piano_solo(),
        Part::new("shout", HornLine::Shout),
        Part::new("head out", HornLine::Melody),
    ];
    Take {
        title: CHART_BLUES.to_owned(),
        key: 10,
        tempo: Tempo::drifting(138.0, week.drift_percent),
        swing_ratio: 1.9,
        kit: kit(week),
        bass_lag_ms: week.bass_lag_ms,
        piano_busy: week.piano_busy,
        parts: parts.into_iter().take(week.blues_parts).collect(),
        ..Take::default()
    }
}

fn slow(week: &Week) -> Take {
    let solo = Part { horns: HornLine::Backing, ..Part::piano_solo() };
    let parts = vec![Part::new("head", HornLine::Melody), solo, Part::new("shout", HornLine::Shout)];
    Take {
        title: CHART_SLOW.to_owned(),
        form: Form::Song,
        key: 5,
        tempo: Tempo::drifting(104.0, 0.8 * week.drift_percent),
        swing_ratio: 2.5,
        // The slow chart keeps the ride; in week 1 the foot forgets the hi-hat.
        kit: Kit { backbeat: false, ..kit(week) },
        bass_lag_ms: week.bass_lag_ms,
        guitar: GuitarComping::Sparse,
        piano_busy: false,
        parts: parts.into_iter().take(week.slow_parts).collect(),
        ..Take::default()
    }
}
