//! The kit: every stroke is made once in a few variants and then only scaled.
//!
//! Method: cymbals are sums of many partials without order, dense towards the top, under a wash of noise that blooms after
//! the stroke; drums are a few membrane partials whose pitch falls, with wires, beater or stick as filtered noise.

use std::collections::BTreeMap;

use super::super::eq::Biquad;
use super::super::rng::Rng;
use super::super::score::Drum;
use super::partials::{Glide, Partial, add};
use super::strings::thump;

const VARIANTS: u64 = 3;
/// Soft and hard strokes differ in colour, not only in level.
const HARDNESS: [f64; 2] = [0.4, 0.9];

/// All strokes of a kit at one rate.
pub(in crate::demo) struct KitSounds {
    sounds: BTreeMap<(Drum, usize, u64), Vec<f32>>,
}

impl KitSounds {
    /// Makes the strokes; the kit is the same for every tape.
    pub fn new(rate_hz: f64) -> Self {
        use rayon::prelude::*;
        let drums = [Drum::Ride, Drum::Crash, Drum::FootHat, Drum::ClosedHat, Drum::Kick, Drum::Snare, Drum::SideStick];
        let keys: Vec<_> = drums
            .into_iter()
            .flat_map(|d| (0..HARDNESS.len()).flat_map(move |h| (0..VARIANTS).map(move |v| (d, h, v))))
            .collect();
        let sounds = keys.into_par_iter().map(|key| (key, stroke(key.0, HARDNESS[key.1], key.2, rate_hz))).collect();
        Self { sounds }
    }

    /// Samples and gain of a stroke.
    pub fn stroke(&self, drum: Drum, velocity: f64, rng: &mut Rng) -> (&[f32], f32) {
        let hard = usize::from(velocity > 0.6);
        let variant = rng.below(VARIANTS as usize) as u64;
        let gain = velocity.powf(1.5) as f32;
        (self.sounds.get(&(drum, hard, variant)).map_or(&[], |s| s.as_slice()), gain)
    }
}

fn stroke(drum: Drum, hardness: f64, variant: u64, rate_hz: f64) -> Vec<f32> {
    let mut rng = Rng::keyed(0x6b69_7400, &[drum as u64, (hardness * 100.0) as u64, variant]);
    // The metal itself is the same for every stroke; only where the stick lands differs.
    let mut metal = Rng::keyed(0x6d65_7461, &[drum as u64]);
    let mut sound = match drum {
        Drum::Ride => ride(hardness, rate_hz, &mut metal, &mut rng),
        Drum::Crash => crash(hardness, rate_hz, &mut metal, &mut rng),
        Drum::FootHat => foot_hat(rate_hz, &mut metal, &mut rng),
        Drum::ClosedHat => closed_hat(hardness, rate_hz, &mut metal, &mut rng),
        Drum::Kick => kick(hardness, rate_hz, &mut rng),
        Drum::Snare => snare(hardness, rate_hz, &mut rng),
        Drum::SideStick => side_stick(rate_hz, &mut rng),
    };
    let gain = 10f64.powf(piece_db(drum) / 20.0) as f32;
    for x in &mut sound {
        *x *= gain;
    }
    sound
}

/// Level of the pieces against each other.
fn piece_db(drum: Drum) -> f64 {
    match drum {
        Drum::Ride => 15.0,
        Drum::Crash => 6.0,
        Drum::FootHat | Drum::ClosedHat => 11.5,
        Drum::Kick => 5.0,
        Drum::Snare => 3.0,
        Drum::SideStick => 6.0,
    }
}

/// Cymbal partials: `count` of them between `low` and `high`, evenly dense over frequency, level `colour(hz)`.
struct Plate {
    count: usize,
    low_hz: f64,
    high_hz: f64,
    decay_at_1_khz_s: f64,
    decay_slope: f64,
}

impl Plate {
    fn partials(&self, metal: &mut Rng, rng: &mut Rng, colour: impl Fn(f64) -> f64) -> Vec<Partial> {
        let step = (self.high_hz - self.low_hz) / self.count as f64;
        (0..self.count)
            .map(|k| {
                let hz = self.low_hz + step * (k as f64 + metal.unit());
                let body = 10f64.powf(4.0 * metal.human() / 20.0);
                let place = 10f64.powf(3.0 * rng.human() / 20.0);
                let decay_s = self.decay_at_1_khz_s * (hz / 1000.0).powf(-self.decay_slope) * metal.between(0.6, 1.4);
                let phase = std::f64::consts::TAU * rng.unit();
                let amplitude = body * place * colour(hz) / (self.count as f64).sqrt();
                Partial { hz, amplitude, decay_s, rise_s: 0.0015, phase }
            })
            .collect()
    }
}

fn blank(seconds: f64, rate_hz: f64) -> Vec<f32> {
    vec![0.0; (seconds * rate_hz) as usize]
}

/// Fades the last tenth to nothing, so that no stroke ends in a step.
fn faded(mut x: Vec<f32>) -> Vec<f32> {
    let tail = x.len() / 10;
    let start = x.len() - tail;
    for (k, v) in x[start..].iter_mut().enumerate() {
        *v *= 1.0 - k as f32 / tail as f32;
    }
    x
}

/// High-passed noise that blooms and dies.
fn wash(x: &mut [f32], rate_hz: f64, rng: &mut Rng, cut_hz: f64, rise_s: f64, decay_s: f64, level: f64) {
    let mut low = Biquad::high_pass(cut_hz, 0.7, rate_hz);
    let mut high = Biquad::low_pass(15_000.0, 0.6, rate_hz);
    let (fall, rise) = ((-1.0 / (decay_s * rate_hz)).exp(), (-1.0 / (rise_s * rate_hz)).exp());
    let (mut gain, mut start) = (level, 1.0);
    for v in x {
        *v += high.step(low.step(f64::from(rng.white()) * gain * (1.0 - start))) as f32;
        gain *= fall;
        start *= rise;
        if gain < 1e-6 {
            break;
        }
    }
}

fn ride(hardness: f64, rate_hz: f64, metal: &mut Rng, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(1.8, rate_hz);
    let plate = Plate { count: 280, low_hz: 300.0, high_hz: 10_500.0, decay_at_1_khz_s: 0.5, decay_slope: 0.45 };
    let bright = 4500.0 + 6000.0 * hardness;
    let colour = |hz: f64| 0.055 * (hz / (hz + 900.0)) / (1.0 + (hz / bright).powi(2)).sqrt();
    add(&mut x, rate_hz, &plate.partials(metal, rng, colour), Glide::NONE);
    let ping: Vec<Partial> = [2650.0, 3380.0, 4210.0, 5630.0]
        .iter()
        .map(|hz| Partial {
            hz: hz * metal.between(0.98, 1.02),
            amplitude: 0.028,
            decay_s: 0.11,
            rise_s: 0.0006,
            phase: std::f64::consts::TAU * rng.unit(),
        })
        .collect();
    add(&mut x, rate_hz, &ping, Glide::NONE);
    wash(&mut x, rate_hz, rng, 3000.0, 0.006, 0.2, 0.034 + 0.034 * hardness);
    thump(&mut x, rate_hz, rng, &[(4800.0, 0.5, 0.004, 0.22), (1300.0, 0.9, 0.006, 0.06)]);
    faded(x)
}

fn crash(hardness: f64, rate_hz: f64, metal: &mut Rng, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(2.4, rate_hz);
    let plate = Plate { count: 260, low_hz: 250.0, high_hz: 11_000.0, decay_at_1_khz_s: 1.0, decay_slope: 0.5 };
    add(&mut x, rate_hz, &plate.partials(metal, rng, |hz| 0.10 * hz / (hz + 1200.0)), Glide::NONE);
    wash(&mut x, rate_hz, rng, 2200.0, 0.012, 0.5, 0.10 + 0.08 * hardness);
    thump(&mut x, rate_hz, rng, &[(3000.0, 0.5, 0.006, 0.2)]);
    faded(x)
}

fn foot_hat(rate_hz: f64, metal: &mut Rng, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(0.28, rate_hz);
    let plate = Plate { count: 60, low_hz: 500.0, high_hz: 12_000.0, decay_at_1_khz_s: 0.035, decay_slope: 0.15 };
    add(&mut x, rate_hz, &plate.partials(metal, rng, |hz| 0.28 * hz / (hz + 2500.0)), Glide::NONE);
    wash(&mut x, rate_hz, rng, 3500.0, 0.0015, 0.026, 0.24);
    thump(&mut x, rate_hz, rng, &[(430.0, 1.2, 0.012, 0.12), (180.0, 1.0, 0.014, 0.05)]);
    faded(x)
}

fn closed_hat(hardness: f64, rate_hz: f64, metal: &mut Rng, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(0.35, rate_hz);
    let plate = Plate { count: 70, low_hz: 450.0, high_hz: 13_000.0, decay_at_1_khz_s: 0.055, decay_slope: 0.2 };
    add(&mut x, rate_hz, &plate.partials(metal, rng, |hz| 0.2 * hz / (hz + 2500.0)), Glide::NONE);
    wash(&mut x, rate_hz, rng, 5000.0, 0.0008, 0.035, 0.12 + 0.12 * hardness);
    thump(&mut x, rate_hz, rng, &[(4000.0, 0.6, 0.003, 0.15), (900.0, 1.0, 0.006, 0.04)]);
    faded(x)
}

fn kick(hardness: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(0.6, rate_hz);
    let modes: Vec<Partial> = [(56.0, 0.62, 0.17), (89.0, 0.28, 0.09), (121.0, 0.16, 0.06), (165.0, 0.10, 0.045)]
        .iter()
        .map(|(hz, amplitude, decay_s)| Partial {
            hz: *hz,
            amplitude: amplitude * 10f64.powf(0.7 * rng.human() / 20.0),
            decay_s: *decay_s,
            rise_s: 0.0018,
            phase: 0.0,
        })
        .collect();
    add(&mut x, rate_hz, &modes, Glide { share: 0.35 + 0.35 * hardness, fall_s: 0.022 });
    let beater = 0.10 + 0.25 * hardness;
    thump(
        &mut x,
        rate_hz,
        rng,
        &[(1900.0, 0.8, 0.004, beater), (420.0, 0.8, 0.012, 0.14), (3600.0, 1.0, 0.003, 0.5 * beater)],
    );
    faded(x)
}

fn snare(hardness: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(0.5, rate_hz);
    let modes: Vec<Partial> = [(192.0, 0.30, 0.07), (331.0, 0.20, 0.055), (437.0, 0.11, 0.04), (589.0, 0.07, 0.035)]
        .iter()
        .map(|(hz, amplitude, decay_s)| Partial {
            hz: hz * rng.between(0.995, 1.005),
            amplitude: *amplitude,
            decay_s: *decay_s,
            rise_s: 0.0007,
            phase: 0.0,
        })
        .collect();
    add(&mut x, rate_hz, &modes, Glide { share: 0.06, fall_s: 0.02 });
    wash(&mut x, rate_hz, rng, 1500.0, 0.001, 0.06 + 0.03 * hardness, 0.20 + 0.12 * hardness);
    thump(&mut x, rate_hz, rng, &[(3500.0, 0.5, 0.006, 0.35)]);
    faded(x)
}

fn side_stick(rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut x = blank(0.2, rate_hz);
    let modes: Vec<Partial> = [(455.0, 0.25, 0.022), (860.0, 0.3, 0.016), (1720.0, 0.3, 0.012), (2630.0, 0.18, 0.009)]
        .iter()
        .map(|(hz, amplitude, decay_s)| Partial {
            hz: hz * rng.between(0.99, 1.01),
            amplitude: *amplitude,
            decay_s: *decay_s,
            rise_s: 0.0003,
            phase: 0.0,
        })
        .collect();
    add(&mut x, rate_hz, &modes, Glide::NONE);
    thump(&mut x, rate_hz, rng, &[(3000.0, 0.6, 0.003, 0.3)]);
    faded(x)
}
