//! The truth's own loudness meter and band powers, made apart from the measuring rooms so that the two can check each other.
//!
//! Source: ITU-R BS.1770-5 (K-weighting redesigned for other rates through the analogue prototype; 400 ms blocks every 100 ms,
//! gates at -70 LUFS and 10 LU below the gated mean). Band powers: Welch 1967, Hann window of 16384, half overlapped.

use realfft::RealFftPlanner;

use super::eq::Biquad;

const BLOCKS_A_SECOND: u64 = 10;
const GATE_ABSOLUTE_LUFS: f64 = -70.0;
const GATE_RELATIVE_LU: f64 = -10.0;
const WELCH: usize = 16_384;

/// K-weighted mean square in steps of 100 ms, summed over channels.
pub(super) struct LoudnessMeter {
    filters: Vec<[Biquad; 2]>,
    rate_hz: u64,
    frame: u64,
    sums: Vec<f64>,
}

/// The two stages at a rate.
fn k_weighting(rate_hz: f64) -> [Biquad; 2] {
    let (hz, gain_db, q) = (1_681.974_450_955_532, 3.999_843_853_97, 0.707_175_236_955_419_3);
    let k = (std::f64::consts::PI * hz / rate_hz).tan();
    let high = 10f64.powf(gain_db / 20.0);
    let band = high.powf(0.499_666_774_154_541_6);
    let a0 = 1.0 + k / q + k * k;
    let shelf = Biquad::from_coefficients(
        [(high + band * k / q + k * k) / a0, 2.0 * (k * k - high) / a0, (high - band * k / q + k * k) / a0],
        [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
    );
    let (hz, q) = (38.135_470_876_139_82, 0.500_327_037_325_395_3);
    let k = (std::f64::consts::PI * hz / rate_hz).tan();
    let a0 = 1.0 + k / q + k * k;
    let cut = Biquad::from_coefficients([1.0, -2.0, 1.0], [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0]);
    [shelf, cut]
}

impl LoudnessMeter {
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        let filters = vec![k_weighting(f64::from(rate_hz)); channels];
        Self { filters, rate_hz: u64::from(rate_hz), frame: 0, sums: Vec::new() }
    }

    /// The next frames, one slice a channel.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.first().map_or(0, |c| c.len());
        let last = (self.frame + frames as u64) * BLOCKS_A_SECOND / self.rate_hz;
        self.sums.resize(last as usize + 1, 0.0);
        for ([shelf, cut], channel) in self.filters.iter_mut().zip(channels) {
            let mut frame = self.frame;
            let mut rest: &[f32] = channel;
            while !rest.is_empty() {
                let block = frame * BLOCKS_A_SECOND / self.rate_hz;
                let end = ((block + 1) * self.rate_hz).div_ceil(BLOCKS_A_SECOND);
                let (now, later) = rest.split_at(((end - frame) as usize).min(rest.len()));
                let mut sum = 0.0;
                for x in now {
                    let y = cut.step(shelf.step(f64::from(*x)));
                    sum += y * y;
                }
                self.sums[block as usize] += sum;
                frame += now.len() as u64;
                rest = later;
            }
        }
        self.frame += frames as u64;
    }

    /// Gated loudness between two moments, shifted by `gain_db`; `None` when everything lies under the absolute gate.
    pub fn integrated_lufs(&self, start_s: f64, end_s: f64, gain_db: f64) -> Option<f64> {
        let first = (start_s * BLOCKS_A_SECOND as f64).ceil() as usize;
        let last = ((end_s * BLOCKS_A_SECOND as f64).floor() as usize).min(self.sums.len());
        let sums = self.sums.get(first..last)?;
        let frames_a_block = self.rate_hz as f64 / BLOCKS_A_SECOND as f64;
        let gain = 10f64.powf(gain_db / 10.0);
        let powers: Vec<f64> = sums.windows(4).map(|w| gain * w.iter().sum::<f64>() / (4.0 * frames_a_block)).collect();
        let lufs = |power: f64| -0.691 + 10.0 * power.max(1e-30).log10();
        let mean_above = |gate: f64| {
            let loud: Vec<f64> = powers.iter().copied().filter(|p| lufs(*p) > gate).collect();
            (!loud.is_empty()).then(|| lufs(loud.iter().sum::<f64>() / loud.len() as f64))
        };
        mean_above(GATE_ABSOLUTE_LUFS).and_then(|ungated| mean_above(ungated + GATE_RELATIVE_LU))
    }
}

/// Power in 40..160 Hz against 400..2500 Hz of the mean of the channels inside the spans (frames), in dB.
pub(super) fn low_re_mid_db(channels: &[Vec<f32>], spans: &[(usize, usize)], rate_hz: f64) -> Option<f64> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(WELCH);
    let window: Vec<f64> =
        (0..WELCH).map(|k| 0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / WELCH as f64).cos()).collect();
    let (mut time, mut bins) = (plan.make_input_vec(), plan.make_output_vec());
    let (mut low, mut mid) = (0.0, 0.0);
    for (start, end) in spans {
        let mut at = *start;
        while at + WELCH <= *end {
            for (k, slot) in time.iter_mut().enumerate() {
                let sum: f64 = channels.iter().map(|c| f64::from(c[at + k])).sum();
                *slot = window[k] * sum / channels.len() as f64;
            }
            plan.process(&mut time, &mut bins).ok()?;
            for (k, bin) in bins.iter().enumerate() {
                let hz = k as f64 * rate_hz / WELCH as f64;
                if (40.0..160.0).contains(&hz) {
                    low += bin.norm_sqr();
                } else if (400.0..2500.0).contains(&hz) {
                    mid += bin.norm_sqr();
                }
            }
            at += WELCH / 2;
        }
    }
    (mid > 0.0 && low > 0.0).then(|| 10.0 * (low / mid).log10())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn sine(hz: f64, peak_dbfs: f64, seconds: f64, rate_hz: f64) -> Vec<f32> {
        let peak = 10f64.powf(peak_dbfs / 20.0);
        (0..(seconds * rate_hz) as usize)
            .map(|k| (peak * (std::f64::consts::TAU * hz * k as f64 / rate_hz).sin()) as f32)
            .collect()
    }

    /// BS.1770 anchor: a 0 dBFS 997 Hz sine in one front channel reads -3.01 LKFS; in both 0.00.
    #[test]
    fn full_scale_997_hz_reads_the_anchor_of_the_standard() {
        for rate in [44_100, 48_000] {
            let x = sine(997.0, 0.0, 5.0, f64::from(rate));
            let mut one = LoudnessMeter::new(1, rate);
            one.push(&[&x]);
            assert!((one.integrated_lufs(0.0, 5.0, 0.0).unwrap() + 3.01).abs() < 0.02);
            let mut two = LoudnessMeter::new(2, rate);
            two.push(&[&x, &x]);
            assert!(two.integrated_lufs(0.0, 5.0, 0.0).unwrap().abs() < 0.02);
        }
    }

    /// EBU Tech 3341 case 3: -36 dBFS 10 s, -23 dBFS 60 s, -36 dBFS 10 s reads -23.0 +-0.1 LUFS.
    #[test]
    fn the_relative_gate_follows_tech_3341_case_3() {
        let parts = [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)];
        let x: Vec<f32> = parts.iter().flat_map(|(db, s)| sine(1000.0, *db, *s, 48_000.0)).collect();
        let mut meter = LoudnessMeter::new(2, 48_000);
        for block in x.chunks(7919) {
            meter.push(&[block, block]);
        }
        let got = meter.integrated_lufs(0.0, 80.0, 0.0).unwrap();
        assert!((got + 23.0).abs() < 0.1, "{got}");
    }

    #[test]
    fn two_sines_in_the_two_bands_differ_by_their_levels() {
        let (a, b) = (sine(100.0, -20.0, 4.0, 44_100.0), sine(1000.0, -26.0, 4.0, 44_100.0));
        let x: Vec<f32> = a.iter().zip(&b).map(|(p, q)| p + q).collect();
        let got = low_re_mid_db(&[x], &[(0, 170_000)], 44_100.0).unwrap();
        assert!((got - 6.0).abs() < 0.02, "{got}");
    }
}
