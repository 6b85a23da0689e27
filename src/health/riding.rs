//! Gain riding: a recorder that turns its own level up and down.
//!
//! Conventions: levels in dBFS of 120 Hz..9 kHz, means over 0.43 s, one every 0.17 s. Any of three signs is enough: everything
//! that sounds has much the same level although the room between it is quieter; the room noise is lower under loud playing
//! than in the quiet, which no fixed gain can do; a band that plays evenly stands hardly over the talk between its takes
//! (`over_talk`).
//! Limits: a tape of music only (no quiet moment, no talk) shows no sign and is called not riding; riding that moves
//! the gain by less than about 10 dB, or only between the quiet and everything else, goes unseen.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::dsp::level_code::{FLOOR_DBFS, code_of, level_dbfs};
use crate::dsp::rows::Rows;
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::dsp::{ANALYSIS_RATE_HZ, PowerFrame, lanes};
use crate::stats::{Measured, quantile};
use crate::units::db_to_power;

use super::over_talk::OverTalk;

/// Edges of the bands in Hz.
const EDGES_HZ: [f64; BANDS + 1] = [30.0, 60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 6000.0, 9000.0, 16_000.0];
const BANDS: usize = 10;
/// Bands of the level, and the bands in which the room noise is followed.
const LEVEL_BANDS: std::ops::Range<usize> = 2..9;
const NOISE_BANDS: std::ops::Range<usize> = 1..9;
/// Digital silence.
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

/// Long spectra in a mean, and spectra from one kept mean to the next.
const MEAN_OF: usize = 5;
const KEPT_EVERY: u64 = 2;
/// Kept means a second.
const KEPT_A_SECOND: f64 = ANALYSIS_RATE_HZ as f64 / (LONG_FRAMING.hop as u64 * KEPT_EVERY) as f64;

/// Keeps one level a band and kept mean.
#[derive(Clone)]
pub struct RidingMeter {
    /// Band powers of the latest spectra.
    latest: VecDeque<[f32; BANDS]>,
    spectra: u64,
    kept: Rows,
    levels: OverTalk,
}

impl Default for RidingMeter {
    fn default() -> Self {
        Self::on(None)
    }
}

impl RidingMeter {
    /// A meter at rest that keeps its rows on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self {
            latest: VecDeque::with_capacity(MEAN_OF),
            spectra: 0,
            kept: Rows::on(shelf.clone(), BANDS),
            levels: OverTalk::on(shelf),
        }
    }

    /// Takes a long spectrum.
    pub fn push(&mut self, spectrum: &PowerFrame) {
        let bin = |hz: f64| (hz / LONG_FRAMING.bin_hz()).round() as usize;
        let mut bands = [0.0; BANDS];
        for (power, edge) in bands.iter_mut().zip(EDGES_HZ.windows(2)) {
            *power = lanes::sum(&spectrum.power[bin(edge[0])..bin(edge[1])]);
        }
        self.levels.push(bands.iter().sum());
        if self.latest.len() == MEAN_OF {
            self.latest.pop_front();
        }
        self.latest.push_back(bands);
        self.spectra += 1;
        if self.latest.len() == MEAN_OF && self.spectra % KEPT_EVERY == 1 {
            self.keep();
        }
    }

    fn keep(&mut self) {
        let mean = |b: usize| self.latest.iter().map(|l| l[b]).sum::<f32>() / MEAN_OF as f32;
        let row: [u8; BANDS] = std::array::from_fn(|b| code_of(mean(b)));
        self.kept.push(&row);
    }

    /// The signs, or the reason why there are none.
    pub fn signs(&self) -> Result<Signs, &'static str> {
        let kept = self.kept.view();
        let live: Vec<Bands> = kept.range(0..kept.len()).map(Bands::of).filter(Bands::sounds).collect();
        if live.is_empty() {
            return Err("silent");
        }
        if live.len() as f64 / KEPT_A_SECOND < LEAST_S {
            return Err("too_short");
        }
        let levels: Vec<f64> = live.iter().map(Bands::level).collect();
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

    /// Does the recorder ride its gain? `talk` and `takes` are the passages of those kinds, s.
    pub fn finish(&self, talk: &[(f64, f64)], takes: &[(f64, f64)]) -> Measured<bool> {
        match self.signs() {
            Ok(signs) => {
                let over_talk = self.levels.score(talk, takes).unwrap_or(f64::NEG_INFINITY);
                Measured::plain(signs.score().max(over_talk) > 0.0, self.spectra)
            }
            Err(reason) => Measured::absent(reason),
        }
    }
}

/// Levels of the bands, dBFS.
struct Bands([f64; BANDS]);

impl Bands {
    fn of(row: &[u8]) -> Self {
        Self(std::array::from_fn(|b| row.get(b).map_or(FLOOR_DBFS, |code| level_dbfs(*code))))
    }

    fn level(&self) -> f64 {
        10.0 * self.0[LEVEL_BANDS].iter().map(|b| db_to_power(*b)).sum::<f64>().log10()
    }

    fn sounds(&self) -> bool {
        self.level() > SILENCE_DBFS
    }
}

fn deviation(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
}

/// Share of the frames whose bands all but one sit within [`AT_REST_DB`] of the quietest moments.
fn room_noise_share(frames: &[Bands], levels: &[f64]) -> f64 {
    let limit = quantile(levels, 0.04).unwrap_or(FLOOR_DBFS);
    let mut rest = [0.0; BANDS];
    for (band, level) in rest.iter_mut().enumerate() {
        let quiet: Vec<f64> = frames.iter().zip(levels).filter(|(_, l)| **l <= limit).map(|(f, _)| f.0[band]).collect();
        *level = quantile(&quiet, 0.5).unwrap_or(FLOOR_DBFS);
    }
    let at_rest =
        |f: &Bands| LEVEL_BANDS.filter(|b| (f.0[*b] - rest[*b]).abs() < AT_REST_DB).count() + 1 >= LEVEL_BANDS.len();
    frames.iter().filter(|f| at_rest(f)).count() as f64 / frames.len() as f64
}

/// Fall of each band's low end in the louder half below its middle in the quietest moments.
fn noise_drop_db(frames: &[Bands], levels: &[f64], low: f64, middle: f64) -> f64 {
    let pick = |band: usize, wanted: &dyn Fn(f64) -> bool| -> Vec<f64> {
        frames.iter().zip(levels).filter(|(_, l)| wanted(**l)).map(|(f, _)| f.0[band].max(-100.0)).collect()
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
