//! Fast convolution of one source with one impulse response a channel.
//!
//! Method: overlap-save in equal partitions (Stockham 1966; partitioned as in Kulp 1988), block length fixed, so that results
//! never depend on how the caller cuts the tape.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Frames a block.
pub(super) const BLOCK: usize = 16_384;
const SIZE: usize = 2 * BLOCK;

type Spectrum = Vec<Complex<f32>>;

/// Plans shared by all convolvers of a tape.
#[derive(Clone)]
pub(super) struct Plans {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

impl Plans {
    pub fn new() -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        Self { forward: planner.plan_fft_forward(SIZE), inverse: planner.plan_fft_inverse(SIZE) }
    }
}

/// State of one source.
pub(super) struct Convolver {
    plans: Plans,
    /// `[channel][partition]`.
    responses: Vec<Vec<Spectrum>>,
    /// Spectra of the newest inputs, newest first; `None` = silence.
    history: VecDeque<Option<Spectrum>>,
    last: Vec<f32>,
}

impl Convolver {
    pub fn new(plans: &Plans, responses: &[Vec<f32>]) -> Self {
        let spectrum = |part: &[f32]| {
            let mut time = vec![0f32; SIZE];
            time[..part.len()].copy_from_slice(part);
            transformed(plans, &mut time)
        };
        let responses: Vec<Vec<Spectrum>> = responses.iter().map(|r| r.chunks(BLOCK).map(spectrum).collect()).collect();
        let partitions = responses.iter().map(Vec::len).max().unwrap_or(1);
        Self {
            plans: plans.clone(),
            responses,
            history: std::iter::repeat_with(|| None).take(partitions).collect(),
            last: vec![0.0; BLOCK],
        }
    }

    /// The next [`BLOCK`] frames; adds nothing and returns false when source and room are silent.
    pub fn push(&mut self, input: &[f32], out: &mut [&mut [f32]]) -> bool {
        let silent = input.iter().chain(&self.last).all(|x| *x == 0.0);
        let mut time = Vec::new();
        let spectrum = if silent {
            None
        } else {
            time.reserve(SIZE);
            time.extend_from_slice(&self.last);
            time.extend_from_slice(input);
            Some(transformed(&self.plans, &mut time))
        };
        self.last.copy_from_slice(input);
        self.history.rotate_right(1);
        self.history[0] = spectrum;
        if self.history.iter().all(Option::is_none) {
            return false;
        }
        time.resize(SIZE, 0.0);
        for (channel, slot) in self.responses.iter().zip(out) {
            let mut sum = vec![Complex::new(0f32, 0.0); BLOCK + 1];
            for (response, input) in channel.iter().zip(&self.history) {
                let Some(input) = input else { continue };
                for ((s, r), x) in sum.iter_mut().zip(response).zip(input) {
                    *s += r * x;
                }
            }
            // Rounding leaves tiny imaginary parts at both ends, which the inverse refuses.
            sum[0].im = 0.0;
            sum[BLOCK].im = 0.0;
            let done = self.plans.inverse.process(&mut sum, &mut time);
            debug_assert!(done.is_ok(), "lengths are fixed by the plan");
            for (y, v) in slot.iter_mut().zip(&time[BLOCK..]) {
                *y = v / SIZE as f32;
            }
        }
        true
    }
}

fn transformed(plans: &Plans, time: &mut [f32]) -> Spectrum {
    let mut spectrum = vec![Complex::new(0f32, 0.0); BLOCK + 1];
    let done = plans.forward.process(time, &mut spectrum);
    debug_assert!(done.is_ok(), "lengths are fixed by the plan");
    spectrum
}

#[cfg(test)]
mod tests {
    use super::super::rng::Rng;
    use super::*;

    /// The definition of convolution, sample by sample, proves the fast one.
    #[test]
    fn blocks_give_the_sum_that_defines_convolution() {
        let mut rng = Rng::keyed(3, &[]);
        let mut response = vec![0f32; BLOCK + 5000];
        for k in [0, 1, 700, BLOCK - 1, BLOCK, BLOCK + 4999] {
            response[k] = rng.white();
        }
        let input: Vec<f32> = (0..3 * BLOCK).map(|_| rng.white()).collect();
        let mut convolver = Convolver::new(&Plans::new(), std::slice::from_ref(&response));
        let mut got = Vec::new();
        for block in input.chunks(BLOCK) {
            let mut out = vec![0f32; BLOCK];
            convolver.push(block, &mut [&mut out]);
            got.extend(out);
        }
        for n in [0, 5, BLOCK - 1, BLOCK, 2 * BLOCK + 77, 3 * BLOCK - 1] {
            let want: f64 =
                (0..=n.min(response.len() - 1)).map(|k| f64::from(response[k]) * f64::from(input[n - k])).sum();
            assert!((f64::from(got[n]) - want).abs() < 2e-5, "frame {n}: {} for {want}", got[n]);
        }
    }
}
