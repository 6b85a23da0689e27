//! Partials followed through time: the raw material for guitar, piano and horns.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz; frames as in [`super::compact`]; levels fall with a negative sign.

use crate::units::hz_to_midi;

use super::compact::{HOP_S, PeakStore};

/// One partial from its onset to its end.
#[derive(Clone, Copy, Debug)]
pub struct Track {
    /// First frame, tape count.
    pub first: usize,
    /// Number of frames from the first to the last.
    pub frames: usize,
    /// Mean pitch of the loud frames, weighted by power.
    pub cents: f64,
    /// Standard deviation of the pitch over the loud frames, weighted by power.
    pub wander_cents: f64,
    /// Largest amplitude.
    pub amplitude: f64,
    /// Frames from the first to the loudest.
    pub rise_frames: usize,
    /// Slope of the level after the loudest frame, dB a second; 0 when it ends there.
    pub slope_db_per_s: f64,
}

impl Track {
    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames as f64 * HOP_S
    }

    /// Middle in seconds from the start of the tape.
    pub fn middle_s(&self) -> f64 {
        (self.first as f64 + self.frames as f64 / 2.0) * HOP_S
    }
}

/// A partial moves by less than this from frame to frame, cents.
const STEP_CENTS: f64 = 40.0;
/// Frames that a partial may be missing.
const GAP: usize = 1;
/// Shorter tracks are noise, frames.
const SHORTEST: usize = 4;
/// Loud frames have at least this share of the largest amplitude.
const LOUD: f64 = 0.4;

struct Live {
    first: usize,
    last: usize,
    points: Vec<(usize, f64, f64)>,
}

/// Tracks in frames `first..end` and the given range of frequencies, by their first frame.
pub fn tracks(store: &PeakStore, first: usize, end: usize, range_hz: (f64, f64)) -> Vec<Track> {
    let range = (hz_to_midi(range_hz.0), hz_to_midi(range_hz.1));
    let mut live: Vec<Live> = Vec::new();
    let mut done: Vec<Track> = Vec::new();
    for frame in first..end {
        let peaks: Vec<(f64, f64)> = store
            .stored(frame)
            .filter(|p| p.midi() >= range.0 && p.midi() < range.1)
            .map(|p| (100.0 * p.midi(), p.amplitude()))
            .collect();
        let mut taken = vec![false; peaks.len()];
        for track in &mut live {
            let now = track.points.last().map_or(0.0, |p| p.1);
            let nearest = peaks
                .iter()
                .enumerate()
                .filter(|(i, p)| !taken[*i] && (p.0 - now).abs() < STEP_CENTS)
                .min_by(|a, b| (a.1.0 - now).abs().total_cmp(&(b.1.0 - now).abs()));
            if let Some((i, p)) = nearest {
                taken[i] = true;
                track.points.push((frame, p.0, p.1));
                track.last = frame;
            }
        }
        for (i, p) in peaks.iter().enumerate() {
            if !taken[i] {
                live.push(Live { first: frame, last: frame, points: vec![(frame, p.0, p.1)] });
            }
        }
        live.retain(|t| {
            let alive = t.last + GAP >= frame;
            if !alive {
                done.extend(finish(t));
            }
            alive
        });
    }
    done.extend(live.iter().filter_map(finish));
    done.sort_by(|a, b| a.first.cmp(&b.first).then(a.cents.total_cmp(&b.cents)));
    done
}

fn finish(live: &Live) -> Option<Track> {
    let frames = live.last - live.first + 1;
    if live.points.len() < SHORTEST {
        return None;
    }
    let (loudest, amplitude) =
        live.points.iter().enumerate().fold((0, 0.0), |m, (i, p)| if p.2 > m.1 { (i, p.2) } else { m });
    let loud: Vec<&(usize, f64, f64)> = live.points.iter().filter(|p| p.2 > LOUD * amplitude).collect();
    let power: f64 = loud.iter().map(|p| p.2 * p.2).sum();
    let cents = loud.iter().map(|p| p.2 * p.2 * p.1).sum::<f64>() / power;
    let wander = (loud.iter().map(|p| p.2 * p.2 * (p.1 - cents).powi(2)).sum::<f64>() / power).sqrt();
    Some(Track {
        first: live.first,
        frames,
        cents,
        wander_cents: wander,
        amplitude,
        rise_frames: live.points[loudest].0 - live.first,
        slope_db_per_s: slope(&live.points[loudest..]),
    })
}

/// Least-squares slope of the level, dB a second.
fn slope(points: &[(usize, f64, f64)]) -> f64 {
    let n = points.len() as f64;
    if points.len() < 3 {
        return 0.0;
    }
    let level = |a: f64| 20.0 * a.max(1e-9).log10();
    let mt = points.iter().map(|p| p.0 as f64).sum::<f64>() / n;
    let ml = points.iter().map(|p| level(p.2)).sum::<f64>() / n;
    let num: f64 = points.iter().map(|p| (p.0 as f64 - mt) * (level(p.2) - ml)).sum();
    let den: f64 = points.iter().map(|p| (p.0 as f64 - mt).powi(2)).sum();
    num / den / HOP_S
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::peaks::Peak;

    #[test]
    fn two_partials_are_followed_apart_and_keep_their_pitch_and_decay() {
        let mut store = PeakStore::default();
        for i in 0..20 {
            let mut peaks = vec![Peak { hz: 196.0, amplitude: 0.1 * 10f32.powf(-20.0 * 0.04 * i as f32 / 20.0) }];
            if (5..15).contains(&i) {
                peaks.push(Peak { hz: 247.5, amplitude: 0.05 });
            }
            store.push(&peaks);
        }
        let found = tracks(&store, 0, 20, (120.0, 300.0));
        assert_eq!(found.len(), 2);
        assert!((found[0].cents - 5500.0).abs() < 0.2, "G3 is MIDI 55");
        assert!((found[0].slope_db_per_s + 20.0).abs() < 1.0);
        assert_eq!((found[1].first, found[1].frames), (5, 10));
        assert!(found[1].slope_db_per_s.abs() < 1.0);
    }
}
