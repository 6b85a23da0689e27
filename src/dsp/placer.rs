//! One recording laid on the clock of another, sample by sample, streaming.
//!
//! Conventions: output sample `k` lies at input position `start + k * step`, counted in input samples; positions outside the
//! input are silent. Input and output are at [`ANALYSIS_RATE_HZ`](super::ANALYSIS_RATE_HZ), steps within some 400 millionths of 1.
//!
//! Method: windowed sinc (Hann) of `TAPS` points, its phases in a table with straight lines between them.
//! Accuracy: a sine below 16 kHz comes back with an error under 0.5 % (test).

use std::f64::consts::PI;
use std::sync::LazyLock;

/// Points of the kernel.
const TAPS: usize = 24;
/// Phases of the table.
const PHASES: usize = 512;
/// Input samples that are kept for later are thrown away in pieces of this length.
const DROP: usize = 8192;

static TABLE: LazyLock<Vec<[f32; TAPS]>> = LazyLock::new(|| (0..=PHASES).map(kernel).collect());

fn kernel(phase: usize) -> [f32; TAPS] {
    let part = phase as f64 / PHASES as f64;
    let half = TAPS as f64 / 2.0;
    std::array::from_fn(|tap| {
        let x = tap as f64 - (half - 1.0) - part;
        let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let window = if x.abs() < half { 0.5 + 0.5 * (PI * x / half).cos() } else { 0.0 };
        (sinc * window) as f32
    })
}

/// Reads one recording along a straight line.
pub struct Placer {
    start: f64,
    step: f64,
    /// Input from `first` on.
    held: Vec<f32>,
    first: i64,
    given: u64,
    over: bool,
}

impl Placer {
    /// Output sample 0 lies at input position `start`, the next one `step` further.
    pub fn new(start: f64, step: f64) -> Self {
        // Silence before the recording, as long as the kernel reaches back.
        Self { start, step, held: vec![0.0; TAPS], first: -(TAPS as i64), given: 0, over: false }
    }

    /// Takes the next samples of the input.
    pub fn push(&mut self, samples: &[f32]) {
        self.held.extend_from_slice(samples);
    }

    /// The input is over: silence follows.
    pub fn finish(&mut self) {
        self.over = true;
    }

    /// True when `count` more output samples can be given.
    pub fn can_give(&self, count: usize) -> bool {
        let last = self.start + (self.given + count as u64) as f64 * self.step;
        let end = (self.first + self.held.len() as i64) as f64;
        self.over || last + (TAPS as f64) < end
    }

    /// Appends `count` output samples.
    pub fn give(&mut self, count: usize, out: &mut Vec<f32>) {
        let table = &*TABLE;
        for k in 0..count as u64 {
            let place = self.start + (self.given + k) as f64 * self.step;
            let whole = place.floor();
            let phase = (place - whole) * PHASES as f64;
            let (row, between) = ((phase as usize).min(PHASES - 1), phase.fract() as f32);
            let from = whole as i64 - (TAPS as i64 / 2 - 1) - self.first;
            let samples = usize::try_from(from).ok().and_then(|from| self.held.get(from..from + TAPS));
            out.push(samples.map_or(0.0, |x| {
                let dot = |taps: &[f32; TAPS]| x.iter().zip(taps).map(|(a, b)| a * b).sum::<f32>();
                let (low, high) = (dot(&table[row]), dot(&table[row + 1]));
                low + between * (high - low)
            }));
        }
        self.given += count as u64;
        let needed = (self.start + self.given as f64 * self.step).floor() as i64 - TAPS as i64 - self.first;
        if needed > DROP as i64 {
            let drop = (needed as usize).min(self.held.len());
            self.held.drain(..drop);
            self.first += drop as i64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_lies_where_the_line_says_in_blocks_of_any_size() {
        for hz in [100.0, 4000.0, 15_000.0] {
            let sine = |place: f64| (2.0 * PI * hz / 48_000.0 * place).sin();
            let input: Vec<f32> = (0..60_000).map(|i| sine(f64::from(i)) as f32).collect();
            let (start, step) = (-123.4, 1.0 + 80e-6);
            let (mut placer, mut out) = (Placer::new(start, step), Vec::new());
            for block in input.chunks(3001) {
                placer.push(block);
                while placer.can_give(500) {
                    placer.give(500, &mut out);
                }
            }
            assert!(out.len() > 58_000);
            let at = |k: usize| start + k as f64 * step;
            let worst = (200..out.len()).map(|k| (f64::from(out[k]) - sine(at(k))).abs()).fold(0.0, f64::max);
            assert!(worst < 5e-3, "{hz}: {worst}");
            assert!(out[..100].iter().all(|x| x.abs() < 1e-6), "silence before the recording");
        }
    }

    #[test]
    fn what_lies_behind_the_end_is_silent() {
        let (mut placer, mut out) = (Placer::new(10.0, 1.0), Vec::new());
        placer.push(&[1.0; 50]);
        placer.finish();
        assert!(placer.can_give(200));
        placer.give(200, &mut out);
        assert!((out[5] - 1.0).abs() < 0.02 && out[120..].iter().all(|x| *x == 0.0), "{out:?}");
    }
}
