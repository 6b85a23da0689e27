//! Spectral peaks with sub-bin frequencies, streamed.
//!
//! Conventions: periodic Hann window; frame `i` is centred on sample `i * hop`, the signal being padded with zeros on both
//! sides. `amplitude` is that of the sine that would make the peak (full scale = 1.0).
//!
//! Method: the ratio of the two largest magnitudes of a Hann-windowed tone gives its place between the bins in closed form,
//! `d = (2 a - 1) / (a + 1)` (Grandke 1983, IEEE Trans. Instrum. Meas. 32: interpolation for Hanning windows); for one steady
//! complex tone it has no bias, for a real tone the image at the negative frequency leaves < 0.05 cents from bin 8 up.
//!
//! Limits: two tones closer than about four bins pull each other; a gliding tone reads as its mean, weighted by the window.

use multiversion::multiversion;

use super::paired::FrameStream;
use super::spectrum::{Framing, hann_periodic};

/// One spectral peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Frequency in Hz.
    pub hz: f32,
    /// Amplitude of the tone, full scale = 1.0.
    pub amplitude: f32,
}

/// What a [`PeakStream`] looks at.
#[derive(Clone, Copy, Debug)]
pub struct PeakParams {
    /// Rate of the samples in Hz.
    pub rate_hz: f64,
    /// Window length in samples, even.
    pub length: usize,
    /// Distance between frame centres in samples.
    pub hop: usize,
    /// Peaks outside this range are left out, Hz.
    pub range_hz: (f64, f64),
    /// At most this many peaks a frame: those with the largest amplitude times the square root of the frequency.
    pub most: usize,
    /// From this frequency on, Hz, at most so many peaks a frame, which take no place from those below.
    pub above: (f64, usize),
}

/// Turns samples into peaks, frame by frame.
pub struct PeakStream {
    params: PeakParams,
    frames: FrameStream,
    picker: Picker,
}

impl PeakStream {
    /// A stream with the given parameters.
    pub fn new(params: PeakParams) -> Self {
        let amplitude = 2.0 / hann_periodic(params.length).iter().sum::<f32>();
        let framing = Framing { length: params.length, hop: params.hop };
        Self {
            frames: FrameStream::new(framing, amplitude * amplitude),
            picker: Picker { params, magnitude: vec![0.0; framing.bins()], found: Vec::new() },
            params,
        }
    }

    /// Takes samples; `each` is called with the peaks of every frame of the pairs that they complete, in order, by rising
    /// frequency.
    pub fn push(&mut self, samples: &[f32], mut each: impl FnMut(&[Peak])) {
        let picker = &mut self.picker;
        self.frames.push(samples, |_, power| each(picker.peaks(power)));
    }

    /// The signal is over: every frame whose centre lies inside it comes out.
    pub fn finish(&mut self, mut each: impl FnMut(&[Peak])) {
        let wanted = self.frames.pushed().div_ceil(self.params.hop as u64);
        let picker = &mut self.picker;
        self.frames.finish(wanted, |_, power| each(picker.peaks(power)));
    }
}

/// Finds the peaks of one spectrum.
struct Picker {
    params: PeakParams,
    magnitude: Vec<f32>,
    found: Vec<Peak>,
}

impl Picker {
    fn peaks(&mut self, power: &[f32]) -> &[Peak] {
        root(power, &mut self.magnitude);
        self.pick();
        &self.found
    }

    fn pick(&mut self) {
        let PeakParams { rate_hz, length, range_hz, most, above, .. } = self.params;
        let bin_hz = rate_hz / length as f64;
        let first = ((range_hz.0 / bin_hz).ceil() as usize).max(1);
        let last = ((range_hz.1 / bin_hz).floor() as usize).min(self.magnitude.len() - 2);
        self.found.clear();
        for k in first..=last {
            if let Some((offset, amplitude)) =
                hann_peak(self.magnitude[k - 1], self.magnitude[k], self.magnitude[k + 1])
            {
                self.found.push(Peak { hz: ((k as f64 + offset) * bin_hz) as f32, amplitude });
            }
        }
        let mut high = self.found.split_off(self.found.partition_point(|p| f64::from(p.hz) < above.0));
        keep_strongest(&mut self.found, most);
        keep_strongest(&mut high, above.1);
        self.found.append(&mut high);
    }
}

/// Keeps the `most` strongest peaks, by rising frequency.
fn keep_strongest(peaks: &mut Vec<Peak>, most: usize) {
    if peaks.len() > most {
        let strength = |p: &Peak| p.amplitude * p.hz.sqrt();
        peaks.select_nth_unstable_by(most, |a, b| strength(b).total_cmp(&strength(a)));
        peaks.truncate(most);
        peaks.sort_unstable_by(|a, b| a.hz.total_cmp(&b.hz));
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn root(power: &[f32], magnitude: &mut [f32]) {
    magnitude.iter_mut().zip(power).for_each(|(m, p)| *m = p.sqrt());
}

/// Place (in bins from the middle one, -0.6..=0.6) and amplitude of the Hann-windowed tone behind three neighbouring
/// magnitudes; `None` when the middle one is no peak or the shape is not that of a tone.
pub fn hann_peak(left: f32, middle: f32, right: f32) -> Option<(f64, f32)> {
    if !(middle > left && middle >= right && middle > 0.0) {
        return None;
    }
    let (side, sign) = if right > left { (right, 1.0) } else { (left, -1.0) };
    let ratio = f64::from(side) / f64::from(middle);
    let distance = (2.0 * ratio - 1.0) / (ratio + 1.0);
    if distance.abs() > 0.6 {
        return None;
    }
    let loss = hann_loss(distance);
    Some((sign * distance, (f64::from(middle) / loss) as f32))
}

/// The Hann window's transform at `distance` bins from its centre, relative to the centre: `sin(pi d) / (pi d (1 - d^2))`.
///
/// Method: a polynomial in the square of the distance, fitted at Chebyshev nodes on 0..=0.6; within 1e-9, without a sine.
fn hann_loss(distance: f64) -> f64 {
    let square = distance * distance;
    LOSS.iter().rev().fold(0.0, |sum, c| sum * square + c)
}

/// Coefficients of [`hann_loss`], the constant first.
const LOSS: [f64; 8] = [
    1.0000000000000004,
    -0.6449340668481718,
    0.16680835843237315,
    -0.02394346563313333,
    0.0022043816108724057,
    -0.0001416961795738476,
    6.7220121643235275e-06,
    -2.3421873929579592e-07,
];

#[cfg(test)]
mod tests {
    use super::*;

    const PARAMS: PeakParams =
        PeakParams { rate_hz: 6000.0, length: 1536, hop: 240, range_hz: (27.0, 1700.0), most: 32, above: (1500.0, 2) };

    fn frames(x: &[f32], cut: usize) -> Vec<Vec<Peak>> {
        let mut stream = PeakStream::new(PARAMS);
        let mut out = Vec::new();
        x.chunks(cut).for_each(|c| stream.push(c, |p| out.push(p.to_vec())));
        stream.finish(|p| out.push(p.to_vec()));
        out
    }

    fn strongest(peaks: &[Peak]) -> Peak {
        peaks.iter().copied().max_by(|a, b| a.amplitude.total_cmp(&b.amplitude)).unwrap()
    }

    #[test]
    fn a_steady_tone_reads_within_a_twentieth_of_a_cent_from_50_hz_up() {
        for step in 0..118 {
            let hz = 50.0 * 1.0293f64.powi(step);
            let x: Vec<f32> = (0..6000)
                .map(|i| (0.3 * (2.0 * std::f64::consts::PI * hz * f64::from(i) / 6000.0 + 1.0).sin()) as f32)
                .collect();
            let peak = strongest(&frames(&x, 6000)[12]);
            let cents = 1200.0 * (f64::from(peak.hz) / hz).log2();
            assert!(cents.abs() < 0.05, "{hz:.2} Hz: {cents:.3} cents");
            assert!((peak.amplitude - 0.3).abs() < 2e-3, "{hz:.2} Hz: {}", peak.amplitude);
        }
    }

    #[test]
    fn block_size_changes_nothing_and_frames_cover_the_signal() {
        let x: Vec<f32> = (0..5_003).map(|i| ((i * i) as f32 * 0.003).sin()).collect();
        let (a, b) = (frames(&x, 17), frames(&x, 5_003));
        assert_eq!(a.len(), 5_003usize.div_ceil(240));
        assert_eq!(a, b);
    }

    #[test]
    fn the_strongest_are_kept_and_what_lies_high_takes_no_place_from_the_rest() {
        // Sixty tones, the stronger the higher.
        let hz = |i: usize| 40.0 + 28.0 * i as f64;
        let tone = |i: usize, at: f64| (1.0 + i as f64) * (std::f64::consts::TAU * hz(i) * at / 6000.0).sin();
        let x: Vec<f32> = (0..6000).map(|n| (0..59).map(|i| 1e-4 * tone(i, n as f64)).sum::<f64>() as f32).collect();
        let peaks = &frames(&x, 6000)[12];
        let high = peaks.iter().filter(|p| p.hz >= 1500.0).count();
        assert_eq!((peaks.len(), high), (34, 2), "{peaks:?}");
        assert!(peaks.is_sorted_by(|a, b| a.hz < b.hz));
        assert!(peaks.iter().all(|p| p.hz > 550.0), "the weak low ones went");
    }

    #[test]
    fn silence_and_a_flat_spectrum_have_no_peak() {
        assert!(frames(&vec![0.0; 3000], 3000).iter().all(Vec::is_empty));
        assert_eq!(hann_peak(1.0, 1.0, 1.0), None);
    }

    #[test]
    fn the_loss_beside_the_middle_of_a_bin_is_that_of_the_window() {
        for step in 1..=600 {
            let d = f64::from(step) / 1000.0;
            let x = std::f64::consts::PI * d;
            assert!((hann_loss(d) - x.sin() / x / (1.0 - d * d)).abs() < 1e-9, "{d}");
        }
        assert!((hann_loss(0.0) - 1.0).abs() < 1e-9);
    }
}
