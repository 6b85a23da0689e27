//! The room between player and recorder, as impulse responses.
//!
//! Conventions: the way of the direct sound is taken off, so that a note's time is its time at the microphones; gains are
//! relative to a source 3 m away. Method: mirror sources of the first and second order of a shoebox, then a tail of noise that
//! falls exponentially, faster in the treble, its own in each channel. The ratio of direct to reverberant power follows the
//! textbook formula Q A / (16 pi r^2), A = 0.161 V / T (Sabine).

use std::f64::consts::PI;

use super::eq::Biquad;
use super::rng::Rng;
use super::scenario::Room;

const SPEED_OF_SOUND_M_S: f64 = 343.0;
const REFERENCE_M: f64 = 3.0;
/// Sources radiate more to the front than to the back.
const SOURCE_DIRECTIVITY: f64 = 2.5;
/// A heart-shaped microphone hears a third of the diffuse field.
const CARDIOID_DIFFUSE: f64 = 1.0 / 3.0;
/// Share of the amplitude that a wall returns.
const WALL: f64 = 0.72;
/// Each microphone of the pair looks this far off the middle.
const PAIR_ANGLE_RAD: f64 = 55.0 * PI / 180.0;
const TAIL_START_S: f64 = 0.012;
const MIRRORS: i32 = 2;

/// One impulse response a channel.
pub(super) fn impulse_responses(room: &Room, from_m: [f64; 3], rate_hz: f64, rng: &mut Rng) -> Vec<Vec<f32>> {
    let sides: &[f64] = if room.stereo { &[1.0, -1.0] } else { &[0.0] };
    sides.iter().map(|side| response(room, from_m, *side, rate_hz, rng)).collect()
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt().max(0.5)
}

/// Sensitivity of the microphone towards a point; `side` 0 = round.
fn pickup(room: &Room, from_m: [f64; 3], side: f64) -> f64 {
    if side == 0.0 {
        return 1.0;
    }
    let across = from_m[1] - room.microphone_m[1];
    let along = from_m[0] - room.microphone_m[0];
    0.5 + 0.5 * (across.atan2(along) - side * PAIR_ANGLE_RAD).cos()
}

fn response(room: &Room, from_m: [f64; 3], side: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let frames = (0.85 * room.rt60_s * rate_hz) as usize + 64;
    let direct_m = distance(from_m, room.microphone_m);
    let mut early = vec![0f32; frames];
    reflections(&mut early, room, from_m, direct_m, side, rate_hz);
    // Walls take more of the treble.
    Biquad::low_pass(5500.0, 0.6, rate_hz).run(&mut early);
    let mut tail = tail(room, frames, rate_hz, rng);
    let volume: f64 = room.size_m.iter().product();
    let absorption = 0.161 * volume / room.rt60_s;
    let diffuse = if side == 0.0 { 1.0 } else { CARDIOID_DIFFUSE };
    let direct = REFERENCE_M / direct_m;
    let reverberant = diffuse * direct.powi(2) * 16.0 * PI * direct_m.powi(2) / (SOURCE_DIRECTIVITY * absorption);
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
    let left = (reverberant - power(&early)).max(0.15 * reverberant);
    let scale = (left / power(&tail).max(1e-20)).sqrt() as f32;
    for (t, e) in tail.iter_mut().zip(&early) {
        *t = *t * scale + e;
    }
    tail[0] += (direct * pickup(room, from_m, side)) as f32;
    tail
}

fn reflections(out: &mut [f32], room: &Room, from_m: [f64; 3], direct_m: f64, side: f64, rate_hz: f64) {
    let mirrored = |axis: usize, order: i32| {
        let length = room.size_m[axis];
        let inside = if order % 2 == 0 { from_m[axis] } else { length - from_m[axis] };
        f64::from(order) * length + inside
    };
    for i in -MIRRORS..=MIRRORS {
        for j in -MIRRORS..=MIRRORS {
            for k in -MIRRORS..=MIRRORS {
                let order = i.abs() + j.abs() + k.abs();
                if order == 0 || order > MIRRORS {
                    continue;
                }
                let at_m = [mirrored(0, i), mirrored(1, j), mirrored(2, k)];
                let way_m = distance(at_m, room.microphone_m);
                let frame = ((way_m - direct_m).max(0.0) / SPEED_OF_SOUND_M_S * rate_hz).round() as usize;
                let gain = REFERENCE_M / way_m * WALL.powi(order) * pickup(room, at_m, side);
                if let Some(slot) = out.get_mut(frame) {
                    *slot += gain as f32;
                }
            }
        }
    }
}

/// Noise in three bands, each with its own reverberation time.
fn tail(room: &Room, frames: usize, rate_hz: f64, rng: &mut Rng) -> Vec<f32> {
    let mut low = Biquad::low_pass(350.0, 0.7, rate_hz);
    let (mut mid_low, mut mid_high) = (Biquad::high_pass(350.0, 0.7, rate_hz), Biquad::low_pass(2800.0, 0.7, rate_hz));
    let (mut high_low, mut high_high) =
        (Biquad::high_pass(2800.0, 0.7, rate_hz), Biquad::low_pass(7500.0, 0.6, rate_hz));
    let fall = |share: f64, t: f64| 10f64.powf(-3.0 * t / (share * room.rt60_s));
    let fade = (frames / 8).max(1);
    (0..frames)
        .map(|k| {
            let t = k as f64 / rate_hz;
            let x = f64::from(rng.white());
            let bands = low.step(x) * fall(1.15, t)
                + mid_high.step(mid_low.step(x)) * fall(1.0, t)
                + 0.7 * high_high.step(high_low.step(x)) * fall(0.65, t);
            let rise = ((t - TAIL_START_S) / 0.02).clamp(0.0, 1.0);
            let end = ((frames - k) as f64 / fade as f64).min(1.0);
            (bands * rise * end) as f32
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Schroeder's backward integration (1965): -5..-25 dB of the decay, twice, is the reverberation time within 15 %.
    #[test]
    fn the_tail_falls_with_the_reverberation_time_of_the_room() {
        let room = Room { rt60_s: 0.8, stereo: false, ..Room::default() };
        let fs = 44_100.0;
        let ir = &impulse_responses(&room, [8.0, 6.0, 1.0], fs, &mut Rng::keyed(5, &[]))[0];
        let mut sum = 0.0;
        let mut decay: Vec<f64> = ir
            .iter()
            .rev()
            .map(|v| {
                sum += f64::from(*v).powi(2);
                sum
            })
            .collect();
        decay.reverse();
        let time_at = |db: f64| decay.iter().position(|e| 10.0 * (e / decay[0]).log10() < db).unwrap() as f64 / fs;
        let rt60 = 3.0 * (time_at(-25.0) - time_at(-5.0));
        assert!((rt60 / 0.8 - 1.0).abs() < 0.15, "{rt60}");
    }

    #[test]
    fn the_tails_of_the_two_channels_are_not_alike() {
        let ir = impulse_responses(&Room::default(), [8.0, 4.0, 1.0], 44_100.0, &mut Rng::keyed(5, &[]));
        let (a, b) = (&ir[0][4000..], &ir[1][4000..]);
        let dot = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(p, q)| f64::from(p * q)).sum::<f64>();
        assert!((dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()).abs() < 0.1);
    }

    #[test]
    fn a_player_on_the_left_is_louder_in_the_left_channel() {
        let room = Room::default();
        let ir = impulse_responses(&room, [5.0, 8.0, 1.0], 44_100.0, &mut Rng::keyed(5, &[]));
        assert!(ir[0][0] > 1.3 * ir[1][0], "{} {}", ir[0][0], ir[1][0]);
    }
}
