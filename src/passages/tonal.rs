//! Narrow peaks of a long spectrum: how much of the sound is steady pitch, and whether one note explains it.
//!
//! Conventions: a peak is narrow when it stands [`NARROW_RATIO`] above the bins three and four away, which a partial that
//! holds its pitch for the 341 ms of the window does and a gliding voice or noise does not.

use multiversion::multiversion;

use crate::dsp::lanes;
use crate::dsp::logarithm::log2_fast;

/// Added to every power before its logarithm.
const LEAST_POWER: f32 = 1e-16;
/// Power of a narrow peak over the mean of the bins three and four away on both sides (10 dB).
const NARROW_RATIO: f32 = 10.0;
/// Peaks weaker than this against the strongest one are left out (60 dB).
const FAINTEST: f32 = 1e-6;
/// Ranges of the narrow shares in Hz.
const RANGES_HZ: [(f64, f64); 3] = [(80.0, 400.0), (400.0, 1600.0), (1600.0, 5000.0)];
/// Range of the flatness in Hz.
const FLATNESS_HZ: (f64, f64) = (300.0, 4000.0);
/// Lowest and highest frequency at which peaks are sought.
const PEAKS_HZ: (f64, f64) = (36.0, 5000.0);
/// Strongest peaks that are sought again.
const KEPT_PEAKS: usize = 32;
/// Strongest peaks that the harmonic series must explain.
const SERIES_PEAKS: usize = 16;
/// What an octave higher is worth in share: a series at half the pitch explains every peak too.
const HIGHER_OCTAVE_BONUS: f32 = 0.04;
/// Range of its fundamental in Hz.
const FUNDAMENTAL_HZ: (f32, f32) = (38.0, 1000.0);

/// A narrow peak.
#[derive(Clone, Copy, Debug)]
pub struct Peak {
    /// Frequency in bins, interpolated.
    pub bin: f32,
    /// Square root of its power.
    pub weight: f32,
}

/// What one long spectrum says.
#[derive(Clone, Debug, Default)]
pub struct TonalReading {
    /// Share of the energy in narrow peaks in three ranges.
    pub narrow: [f32; 3],
    /// Number of narrow peaks.
    pub peaks: usize,
    /// Share of the peaks' weight that was there before.
    pub kept: f32,
    /// Share of the peaks' weight in the best harmonic series.
    pub harmonic: f32,
    /// Its fundamental.
    pub pitch_midi: Option<f32>,
    /// Geometric over arithmetic mean of the power, dB, at most 0.
    pub flatness_db: f32,
}

/// Reads one long spectrum; `before` are the peaks of the last spectrum that shares no sample with it.
pub fn read_tonal(power: &[f32], bin_hz: f64, before: &[Peak]) -> (TonalReading, Vec<Peak>) {
    let bin = |hz: f64| (hz / bin_hz).round() as usize;
    let mut reading = TonalReading {
        flatness_db: flatness_db(&power[bin(FLATNESS_HZ.0)..bin(FLATNESS_HZ.1)]),
        ..TonalReading::default()
    };
    let found = narrow_peaks(power, bin(PEAKS_HZ.0), bin(PEAKS_HZ.1));
    for (share, (low, high)) in reading.narrow.iter_mut().zip(RANGES_HZ) {
        let (low, high) = (bin(low), bin(high));
        let all = lanes::sum(&power[low..high]);
        let inside: f32 = found.iter().filter(|k| (low..high).contains(*k)).map(|&k| lobe(power, k)).sum();
        *share = if all > 1e-13 { (inside / all).min(1.0) } else { 0.0 };
    }
    let peaks = strongest(power, &found);
    reading.peaks = peaks.len();
    reading.kept = kept_share(&peaks, before);
    if let Some((share, fundamental)) = best_series(&peaks[..peaks.len().min(SERIES_PEAKS)], bin_hz as f32) {
        reading.harmonic = share;
        reading.pitch_midi = Some(69.0 + 12.0 * (fundamental / 440.0).log2());
    }
    (reading, peaks)
}

fn lobe(power: &[f32], k: usize) -> f32 {
    power[k - 1] + power[k] + power[k + 1]
}

#[multiversion(targets("x86_64+avx2"))]
fn narrow_peaks(power: &[f32], low: usize, high: usize) -> Vec<usize> {
    let mut found = Vec::with_capacity(128);
    let first = low.max(4);
    // Windows of nine bins, so that no bin is checked against the end of the slice.
    for (k, w) in (first..high.min(power.len() - 4)).zip(power[first - 4..].windows(9)) {
        let p = w[4];
        // The rarest condition first: the processor guesses it right.
        if 4.0 * p > NARROW_RATIO * (w[0] + w[1] + w[7] + w[8]) && p > w[3] && p >= w[5] && p > 1e-12 {
            found.push(k);
        }
    }
    found
}

/// Peaks without the faintest; the first [`KEPT_PEAKS`] are the strongest by falling weight.
fn strongest(power: &[f32], found: &[usize]) -> Vec<Peak> {
    let top = found.iter().map(|&k| power[k]).fold(0.0, f32::max);
    let mut peaks: Vec<Peak> = found
        .iter()
        .filter(|&&k| power[k] > FAINTEST * top)
        .map(|&k| {
            let [a, b, c] = [power[k - 1], power[k], power[k + 1]].map(|p| log2_fast(p.max(1e-20)));
            let curve = a - 2.0 * b + c;
            let shift = if curve < 0.0 { (0.5 * (a - c) / curve).clamp(-0.5, 0.5) } else { 0.0 };
            Peak { bin: k as f32 + shift, weight: lobe(power, k).sqrt() }
        })
        .collect();
    let order = |a: &Peak, b: &Peak| b.weight.total_cmp(&a.weight).then(a.bin.total_cmp(&b.bin));
    // Only the strongest need be in order.
    let strongest = peaks.len().min(KEPT_PEAKS);
    if strongest < peaks.len() {
        peaks.select_nth_unstable_by(strongest, order);
    }
    peaks[..strongest].sort_unstable_by(order);
    peaks
}

fn kept_share(peaks: &[Peak], before: &[Peak]) -> f32 {
    let peaks = &peaks[..peaks.len().min(KEPT_PEAKS)];
    let all: f32 = peaks.iter().map(|p| p.weight).sum();
    let kept: f32 = peaks.iter().filter(|p| before.iter().any(|b| (b.bin - p.bin).abs() < 0.6)).map(|p| p.weight).sum();
    if all > 0.0 { kept / all } else { 0.0 }
}

/// Share and fundamental (Hz) of the harmonic series that explains most.
fn best_series(peaks: &[Peak], bin_hz: f32) -> Option<(f32, f32)> {
    let all: f32 = peaks.iter().map(|p| p.weight).sum();
    if all <= 0.0 {
        return None;
    }
    let mut best: Option<(f32, f32, f32)> = None;
    for peak in peaks.iter().take(6) {
        for divisor in 1..=5 {
            let fundamental = peak.bin / divisor as f32;
            let hz = fundamental * bin_hz;
            if !(FUNDAMENTAL_HZ.0..FUNDAMENTAL_HZ.1).contains(&hz) {
                continue;
            }
            let inverse = 1.0 / fundamental;
            let share = peaks.iter().filter(|p| fits(p.bin, fundamental, inverse)).map(|p| p.weight).sum::<f32>() / all;
            let score = share + HIGHER_OCTAVE_BONUS * hz.log2();
            if best.is_none_or(|(s, _, _)| score > s) {
                best = Some((score, share, hz));
            }
        }
    }
    best.map(|(_, share, hz)| (share, hz))
}

/// Is `bin` a multiple of `fundamental`, within 1.2 % or 0.7 bins? `inverse` is one over the fundamental.
fn fits(bin: f32, fundamental: f32, inverse: f32) -> bool {
    // Adding a half and cutting is the rounding of positive numbers, without a call.
    let ratio = ((bin * inverse + 0.5) as i32) as f32;
    ratio >= 1.0 && (bin - ratio * fundamental).abs() < (0.012 * bin).clamp(0.7, 4.0).min(0.2 * fundamental)
}

#[multiversion(targets("x86_64+avx2"))]
fn flatness_db(power: &[f32]) -> f32 {
    let mut partial = [0f32; 8];
    let (whole, rest) = power.as_chunks::<8>();
    for chunk in whole {
        for (lane, p) in partial.iter_mut().zip(chunk) {
            *lane += log2_fast(p + LEAST_POWER);
        }
    }
    let logs = partial.iter().sum::<f32>() + rest.iter().map(|p| log2_fast(p + LEAST_POWER)).sum::<f32>();
    let n = power.len() as f32;
    3.010_3 * (logs / n - log2_fast(lanes::sum(power) / n + LEAST_POWER))
}
