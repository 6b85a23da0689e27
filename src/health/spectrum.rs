//! Where the recording chain stops hearing: low cut, high cut, from the loud and from the quiet moments alike.
//!
//! Conventions: levels in dBFS a third octave band, centres 1000 Hz * 2^(k/3) (base-two series), from the long spectra.
//! A chain attenuates everything it records: a low cut is believed only when the music and the room noise both show it.

use crate::dsp::PowerFrame;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::stats::Measured;

/// Third-octave bands from 25 Hz to 20 kHz.
const BANDS: usize = 30;
const FIRST_BAND: i32 = -16;
/// Levels in 1 dB steps from -130 dBFS.
const LEVELS: usize = 136;
const LOWEST_DBFS: f64 = -130.0;
/// Shares of the time that make the quiet and the loud spectrum.
const QUIET_SHARE: f64 = 0.1;
const LOUD_SHARE: f64 = 0.9;

/// Histogram of the level of every band.
#[derive(Clone)]
pub struct BandwidthMeter {
    counts: Vec<[u32; LEVELS]>,
    edges: Vec<usize>,
    frames: u64,
}

impl Default for BandwidthMeter {
    fn default() -> Self {
        let edges = (0..=BANDS as i32)
            .map(|b| (centre_hz(b) * 2f64.powf(-1.0 / 6.0) / LONG_FRAMING.bin_hz()).round() as usize)
            .collect();
        Self { counts: vec![[0; LEVELS]; BANDS], edges, frames: 0 }
    }
}

fn centre_hz(band: i32) -> f64 {
    1000.0 * 2f64.powf(f64::from(band + FIRST_BAND) / 3.0)
}

impl BandwidthMeter {
    /// Takes a long spectrum.
    pub fn push(&mut self, spectrum: &PowerFrame) {
        self.frames += 1;
        for (count, edge) in self.counts.iter_mut().zip(self.edges.windows(2)) {
            let sum: f32 = spectrum.power[edge[0]..edge[1]].iter().sum();
            let db = 10.0 * f64::from(sum.max(1e-13)).log10() - LOWEST_DBFS;
            count[(db.round().max(0.0) as usize).min(LEVELS - 1)] += 1;
        }
    }

    fn levels(&self, share: f64) -> Vec<f64> {
        let wanted = (self.frames as f64 * share).ceil().max(1.0);
        self.counts
            .iter()
            .map(|counts| {
                let mut seen = 0.0;
                let at = counts.iter().position(|n| {
                    seen += f64::from(*n);
                    seen >= wanted
                });
                LOWEST_DBFS + at.unwrap_or(0) as f64
            })
            .collect()
    }

    /// Corner of a high-pass in the chain, -6 dB against the band above.
    pub fn low_cut(&self) -> Measured {
        if self.frames < 24 {
            return Measured::absent("too_short");
        }
        let loud = cut_of(&self.levels(LOUD_SHARE));
        let quiet_levels = self.levels(QUIET_SHARE);
        // Digital silence has no spectrum to judge by.
        let quiet = if quiet_levels[4..16].iter().all(|l| *l > -115.0) { cut_of(&quiet_levels) } else { loud };
        match (loud, quiet) {
            (Some(a), Some(b)) => {
                let hz = a.min(b);
                Measured::new(hz, hz / 1.4, hz.max(a.max(b)) * 1.2, self.frames)
            }
            _ => Measured::absent("no_low_cut_heard"),
        }
    }

    /// Frequency above which the chain passes nothing.
    pub fn high_cut(&self, sample_rate_hz: u32) -> Measured {
        if self.frames < 24 {
            return Measured::absent("too_short");
        }
        let loud = self.levels(0.97);
        let top =
            (0..BANDS).rev().find(|b| centre_hz(*b as i32) * 2f64.powf(1.0 / 6.0) < 0.49 * f64::from(sample_rate_hz));
        let Some(top) = top else {
            return Measured::absent("rate_too_low");
        };
        let strongest = loud.iter().copied().fold(f64::MIN, f64::max);
        if strongest < -90.0 {
            return Measured::absent("silent");
        }
        // The topmost band that still holds something against the band below it.
        for band in (10..=top).rev() {
            let cliff = loud[band - 1] - loud[band];
            if cliff >= HIGH_CLIFF_DB && (band..=top).all(|b| loud[band - 1] - loud[b] >= HIGH_CLIFF_DB) {
                let hz = centre_hz(band as i32) * 2f64.powf(-1.0 / 6.0);
                return Measured::new(hz, hz * 2f64.powf(-1.0 / 6.0), hz * 2f64.powf(1.0 / 3.0), self.frames);
            }
        }
        Measured::absent("no_high_cut_heard")
    }
}

/// Fall from one third octave to the next that music and rooms do not have, dB.
const HIGH_CLIFF_DB: f64 = 14.0;

/// Corners that are tried, Hz.
const CORNERS: std::ops::Range<i32> = 0..33;

/// Corner of the second-order high-pass that explains the fall towards the low end best, if it explains much.
fn cut_of(levels: &[f64]) -> Option<f64> {
    let bands = 0..17; // 25 Hz to 1 kHz
    let fit = |corner: Option<f64>| -> f64 {
        let y: Vec<f64> = bands
            .clone()
            .map(|b| levels[b] - corner.map_or(0.0, |c| -10.0 * (1.0 + (c / centre_hz(b as i32)).powi(4)).log10()))
            .collect();
        residual_of_line(&y)
    };
    let plain = fit(None);
    let (corner, least) = CORNERS
        .map(|i| 40.0 * 2f64.powf(f64::from(i) / 10.0))
        .map(|c| (c, fit(Some(c))))
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    (least < 0.5 * plain && plain > 6.0).then_some(corner)
}

/// Mean squared distance in dB from the best straight line that does not rise with frequency.
fn residual_of_line(y: &[f64]) -> f64 {
    let n = y.len() as f64;
    let mx = (n - 1.0) / 2.0;
    let my = y.iter().sum::<f64>() / n;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (i, v) in y.iter().enumerate() {
        sxy += (i as f64 - mx) * (v - my);
        sxx += (i as f64 - mx).powi(2);
    }
    let slope = (sxy / sxx).min(0.3);
    y.iter().enumerate().map(|(i, v)| (v - my - slope * (i as f64 - mx)).powi(2)).sum::<f64>() / n
}
