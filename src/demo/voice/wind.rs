//! Trumpets, saxophones and trombones.
//!
//! Method: one period of a band-limited wave at four loudness steps, each step brighter than the one below (the spectrum of
//! brass and reeds grows towards the top with loudness: common knowledge of acoustics textbooks), blended as the envelope
//! moves; formants in absolute frequency; vibrato that sets in late; breath noise; a small scoop or blip at the attack.
//! Every desk of a section is a player of its own: onset, pitch and vibrato differ a little.

use std::collections::HashMap;
use std::f64::consts::TAU;

use super::super::eq::Biquad;
use super::super::rng::Rng;
use super::super::scenario::Instrument;
use super::super::score::Note;
use super::partials::frames;
use super::strings::first_hz;

const TABLE: usize = 4096;
const STEPS: usize = 4;
/// From one loudness step to the next.
const STEP_DB: f64 = 9.0;
/// Samples between updates of pitch and loudness.
const CONTROL: usize = 32;
const DESK_CENTS: f64 = 4.0;
const DESK_ONSET_S: f64 = 0.007;

/// What makes one instrument differ from the other.
struct Horn {
    attack_s: f64,
    release_s: f64,
    /// Corner of the source spectrum, soft and loud.
    corner_hz: [f64; 2],
    /// Formants: centre, width in octaves, dB.
    formants: [(f64, f64, f64); 3],
    vibrato_cents: f64,
    breath: f64,
    /// Pitch at the attack.
    scoop_cents: f64,
}

fn horn(instrument: Instrument) -> Horn {
    match instrument {
        Instrument::Trumpet => Horn {
            attack_s: 0.022,
            release_s: 0.035,
            corner_hz: [900.0, 3600.0],
            formants: [(1250.0, 0.7, 6.0), (2400.0, 0.6, 3.0), (300.0, 0.8, -3.0)],
            vibrato_cents: 7.0,
            breath: 0.006,
            scoop_cents: 8.0,
        },
        Instrument::Alto => Horn {
            attack_s: 0.03,
            release_s: 0.04,
            corner_hz: [800.0, 2300.0],
            formants: [(800.0, 0.6, 4.0), (1500.0, 0.5, 4.0), (3600.0, 0.7, 3.0)],
            vibrato_cents: 12.0,
            breath: 0.016,
            scoop_cents: -18.0,
        },
        Instrument::Tenor => Horn {
            attack_s: 0.035,
            release_s: 0.045,
            corner_hz: [600.0, 1900.0],
            formants: [(520.0, 0.6, 4.0), (1150.0, 0.5, 4.0), (2900.0, 0.7, 3.0)],
            vibrato_cents: 12.0,
            breath: 0.018,
            scoop_cents: -20.0,
        },
        _ => Horn {
            attack_s: 0.028,
            release_s: 0.045,
            corner_hz: [450.0, 2200.0],
            formants: [(560.0, 0.7, 5.0), (1400.0, 0.7, 2.0), (180.0, 0.7, -2.0)],
            vibrato_cents: 5.0,
            breath: 0.005,
            scoop_cents: -10.0,
        },
    }
}

/// A section with the wave tables that it has needed so far.
pub(in crate::demo) struct Section {
    instrument: Instrument,
    horn: Horn,
    desks: u8,
    rate_hz: f64,
    tables: HashMap<u8, Vec<[f32; TABLE + 1]>>,
}

impl Section {
    pub fn new(instrument: Instrument, desks: u8, rate_hz: f64) -> Self {
        Self { instrument, horn: horn(instrument), desks: desks.max(1), rate_hz, tables: HashMap::new() }
    }

    /// The whole section on one note, from the note's onset on (no desk starts before it).
    pub fn blow(&mut self, note: &Note, rng: &mut Rng) -> Vec<f32> {
        let tables = self.tables.entry(note.midi).or_insert_with(|| waves(&self.horn, note.midi, self.rate_hz));
        let mut out = vec![0f32; frames(self.rate_hz, note.length_s + 2.5 * DESK_ONSET_S, self.horn.release_s)];
        let share = 1.0 / f64::from(self.desks).sqrt();
        for desk in 0..self.desks {
            let alone = self.desks == 1;
            let late_s = if alone { 0.0 } else { (DESK_ONSET_S * rng.human()).max(0.0) };
            let cents = if alone { 0.0 } else { DESK_CENTS * chair_offset(self.instrument, desk, self.desks) };
            let chair = Chair { cents, share, rate_hz: self.rate_hz };
            let start = (late_s * self.rate_hz) as usize;
            player(&mut out[start..], &self.horn, tables, note, &chair, rng);
        }
        out
    }
}

/// Offsets of the chairs, evenly spread around zero: the section's mean is in tune.
fn chair_offset(instrument: Instrument, desk: u8, desks: u8) -> f64 {
    let place = (f64::from(desk) + 0.5) / f64::from(desks) * 2.0 - 1.0;
    if (instrument as u8).is_multiple_of(2) { place } else { -place }
}

/// One table a loudness step, each of unit power.
fn waves(horn: &Horn, midi: u8, rate_hz: f64) -> Vec<[f32; TABLE + 1]> {
    let hz = crate::units::midi_to_hz(f64::from(midi));
    // Room for vibrato and scoop below half the rate.
    let count = ((0.47 * rate_hz / hz) as usize).clamp(1, 40);
    let mut key_rng = Rng::keyed(0x686f_726e, &[u64::from(midi), (horn.attack_s * 1e4) as u64]);
    let phases: Vec<f64> = (0..count).map(|_| TAU * key_rng.unit()).collect();
    let mut tables = vec![[0f32; TABLE + 1]; STEPS];
    let levels: Vec<Vec<f64>> = (0..STEPS)
        .map(|step| {
            let loud = step as f64 / (STEPS - 1) as f64;
            let corner = horn.corner_hz[0] * (horn.corner_hz[1] / horn.corner_hz[0]).powf(loud);
            let raw: Vec<f64> = (1..=count).map(|n| harmonic(horn, hz * n as f64, corner)).collect();
            let power: f64 = raw.iter().map(|a| 0.5 * a * a).sum();
            raw.iter().map(|a| a / power.sqrt()).collect()
        })
        .collect();
    for (n, phase) in phases.iter().enumerate() {
        let (turn_im, turn_re) = (TAU * (n + 1) as f64 / TABLE as f64).sin_cos();
        let (mut im, mut re) = phase.sin_cos();
        for k in 0..=TABLE {
            for (table, level) in tables.iter_mut().zip(&levels) {
                table[k] += (level[n] * im) as f32;
            }
            (re, im) = (re * turn_re - im * turn_im, re * turn_im + im * turn_re);
        }
    }
    tables
}

fn harmonic(horn: &Horn, hz: f64, corner_hz: f64) -> f64 {
    let slope = 1.0 / (1.0 + (hz / corner_hz).powi(4)).sqrt();
    let formants: f64 =
        horn.formants.iter().map(|(f, width, db)| db * (-((hz / f).log2() / width).powi(2)).exp()).sum();
    slope * 10f64.powf(formants / 20.0)
}

/// One desk of the section.
struct Chair {
    cents: f64,
    /// Its part of the section's amplitude.
    share: f64,
    rate_hz: f64,
}

fn player(out: &mut [f32], horn: &Horn, tables: &[[f32; TABLE + 1]], note: &Note, chair: &Chair, rng: &mut Rng) {
    let (rate_hz, share) = (chair.rate_hz, chair.share);
    let base_hz = first_hz(note) * 2f64.powf(chair.cents / 1200.0);
    let (vibrato_hz, vibrato_phase) = (rng.between(4.6, 5.7), TAU * rng.unit());
    let mut air = Biquad::band_pass(horn.formants[0].0 * 1.6, 0.5, rate_hz);
    let mut phase = (rng.next() >> 32) as u32;
    let mut last_gain = 0f32;
    let mut envelope = 0.0;
    for (block, samples) in out.chunks_mut(CONTROL).enumerate() {
        let t = (block * CONTROL) as f64 / rate_hz;
        let goal = if t < note.length_s { note.velocity * (0.86 + 0.14 * (-t / 0.12).exp()) } else { 0.0 };
        let speed_s = if goal > envelope { horn.attack_s } else { horn.release_s };
        envelope += (goal - envelope) * (1.0 - (-(CONTROL as f64) / rate_hz / (0.5 * speed_s)).exp());
        let onset = ((t - 0.18) / 0.2).clamp(0.0, 1.0);
        let vibrato = onset * horn.vibrato_cents * (TAU * vibrato_hz * t + vibrato_phase).sin();
        let cents = vibrato + horn.scoop_cents * (-t / 0.025).exp();
        let increment = (base_hz * 2f64.powf(cents / 1200.0) / rate_hz * 4_294_967_296.0) as u32;
        let (low, high, blend, gain) = loudness(tables, envelope);
        let gain = (gain * share) as f32;
        let slope = (gain - last_gain) / samples.len() as f32;
        let breath = horn.breath * envelope;
        for (k, x) in samples.iter_mut().enumerate() {
            let (i, f) = ((phase >> 20) as usize, (phase & 0xF_FFFF) as f32 / 1_048_576.0);
            let a = low[i] + (low[i + 1] - low[i]) * f;
            let b = high[i] + (high[i + 1] - high[i]) * f;
            *x += (last_gain + slope * k as f32) * (a + (b - a) * blend);
            *x += (air.step(f64::from(rng.white())) * breath) as f32 * share as f32;
            phase = phase.wrapping_add(increment);
        }
        last_gain = gain;
    }
}

/// The two tables around a loudness, how to blend them, and the gain.
fn loudness(tables: &[[f32; TABLE + 1]], envelope: f64) -> (&[f32; TABLE + 1], &[f32; TABLE + 1], f32, f64) {
    let place = (envelope * STEPS as f64 - 0.5).clamp(0.0, (STEPS - 1) as f64);
    let step = (place as usize).min(STEPS - 2);
    // Above and below the four steps the level goes on with the same slope in dB, down to silence in a straight line.
    let gain = 10f64.powf((envelope - 1.0) * STEPS as f64 * STEP_DB / 20.0) * (envelope / 0.08).min(1.0);
    (&tables[step], &tables[step + 1], (place - step as f64) as f32, gain)
}
