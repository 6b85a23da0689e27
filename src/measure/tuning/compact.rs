//! The tape as the tuning measures keep it: a few dozen spectral peaks a frame, three bytes each.
//!
//! Conventions: frame `i` is centred at `i * HOP_S`; peaks by rising frequency. Frequencies are stored on a logarithmic
//! scale in steps of 0.11 cents, amplitudes in half decibels; a frame costs 2 bytes and 3 a peak, at most 2.5 kB a second.

use crate::dsp::peaks::{Peak, PeakParams};

/// Rate of the decimated mono mix, Hz.
pub const LOW_RATE_HZ: f64 = 6000.0;
/// Distance between frames: 40 ms.
pub const HOP: usize = 240;
/// Distance between frames in seconds.
pub const HOP_S: f64 = HOP as f64 / LOW_RATE_HZ;
/// Frames of 256 ms: two notes of a fast walking bass stay apart, and a fundamental of 41 Hz has ten periods.
pub const PEAKS: PeakParams =
    PeakParams { rate_hz: LOW_RATE_HZ, length: 1536, hop: HOP, range_hz: (27.0, 1500.0), most: 32 };

const LOWEST_HZ: f64 = 24.0;
/// Octaves from [`LOWEST_HZ`] to the top of the scale.
const OCTAVES: f64 = 6.0;
const STEPS: f64 = 65_535.0;
/// Amplitude of code 0 in dB; a step is half a dB.
const FLOOR_DB: f64 = -120.0;

/// Peaks of the whole tape.
#[derive(Clone, Debug, Default)]
pub struct PeakStore {
    /// Index into `places` and `levels` of each frame's first peak.
    starts: Vec<u32>,
    places: Vec<u16>,
    levels: Vec<u8>,
}

impl PeakStore {
    /// Appends a frame.
    pub fn push(&mut self, peaks: &[Peak]) {
        self.starts.push(self.places.len() as u32);
        for p in peaks {
            let place = (f64::from(p.hz) / LOWEST_HZ).log2() / OCTAVES * STEPS;
            let level = (20.0 * f64::from(p.amplitude.max(1e-9)).log10() - FLOOR_DB) * 2.0;
            if level >= 0.5 {
                self.places.push(place.round().clamp(0.0, STEPS) as u16);
                self.levels.push(level.round().clamp(0.0, 255.0) as u8);
            }
        }
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.starts.len()
    }

    /// Memory in bytes.
    #[cfg(test)]
    fn bytes(&self) -> usize {
        self.starts.len() * 4 + self.places.len() * 3
    }

    /// Peaks of frame `index`; none outside the tape.
    pub fn frame(&self, index: usize) -> impl Iterator<Item = Peak> + '_ {
        let from = self.starts.get(index).map_or(self.places.len(), |s| *s as usize);
        let to = self.starts.get(index + 1).map_or(self.places.len(), |s| *s as usize);
        self.places[from..to].iter().zip(&self.levels[from..to]).map(|(&place, &level)| Peak {
            hz: (LOWEST_HZ * 2f64.powf(f64::from(place) / STEPS * OCTAVES)) as f32,
            amplitude: 10f64.powf((f64::from(level) / 2.0 + FLOOR_DB) / 20.0) as f32,
        })
    }
}

/// The first frame whose centre is not before `time_s`.
pub fn frame_at(time_s: f64) -> usize {
    (time_s.max(0.0) / HOP_S).ceil() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_stored_comes_back_within_a_tenth_of_a_cent_and_half_a_decibel() {
        let peaks: Vec<Peak> =
            (0..30).map(|i| Peak { hz: 27.5 * 1.14f32.powi(i), amplitude: 0.9 * 0.7f32.powi(i) }).collect();
        let mut store = PeakStore::default();
        store.push(&peaks);
        store.push(&[]);
        let back: Vec<Peak> = store.frame(0).collect();
        assert_eq!(back.len(), peaks.len());
        for (a, b) in peaks.iter().zip(&back) {
            assert!((1200.0 * (b.hz / a.hz).log2()).abs() < 0.1);
            assert!((20.0 * (b.amplitude / a.amplitude).log10()).abs() < 0.26);
        }
        assert_eq!(store.frame(1).count(), 0);
        assert_eq!(store.frame(99).count(), 0);
    }

    #[test]
    fn an_hour_of_full_frames_stays_under_twelve_megabytes() {
        let frame = vec![Peak { hz: 100.0, amplitude: 0.1 }; PEAKS.most];
        let mut store = PeakStore::default();
        (0..250).for_each(|_| store.push(&frame)); // ten seconds
        assert!(store.bytes() * 360 < 12_000_000, "{}", store.bytes() * 360);
    }
}
