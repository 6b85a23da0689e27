//! Clipping: how many frames sit on a rail, also when the rail was attenuated or blurred by a codec afterwards.
//!
//! Conventions: amplitudes are |sample|, full scale = 1.0; each channel is judged alone, the worst one is reported.
//! Method: a sharp rail first; then one that a codec blurred by less than a quarter of a decibel, or whose pile-up still shows; then a
//! tail of summits that is cut (`cut_tail`).
//! Limits: clipping rounder than the blur of the codec (a soft limiter) is not clipping here, though music whose mastering limited it
//! near full scale may be taken for it; less than a dozen frames are no evidence; a recorder that clips and then re-samples heavily
//! (8 kHz telephone) can go unseen.

use super::cut_tail::{Summits, cut_off, cut_tail, moved_below};
use crate::dsp::{Block, lanes};
use crate::stats::Measured;

/// Fine linear bins for sharp rails: 1/4096 of full scale, up to 2.0.
const FINE_BINS: usize = 8192;
const FINE_A_UNIT: f32 = 4096.0;
/// Coarse bins for blurred rails: 0.25 dB from -60 dBFS up to +6 dBFS.
const COARSE_BINS: usize = 264;
const COARSE_FLOOR_DBFS: f64 = -60.0;
const COARSE_STEP_DB: f64 = 0.25;

/// A sharp rail holds at least this many frames and this share of the 2 % of amplitude below it.
const SHARP_LEAST: u64 = 12;
const SHARP_SHARE: f64 = 0.5;
/// A rail from which at least this share of its frames were moved just below it was blurred by a codec whose decoder cuts off at full
/// scale.
const MOVED_SHARE: f64 = 0.25;
/// Width of a sharp rail in fine bins: dither and 16-bit rounding after attenuation.
const SHARP_WIDTH: usize = 2;
/// Bins of the falling tail from which the density at the rail is predicted: 0.75 to 3.75 dB below.
const TAIL_BINS: usize = 12;
/// Bins of the shoulder of a blurred rail: 0.75 dB.
const SHOULDER_BINS: usize = 3;
/// A blurred rail holds at least this many times the predicted density, by so many standard deviations, and beyond it
/// there is at most so much of the prediction left.
const SHOULDER_RATIO: f64 = 1.15;
const SHOULDER_SIGMAS: f64 = 3.5;
const BEYOND_RATIO: f64 = 0.22;
/// An abrupt end holds this many peaks within 0.25 dB, at most this share of them higher, and the density of peaks does
/// not fall towards it as it would by itself (a factor of 0.8 a bin).
const ABRUPT_PEAKS: f64 = 7.0;
const ABRUPT_ABOVE: f64 = 0.12;
const ABRUPT_RISE: f64 = 1.1;
const ABRUPT_FALL: f64 = 0.6;
/// Amplitudes below this share of the largest one so far are not counted; rails are sought in the topmost 8 dB.
const COUNTED_SHARE: f32 = 0.4;
/// Samples that are looked over at once.
const CHUNK: usize = 64;
/// Amplitudes from here on count as full scale: 0.3 dB below, which lossy codecs move a peak by.
const FULL_SCALE: f32 = 0.966;
/// Of a rail that shows as a pile-up a codec has moved so many below it that there are this many times those seen. The truth is within a
/// factor of 3 of what is told on 64 of 68 pieces that nothing was chosen on (`benches/README.md`).
const BLURRED_HIDES: f64 = 1.4;
const BLURRED_FACTOR: f64 = 3.0;
/// Bins beyond the rail that the codec may still fill: 0.5 dB.
const BLUR_BINS: usize = 2;

#[derive(Clone)]
struct ChannelAmplitudes {
    /// Frames by amplitude.
    fine: Vec<u64>,
    /// Local maxima of the amplitude.
    peaks: Vec<u64>,
    /// Those of them that nothing near passes.
    summits: Vec<u64>,
    following: Summits,
    /// Largest amplitude so far.
    top: f32,
    /// The two amplitudes before.
    before: [f32; 2],
}

/// Collects the amplitudes of every channel.
#[derive(Clone, Default)]
pub struct ClippingMeter {
    channels: Vec<ChannelAmplitudes>,
    frames: u64,
}

impl ClippingMeter {
    /// Takes the samples of a block.
    pub fn push(&mut self, block: &Block) {
        if self.channels.len() < block.channels.len() {
            self.channels.resize(block.channels.len(), ChannelAmplitudes::silent());
        }
        self.frames += block.channels.first().map_or(0, Vec::len) as u64;
        for (channel, samples) in self.channels.iter_mut().zip(&block.channels) {
            samples.chunks(CHUNK).for_each(|chunk| channel.push(chunk));
        }
    }

    /// Does any channel come to full scale?
    pub fn reaches_full_scale(&self) -> bool {
        self.channels.iter().any(|channel| channel.top >= FULL_SCALE)
    }

    /// Share of frames on a rail in the worst channel, percent.
    pub fn finish(&self) -> Measured {
        if self.frames == 0 {
            return Measured::absent("no_samples");
        }
        let worst = self.channels.iter().map(|c| c.rail()).max_by(|a, b| a.frames.total_cmp(&b.frames));
        let Some(worst) = worst else {
            return Measured::absent("no_samples");
        };
        let percent = |frames: f64| (100.0 * frames / self.frames as f64).clamp(0.0, 100.0);
        let reading =
            Measured::new(percent(worst.frames), percent(worst.low.max(0.0)), percent(worst.high), self.frames);
        if worst.blurred { reading.with_warning("rail_blurred_by_codec") } else { reading }
    }
}

/// Place of an amplitude among the coarse bins.
fn coarse_place(amplitude: f64) -> f64 {
    ((20.0 * amplitude.log10() - COARSE_FLOOR_DBFS) / COARSE_STEP_DB).max(0.0)
}

/// What sits on the rail of a channel, and between what limits (95 %).
struct Rail {
    frames: f64,
    low: f64,
    high: f64,
    blurred: bool,
}

impl Rail {
    fn sharp(frames: f64) -> Self {
        let spread = 1.96 * frames.sqrt();
        Self { frames, low: frames - spread, high: frames + spread, blurred: false }
    }

    fn blurred(frames: f64) -> Self {
        Self { frames, low: frames / BLURRED_FACTOR, high: frames * BLURRED_FACTOR, blurred: true }
    }
}

/// Fine bin of an amplitude.
fn bin(amplitude: f32) -> usize {
    ((amplitude * FINE_A_UNIT) as usize).min(FINE_BINS - 1)
}

impl ChannelAmplitudes {
    fn silent() -> Self {
        let [fine, peaks, summits] = [(); 3].map(|()| vec![0; FINE_BINS]);
        Self { fine, peaks, summits, following: Summits::default(), top: 0.0, before: [0.0; 2] }
    }

    /// Counts what comes near the top; the rest of a recording says nothing of its rails.
    fn push(&mut self, chunk: &[f32]) {
        let peak = lanes::peak(chunk);
        self.top = self.top.max(peak);
        let limit = COUNTED_SHARE * self.top;
        if self.before[1] > limit || peak > limit {
            for x in chunk {
                let amplitude = x.abs();
                let [second, last] = self.before;
                if amplitude > limit {
                    self.fine[bin(amplitude)] += 1;
                }
                if let Some(summit) = self.following.go_on(1) {
                    self.summits[bin(summit)] += 1;
                }
                if last > limit && last > second && last >= amplitude {
                    self.peaks[bin(last)] += 1;
                    self.following.maximum(last);
                }
                self.before = [last, amplitude];
            }
            return;
        }
        if let Some(summit) = self.following.go_on(chunk.len()) {
            self.summits[bin(summit)] += 1;
        }
        if let [.., second, last] = chunk {
            self.before = [second.abs(), last.abs()];
        } else if let [last] = chunk {
            self.before = [self.before[1], last.abs()];
        }
    }

    fn rail(&self) -> Rail {
        if let Some((frames, from)) = self.sharp() {
            let moved = moved_below(&heights_of(&self.fine), height_db(from)).unwrap_or(0.0);
            let sharp = moved < MOVED_SHARE * frames;
            return if sharp { Rail::sharp(frames) } else { Rail::blurred(frames + moved) };
        }
        let coarse = coarse_of(&self.fine);
        let blurred = abrupt_end(&coarse_of(&self.peaks), &coarse).or_else(|| blurred_rail(&coarse));
        let frames = blurred.map(|frames| BLURRED_HIDES * frames).or_else(|| self.cut_tail());
        frames.map_or(Rail::sharp(0.0), Rail::blurred)
    }

    /// Frames that were cut off where the summits stop.
    fn cut_tail(&self) -> Option<f64> {
        cut_off(&heights_of(&self.fine), cut_tail(&heights_of(&self.summits))?)
    }

    /// Frames on a sharp rail, and its lowest bin: the topmost amplitudes hold as much as a far wider stretch below them.
    fn sharp(&self) -> Option<(f64, usize)> {
        let top = self.fine.iter().rposition(|n| *n > 0)?;
        let rail = top.saturating_sub(SHARP_WIDTH);
        let below = (top as f64 * 0.98) as usize;
        // Under about 1 % of full scale the stretch below is no wider than the rail.
        if below + 4 * SHARP_WIDTH > rail {
            return None;
        }
        let on: u64 = self.fine[rail..=top].iter().sum();
        let under: u64 = self.fine[below..rail].iter().sum();
        (on >= SHARP_LEAST && on as f64 >= SHARP_SHARE * under as f64).then_some((on as f64, rail))
    }
}

/// Middle of a fine bin, dB re full scale.
fn height_db(bin: usize) -> f64 {
    20.0 * ((bin as f64 + 0.5) / f64::from(FINE_A_UNIT)).log10()
}

/// Fine counts by their height, dB re full scale.
fn heights_of(fine: &[u64]) -> Vec<(f64, f64)> {
    fine.iter().enumerate().filter(|(_, n)| **n > 0).map(|(bin, n)| (height_db(bin), *n as f64)).collect()
}

/// Fine counts by 0.25 dB; a fine bin is spread over the coarse bins that it covers.
fn coarse_of(fine: &[u64]) -> Vec<f64> {
    let mut coarse = vec![0.0; COARSE_BINS];
    let place = |bin: usize| coarse_place(bin as f64 / f64::from(FINE_A_UNIT));
    for (bin, count) in fine.iter().enumerate().skip(1).filter(|(_, n)| **n > 0) {
        spread(&mut coarse, place(bin), place(bin + 1), *count as f64);
    }
    coarse
}

fn spread(bins: &mut [f64], low: f64, high: f64, count: f64) {
    if high <= low {
        return;
    }
    for (i, bin) in bins.iter_mut().enumerate().skip(low as usize) {
        let inside = (high.min(i as f64 + 1.0) - low.max(i as f64)).max(0.0);
        if i as f64 > high {
            break;
        }
        *bin += count * inside / (high - low);
    }
}

/// Frames on a rail that a codec blurred by less than a bin: many separate peaks of one height, and none higher.
fn abrupt_end(peaks: &[f64], density: &[f64]) -> Option<f64> {
    let top = peaks.iter().rposition(|n| *n >= 1.0)?;
    let rail = (top.saturating_sub(3)..=top).rev().find(|b| peaks[*b] >= ABRUPT_PEAKS)?;
    if rail < TAIL_BINS {
        return None;
    }
    let above: f64 = peaks[rail + 1..].iter().sum();
    // Bins hold the rail wherever it falls: the one below shares it.
    let below = peaks[rail - 3..rail - 1].iter().sum::<f64>() / 2.0;
    let held = peaks[rail] + peaks[rail - 1];
    let falls = log_line(&density[rail - TAIL_BINS..rail]).is_some_and(|(_, slope)| slope < -0.01);
    let abrupt = above <= ABRUPT_ABOVE * peaks[rail] && held >= ABRUPT_RISE * 2.0 * below * ABRUPT_FALL;
    (falls && abrupt).then(|| density[rail - 1..].iter().sum())
}

/// Frames on a blurred rail: the falling density of amplitudes rises over its course, then collapses.
fn blurred_rail(density: &[f64]) -> Option<f64> {
    let top = density.iter().rposition(|n| *n >= 1.0)?;
    let mut best: Option<(f64, f64)> = None;
    for rail in top.saturating_sub(16).max(TAIL_BINS + SHOULDER_BINS)..=top {
        let shoulder = rail + 1 - SHOULDER_BINS..rail + 1;
        let tail = &density[shoulder.start - TAIL_BINS..shoulder.start];
        let Some((log_at_end, slope)) = log_line(tail) else { continue };
        if slope > -0.01 {
            continue; // a density that rises towards the top is a steady tone, not music cut off
        }
        let predicted = |bin: usize| (log_at_end + slope * (bin as f64 - shoulder.start as f64 + 0.5)).exp();
        let sum = |bins: std::ops::Range<usize>| -> f64 { bins.map(predicted).sum() };
        let seen = |bins: std::ops::Range<usize>| -> f64 { bins.filter_map(|b| density.get(b)).sum() };
        let beyond = rail + 1 + BLUR_BINS..rail + 1 + BLUR_BINS + 12;
        let (missing, left) = (sum(beyond.clone()), seen(beyond));
        let (here, expected) = (seen(shoulder.clone()), sum(shoulder.clone()));
        // Samples come in runs of about four, and the straight line is true to about 5 %.
        let doubt = (4.0 * expected + (0.05 * expected).powi(2)).sqrt();
        let rises = here >= SHOULDER_RATIO * expected && here - expected >= SHOULDER_SIGMAS * doubt;
        if rises && left <= BEYOND_RATIO * missing && best.is_none_or(|(r, _)| here / expected > r) {
            best = Some((here / expected, seen(rail..density.len())));
        }
    }
    best.map(|(_, frames)| frames)
}

/// Straight line through the logarithms of `counts`, weighted by them: value at the end, slope a bin.
fn log_line(counts: &[f64]) -> Option<(f64, f64)> {
    let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, n) in counts.iter().enumerate() {
        if *n < 4.0 {
            return None;
        }
        let (x, y, weight) = (i as f64 + 0.5 - counts.len() as f64, n.ln(), n.sqrt());
        w += weight;
        wx += weight * x;
        wy += weight * y;
        wxx += weight * x * x;
        wxy += weight * x * y;
    }
    let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx);
    Some(((wy - slope * wx) / w, slope))
}
