//! The invented band's term: eight rehearsals in which the rhythm section learns its trade, with one week missing.
//!
//! Band and charts are made up and meant to sound so: the Brindlewhistle School Jazz Band rehearses "Gravel in the Custard"
//! (a medium blues) and "Lantern for a Snail" (slow, in song form).
//!
//! The story, all of it planted and each line of it checked by a test of the season:
//! - the bass starts flat and is better in tune from week to week; within each rehearsal it falls by a few cents;
//! - its amplifier is boomy and is turned down, most of all before the fourth rehearsal;
//! - the guitar tunes sharp every time;
//! - the band rushes, less from week to week;
//! - the foot leaves the hi-hat open on 2 and 4 until the last two rehearsals; kick and snare are heavy in the first;
//! - the first rehearsal begins without tuning;
//! - no rehearsal on 10 March; another recorder from 24 March on.

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
    bass_low_shelf_db: f64,
    bass_level_db: f64,
    drift_percent: f64,
    guitar_cents: f64,
    backbeat: bool,
    hat_on_2_and_4: bool,
    tunes_first: bool,
    other_recorder: bool,
    talk_s: [f64; 3],
}

/// How fast the bass falls within a rehearsal, the same every week.
const BASS_CENTS_PER_MIN: f64 = -2.4;

#[rustfmt::skip]
const WEEKS: [Week; 8] = [
    Week { date: "2026-02-03", bass_cents: -15.0, bass_low_shelf_db: 9.5, bass_level_db: 6.0, drift_percent: 7.0, guitar_cents: 9.0,
        backbeat: true, hat_on_2_and_4: false, tunes_first: false, other_recorder: false, talk_s: [22.0, 12.0, 8.0] },
    Week { date: "2026-02-10", bass_cents: -13.0, bass_low_shelf_db: 9.0, bass_level_db: 5.0, drift_percent: 6.0, guitar_cents: 11.0,
        backbeat: false, hat_on_2_and_4: false, tunes_first: true, other_recorder: false, talk_s: [9.0, 12.0, 8.0] },
    Week { date: "2026-02-17", bass_cents: -11.0, bass_low_shelf_db: 8.0, bass_level_db: 4.0, drift_percent: 5.0, guitar_cents: 8.0,
        backbeat: false, hat_on_2_and_4: false, tunes_first: true, other_recorder: false, talk_s: [10.0, 11.0, 9.0] },
    Week { date: "2026-02-24", bass_cents: -8.0, bass_low_shelf_db: 5.0, bass_level_db: 1.5, drift_percent: 4.0, guitar_cents: 10.0,
        backbeat: false, hat_on_2_and_4: false, tunes_first: true, other_recorder: false, talk_s: [9.0, 13.0, 8.0] },
    Week { date: "2026-03-03", bass_cents: -6.0, bass_low_shelf_db: 4.5, bass_level_db: 1.0, drift_percent: 3.0, guitar_cents: 9.0,
        backbeat: false, hat_on_2_and_4: false, tunes_first: true, other_recorder: false, talk_s: [11.0, 11.0, 8.0] },
    Week { date: "2026-03-17", bass_cents: -2.0, bass_low_shelf_db: 4.0, bass_level_db: 0.5, drift_percent: 1.5, guitar_cents: 12.0,
        backbeat: false, hat_on_2_and_4: false, tunes_first: true, other_recorder: false, talk_s: [9.0, 12.0, 9.0] },
    Week { date: "2026-03-24", bass_cents: 0.0, bass_low_shelf_db: 4.0, bass_level_db: 0.5, drift_percent: 0.8, guitar_cents: 8.0,
        backbeat: false, hat_on_2_and_4: true, tunes_first: true, other_recorder: true, talk_s: [10.0, 12.0, 8.0] },
    Week { date: "2026-03-31", bass_cents: 2.0, bass_low_shelf_db: 4.0, bass_level_db: 0.5, drift_percent: 0.2, guitar_cents: 9.0,
        backbeat: false, hat_on_2_and_4: true, tunes_first: true, other_recorder: true, talk_s: [9.0, 11.0, 8.0] },
];

/// The rehearsals in order.
pub fn season() -> Vec<Scenario> {
    WEEKS.iter().enumerate().map(|(k, week)| rehearsal(week, 2026 + k as u64)).collect()
}

fn rehearsal(week: &Week, seed: u64) -> Scenario {
    let mut scenario = Scenario::school_band(&format!("{}_rehearsal", week.date), seed);
    scenario.recorded_at = Some((week.date.to_owned(), "15:35:00".to_owned()));
    if week.other_recorder {
        scenario.sample_rate_hz = 48_000;
        scenario.room.stereo = false;
    }
    if let Some(bass) = scenario.player_mut(Instrument::Bass) {
        bass.tuning.cents = week.bass_cents;
        bass.tuning.cents_per_min = BASS_CENTS_PER_MIN;
        bass.level_db = week.bass_level_db;
        bass.eq = vec![Eq::LowShelf { hz: 100.0, db: week.bass_low_shelf_db }];
    }
    if let Some(guitar) = scenario.player_mut(Instrument::Guitar) {
        guitar.tuning.cents = week.guitar_cents;
    }
    scenario.items = items(week);
    scenario
}

fn items(week: &Week) -> Vec<Item> {
    let [before, between, after] = week.talk_s;
    let mut items = vec![Item::Quiet { length_s: 3.0 }];
    if week.tunes_first {
        items.push(Item::Tuning { instrument: Instrument::Bass, rounds: 1 });
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
    let kick = if week.backbeat { 0.85 } else { 0.35 };
    Kit { backbeat: week.backbeat, hat_on_2_and_4: week.hat_on_2_and_4, kick }
}

fn blues(week: &Week) -> Take {
    Take {
        title: CHART_BLUES.to_owned(),
        key: 10,
        tempo: Tempo::drifting(138.0, week.drift_percent),
        swing_ratio: 1.9,
        kit: kit(week),
        parts: vec![Part::new("head", HornLine::Melody), Part::piano_solo()],
        ..Take::default()
    }
}

fn slow(week: &Week) -> Take {
    Take {
        title: CHART_SLOW.to_owned(),
        form: Form::Song,
        key: 5,
        tempo: Tempo::drifting(108.0, 0.8 * week.drift_percent),
        swing_ratio: 2.5,
        // The slow chart keeps the ride.
        kit: Kit { backbeat: false, ..kit(week) },
        guitar: GuitarComping::Sparse,
        parts: vec![Part::new("head", HornLine::Melody)],
        ..Take::default()
    }
}
