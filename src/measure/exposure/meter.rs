//! A-weighted power of the mono mix, second by second, from the shared long spectra.

use crate::dsp::lanes;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::weighting::a_weighting_db;
use crate::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use crate::units::{db_to_power, power_to_db};

/// Length of a step, seconds.
pub const STEP_S: f64 = 1.0;

/// Measures A-weighted power; kept: 8 bytes a second.
#[derive(Clone, Debug)]
pub struct ExposureMeter {
    weights: Vec<f32>,
    steps: Vec<(f32, f32)>,
}

impl Default for ExposureMeter {
    fn default() -> Self {
        let weight = |bin: usize| match bin {
            0 => 0.0,
            bin => db_to_power(a_weighting_db(bin as f64 * LONG_FRAMING.bin_hz())) as f32,
        };
        Self { weights: (0..LONG_FRAMING.bins()).map(weight).collect(), steps: Vec::new() }
    }
}

impl Meter for ExposureMeter {
    type Reading = ExposureReading;

    fn push(&mut self, block: &Block) {
        for frame in &block.long_spectra {
            let at = (frame.index * LONG_FRAMING.hop as u64 / u64::from(ANALYSIS_RATE_HZ)) as usize;
            if self.steps.len() <= at {
                self.steps.resize(at + 1, (0.0, 0.0));
            }
            self.steps[at].0 += lanes::dot::<false>(&frame.power, &self.weights);
            self.steps[at].1 += 1.0;
        }
    }

    fn finish(self) -> ExposureReading {
        let mean = |(sum, count): (f32, f32)| if count > 0.0 { f64::from(sum / count) } else { 0.0 };
        ExposureReading { powers: self.steps.into_iter().map(mean).collect() }
    }
}

/// A-weighted mean squares, one a second.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ExposureReading {
    powers: Vec<f64>,
}

impl ExposureReading {
    /// From mean squares, one a second.
    pub fn new(powers: Vec<f64>) -> Self {
        Self { powers }
    }

    /// A-weighted level of every second against full scale, dB; `None` in digital silence.
    pub fn levels_db(&self) -> Vec<Option<f64>> {
        self.powers.iter().map(|p| power_to_db(*p)).collect()
    }

    /// Equivalent A-weighted level of a stretch, dB; `None` outside the tape and in silence.
    pub fn equivalent_db(&self, start_s: f64, end_s: f64) -> Option<f64> {
        let (mut sum, mut seconds) = (0.0, 0.0);
        for (at, power) in self.powers.iter().enumerate() {
            let begin = at as f64 * STEP_S;
            let inside = (end_s.min(begin + STEP_S) - start_s.max(begin)).max(0.0);
            sum += inside * power;
            seconds += inside;
        }
        power_to_db(if seconds > 0.0 { sum / seconds } else { 0.0 })
    }

    /// Length, seconds.
    pub fn length_s(&self) -> f64 {
        self.powers.len() as f64 * STEP_S
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::SpectrumStream;

    fn level_of_sine(hz: f64) -> f64 {
        let mono: Vec<f32> =
            (0..48_000 * 4).map(|i| (2.0 * std::f64::consts::PI * hz * f64::from(i) / 48_000.0).sin() as f32).collect();
        let mut spectra = SpectrumStream::new(LONG_FRAMING);
        let mut block = Block::default();
        spectra.push(&mono, &mut block.long_spectra);
        let mut meter = ExposureMeter::default();
        meter.push(&block);
        meter.finish().equivalent_db(1.0, 3.0).unwrap()
    }

    /// IEC 61672-1:2013 table 3 (A-weighting and limits of class 1); a full-scale sine has a mean square of 1/2.
    #[test]
    fn sines_are_weighted_as_iec_61672_1_table_3_says() {
        let table = [
            (31.5, -39.4, 1.5),
            (63.0, -26.2, 1.0),
            (100.0, -19.1, 1.0),
            (125.0, -16.1, 1.0),
            (250.0, -8.6, 1.0),
            (500.0, -3.2, 1.0),
            (1000.0, 0.0, 0.7),
            (2000.0, 1.2, 1.0),
            (4000.0, 1.0, 1.0),
            (8000.0, -1.1, 1.5),
            (12_500.0, -4.3, 2.0),
            (16_000.0, -6.6, 2.5),
        ];
        for (hz, a_db, class_1_db) in table {
            let off = level_of_sine(hz) + 3.0103 - a_db;
            // A tenth of the class 1 limit and half of the last digit that is printed.
            assert!(off.abs() < 0.1 * class_1_db + 0.05, "{hz} Hz: {off}");
        }
    }
}
