//! How well a short stretch fits at every place of a long one: normalised cross-correlation through the Fourier transform.
//!
//! Conventions: place `p` means that the first value of the short stretch lies on value `p` of the long one; only places at
//! which it lies inside are told. 1 = equal but for offset and size, 0 = nothing in common, -1 = upside down.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex, num_complex::Complex64};

/// A long series, made ready to be searched many times.
pub struct Searched {
    length: usize,
    size: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    spectrum: Vec<Complex64>,
    /// Sums of values and of squares up to each place.
    sums: Vec<(f64, f64)>,
}

impl Searched {
    /// For stretches of at most `longest` values.
    pub fn new(values: &[f32], longest: usize) -> Self {
        let size = (values.len() + longest).next_power_of_two().max(2);
        let mut planner = RealFftPlanner::<f64>::new();
        let (forward, backward) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let spectrum = transformed(&*forward, values, size);
        let mut sums = Vec::with_capacity(values.len() + 1);
        let mut sum = (0.0, 0.0);
        sums.push(sum);
        for v in values.iter().map(|v| f64::from(*v)) {
            sum = (sum.0 + v, sum.1 + v * v);
            sums.push(sum);
        }
        Self { length: values.len(), size, forward, backward, spectrum, sums }
    }

    /// The fit of `short` at every place; empty when it is longer than the series or than was promised.
    pub fn fits(&self, short: &[f32]) -> Vec<f32> {
        let n = short.len();
        if n == 0 || n > self.length || self.length + n > self.size {
            return Vec::new();
        }
        let mean = short.iter().map(|v| f64::from(*v)).sum::<f64>() / n as f64;
        let centred: Vec<f32> = short.iter().map(|v| (f64::from(*v) - mean) as f32).collect();
        let energy: f64 = centred.iter().map(|v| f64::from(*v).powi(2)).sum();
        let mut product = transformed(&*self.forward, &centred, self.size);
        product.iter_mut().zip(&self.spectrum).for_each(|(s, l)| *s = *l * s.conj());
        let mut back = self.backward.make_output_vec();
        // The edges of a real spectrum are real.
        if let Some(first) = product.first_mut() {
            first.im = 0.0;
        }
        if let Some(last) = product.last_mut() {
            last.im = 0.0;
        }
        if self.backward.process(&mut product, &mut back).is_err() {
            return Vec::new();
        }
        let scale = 1.0 / self.size as f64;
        (0..=self.length - n)
            .map(|place| {
                let (from, to) = (self.sums[place], self.sums[place + n]);
                let own = (to.1 - from.1 - (to.0 - from.0).powi(2) / n as f64).max(0.0);
                let norm = (energy * own).sqrt();
                if norm > 1e-9 * (energy + own) { (back[place] * scale / norm) as f32 } else { 0.0 }
            })
            .collect()
    }
}

fn transformed(forward: &dyn RealToComplex<f64>, values: &[f32], size: usize) -> Vec<Complex64> {
    let mut input = vec![0.0; size];
    input.iter_mut().zip(values).for_each(|(i, v)| *i = f64::from(*v));
    let mut spectrum = forward.make_output_vec();
    // Lengths are fixed at construction, so the transform cannot refuse them.
    let done = forward.process(&mut input, &mut spectrum);
    debug_assert!(done.is_ok());
    spectrum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize) -> Vec<f32> {
        let mut state = 5u32;
        (0..n)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 24) as f32
            })
            .collect()
    }

    /// The ladder: the slow definition, for several lengths.
    #[test]
    fn it_is_the_correlation_of_the_definition_at_every_place() {
        let long = noise(90);
        for n in [1usize, 2, 7, 30, 90] {
            let short: Vec<f32> = long[long.len() - n..].iter().map(|v| 3.0 * v + 1.0).collect();
            let fits = Searched::new(&long, 90).fits(&short);
            assert_eq!(fits.len(), long.len() - n + 1);
            for (place, fit) in fits.iter().enumerate() {
                let there = &long[place..place + n];
                let mean = |x: &[f32]| x.iter().sum::<f32>() / n as f32;
                let (a, b) = (mean(&short), mean(there));
                let dot: f32 = short.iter().zip(there).map(|(x, y)| (x - a) * (y - b)).sum();
                let size = |x: &[f32], m: f32| x.iter().map(|v| (v - m).powi(2)).sum::<f32>().sqrt();
                let want = if n == 1 { 0.0 } else { dot / (size(&short, a) * size(there, b)) };
                assert!((fit - want).abs() < 1e-4, "{n} {place}: {fit} {want}");
            }
            assert!(n == 1 || fits[long.len() - n] > 0.9999);
        }
    }

    #[test]
    fn constants_and_stretches_that_are_too_long_fit_nowhere() {
        assert!(Searched::new(&[0.5; 40], 10).fits(&[1.0; 10]).iter().all(|f| *f == 0.0));
        assert!(Searched::new(&noise(10), 20).fits(&noise(11)).is_empty());
        assert!(Searched::new(&noise(10), 20).fits(&[]).is_empty());
    }
}
