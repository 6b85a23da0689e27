//! The director's voice (no words, only the sound of talking) and the small noises of a quiet room.
//!
//! Method: a glottal source (rounded pulses with falling pitch over a phrase) through four moving resonances; vowels from the
//! averages for adults printed by Peterson and Barney 1952 (from memory); hisses, bursts and closures between vowels;
//! about four syllables a second in phrases with pauses.

use std::f64::consts::TAU;

use super::super::eq::Biquad;
use super::super::rng::Rng;
use super::strings::thump;

/// First three resonances of ten vowels, Hz.
const VOWELS: [[f64; 3]; 10] = [
    [270.0, 2290.0, 3010.0],
    [390.0, 1990.0, 2550.0],
    [530.0, 1840.0, 2480.0],
    [660.0, 1720.0, 2410.0],
    [730.0, 1090.0, 2440.0],
    [570.0, 840.0, 2410.0],
    [440.0, 1020.0, 2240.0],
    [300.0, 870.0, 2240.0],
    [640.0, 1190.0, 2390.0],
    [490.0, 1350.0, 1690.0],
];
const CONTROL: usize = 64;

/// How a syllable begins.
#[derive(Clone, Copy, PartialEq)]
enum Onset {
    Hiss,
    Burst,
    Hum,
    Open,
}

struct Syllable {
    start_s: f64,
    vowel_s: f64,
    end_s: f64,
    onset: Onset,
    from: [f64; 3],
    to: [f64; 3],
    pitch_hz: f64,
    stress: f64,
}

/// Talk that fills `length_s`, with pauses; level about -20 dBFS in speech.
pub(in crate::demo) fn talk(length_s: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut out = vec![0f32; (length_s * rate_hz) as usize];
    let voice_hz = rng.between(105.0, 135.0);
    let mut now_s = 0.15;
    while now_s + 0.8 < length_s {
        let phrase_s = rng.between(1.4, 3.8).min(length_s - now_s - 0.1);
        let syllables = phrase(now_s, phrase_s, voice_hz, rng);
        let end_s = syllables.last().map_or(now_s + phrase_s, |s| s.end_s);
        let range = (now_s * rate_hz) as usize..((end_s + 0.1) * rate_hz).min(out.len() as f64) as usize;
        speak(&mut out[range], now_s, &syllables, rate_hz, rng);
        now_s = end_s + rng.between(0.25, 1.0);
    }
    out
}

fn phrase(start_s: f64, length_s: f64, voice_hz: f64, rng: &mut Rng) -> Vec<Syllable> {
    let mut syllables = Vec::new();
    let mut now_s = start_s;
    let mut vowel = VOWELS[rng.below(VOWELS.len())];
    while now_s < start_s + length_s - 0.12 {
        let along = (now_s - start_s) / length_s;
        let stress = if rng.chance(0.35) { 1.0 } else { rng.between(0.45, 0.75) };
        let onset = match rng.below(10) {
            0..3 => Onset::Hiss,
            3..6 => Onset::Burst,
            6..8 => Onset::Hum,
            _ => Onset::Open,
        };
        let lead_s = match onset {
            Onset::Hiss => rng.between(0.06, 0.12),
            Onset::Burst => rng.between(0.05, 0.09),
            Onset::Hum => rng.between(0.05, 0.08),
            Onset::Open => 0.01,
        };
        let vowel_s = rng.between(0.09, 0.17) * (0.7 + 0.5 * stress);
        let next = VOWELS[rng.below(VOWELS.len())];
        let pitch_hz = voice_hz * (1.22 - 0.36 * along) * (0.95 + 0.12 * stress) * 2f64.powf(rng.human() / 20.0);
        let end_s = now_s + lead_s + vowel_s;
        syllables.push(Syllable {
            start_s: now_s,
            vowel_s: now_s + lead_s,
            end_s,
            onset,
            from: vowel,
            to: next,
            pitch_hz,
            stress,
        });
        vowel = next;
        now_s = end_s;
    }
    syllables
}

/// Two-pole resonance whose coefficients may move; unit gain at its centre region.
#[derive(Default)]
struct Formant {
    y: [f64; 2],
    a: [f64; 2],
    gain: f64,
}

impl Formant {
    fn set(&mut self, hz: f64, width_hz: f64, rate_hz: f64) {
        let r = (-std::f64::consts::PI * width_hz / rate_hz).exp();
        self.a = [2.0 * r * (TAU * hz / rate_hz).cos(), -r * r];
        self.gain = 1.0 - self.a[0] - self.a[1];
    }

    fn step(&mut self, x: f64) -> f64 {
        let y = self.gain * x + self.a[0] * self.y[0] + self.a[1] * self.y[1];
        self.y = [y, self.y[0]];
        y
    }
}

fn speak(out: &mut [f32], start_s: f64, syllables: &[Syllable], rate_hz: f64, rng: &mut Rng) {
    let mut tract: [Formant; 4] = Default::default();
    let mut hiss = Biquad::band_pass(4800.0, 0.8, rate_hz);
    let (mut phase, mut pitch_hz, mut voiced, mut noisy) =
        (0.0, syllables.first().map_or(110.0, |s| s.pitch_hz), 0.0, 0.0);
    let (mut last, mut smooth, mut index) = (0.0, 0.0, 0);
    let quick = 1.0 - (-1.0 / (0.006 * rate_hz)).exp();
    let (mut goal_voice, mut goal_noise) = (0.0, 0.0);
    for (block, samples) in out.chunks_mut(CONTROL).enumerate() {
        let t = start_s + (block * CONTROL) as f64 / rate_hz;
        while index + 1 < syllables.len() && t >= syllables[index].end_s {
            index += 1;
        }
        if let Some(s) = syllables.get(index) {
            (goal_voice, goal_noise) = drive(s, t);
            let along = ((t - s.vowel_s) / (s.end_s - s.vowel_s)).clamp(0.0, 1.0);
            for (k, formant) in tract.iter_mut().enumerate() {
                let hz = if k < 3 { s.from[k] + (s.to[k] - s.from[k]) * along } else { 3500.0 };
                let low = if s.onset == Onset::Hum && t < s.vowel_s && k == 0 { 250.0 } else { hz };
                formant.set(low, [70.0, 100.0, 140.0, 220.0][k], rate_hz);
            }
            pitch_hz += (s.pitch_hz - pitch_hz) * 0.03;
        }
        for x in samples {
            voiced += (goal_voice - voiced) * quick;
            noisy += (goal_noise - noisy) * quick;
            phase = (phase + pitch_hz / rate_hz).fract();
            let pulse = glottis(phase) + 0.03 * f64::from(rng.white());
            // The lips radiate the slope of the flow.
            let flow = tract.iter_mut().fold(pulse * voiced, |v, f| f.step(v));
            let voice = flow - 0.97 * last;
            last = flow;
            smooth = 0.2 * smooth + voice;
            *x += (0.55 * smooth + 0.5 * noisy * hiss.step(f64::from(rng.white()))) as f32;
        }
    }
}

/// Voice and noise wanted at a moment of a syllable.
fn drive(s: &Syllable, t: f64) -> (f64, f64) {
    if t >= s.end_s {
        return (0.0, 0.0);
    }
    if t >= s.vowel_s {
        let along = (t - s.vowel_s) / (s.end_s - s.vowel_s);
        return (s.stress * (1.0 - 0.35 * along), 0.0);
    }
    let lead_s = s.vowel_s - s.start_s;
    match s.onset {
        Onset::Hiss => (0.0, 0.042 * s.stress),
        Onset::Burst if t > s.start_s + 0.75 * lead_s => (0.0, 0.075 * s.stress),
        Onset::Burst => (0.0, 0.0),
        Onset::Hum => (0.35 * s.stress, 0.0),
        Onset::Open => (0.6 * s.stress, 0.0),
    }
}

/// Flow through the glottis over one period: opens slowly, closes fast, rests.
fn glottis(phase: f64) -> f64 {
    let (open, close) = (0.42, 0.58);
    if phase < open {
        0.5 - 0.5 * (std::f64::consts::PI * phase / open).cos()
    } else if phase < close {
        (std::f64::consts::FRAC_PI_2 * (phase - open) / (close - open)).cos()
    } else {
        0.0
    }
}

/// Chairs, paper and feet: a few soft noises in `length_s`.
pub(in crate::demo) fn stir(length_s: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut out = vec![0f32; (length_s * rate_hz) as usize];
    let mut now_s = rng.between(0.1, 0.5);
    while now_s + 0.4 < length_s {
        let start = (now_s * rate_hz) as usize;
        let end = (start + (0.4 * rate_hz) as usize).min(out.len());
        let level = rng.between(0.004, 0.015);
        let burst = match rng.below(3) {
            0 => (rng.between(90.0, 220.0), 1.0, 0.03, level),
            1 => (rng.between(2500.0, 5000.0), 0.5, 0.05, 0.4 * level),
            _ => (rng.between(500.0, 1200.0), 0.8, 0.015, 0.6 * level),
        };
        thump(&mut out[start..end], rate_hz, rng, &[burst]);
        now_s += rng.between(0.2, 1.1);
    }
    out
}
