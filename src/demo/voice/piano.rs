//! A piano: stretched tuning, stiff strings in twos and threes that beat, hammer noise.
//!
//! Method: inharmonicity rises from about 1.6e-4 in the bass to 1e-2 at the top (published ranges: bass 1e-4 to 4e-4, middle
//! 2e-4 to 6e-4, top 1e-2); the stretch follows from it, octave by octave, so that the second partial of the lower note meets
//! the first of the upper one (2:1 octaves). Levels: hammer at one eighth of the string, felt that darkens soft strokes.

use std::f64::consts::PI;

use super::super::rng::Rng;
use super::super::score::Note;
use super::partials::{Glide, Partial, add, frames, let_go, stiff_partial_hz};
use super::strings::{first_hz, thump};

const RELEASE_S: f64 = 0.06;

/// Inharmonicity of a key.
pub(in crate::demo) fn inharmonicity(midi: u8) -> f64 {
    let m = f64::from(midi);
    (-9.6 + 0.052 * (m - 33.0)).exp().max(1.2e-4) + (-22.0 + 0.16 * m).exp()
}

/// Offset of a key from equal temperament, cents; 0 at A4.
///
/// In a 2:1 octave the upper key is sharp of a plain octave by what the second partial of the lower key is sharp of twice
/// its first: 600 log2((1 + 4B) / (1 + B)). Summed in twelfths of an octave from A4 outwards.
pub(in crate::demo) fn stretch_cents(midi: u8) -> f64 {
    let octave = |m: u8| {
        let b = inharmonicity(m);
        600.0 * ((1.0 + 4.0 * b) / (1.0 + b)).log2()
    };
    let a4 = 69u8;
    if midi >= a4 {
        (a4..midi).map(|m| octave(m.saturating_sub(6)) / 12.0).sum()
    } else {
        -(midi..a4).map(|m| octave(m.saturating_sub(6)) / 12.0).sum::<f64>()
    }
}

/// A struck note.
pub(in crate::demo) fn piano(note: &Note, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let first = first_hz(note);
    let b = inharmonicity(note.midi);
    let strings: &[f64] = match note.midi {
        0..34 => &[0.0],
        34..46 => &[-0.25, 0.25],
        _ => &[-0.35, 0.05, 0.3],
    };
    // Unisons differ from key to key but not from stroke to stroke.
    let mut key_rng = Rng::keyed(0x7069_616e, &[u64::from(note.midi)]);
    let spread = 0.6 + 0.8 * key_rng.unit();
    let bright = 500.0 + 2400.0 * note.velocity;
    let count = ((7500.0 / first) as usize).clamp(4, 36);
    let mut partials = Vec::with_capacity(strings.len() * count);
    for n in 1..=count {
        let order = n as f64;
        let level = (PI * order / 8.3).sin().abs().max(0.04) / order.powf(0.35);
        let hz = stiff_partial_hz(first, b, n);
        let felt = (-hz / (1.6 * bright)).exp();
        let board = (hz / 110.0).powi(2) / (1.0 + (hz / 110.0).powi(2));
        let wood = 10f64.powf(1.5 * key_rng.human() / 20.0);
        let amplitude = level * felt * board * wood;
        let decay_s = 1.5 * (261.6 / first).powf(0.7) / (1.0 + 0.18 * (order - 1.0));
        for (k, cents) in strings.iter().enumerate() {
            let detuned = hz * 2f64.powf(cents * spread / 1200.0);
            // The first string carries most of the aftersound.
            let decay_s = decay_s * [1.0, 0.8, 2.4][k % 3];
            let share = [1.0, 1.0, 0.45][k % 3] / strings.len() as f64;
            partials.push(Partial {
                hz: detuned,
                amplitude: amplitude * share,
                decay_s,
                rise_s: 0.0012,
                phase: 0.3 * order,
            });
        }
    }
    let mut out = vec![0f32; frames(rate_hz, note.length_s, RELEASE_S)];
    add(&mut out, rate_hz, &partials, Glide::NONE);
    thump(&mut out, rate_hz, rng, &[(160.0, 0.7, 0.018, 0.09), (900.0, 0.6, 0.007, 0.06), (2800.0, 0.8, 0.003, 0.03)]);
    let_go(&mut out, rate_hz, note.length_s, RELEASE_S);
    for x in &mut out {
        *x *= note.velocity as f32;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretch_is_zero_at_a4_and_grows_outwards() {
        assert_eq!(stretch_cents(69), 0.0);
        assert!(stretch_cents(93) > 2.0 && stretch_cents(93) < 15.0, "{}", stretch_cents(93));
        assert!(stretch_cents(45) < -0.5 && stretch_cents(45) > -6.0, "{}", stretch_cents(45));
        assert!((33..100).all(|m| stretch_cents(m + 1) > stretch_cents(m)));
    }

    /// Ranges by key as printed in the literature: bass 1e-4..4e-4, middle 2e-4..6e-4, top to 1e-2 (from memory).
    #[test]
    fn inharmonicity_lies_in_the_published_ranges() {
        for (midi, low, high) in [(36, 1e-4, 4e-4), (60, 2e-4, 6e-4), (100, 2e-3, 1e-2)] {
            let b = inharmonicity(midi);
            assert!((low..high).contains(&b), "{midi}: {b}");
        }
    }
}
