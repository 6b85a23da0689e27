//! The kit: ride pattern with the hi-hat on two and four, or the heavy backbeat that the band should leave at home.

use super::super::rng::Rng;
use super::super::scenario::{HornLine, Instrument};
use super::take::{Bar, Stand};
use super::{Drum, Score};

const SPREAD_MS: f64 = 4.5;

pub(super) fn play(score: &mut Score, stand: &Stand, bars: &[Bar]) {
    if stand.player(Instrument::Drums).is_none() {
        return;
    }
    let mut rng = stand.rng(Instrument::Drums);
    for bar in bars {
        // The choices are drawn whether or not the kit plays, so that leaving out a part moves nothing else.
        let choice: [f64; 8] = std::array::from_fn(|_| rng.unit());
        if !bar.part.plays(Instrument::Drums) {
            continue;
        }
        let mut hands = Hands { score, stand, rng: &mut rng, gain: stand.gain(bar, Instrument::Drums) };
        if stand.take.kit.backbeat {
            hands.backbeat(bar);
        } else {
            hands.ride(bar, &choice);
        }
    }
}

struct Hands<'a> {
    score: &'a mut Score,
    stand: &'a Stand<'a>,
    rng: &'a mut Rng,
    gain: f64,
}

impl Hands<'_> {
    fn hit(&mut self, beat: f64, drum: Drum, velocity: f64) {
        let at_s = self.stand.onset(beat, SPREAD_MS, self.rng);
        let velocity = velocity + 0.035 * self.rng.human();
        self.score.hit(at_s, drum, velocity, self.gain);
    }

    fn backbeat(&mut self, bar: &Bar) {
        for eighth in 0..8 {
            let accent = if eighth % 2 == 0 { 0.72 } else { 0.58 };
            self.hit(bar.beat + eighth as f64 / 2.0, Drum::ClosedHat, accent);
        }
        for beat in 0..4 {
            let drum = if beat % 2 == 0 { Drum::Kick } else { Drum::Snare };
            let velocity = if beat % 2 == 0 { self.stand.take.kit.kick } else { 0.85 };
            self.hit(bar.beat + f64::from(beat), drum, velocity);
        }
    }

    fn ride(&mut self, bar: &Bar, choice: &[f64; 8]) {
        let kit = self.stand.take.kit;
        for beat in 0..4 {
            let at = bar.beat + beat as f64;
            let on_two_and_four = beat % 2 == 1;
            self.hit(at, Drum::Ride, if on_two_and_four { 0.70 } else { 0.60 });
            let skip = self.stand.eighth(bar.beat, 2 * beat + 1);
            let plays_skip = if on_two_and_four { choice[beat] > 0.06 } else { choice[beat] > 0.90 };
            if plays_skip {
                self.hit(skip, Drum::Ride, 0.52);
            }
            if on_two_and_four && kit.hat_on_2_and_4 {
                self.hit(at, Drum::FootHat, 0.72);
            }
            let heavy = kit.kick > 0.6;
            if !heavy || beat % 2 == 0 {
                self.hit(at, Drum::Kick, kit.kick);
            }
            if choice[4 + beat] < 0.14 {
                self.hit(skip, Drum::Snare, 0.33);
            }
        }
        if bar.index == 0 && bar.part.horns == HornLine::Shout {
            self.hit(bar.beat, Drum::Crash, 0.7);
        }
        if bar.index + 1 == bar.count && choice[7] < 0.8 {
            for (eighth, velocity) in [(5, 0.45), (6, 0.5), (7, 0.6)] {
                let at = self.stand.eighth(bar.beat, eighth);
                self.hit(at, Drum::Snare, velocity);
            }
        }
    }
}

pub(super) fn last(score: &mut Score, stand: &Stand, bar: &Bar) {
    if stand.player(Instrument::Drums).is_some() && bar.part.plays(Instrument::Drums) {
        let at_s = stand.clock.at(bar.beat);
        score.hit(at_s, Drum::Crash, 0.5, stand.gain(bar, Instrument::Drums));
        score.hit(at_s, Drum::Kick, 0.45, stand.gain(bar, Instrument::Drums));
    }
}
