//! The tape as the tuning measures keep it: a few dozen spectral peaks a frame, three bytes each.
//!
//! Conventions: frame `i` is centred at `i * HOP_S`; peaks by rising frequency. Frequencies are stored on a logarithmic
//! scale in steps of 0.11 cents, amplitudes in half decibels; a frame costs 2 bytes and 3 a peak, at most 2.6 kB a second.

use std::sync::{Arc, LazyLock};

use crate::dsp::peaks::{Peak, PeakParams};
use crate::dsp::shelf::{Piece, Shelf, Shelved};
use crate::units::hz_to_midi;

/// Rate of the decimated mono mix, Hz.
pub const LOW_RATE_HZ: f64 = 6000.0;
/// Distance between frames: 40 ms.
pub const HOP: usize = 240;
/// Distance between frames in seconds.
pub const HOP_S: f64 = HOP as f64 / LOW_RATE_HZ;
/// Frames of 256 ms: two notes of a fast walking bass stay apart, and a fundamental of 41 Hz has ten periods.
pub const PEAKS: PeakParams =
    PeakParams { rate_hz: LOW_RATE_HZ, length: 1536, hop: HOP, range_hz: (27.0, 1700.0), most: 32, above: (1500.0, 2) };
/// Most peaks of a frame.
const MOST: usize = PEAKS.most + PEAKS.above.1;

const LOWEST_HZ: f64 = 26.8;
/// Octaves from [`LOWEST_HZ`] to the top of the scale.
const OCTAVES: f64 = 6.0;
const STEPS: f64 = 65_535.0;
/// Amplitude of code 0 in dB; a step is half a dB.
const FLOOR_DB: f64 = -120.0;

/// Frames of a chunk: 10 s.
const CHUNK_FRAMES: usize = 256;

/// Peaks of the whole tape, in chunks: growing never copies the tape or holds room that nothing fills, and full chunks can
/// be put on a shelf.
#[derive(Clone, Debug, Default)]
pub struct PeakStore {
    full: Shelved<Chunk>,
    last: Chunk,
}

#[derive(Clone, Debug, Default)]
struct Chunk {
    /// Index into `places` and `levels` of the end of each frame's peaks.
    ends: Vec<u16>,
    places: Vec<u16>,
    levels: Vec<u8>,
}

impl Piece for Chunk {
    fn to_bytes(&self) -> Vec<u8> {
        // The last end says how many peaks follow.
        let words = self.ends.iter().chain(&self.places).flat_map(|w| w.to_le_bytes());
        words.chain(self.levels.iter().copied()).collect()
    }

    fn from_bytes(bytes: &[u8]) -> Self {
        let word = |pair: &[u8; 2]| u16::from_le_bytes(*pair);
        let (ends, rest) = bytes.split_at(bytes.len().min(2 * CHUNK_FRAMES));
        let ends: Vec<u16> = ends.as_chunks::<2>().0.iter().map(word).collect();
        let peaks = usize::from(ends.last().copied().unwrap_or(0)).min(rest.len() / 3);
        let (places, levels) = rest.split_at(2 * peaks);
        Self { ends, places: places.as_chunks::<2>().0.iter().map(word).collect(), levels: levels.to_vec() }
    }
}

/// What every place and every level stands for: the frames of a take are read again and again.
struct Unpacked {
    hz: Vec<f32>,
    amplitude: Vec<f32>,
    lowest_midi: f64,
}

static UNPACKED: LazyLock<Unpacked> = LazyLock::new(|| Unpacked {
    hz: (0..=u16::MAX).map(|place| (LOWEST_HZ * 2f64.powf(f64::from(place) / STEPS * OCTAVES)) as f32).collect(),
    amplitude: (0..=u8::MAX).map(|level| 10f64.powf((f64::from(level) / 2.0 + FLOOR_DB) / 20.0) as f32).collect(),
    lowest_midi: hz_to_midi(LOWEST_HZ),
});

/// A peak as it is stored: its pitch needs no logarithm.
#[derive(Clone, Copy, Debug)]
pub struct StoredPeak {
    place: u16,
    level: u8,
}

/// Places of the scale on which pitches are stored.
pub const PLACES: usize = 1 << 16;

impl StoredPeak {
    /// Place on the scale, below [`PLACES`].
    pub fn place(self) -> usize {
        usize::from(self.place)
    }

    /// Fractional MIDI number.
    pub fn midi(self) -> f64 {
        midi_of_place(self.place())
    }

    /// Amplitude of the tone, full scale = 1.0.
    pub fn amplitude(self) -> f64 {
        f64::from(UNPACKED.amplitude[usize::from(self.level)])
    }
}

/// Fractional MIDI number of a place on the scale.
pub fn midi_of_place(place: usize) -> f64 {
    UNPACKED.lowest_midi + place as f64 * (12.0 * OCTAVES / STEPS)
}

/// The place on the scale of a frequency.
pub fn place_of(hz: f64) -> usize {
    ((hz / LOWEST_HZ).log2() / OCTAVES * STEPS).round().clamp(0.0, STEPS) as usize
}

impl PeakStore {
    /// An empty store whose full chunks go to a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { full: Shelved::on(shelf), last: Chunk::default() }
    }

    /// The same store, to be read for a while: what it reads from the shelf goes with it.
    pub fn view(&self) -> Self {
        self.clone()
    }

    /// Appends a frame.
    pub fn push(&mut self, peaks: &[Peak]) {
        if self.last.ends.len() == CHUNK_FRAMES {
            let mut full = std::mem::take(&mut self.last);
            full.places.shrink_to_fit();
            full.levels.shrink_to_fit();
            self.full.push(full);
        }
        self.last.push(peaks);
    }

    /// Frames `first..end` with the amplitude of every peak, at its frequency in Hz and its moment in seconds, times what is `kept` of it; the
    /// frames before are empty.
    pub fn kept(&self, (first, end): (usize, usize), kept: impl Fn(f64, f64) -> f64) -> Self {
        let mut out = Self::default();
        (0..first).for_each(|_| out.push(&[]));
        for index in first..end {
            let at_s = moment_s(index);
            let own = |p: Peak| Peak { amplitude: p.amplitude * kept(f64::from(p.hz), at_s) as f32, ..p };
            out.push(&self.frame(index).map(own).collect::<Vec<_>>());
        }
        out
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.full.len() * CHUNK_FRAMES + self.last.ends.len()
    }

    /// First frame and end of what lies between two moments, as far as the tape goes.
    pub fn span(&self, (from_s, to_s): (f64, f64)) -> (usize, usize) {
        (frame_at(from_s).min(self.frames()), frame_at(to_s).min(self.frames()))
    }

    /// Peaks of frame `index`; none outside the tape.
    pub fn frame(&self, index: usize) -> impl Iterator<Item = Peak> + '_ {
        let unpacked = &*UNPACKED;
        self.stored(index).map(|peak| Peak {
            hz: unpacked.hz[usize::from(peak.place)],
            amplitude: unpacked.amplitude[usize::from(peak.level)],
        })
    }

    /// Peaks of frame `index` as they are stored; none outside the tape.
    pub fn stored(&self, index: usize) -> impl Iterator<Item = StoredPeak> + '_ {
        let chunk = match index / CHUNK_FRAMES {
            at if at == self.full.len() => Some(&self.last),
            at => self.full.get(at),
        };
        let place = chunk.and_then(|c| Some((c, c.range(index % CHUNK_FRAMES)?)));
        let (places, levels) = place.map_or((&[][..], &[][..]), |(c, r)| (&c.places[r.clone()], &c.levels[r]));
        places.iter().zip(levels).map(|(&place, &level)| StoredPeak { place, level })
    }
}

impl Chunk {
    fn push(&mut self, peaks: &[Peak]) {
        for p in peaks.iter().take(MOST) {
            let place = place_of(f64::from(p.hz));
            let level = (20.0 * f64::from(p.amplitude.max(1e-9)).log10() - FLOOR_DB) * 2.0;
            if level >= 0.5 {
                self.places.push(place as u16);
                self.levels.push(level.round().clamp(0.0, 255.0) as u8);
            }
        }
        // At most 256 frames of 34 peaks: far below the range of the index.
        self.ends.push(self.places.len() as u16);
    }

    fn range(&self, frame: usize) -> Option<std::ops::Range<usize>> {
        let from = if frame == 0 { 0 } else { usize::from(*self.ends.get(frame - 1)?) };
        Some(from..usize::from(*self.ends.get(frame)?))
    }
}

/// The centre of frame `index`, seconds.
pub fn moment_s(index: usize) -> f64 {
    index as f64 * HOP_S
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
        for (stored, peak) in store.stored(0).zip(&back) {
            assert!((stored.midi() - hz_to_midi(f64::from(peak.hz))).abs() < 2e-6);
            assert_eq!(stored.amplitude(), f64::from(peak.amplitude));
        }
    }

    #[test]
    fn an_hour_of_full_frames_stays_under_twelve_megabytes_wherever_it_is_kept() {
        let frame = vec![Peak { hz: 100.0, amplitude: 0.1 }; MOST];
        let mut chunk = Chunk::default();
        (0..CHUNK_FRAMES).for_each(|_| chunk.push(&frame));
        let hour = chunk.to_bytes().len() as f64 * 3600.0 / (CHUNK_FRAMES as f64 * HOP_S);
        assert!(hour < 12e6 && chunk.levels.len() == CHUNK_FRAMES * MOST, "{hour}");
    }

    #[test]
    fn what_is_kept_of_a_stretch_stands_where_it_stood_and_nothing_before_it() {
        let mut store = PeakStore::default();
        let frame = |level: f32| [100.0f32, 400.0].map(|hz| Peak { hz, amplitude: level });
        (0..6).for_each(|i| store.push(&frame(0.1 * f32::from(i as u8 + 1))));
        let half_below_200 = |hz: f64, at_s: f64| if hz < 200.0 && at_s > 2.5 * HOP_S { 0.5 } else { 1.0 };
        let kept = store.kept((2, 5), half_below_200);
        assert_eq!((kept.frames(), kept.frame(1).count(), kept.frame(5).count()), (5, 0, 0));
        let ratio = |index: usize| -> Vec<f32> {
            kept.frame(index)
                .zip(store.frame(index))
                .map(|(k, s)| (k.amplitude / s.amplitude * 10.0).round() / 10.0)
                .collect()
        };
        assert_eq!((ratio(2), ratio(3), ratio(4)), (vec![1.0, 1.0], vec![0.5, 1.0], vec![0.5, 1.0]));
    }

    #[test]
    fn a_chunk_comes_back_from_its_bytes() {
        let mut store = PeakStore::default();
        let frame = |i: usize| vec![Peak { hz: 30.0 + i as f32, amplitude: 0.1 }; i % 5];
        (0..CHUNK_FRAMES + 7).for_each(|i| store.push(&frame(i)));
        let back = Chunk::from_bytes(&store.full.get(0).unwrap().to_bytes());
        let copy = PeakStore { full: Shelved::default(), last: back };
        assert!((0..CHUNK_FRAMES).all(|i| copy.frame(i).eq(store.frame(i)) && copy.frame(i).count() == i % 5));
        assert_eq!((store.frames(), store.frame(CHUNK_FRAMES + 6).count()), (CHUNK_FRAMES + 7, 2));
        assert_eq!(Chunk::from_bytes(&[0; 700]).range(255), Some(0..0));
        assert!(Chunk::from_bytes(&[]).ends.is_empty());
    }
}
