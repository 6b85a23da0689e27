//! Where the recording chain stops hearing: low cut, high cut, from the loud and from the quiet moments alike.
//!
//! Conventions: levels in dBFS a third octave band, centres 1000 Hz * 2^(k/3) (base-two series), from the long spectra.
//! A low cut is heard in the room noise, which falls towards it as a second-order high-pass does and no room's own noise; the music
//! refutes it where it would have to be deeper than music is without it. Limits: where the noise of the room rises steeply towards the
//! low end, a cut below some 80 Hz bends it too little to be told; the quiet moments of less than a minute are few.
//!
//! Known accuracy of the low cut, on 60 rendered tapes that nothing was chosen on: 11 of 11 found (60 to 150 Hz), 10 of them within a
//! third of an octave, none told on 49 without one (`benches/README.md`).

use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{PowerFrame, lanes};
use crate::stats::Measured;

/// Third-octave bands from 25 Hz to 20 kHz.
const BANDS: usize = 30;
const FIRST_BAND: i32 = -16;
/// Levels in 1 dB steps from -130 dBFS.
const LEVELS: usize = 136;
const LOWEST_DBFS: f64 = -130.0;
/// Spectra that a verdict needs.
const LEAST_FRAMES: u64 = 12;
/// Shares of the time that make the quiet and the loud spectrum.
const QUIET_SHARE: f64 = 0.05;
const LOUD_SHARE: f64 = 0.9;

/// Histogram of the level of every band.
#[derive(Clone)]
pub struct BandwidthMeter {
    counts: Vec<[u32; LEVELS]>,
    high: Vec<[u32; LEVELS]>,
    edges: Vec<usize>,
    frames: u64,
}

impl Default for BandwidthMeter {
    fn default() -> Self {
        let edges = (0..=BANDS as i32)
            .map(|b| (centre_hz(b) * 2f64.powf(-1.0 / 6.0) / LONG_FRAMING.bin_hz()).round() as usize)
            .collect();
        Self { counts: vec![[0; LEVELS]; BANDS], high: vec![[0; LEVELS]; HIGH_BANDS], edges, frames: 0 }
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
            let sum = lanes::sum(&spectrum.power[edge[0]..edge[1]]);
            count[code(sum)] += 1;
        }
        let bin = |i: usize| ((HIGH_FIRST_HZ + i as f64 * HIGH_STEP_HZ) / LONG_FRAMING.bin_hz()).round() as usize;
        for (i, count) in self.high.iter_mut().enumerate() {
            let sum = lanes::sum(&spectrum.power[bin(i)..bin(i + 1)]);
            count[code(sum)] += 1;
        }
    }

    fn levels(&self, share: f64) -> Vec<f64> {
        let wanted = (self.frames as f64 * share).ceil().max(1.0);
        self.counts.iter().map(|counts| LOWEST_DBFS + place_of(counts, wanted) as f64).collect()
    }

    /// Corner of a high-pass in the chain: -3 dB of the second order that fits.
    pub fn low_cut(&self) -> Measured {
        if self.frames < LEAST_FRAMES {
            return Measured::absent("too_short");
        }
        let quiet = density(&self.noise());
        if quiet[..NOISE_FIT].iter().any(|l| *l < -125.0) {
            return Measured::absent("no_room_noise_to_judge_by");
        }
        match cut_of_noise(&quiet).filter(|corner| music_allows(&self.levels(LOUD_SHARE), *corner)) {
            Some(corner) => Measured::new(corner, corner / CUT_FACTOR, corner * CUT_FACTOR, self.frames),
            None => Measured::absent("no_low_cut_heard"),
        }
    }

    /// Level of the room noise in every band, which the quietest moments of a narrow band understate.
    fn noise(&self) -> Vec<f64> {
        let bands = self.edges.windows(2).map(|edge| (edge[1] - edge[0]) as f64);
        self.levels(QUIET_SHARE).iter().zip(bands).map(|(level, bins)| level - quiet_moment_db(bins)).collect()
    }

    /// Frequency above which the chain passes nothing.
    pub fn high_cut(&self, sample_rate_hz: u32) -> Measured {
        if self.frames < LEAST_FRAMES {
            return Measured::absent("too_short");
        }
        let wanted = (self.frames as f64 * HIGH_SHARE).ceil();
        let level: Vec<f64> = self.high.iter().map(|counts| LOWEST_DBFS + place_of(counts, wanted) as f64).collect();
        if level.iter().all(|l| *l < -100.0) {
            return Measured::absent("silent");
        }
        let half = f64::from(sample_rate_hz.min(48_000)) / 2.0;
        let top = ((half * 0.985 - HIGH_FIRST_HZ) / HIGH_STEP_HZ) as usize;
        let cliff = |i: usize| -> f64 {
            let above =
                (((HIGH_FIRST_HZ + i as f64 * HIGH_STEP_HZ) * THIRD - HIGH_FIRST_HZ) / HIGH_STEP_HZ).ceil() as usize;
            if above + 1 >= top.min(level.len()) {
                return 0.0;
            }
            level[i] - level[above..top.min(level.len())].iter().copied().fold(f64::MIN, f64::max)
        };
        let best = (0..level.len()).map(|i| (i, cliff(i))).max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((at, _)) = best.filter(|(_, fall)| *fall >= HIGH_CLIFF_DB) else {
            return Measured::absent("no_high_cut_heard");
        };
        // The edge: the last band that keeps within 6 dB of the one where the fall begins.
        let edge = (at..level.len()).take_while(|i| level[*i] >= level[at] - 6.0).last().unwrap_or(at);
        let hz = HIGH_FIRST_HZ + (edge as f64 + 1.0) * HIGH_STEP_HZ;
        if hz > HIGH_NO_CUT * half {
            return Measured::absent("no_high_cut_heard");
        }
        Measured::new(hz, hz - HIGH_STEP_HZ, hz + HIGH_STEP_HZ, self.frames)
    }
}

/// Bands of the upper range: 250 Hz wide from 2.5 kHz up to 24 kHz.
const HIGH_FIRST_HZ: f64 = 2500.0;
const HIGH_STEP_HZ: f64 = 250.0;
const HIGH_BANDS: usize = 86;
/// Share of the time below the level of a band that counts as loud.
const HIGH_SHARE: f64 = 0.97;
/// A cut this close to half the sampling rate is the converter's own.
const HIGH_NO_CUT: f64 = 0.91;
/// A third of an octave.
const THIRD: f64 = 1.259_921;
/// Fall within a third octave that music and rooms do not have, dB.
const HIGH_CLIFF_DB: f64 = 12.0;

fn place_of(counts: &[u32; LEVELS], wanted: f64) -> usize {
    let mut seen = 0.0;
    let at = counts.iter().position(|n| {
        seen += f64::from(*n);
        seen >= wanted
    });
    at.unwrap_or(0)
}

fn code(sum: f32) -> usize {
    let db = 10.0 * f64::from(sum.max(1e-13)).log10() - LOWEST_DBFS;
    (db.round().max(0.0) as usize).min(LEVELS - 1)
}

/// Bands of the fit to the room noise: 25 Hz to 1 kHz.
const NOISE_FIT: usize = 17;
/// From here on upwards room noise may fall faster than below: 315 Hz.
const NOISE_KNEE: usize = 11;
/// Slopes of room noise, dB a third octave: below the knee, and what is added above.
const NOISE_SLOPES: (f64, f64) = (-2.5, 0.3);
/// Bands whose loud level stands for the music above the cut: 160 to 500 Hz.
const ABOVE_CUT: std::ops::Range<usize> = 8..14;
/// Music that would be louder than this in a band below, without the cut, than it is above, refutes the cut, dB.
const DEEPEST_DB: f64 = 22.0;
/// A corner explains the noise when it leaves less than this share of the misfit, and when there was misfit, dB^2.
const EXPLAINED: f64 = 0.35;
const LEAST_MISFIT: f64 = 6.0;
/// Corners that are tried: 40 Hz to 368 Hz.
const FIRST_CORNER_HZ: f64 = 40.0;
const CORNERS: usize = 33;
const CORNERS_AN_OCTAVE: f64 = 10.0;
/// A corner is within this factor of the truth on 19 of 20 tapes.
const CUT_FACTOR: f64 = 1.5;
const SLOPE_ROUNDS: usize = 60;
/// Of the power of noise in a band the quietest moments show the level that 3 of 10 lie under: standard normal deviate.
const QUIET_DEVIATE: f64 = -0.5244;

/// What a second-order high-pass takes away at `hz`, dB.
fn cut_db(corner_hz: f64, hz: f64) -> f64 {
    10.0 * (1.0 + (corner_hz / hz).powi(4)).log10()
}

/// Where the level of noise in a band of so many bins lies in quiet moments against its mean, dB (under it): chi squared (Wilson and Hilferty's
/// approximation, from memory), the bins of a Hann window being alike by 4 in 9 to the next and 1 in 36 to the one after that.
fn quiet_moment_db(bins: f64) -> f64 {
    let variance = bins + 2.0 * (bins - 1.0).max(0.0) * 4.0 / 9.0 + 2.0 * (bins - 2.0).max(0.0) / 36.0;
    let spread = 2.0 / (9.0 * 2.0 * bins * bins / variance);
    30.0 * (1.0 - spread + QUIET_DEVIATE * spread.sqrt()).log10()
}

/// Levels a Hz instead of levels a band, on an arbitrary common scale.
fn density(levels: &[f64]) -> Vec<f64> {
    levels.iter().enumerate().map(|(b, l)| l - 10.0 * (centre_hz(b as i32) / centre_hz(0)).log10()).collect()
}

/// Could music with these loud levels have been cut at `corner`?
fn music_allows(levels: &[f64], corner: f64) -> bool {
    let above = levels[ABOVE_CUT].iter().sum::<f64>() / ABOVE_CUT.len() as f64;
    (0..ABOVE_CUT.start).all(|b| levels[b] + cut_db(corner, centre_hz(b as i32)) - above <= DEEPEST_DB)
}

/// Corner of the second-order high-pass that explains the fall of the room noise towards the low end, if it explains much.
fn cut_of_noise(density: &[f64]) -> Option<f64> {
    // Hum and other lines stand out of the noise by themselves: a band is held to 3 dB over its lower neighbours.
    let smooth: Vec<f64> = (0..NOISE_FIT)
        .map(|b| {
            let around = if b == 0 { density[1] } else { density[b - 1].max(density[b + 1]) };
            density[b].min(around + 2.0)
        })
        .collect();
    let fit = |corner: Option<f64>| -> f64 {
        let cut = |b: usize| corner.map_or(0.0, |c| cut_db(c, centre_hz(b as i32)));
        misfit_of_room_noise(&smooth.iter().enumerate().map(|(b, l)| l + cut(b)).collect::<Vec<_>>())
    };
    let plain = fit(None);
    let corner_hz = |i: f64| FIRST_CORNER_HZ * 2f64.powf(i / CORNERS_AN_OCTAVE);
    let misfits: Vec<f64> = (0..CORNERS).map(|i| fit(Some(corner_hz(i as f64)))).collect();
    let (at, least) = misfits.iter().copied().enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?;
    // Between the corners tried: the lowest point of a parabola.
    let between = match at.checked_sub(1).and_then(|before| Some((misfits.get(before)?, misfits.get(at + 1)?))) {
        Some((before, after)) => 0.5 * (before - after) / (before - 2.0 * least + after).max(1e-9),
        None => 0.0,
    };
    (least < EXPLAINED * plain && plain > LEAST_MISFIT).then(|| corner_hz(at as f64 + between))
}

/// Mean squared distance in dB from the best course of room noise: a straight line that bends at a knee.
fn misfit_of_room_noise(y: &[f64]) -> f64 {
    let centred = |values: Vec<f64>| -> Vec<f64> {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|v| v - mean).collect()
    };
    let courses = [0, NOISE_KNEE].map(|from| centred((0..y.len()).map(|b| b.saturating_sub(from) as f64).collect()));
    let mut rest = centred(y.to_vec());
    let mut slopes = [0.0; 2];
    // Each slope in turn, within its limits, until both stand still.
    for _ in 0..SLOPE_ROUNDS {
        for (slope, course) in slopes.iter_mut().zip(&courses) {
            let square: f64 = course.iter().map(|c| c * c).sum();
            let best = *slope + course.iter().zip(&rest).map(|(c, r)| c * r).sum::<f64>() / square;
            let next = best.clamp(NOISE_SLOPES.0, NOISE_SLOPES.1);
            rest.iter_mut().zip(course).for_each(|(r, c)| *r -= (next - *slope) * c);
            *slope = next;
        }
    }
    rest.iter().map(|r| r * r).sum::<f64>() / y.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_moments_understate_the_noise_of_narrow_bands() {
        // The power of one bin is exponential: 3 of 10 lie under -ln 0.7 of the mean, in closed form.
        let one = 10.0 * (-(0.7f64.ln())).log10();
        assert!((quiet_moment_db(1.0) - one).abs() < 0.15, "{} {one}", quiet_moment_db(1.0));
        assert!(quiet_moment_db(4.0) < -1.0 && quiet_moment_db(4.0) > quiet_moment_db(2.0));
        assert!(quiet_moment_db(1000.0) > -0.2);
    }

    #[test]
    fn a_line_that_bends_at_the_knee_is_room_noise_and_one_that_a_high_pass_bends_is_not() {
        let line = |slope: f64, beyond: f64| -> Vec<f64> {
            (0..BANDS).map(|b| slope * b as f64 + beyond * b.saturating_sub(NOISE_KNEE) as f64).collect()
        };
        for (slope, beyond) in [(0.0, 0.0), (-1.0, 0.0), (-2.0, -2.0), (0.2, -1.5)] {
            let y = line(slope, beyond);
            assert!(misfit_of_room_noise(&y[..NOISE_FIT]) < 1e-3, "{slope} {beyond}");
            assert_eq!(cut_of_noise(&y), None, "{slope} {beyond}");
            for hz in [110.0, 150.0] {
                let cut: Vec<f64> = y.iter().enumerate().map(|(b, l)| l - cut_db(hz, centre_hz(b as i32))).collect();
                let found = cut_of_noise(&cut).unwrap();
                assert!((found / hz).log2().abs() < 0.05, "{slope} {beyond} {hz}: {found}");
            }
        }
    }
}
