//! Do the intervals hold what they say they hold?
#![allow(clippy::unwrap_used)]

use super::*;

/// Levels of a simulated band: an autoregressive swing of `sd_db` around -20 dB with a memory of `memory_s`, a value
/// every 100 ms.
struct Player {
    state: u64,
    level_db: f64,
    memory_s: f64,
    sd_db: f64,
}

impl Player {
    fn new(seed: u64, memory_s: f64, sd_db: f64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15), level_db: 0.0, memory_s, sd_db }
    }

    /// Nearly normal: the sum of twelve uniform numbers.
    fn normal(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.state = self.state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (self.state >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum
    }

    fn play(&mut self, seconds: usize) -> LoudnessReading {
        let keep = (-0.1 / self.memory_s).exp();
        let mut steps = Vec::new();
        for _ in 0..seconds * 10 {
            self.level_db = keep * self.level_db + (1.0 - keep * keep).sqrt() * self.sd_db * self.normal();
            steps.extend([crate::units::db_to_power(self.level_db - 20.0) as f32; GATING_HOP_STEPS]);
        }
        LoudnessReading { duration_s: seconds as f64, steps: steps.into_iter().collect(), peaks: Vec::new() }
    }
}

/// Share of takes whose interval holds the value of a performance without end.
fn coverage(take_s: usize, memory_s: f64, measure: fn(&LoudnessReading, f64, f64) -> Measured) -> f64 {
    let truth = measure(&Player::new(1, memory_s, 4.0).play(40_000), 0.0, 40_000.0).value.unwrap();
    let takes = 300;
    let held = (0..takes)
        .filter(|seed| {
            let mut player = Player::new(seed + 2, memory_s, 4.0);
            player.play(30); // forget the start
            let m = measure(&player.play(take_s), 0.0, take_s as f64);
            m.low.unwrap() <= truth && truth <= m.high.unwrap()
        })
        .count();
    held as f64 / takes as f64
}

#[test]
fn integrated_intervals_hold_the_long_run_level_of_the_playing() {
    for (take_s, memory_s, least) in
        [(180, 1.0, 0.95), (180, 3.0, 0.93), (60, 1.0, 0.93), (60, 3.0, 0.87), (30, 1.0, 0.91), (12, 0.5, 0.92)]
    {
        let share = coverage(take_s, memory_s, LoudnessReading::integrated_lufs);
        assert!(share >= least, "takes of {take_s} s, memory {memory_s} s: {share}");
    }
}

#[test]
fn range_intervals_hold_the_long_run_range_of_the_playing() {
    for (take_s, memory_s, least) in [(240, 1.0, 0.88), (120, 1.0, 0.85)] {
        let share = coverage(take_s, memory_s, LoudnessReading::range_lu);
        assert!(share >= least, "takes of {take_s} s, memory {memory_s} s: {share}");
    }
}

#[test]
fn a_span_of_two_seconds_says_that_only_the_meters_part_is_known() {
    let m = Player::new(5, 1.0, 4.0).play(20).integrated_lufs(3.0, 5.0);
    assert_eq!(m.warnings, ["interval_of_the_meter_only"]);
    assert!((m.high.unwrap() - m.low.unwrap() - 0.2).abs() < 1e-9);
}
