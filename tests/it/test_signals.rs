//! Test signals with a known answer, and the way to push them through a meter.

use ledgerline::dsp::spectrum::{LONG_FRAMING, SpectrumStream};
use ledgerline::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

/// `(peak level in dBFS, seconds)` one after the other: a 1 kHz sine whose phase runs on.
pub fn synth_tone_steps(rate_hz: u32, steps: &[(f64, f64)]) -> Vec<f32> {
    let mut out = Vec::new();
    for (level_dbfs, seconds) in steps {
        let (amplitude, start) = (10f64.powf(level_dbfs / 20.0), out.len());
        let frames = (seconds * f64::from(rate_hz)).round() as usize;
        out.extend(
            (start..start + frames).map(|n| {
                (amplitude * (2.0 * std::f64::consts::PI * 1000.0 * n as f64 / f64::from(rate_hz)).sin()) as f32
            }),
        );
    }
    out
}

/// A sine of `frames` frames.
pub fn synth_sine(rate_hz: u32, hz: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    let w = 2.0 * std::f64::consts::PI * hz / f64::from(rate_hz);
    (0..frames).map(|n| (amplitude * (w * n as f64).sin()) as f32).collect()
}

/// Numbers in -1..1 from a seed (splitmix64).
pub struct Noise(pub u64);

impl Noise {
    /// The next number.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Noise whose power a hertz falls by `db_per_octave` from one octave to the next (white 0, pink -3.01), between 5 Hz and
/// half the rate: every bin of one long spectrum has exactly its magnitude and a random phase.
pub fn synth_shaped_noise(seed: u64, frames: usize, db_per_octave: f64) -> Vec<f32> {
    let fft = RealFftPlanner::<f64>::new().plan_fft_inverse(frames);
    let mut noise = Noise(seed);
    let mut bins = fft.make_input_vec();
    let last = bins.len() - 1;
    for (k, bin) in bins.iter_mut().enumerate() {
        let hz = k as f64 * f64::from(ANALYSIS_RATE_HZ) / frames as f64;
        let phase = noise.next() * std::f64::consts::PI;
        if hz >= 5.0 && k < last {
            *bin = Complex64::from_polar(10f64.powf(db_per_octave * (hz / 1000.0).log2() / 20.0), phase);
        }
    }
    let mut out = fft.make_output_vec();
    fft.process(&mut bins, &mut out).unwrap();
    let peak = out.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    out.iter().map(|x| (x / peak * 0.5) as f32).collect()
}

/// Music-like: noise bursts with decays over a tone, slow swells between soft and loud, seeded.
pub fn synth_swells(seed: u64, rate_hz: u32, seconds: f64) -> Vec<f32> {
    let (mut noise, rate) = (Noise(seed), f64::from(rate_hz));
    let mut burst = 0.0f64;
    (0..(seconds * rate) as usize)
        .map(|n| {
            let t = n as f64 / rate;
            if (t * 3.7).fract() < 3.7 / rate {
                burst = 0.3 + 0.3 * noise.next();
            }
            burst *= 1.0 - 9.0 / rate;
            let swell = 10f64.powf((10.0 * (0.35 * t).sin() - 12.0) / 20.0);
            (swell * (burst * noise.next() + 0.2 * (2.0 * std::f64::consts::PI * 220.0 * t).sin())) as f32
        })
        .collect()
}

/// Pushes channels through a meter in blocks of `block_frames`; at 48 kHz with mono mix and long spectra.
pub fn measure_in_blocks<M: Meter>(
    mut meter: M,
    rate_hz: u32,
    channels: &[Vec<f32>],
    block_frames: usize,
) -> M::Reading {
    let mut long = (rate_hz == ANALYSIS_RATE_HZ).then(|| SpectrumStream::new(LONG_FRAMING));
    let frames = channels.first().map_or(0, Vec::len);
    for start in (0..frames).step_by(block_frames) {
        let end = (start + block_frames).min(frames);
        let mut block = Block {
            start_frame: start as u64,
            sample_rate_hz: rate_hz,
            channels: channels.iter().map(|c| c[start..end].to_vec()).collect(),
            ..Block::default()
        };
        if let Some(stream) = &mut long {
            let scale = 1.0 / channels.len() as f32;
            block.mono_start_frame = start as u64;
            block.mono = (start..end).map(|i| channels.iter().map(|c| c[i]).sum::<f32>() * scale).collect();
            stream.push(&block.mono, &mut block.long_spectra);
            if end == frames {
                stream.finish(&mut block.long_spectra);
            }
        }
        meter.push(&block);
    }
    meter.finish()
}

/// Pushes channels through a meter in blocks of a quarter of a second.
pub fn measure<M: Meter>(meter: M, rate_hz: u32, channels: &[Vec<f32>]) -> M::Reading {
    measure_in_blocks(meter, rate_hz, channels, rate_hz as usize / 4)
}

/// Fails unless `got` is within `tolerance_db` of `want`.
pub fn assert_within_db(got: impl Into<Option<f64>>, want: f64, tolerance_db: f64, what: &str) {
    let got = got.into();
    assert!(got.is_some_and(|g| (g - want).abs() <= tolerance_db), "{what}: got {got:?}, want {want} +-{tolerance_db}");
}
