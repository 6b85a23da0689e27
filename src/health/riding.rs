//! Gain riding: a recorder that turns its own level up and down.
//!
//! Conventions: levels in dBFS of 120 Hz..9 kHz, means over 0.43 s. Two signs are weighed together: everything that sounds
//! has much the same level although the room between it is quieter; or the room noise is lower under loud playing than
//! in the quiet, which no fixed gain can do.
//! Limits: a tape without any quiet moment (music only) shows neither sign and is called not riding; riding that moves
//! the gain by less than about 10 dB, or only between the quiet and everything else, goes unseen.

use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{PowerFrame, lanes};
use crate::stats::{Measured, quantile};

/// Edges of the bands in Hz.
const EDGES_HZ: [f64; BANDS + 1] = [30.0, 60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 6000.0, 9000.0, 16_000.0];
const BANDS: usize = 10;
/// Bands of the level, and the bands in which the room noise is followed.
const LEVEL_BANDS: std::ops::Range<usize> = 2..9;
const NOISE_BANDS: std::ops::Range<usize> = 1..9;
/// Lowest level that is kept; digital silence.
const FLOOR_DBFS: f64 = -120.0;
const SILENCE_DBFS: f64 = -95.0;
/// Least length of sound that the signs need, s.
const LEAST_S: f64 = 15.0;

/// Signs of gain riding.
#[derive(Clone, Debug, PartialEq)]
pub struct Signs {
    /// 97 % level minus median level, dB.
    pub loud_over_middle_db: f64,
    /// 97 % level minus 25 % level, dB.
    pub loud_over_lower_db: f64,
    /// 97 % level minus 3 % level, dB.
    pub range_db: f64,
    /// Standard deviation of the level of all that stands 6 dB over the quiet, dB.
    pub active_spread_db: f64,
    /// Share of the time in which every band sits at the level that it has in the quietest moments: room noise.
    pub room_noise_share: f64,
    /// How far the bands fall below the room noise of the quiet while it is loud, dB, mean of the bands.
    pub noise_drop_db: f64,
}

/// Keeps one level a band and long spectrum.
#[derive(Clone, Default)]
pub struct RidingMeter {
    frames: Vec<[u8; BANDS]>,
}

impl RidingMeter {
    /// Takes a long spectrum.
    pub fn push(&mut self, spectrum: &PowerFrame) {
        let bin = |hz: f64| (hz / LONG_FRAMING.bin_hz()).round() as usize;
        let mut frame = [0; BANDS];
        for (code, edge) in frame.iter_mut().zip(EDGES_HZ.windows(2)) {
            let sum = lanes::sum(&spectrum.power[bin(edge[0])..bin(edge[1])]);
            let db = 10.0 * f64::from(sum.max(1e-12)).log10();
            *code = (2.0 * (db - FLOOR_DBFS)).round().clamp(0.0, 255.0) as u8;
        }
        self.frames.push(frame);
    }

    /// The signs, or the reason why there are none.
    pub fn signs(&self) -> Result<Signs, &'static str> {
        let live: Vec<[f64; BANDS]> = self.smoothed().into_iter().filter(|b| level(b) > SILENCE_DBFS).collect();
        if live.is_empty() {
            return Err("silent");
        }
        if (live.len() as f64) * LONG_FRAMING.hop_s() < LEAST_S {
            return Err("too_short");
        }
        let levels: Vec<f64> = live.iter().map(level).collect();
        let at = |q: f64| quantile(&levels, q).unwrap_or(FLOOR_DBFS);
        let (low, lower, middle, loud) = (at(0.03), at(0.25), at(0.5), at(0.97));
        let active: Vec<f64> = levels.iter().copied().filter(|l| *l > low + 6.0).collect();
        let active = if active.len() > levels.len() / 5 { active } else { levels.clone() };
        Ok(Signs {
            loud_over_middle_db: loud - middle,
            loud_over_lower_db: loud - lower,
            range_db: loud - low,
            active_spread_db: deviation(&active),
            room_noise_share: room_noise_share(&live, &levels),
            noise_drop_db: noise_drop_db(&live, &levels, low, middle),
        })
    }

    /// Does the recorder ride its gain?
    pub fn finish(&self) -> Measured<bool> {
        match self.signs() {
            Ok(signs) => Measured::plain(signs.score() > 0.0, self.frames.len() as u64),
            Err(reason) => Measured::absent(reason),
        }
    }

    /// Band levels, power mean over five frames.
    fn smoothed(&self) -> Vec<[f64; BANDS]> {
        let power: Vec<[f64; BANDS]> =
            self.frames.iter().map(|f| f.map(|c| 10f64.powf((f64::from(c) * 0.5 + FLOOR_DBFS) / 10.0))).collect();
        (0..power.len())
            .map(|i| {
                let around = &power[i.saturating_sub(2)..(i + 3).min(power.len())];
                let mut mean = [0.0; BANDS];
                for (b, m) in mean.iter_mut().enumerate() {
                    *m = 10.0 * (around.iter().map(|f| f[b]).sum::<f64>() / around.len() as f64).log10();
                }
                mean
            })
            .collect()
    }
}

fn level(bands: &[f64; BANDS]) -> f64 {
    10.0 * bands[LEVEL_BANDS].iter().map(|b| 10f64.powf(b / 10.0)).sum::<f64>().log10()
}

fn deviation(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
}

/// Share of the frames whose bands all but one sit within [`AT_REST_DB`] of the quietest moments.
fn room_noise_share(frames: &[[f64; BANDS]], levels: &[f64]) -> f64 {
    let limit = quantile(levels, 0.04).unwrap_or(FLOOR_DBFS);
    let mut rest = [0.0; BANDS];
    for (band, level) in rest.iter_mut().enumerate() {
        let quiet: Vec<f64> = frames.iter().zip(levels).filter(|(_, l)| **l <= limit).map(|(f, _)| f[band]).collect();
        *level = quantile(&quiet, 0.5).unwrap_or(FLOOR_DBFS);
    }
    let at_rest = |f: &[f64; BANDS]| {
        LEVEL_BANDS.filter(|b| (f[*b] - rest[*b]).abs() < AT_REST_DB).count() + 1 >= LEVEL_BANDS.len()
    };
    frames.iter().filter(|f| at_rest(f)).count() as f64 / frames.len() as f64
}

/// Fall of each band's low end in the louder half below its middle in the quietest moments.
fn noise_drop_db(frames: &[[f64; BANDS]], levels: &[f64], low: f64, middle: f64) -> f64 {
    let pick = |band: usize, wanted: &dyn Fn(f64) -> bool| -> Vec<f64> {
        frames.iter().zip(levels).filter(|(_, l)| wanted(**l)).map(|(f, _)| f[band].max(-100.0)).collect()
    };
    let mut sum = 0.0;
    for band in NOISE_BANDS {
        let quiet = quantile(&pick(band, &|l| l <= low + 1.0), 0.5);
        let under = quantile(&pick(band, &|l| l >= middle), 0.02);
        if let (Some(quiet), Some(under)) = (quiet, under) {
            sum += (quiet - under - 1.0).clamp(0.0, 12.0);
        }
    }
    sum / NOISE_BANDS.len() as f64
}

/// Room noise is steady within this, dB.
const AT_REST_DB: f64 = 2.5;
/// Evenness shows only against something quieter: range that the tape must have, dB, when it holds room noise for at
/// least [`ROOM_NOISE_SHARE`] of the time, and when it does not.
const RANGE_WITH_NOISE_DB: f64 = 12.0;
const RANGE_WITHOUT_NOISE_DB: f64 = 20.0;
const ROOM_NOISE_SHARE: f64 = 0.03;
/// Everything that sounds is even when its spread and a quarter of the distance of the quieter half from the loudest stay
/// below this, dB. Found on 130 rendered tapes with and without riding: with it 2.5 to 5.1, without it from 5.4 on.
const EVEN_DB: f64 = 5.25;
const EVEN_DISTANCE_WEIGHT: f64 = 0.25;
/// Room noise that falls this far under loud playing is enough by itself, dB.
const NOISE_DROP_DB: f64 = 2.2;

impl Signs {
    /// How clearly the gain rides: above 0 it does; about dB.
    pub fn score(&self) -> f64 {
        let range =
            if self.room_noise_share >= ROOM_NOISE_SHARE { RANGE_WITH_NOISE_DB } else { RANGE_WITHOUT_NOISE_DB };
        let unevenness = self.active_spread_db + EVEN_DISTANCE_WEIGHT * self.loud_over_lower_db;
        let even = (EVEN_DB - unevenness).min(self.range_db - range);
        even.max(self.noise_drop_db - NOISE_DROP_DB)
    }
}
