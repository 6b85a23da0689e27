//! Where the beats of a take lie.

use super::super::rng::Rng;
use super::super::scenario::Tempo;

/// Beat times of a take, count-off and a few beats after the end included.
pub(super) struct Clock {
    times_s: Vec<f64>,
    count_off: usize,
}

impl Clock {
    /// `beats` of the chart after `count_off` beats that start at `start_s`.
    pub fn new(tempo: &Tempo, start_s: f64, count_off: usize, beats: usize, rng: &mut Rng) -> Self {
        let mut times_s = vec![start_s];
        let mut wander = 0.0;
        let mut now_s = start_s;
        for i in 0..count_off + beats + 8 {
            // Slow wander: a first-order process that forgets over some twenty beats.
            wander = 0.95 * wander + tempo.wander * rng.human();
            let share = (i as f64 - count_off as f64).max(0.0) / beats.max(1) as f64;
            now_s += 60.0 / (tempo.at(share.min(1.0)) * (1.0 + wander));
            times_s.push(now_s);
        }
        Self { times_s, count_off }
    }

    /// Time of a beat, fractions on a straight line between beats; negative in the count-off.
    pub fn at(&self, beat: f64) -> f64 {
        let place = (beat + self.count_off as f64).max(0.0);
        let last = self.times_s.len() - 2;
        let i = (place.floor() as usize).min(last);
        self.times_s[i] + (self.times_s[i + 1] - self.times_s[i]) * (place - i as f64)
    }

    /// Length of a beat in seconds.
    pub fn beat_s(&self, beat: f64) -> f64 {
        self.at(beat.floor() + 1.0) - self.at(beat.floor())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beats_follow_the_tempo_map_and_the_count_off_keeps_the_first_tempo() {
        let tempo = Tempo { points: vec![(0.0, 120.0), (1.0, 100.0)], wander: 0.0 };
        let clock = Clock::new(&tempo, 3.0, 8, 40, &mut Rng::keyed(1, &[]));
        assert!((clock.at(0.0) - 7.0).abs() < 1e-9, "eight beats of 0.5 s: {}", clock.at(0.0));
        assert!((clock.beat_s(0.0) - 0.5).abs() < 1e-9);
        assert!((clock.beat_s(20.0) - 60.0 / 110.0).abs() < 1e-9, "halfway between 120 and 100 is 110");
        assert!((clock.at(0.5) - 7.25).abs() < 1e-9);
    }
}
