//! Plucked strings: an amplified upright bass and an archtop guitar.
//!
//! Method: partials of a stiff string (f_n = n f0 sqrt(1 + B n^2), B growing as 1 / length^2 when the string is stopped),
//! levels from the plucking point and, for the guitar, the pickup's place (common textbook forms |sin n pi x|), a body or
//! loudspeaker response in absolute frequency, two-stage decay that is faster for higher partials, a pitch glide of the
//! stretched string, and the noise of finger or pick. Decay times and level profiles were set by ear of numbers: they lie
//! inside the spread measured on openly licensed recordings of such instruments.

use std::f64::consts::PI;

use super::super::eq::Biquad;
use super::super::rng::Rng;
use super::super::scenario::Instrument;
use super::super::score::Note;
use super::partials::{Glide, Partial, add, frames, let_go, stiff_partial_hz};
use crate::units::midi_to_hz;

/// Inharmonicity of the open strings, low to high: within the published range of wound steel strings (1e-5 to 4e-4).
const BASS_OPEN_B: [f64; 4] = [1.6e-4, 1.2e-4, 0.9e-4, 0.7e-4];
const GUITAR_OPEN_B: [f64; 6] = [1.5e-4, 1.1e-4, 0.8e-4, 1.2e-4, 0.4e-4, 0.2e-4];

const BASS_RELEASE_S: f64 = 0.045;
const GUITAR_RELEASE_S: f64 = 0.035;

/// Inharmonicity of the stopped string.
pub(in crate::demo) fn inharmonicity(instrument: Instrument, string: usize, midi: u8) -> f64 {
    let (open_b, opens) = match instrument {
        Instrument::Bass => (&BASS_OPEN_B[..], Instrument::Bass.open_strings()),
        _ => (&GUITAR_OPEN_B[..], Instrument::Guitar.open_strings()),
    };
    let string = string.min(opens.len() - 1);
    let shorter = 2f64.powf((f64::from(midi) - f64::from(opens[string])) / 12.0);
    open_b[string] * shorter * shorter
}

/// Frequency of the first partial of a note.
pub(in crate::demo) fn first_hz(note: &Note) -> f64 {
    midi_to_hz(f64::from(note.midi) + note.cents / 100.0)
}

/// Bass body, pickup and loudspeaker: the fundamental of the low strings is weaker than its partials.
fn bass_colour(hz: f64) -> f64 {
    let ratio = (hz / 52.0).powi(2);
    let low_cut = ratio / (1.0 + ratio);
    let bump =
        |centre: f64, width: f64, db: f64| 10f64.powf(db / 20.0 * (-((hz / centre).log2() / width).powi(2)).exp());
    let high_cut = 1.0 / (1.0 + (hz / 1100.0).powi(2));
    low_cut * high_cut * bump(105.0, 0.3, 3.0) * bump(210.0, 0.35, 2.0) * bump(650.0, 0.5, 4.0) * bump(330.0, 0.3, -2.0)
}

/// A plucked note of the bass.
pub(in crate::demo) fn bass(note: &Note, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let first = first_hz(note);
    let b = inharmonicity(Instrument::Bass, note.string, note.midi);
    let open = midi_to_hz(f64::from(Instrument::Bass.open_strings()[note.string.min(3)]));
    let pluck = (0.13 + 0.012 * rng.human()) * (first / open).min(1.8);
    let bright = 500.0 + 1500.0 * note.velocity;
    let count = ((4500.0 / first) as usize).clamp(6, 48);
    let mut partials = Vec::with_capacity(2 * count);
    for n in 1..=count {
        let hz = stiff_partial_hz(first, b, n);
        let order = n as f64;
        let shape = (PI * order * pluck).sin().abs().max(0.05) / order;
        let touch = 1.0 / (1.0 + (hz / bright).powi(2)).sqrt();
        let amplitude = shape * touch * bass_colour(hz) * 10f64.powf(1.2 * rng.human() / 20.0);
        let decay_s = 0.75 * (60.0 / first).powf(0.35) / (1.0 + 0.28 * (order - 1.0));
        let rise_s = (0.005 / (1.0 + 0.25 * (order - 1.0))).max(0.0012);
        let phase = PI * f64::from(u8::from(rng.chance(0.5)));
        partials.push(Partial { hz, amplitude: 0.75 * amplitude, decay_s, rise_s, phase });
        if n <= 14 {
            partials.push(Partial { hz, amplitude: 0.25 * amplitude, decay_s: 2.6 * decay_s, rise_s, phase });
        }
    }
    let mut out = vec![0f32; frames(rate_hz, note.length_s, BASS_RELEASE_S)];
    let glide = Glide { share: 0.0035 * note.velocity, fall_s: 0.045 };
    add(&mut out, rate_hz, &partials, glide);
    let force = 0.9 * note.velocity;
    thump(&mut out, rate_hz, rng, &[(120.0, 0.9, 0.022, 0.16), (420.0, 1.0, 0.012, 0.05), (1700.0, 0.8, 0.005, 0.03)]);
    let_go(&mut out, rate_hz, note.length_s, BASS_RELEASE_S);
    scale(&mut out, force);
    out
}

/// Archtop pickup, body and small loudspeaker.
fn guitar_colour(hz: f64) -> f64 {
    let ratio = (hz / 115.0).powi(2);
    let low_cut = ratio / (1.0 + ratio);
    let high_cut = 1.0 / (1.0 + (hz / 3000.0).powi(2));
    let bump =
        |centre: f64, width: f64, db: f64| 10f64.powf(db / 20.0 * (-((hz / centre).log2() / width).powi(2)).exp());
    low_cut * high_cut * bump(240.0, 0.35, 2.5) * bump(1900.0, 0.6, 5.0) * bump(700.0, 0.4, -2.0)
}

/// A note of the guitar, plucked with a pick.
pub(in crate::demo) fn guitar(note: &Note, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let first = first_hz(note);
    let b = inharmonicity(Instrument::Guitar, note.string, note.midi);
    let open = midi_to_hz(f64::from(Instrument::Guitar.open_strings()[note.string.min(5)]));
    let stopped = (first / open).min(2.2);
    let pluck = (0.17 + 0.012 * rng.human()) * stopped;
    let pickup = 0.25 * stopped;
    let bright = 1200.0 + 3500.0 * note.velocity;
    let count = ((9000.0 / first) as usize).clamp(5, 44);
    let mut partials = Vec::with_capacity(2 * count);
    for n in 1..=count {
        let hz = stiff_partial_hz(first, b, n);
        let order = n as f64;
        let string = (PI * order * pluck).sin().abs().max(0.06) * (0.35 + 0.65 * (PI * order * pickup).sin().abs());
        let touch = 1.0 / (1.0 + (hz / bright).powi(2)).sqrt();
        let amplitude = string / order.powf(0.85) * touch * guitar_colour(hz) * 10f64.powf(1.0 * rng.human() / 20.0);
        let decay_s = 0.55 * (200.0 / first).powf(0.25) / (1.0 + 0.22 * (order - 1.0));
        let phase = PI * f64::from(u8::from(rng.chance(0.5)));
        let rise_s = 0.0008;
        partials.push(Partial { hz, amplitude: 0.7 * amplitude, decay_s, rise_s, phase });
        if n <= 14 {
            partials.push(Partial { hz, amplitude: 0.3 * amplitude, decay_s: 2.4 * decay_s, rise_s, phase });
        }
    }
    let mut out = vec![0f32; frames(rate_hz, note.length_s, GUITAR_RELEASE_S)];
    add(&mut out, rate_hz, &partials, Glide { share: 0.002 * note.velocity, fall_s: 0.03 });
    thump(
        &mut out,
        rate_hz,
        rng,
        &[(190.0, 0.8, 0.015, 0.05), (2600.0, 0.7, 0.004, 0.07), (5200.0, 0.8, 0.0025, 0.04)],
    );
    let_go(&mut out, rate_hz, note.length_s, GUITAR_RELEASE_S);
    scale(&mut out, note.velocity);
    out
}

/// Bursts of band-passed noise: (centre Hz, Q, decay s, level).
pub(in crate::demo) fn thump(out: &mut [f32], rate_hz: f64, rng: &mut Rng, bursts: &[(f64, f64, f64, f64)]) {
    for (hz, q, decay_s, level) in bursts {
        let mut band = Biquad::band_pass(*hz, *q, rate_hz);
        let fall = (-1.0 / (decay_s * rate_hz)).exp();
        let rise = (-1.0 / (0.0012 * rate_hz)).exp();
        let (mut gain, mut start) = (*level, 1.0);
        let length = ((8.0 * decay_s * rate_hz) as usize).min(out.len());
        for x in &mut out[..length] {
            *x += band.step(f64::from(rng.white()) * gain * (1.0 - start)) as f32;
            gain *= fall;
            start *= rise;
        }
    }
}

fn scale(out: &mut [f32], gain: f64) {
    for x in out {
        *x *= gain as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::hz_ratio_to_cents;

    /// Frequency of the strongest line near `near_hz` (within 25 cents) by golden search on the Hann-windowed transform.
    fn line_hz(x: &[f32], rate_hz: f64, near_hz: f64) -> f64 {
        let windowed: Vec<f64> = (0..x.len())
            .map(|k| f64::from(x[k]) * (0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / x.len() as f64).cos()))
            .collect();
        let power = |hz: f64| {
            let (turn_im, turn_re) = (std::f64::consts::TAU * hz / rate_hz).sin_cos();
            let (mut im, mut re) = (0.0, 1.0);
            let (mut sum_re, mut sum_im) = (0.0, 0.0);
            for v in &windowed {
                sum_re += v * re;
                sum_im += v * im;
                (re, im) = (re * turn_re - im * turn_im, re * turn_im + im * turn_re);
            }
            sum_re * sum_re + sum_im * sum_im
        };
        let (mut low, mut high) = (near_hz * 2f64.powf(-25.0 / 1200.0), near_hz * 2f64.powf(25.0 / 1200.0));
        for _ in 0..18 {
            let (a, b) = (low + 0.382 * (high - low), low + 0.618 * (high - low));
            if power(a) > power(b) {
                high = b;
            } else {
                low = a;
            }
        }
        0.5 * (low + high)
    }

    fn note(midi: u8, string: usize, cents: f64) -> Note {
        Note { at_s: 0.0, length_s: 1.6, midi, velocity: 0.65, string, cents, gain: 1.0 }
    }

    /// f_n = n f0 sqrt(1 + B n^2) (published formula of the stiff string), measured on the finished note.
    #[test]
    fn partials_of_bass_and_guitar_follow_the_stiff_string_within_half_a_cent() {
        let fs = 44_100.0;
        for (instrument, midi, string) in
            [(Instrument::Bass, 28, 0), (Instrument::Bass, 45, 3), (Instrument::Guitar, 52, 2)]
        {
            let note = note(midi, string, 0.0);
            let mut rng = Rng::keyed(1, &[u64::from(midi)]);
            let x =
                if instrument == Instrument::Bass { bass(&note, fs, &mut rng) } else { guitar(&note, fs, &mut rng) };
            let settled = &x[(0.35 * fs) as usize..(1.35 * fs) as usize];
            let b = inharmonicity(instrument, string, midi);
            let f0 = midi_to_hz(f64::from(midi)) / (1.0 + b).sqrt();
            for n in 1..=6 {
                let want = f64::from(n) * f0 * (1.0 + b * f64::from(n * n)).sqrt();
                let cents = hz_ratio_to_cents(line_hz(settled, fs, want), want);
                assert!(cents.abs() < 0.5, "{instrument:?} {midi} partial {n}: {cents}");
            }
        }
    }

    #[test]
    fn a_detuned_note_sounds_at_its_cents_within_a_tenth() {
        let fs = 44_100.0;
        for cents in [-37.0, -14.0, 0.0, 5.5, 21.0] {
            let x = bass(&note(40, 2, cents), fs, &mut Rng::keyed(2, &[]));
            let settled = &x[(0.35 * fs) as usize..(1.35 * fs) as usize];
            let plain = midi_to_hz(40.0);
            let got = hz_ratio_to_cents(line_hz(settled, fs, plain * 2f64.powf(cents / 1200.0)), plain);
            assert!((got - cents).abs() < 0.1, "{got} for {cents}");
        }
    }

    /// B grows as 1 / length^2: four times at the twelfth fret (textbook of the stiff string).
    #[test]
    fn stopping_a_string_at_half_its_length_makes_it_four_times_as_inharmonic() {
        let ratio = inharmonicity(Instrument::Bass, 0, 40) / inharmonicity(Instrument::Bass, 0, 28);
        assert!((ratio - 4.0).abs() < 1e-12);
    }
}
