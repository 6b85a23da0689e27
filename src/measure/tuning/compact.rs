//! The tape as the tuning measures keep it: a few dozen spectral peaks a frame, three bytes each.
//!
//! Conventions: frame `i` is centred at `i * HOP_S`; peaks by rising frequency. Frequencies are stored on a logarithmic
//! scale in steps of 0.11 cents, amplitudes in half decibels; a frame costs 2 bytes and 3 a peak, at most 2.5 kB a second.

use std::sync::LazyLock;

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

/// Frames of a chunk: 10 s.
const CHUNK_FRAMES: usize = 256;

/// Peaks of the whole tape, in chunks: growing never copies the tape or holds room that nothing fills.
#[derive(Clone, Debug, Default)]
pub struct PeakStore {
    chunks: Vec<Chunk>,
}

#[derive(Clone, Debug, Default)]
struct Chunk {
    /// Index into `places` and `levels` of the end of each frame's peaks.
    ends: Vec<u16>,
    places: Vec<u16>,
    levels: Vec<u8>,
}

/// What every place and every level stands for: the frames of a take are read again and again.
struct Unpacked {
    hz: Vec<f32>,
    amplitude: Vec<f32>,
}

static UNPACKED: LazyLock<Unpacked> = LazyLock::new(|| Unpacked {
    hz: (0..=u16::MAX).map(|place| (LOWEST_HZ * 2f64.powf(f64::from(place) / STEPS * OCTAVES)) as f32).collect(),
    amplitude: (0..=u8::MAX).map(|level| 10f64.powf((f64::from(level) / 2.0 + FLOOR_DB) / 20.0) as f32).collect(),
});

impl PeakStore {
    /// Appends a frame.
    pub fn push(&mut self, peaks: &[Peak]) {
        if self.chunks.last().is_none_or(|c| c.ends.len() == CHUNK_FRAMES) {
            if let Some(full) = self.chunks.last_mut() {
                full.places.shrink_to_fit();
                full.levels.shrink_to_fit();
            }
            self.chunks.push(Chunk { ends: Vec::with_capacity(CHUNK_FRAMES), ..Chunk::default() });
        }
        if let Some(chunk) = self.chunks.last_mut() {
            chunk.push(peaks);
        }
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.chunks.len().saturating_sub(1) * CHUNK_FRAMES + self.chunks.last().map_or(0, |c| c.ends.len())
    }

    /// Memory in bytes.
    #[cfg(test)]
    fn bytes(&self) -> usize {
        self.chunks.iter().map(|c| 2 * c.ends.capacity() + 2 * c.places.capacity() + c.levels.capacity()).sum()
    }

    /// Peaks of frame `index`; none outside the tape.
    pub fn frame(&self, index: usize) -> impl Iterator<Item = Peak> + '_ {
        let place = self.chunks.get(index / CHUNK_FRAMES).and_then(|c| Some((c, c.range(index % CHUNK_FRAMES)?)));
        let (places, levels) = place.map_or((&[][..], &[][..]), |(c, r)| (&c.places[r.clone()], &c.levels[r]));
        let unpacked = &*UNPACKED;
        places.iter().zip(levels).map(|(&place, &level)| Peak {
            hz: unpacked.hz[usize::from(place)],
            amplitude: unpacked.amplitude[usize::from(level)],
        })
    }
}

impl Chunk {
    fn push(&mut self, peaks: &[Peak]) {
        for p in peaks.iter().take(PEAKS.most) {
            let place = (f64::from(p.hz) / LOWEST_HZ).log2() / OCTAVES * STEPS;
            let level = (20.0 * f64::from(p.amplitude.max(1e-9)).log10() - FLOOR_DB) * 2.0;
            if level >= 0.5 {
                self.places.push(place.round().clamp(0.0, STEPS) as u16);
                self.levels.push(level.round().clamp(0.0, 255.0) as u8);
            }
        }
        // At most 256 frames of 32 peaks: far below the range of the index.
        self.ends.push(self.places.len() as u16);
    }

    fn range(&self, frame: usize) -> Option<std::ops::Range<usize>> {
        let from = if frame == 0 { 0 } else { usize::from(*self.ends.get(frame - 1)?) };
        Some(from..usize::from(*self.ends.get(frame)?))
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
        (0..CHUNK_FRAMES + 1).for_each(|_| store.push(&frame)); // the last chunk has just begun
        let hour = store.chunks[0].places.len() as f64 * 3.0 * 3600.0 / (CHUNK_FRAMES as f64 * HOP_S);
        assert!(hour < 12e6 && store.bytes() < 40_000, "{hour} {}", store.bytes());
    }
}
