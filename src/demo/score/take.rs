//! A take from count-off to the last ring.

use super::super::rng::Rng;
use super::super::scenario::{Instrument, Part, Player, Scenario, Take};
use super::super::truth::{PartTruth, TakeTruth, rounded};
use super::clock::Clock;
use super::harmony::{Chord, changes};
use super::{Drum, Score, bass, comping, horns, kit};

/// Beats of count-off: two bars, clicked 1 3, then 1 2 3 4.
const COUNT_OFF_BEATS: [i32; 6] = [-8, -6, -4, -3, -2, -1];
const BEATS_A_BAR: usize = 4;
/// After the last downbeat: how long it is held, and until it has died away.
const LAST_NOTE_S: f64 = 1.1;
const LAST_DECAY_S: f64 = 1.0;

/// What every player needs to know of the take.
pub(super) struct Stand<'a> {
    pub scenario: &'a Scenario,
    pub take: &'a Take,
    pub clock: &'a Clock,
    /// Place of the second eighth in a beat, 0.5 = straight.
    pub off_beat: f64,
    pub item: u64,
}

impl Stand<'_> {
    /// Onset of a beat as a person plays it; `spread_ms` is the standard deviation at usual looseness.
    pub fn onset(&self, beat: f64, spread_ms: f64, rng: &mut Rng) -> f64 {
        (self.clock.at(beat) + 1e-3 * spread_ms * self.take.looseness * rng.human()).max(0.0)
    }

    /// Beat of an eighth, `eighth` 0 = first of the bar.
    pub fn eighth(&self, bar_beat: f64, eighth: usize) -> f64 {
        bar_beat + (eighth / 2) as f64 + if eighth % 2 == 1 { self.off_beat } else { 0.0 }
    }

    /// The player on an instrument, when there is one.
    pub fn player(&self, instrument: Instrument) -> Option<&Player> {
        self.scenario.players.iter().find(|p| p.instrument == instrument)
    }

    /// Linear level of an instrument in a part.
    pub fn gain(&self, bar: &Bar, instrument: Instrument) -> f64 {
        10f64.powf(bar.part.level_of(instrument) / 20.0)
    }

    /// Private random stream of an instrument.
    pub fn rng(&self, instrument: Instrument) -> Rng {
        Rng::keyed(self.scenario.seed, &[2, self.item, instrument as u64])
    }
}

/// One bar as the players see it.
pub(super) struct Bar<'a> {
    /// First beat.
    pub beat: f64,
    pub chord: Chord,
    pub next: Chord,
    /// Number of the bar in its part, and how many the part has.
    pub index: usize,
    pub count: usize,
    pub part: &'a Part,
}

/// Writes all bars; returns the moment when the last note has died.
pub(super) fn write(score: &mut Score, scenario: &Scenario, take: &Take, start_s: f64, item: u64) -> f64 {
    let form = changes(take.form, take.key);
    let bars = lay_out(take, &form);
    let count_off = if take.count_off { 8 } else { 0 };
    let mut rng = Rng::keyed(scenario.seed, &[3, item]);
    let clock = Clock::new(&take.tempo, start_s + 0.1, count_off, bars.len() * BEATS_A_BAR, &mut rng);
    let off_beat = take.swing_ratio / (1.0 + take.swing_ratio);
    let stand = Stand { scenario, take, clock: &clock, off_beat, item };
    if take.count_off {
        for beat in COUNT_OFF_BEATS {
            score.hit(stand.onset(f64::from(beat), 4.0, &mut rng), Drum::SideStick, 0.6 + 0.04 * rng.human(), 1.0);
        }
    }
    bass::play(score, &stand, &bars);
    comping::guitar(score, &stand, &bars);
    comping::piano(score, &stand, &bars);
    kit::play(score, &stand, &bars);
    horns::play(score, &stand, &bars);
    let end_beat = (bars.len() * BEATS_A_BAR) as f64;
    last_note(score, &stand, &bars, end_beat);
    score.takes.push(truth(&stand, &bars));
    clock.at(end_beat) + LAST_NOTE_S + LAST_DECAY_S
}

fn lay_out<'a>(take: &'a Take, form: &[Chord]) -> Vec<Bar<'a>> {
    let mut bars = Vec::new();
    for part in &take.parts {
        let count = part.bars.unwrap_or(form.len()).max(1);
        for index in 0..count {
            let (chord, next) = (form[index % form.len()], form[(index + 1) % form.len()]);
            bars.push(Bar { beat: (bars.len() * BEATS_A_BAR) as f64, chord, next, index, count, part });
        }
    }
    bars
}

/// Everybody who played the last part lands together on the downbeat after it.
fn last_note(score: &mut Score, stand: &Stand, bars: &[Bar], beat: f64) {
    let Some(bar) = bars.last() else { return };
    let home = changes(stand.take.form, stand.take.key)[0];
    let end = Bar { beat, chord: home, next: home, index: 0, count: 1, part: bar.part };
    bass::last(score, stand, &end, LAST_NOTE_S);
    comping::last(score, stand, &end, LAST_NOTE_S);
    kit::last(score, stand, &end);
    horns::last(score, stand, &end, LAST_NOTE_S);
}

fn truth(stand: &Stand, bars: &[Bar]) -> TakeTruth {
    let take = stand.take;
    let at = |beat: f64| rounded(stand.clock.at(beat), 5);
    let mut parts: Vec<PartTruth> = Vec::new();
    for bar in bars {
        if bar.index == 0 {
            let end_s = at(bar.beat + (bar.count * BEATS_A_BAR) as f64);
            let label = bar.part.label.clone();
            parts.push(PartTruth { label, start_s: at(bar.beat), end_s, lufs: None, layer_lufs: Default::default() });
        }
    }
    let end_beat = (bars.len() * BEATS_A_BAR) as f64;
    let beats = (0..bars.len() * BEATS_A_BAR).map(|b| (at(b as f64), (b % BEATS_A_BAR) as u8 + 1)).collect();
    TakeTruth {
        title: take.title.clone(),
        bpm: take.tempo.at(0.0),
        drift: rounded(take.tempo.at(1.0) / take.tempo.at(0.0) - 1.0, 5),
        swing: take.swing_ratio,
        backbeat: take.kit.backbeat,
        hat_on_2_and_4: take.kit.hat_on_2_and_4 && !take.kit.backbeat,
        kick: rounded(127.0 * take.kit.kick, 0),
        bass_lag_ms: take.bass_lag_ms,
        beats,
        parts,
        start_s: at(0.0),
        end_s: at(end_beat),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::super::scenario::{HornLine, Item, Kit, Tempo};
    use super::super::write as write_score;
    use super::*;

    fn machine(swing_ratio: f64, kit: Kit) -> Scenario {
        let mut scenario = Scenario::school_band("grid", 5);
        let take = Take {
            title: "Grid".to_owned(),
            tempo: Tempo { points: vec![(0.0, 120.0)], wander: 0.0 },
            swing_ratio,
            kit,
            looseness: 0.0,
            parts: vec![Part::new("head", HornLine::Melody)],
            ..Take::default()
        };
        scenario.items = vec![Item::Take(take)];
        scenario
    }

    fn place_in_beat(score: &Score, at_s: f64) -> f64 {
        let first = score.takes[0].beats[0].0;
        ((at_s - first) / 0.5 + 1e-4).rem_euclid(1.0) - 1e-4
    }

    #[test]
    fn ride_strokes_lie_on_the_beat_or_on_the_swung_second_eighth() {
        let kit = Kit { backbeat: false, hat_on_2_and_4: true, kick: 0.3 };
        for (ratio, off) in [(2.0, 2.0 / 3.0), (3.0, 0.75), (1.0, 0.5)] {
            let score = write_score(&machine(ratio, kit));
            let start = score.takes[0].start_s - 1e-4;
            let rides: Vec<f64> = score
                .hits
                .iter()
                .filter(|h| h.drum == Drum::Ride && h.at_s > start)
                .map(|h| place_in_beat(&score, h.at_s))
                .collect();
            assert!(rides.iter().all(|p| p.abs() < 1e-3 || (p - off).abs() < 1e-3), "{ratio}: {rides:?}");
            assert!(rides.iter().filter(|p| (*p - off).abs() < 1e-3).count() >= 16);
        }
    }

    #[test]
    fn the_foot_closes_the_hat_on_two_and_four_only_when_it_should() {
        let hats = |kit| {
            let score = write_score(&machine(2.0, kit));
            let beats = score.takes[0].beats.clone();
            let place =
                move |at: f64| beats.iter().min_by(|a, b| (a.0 - at).abs().total_cmp(&(b.0 - at).abs())).unwrap().1;
            score.hits.iter().filter(|h| h.drum == Drum::FootHat).map(|h| place(h.at_s)).collect::<Vec<u8>>()
        };
        let on = hats(Kit { backbeat: false, hat_on_2_and_4: true, kick: 0.3 });
        assert_eq!(on.len(), 24);
        assert!(on.iter().all(|b| b % 2 == 0), "{on:?}");
        assert!(hats(Kit { backbeat: false, hat_on_2_and_4: false, kick: 0.3 }).is_empty());
        assert!(hats(Kit { backbeat: true, hat_on_2_and_4: true, kick: 0.8 }).is_empty());
    }

    #[test]
    fn the_bass_lags_by_what_the_take_says() {
        let mut scenario = machine(2.0, Take::default().kit);
        if let Some(Item::Take(take)) = scenario.items.first_mut() {
            take.bass_lag_ms = 20.0;
        }
        let score = write_score(&scenario);
        let beats = &score.takes[0].beats;
        for (note, beat) in score.notes[&Instrument::Bass].iter().zip(beats) {
            assert!((note.at_s - beat.0 - 0.020).abs() < 2e-5, "{} {}", note.at_s, beat.0);
        }
    }

    #[test]
    fn a_chart_is_the_same_tune_in_every_rehearsal() {
        let melody = |seed| {
            let score = write_score(&Scenario { seed, ..machine(2.0, Take::default().kit) });
            score.notes[&Instrument::Trumpet].iter().map(|n| n.midi).collect::<Vec<u8>>()
        };
        assert!(melody(1).len() > 20);
        assert_eq!(melody(1), melody(2));
    }

    #[test]
    fn a_retune_and_a_drift_move_the_notes_by_what_they_say() {
        let mut scenario = machine(2.0, Take::default().kit);
        let bass = scenario.player_mut(Instrument::Bass).unwrap();
        bass.tuning.scatter_cents = 0.0;
        bass.tuning.cents = -10.0;
        bass.tuning.cents_per_min = 6.0;
        bass.tuning.retunes =
            vec![super::super::super::scenario::Retune { at_s: 15.0, cents: 3.0, string_cents: vec![0.0, 1.0] }];
        scenario.concert_pitch_cents = 2.0;
        for note in &write_score(&scenario).notes[&Instrument::Bass] {
            let want = if note.at_s < 15.0 {
                2.0 - 10.0 + note.at_s / 10.0
            } else {
                2.0 + 3.0 + (note.at_s - 15.0) / 10.0 + if note.string == 1 { 1.0 } else { 0.0 }
            };
            assert!((note.cents - want).abs() < 1e-9);
        }
    }
}
