//! The sum behind the readings of a bass: what all share, what a string, a key and a partial add, and how sure each is.
//!
//! Conventions: cents, plus = sharp, around a centre that is known to some cents; partials count from 1 in readings and from
//! 0 in tables. Unknowns in this order: common, keys, partials, strings.
//!
//! Method: expectation (whose reading it is: the bass's, the band's, nothing's, by whose the power of its band is where the layers tell that; how
//! far out in Student's tails) and
//! maximisation (the sum by weighted least squares with priors, then the spreads), a fixed number of rounds.
//!
//! Limits: what all partials of a bass have in common is not told from its pitch.

use crate::dsp::partials::weighted_median;

use super::beginning::Beginning;
use super::circle::{STUDENT4_PEAK, mean, student4, wrap};
use super::compact::HOP_S;
use super::line::Run;
use super::readings::{PARTIALS, Reading};
use super::trend::CellReading;

/// Partials whose agreement tells how clear a bass is.
const LOWEST: usize = 3;
/// Spread of a reading before anything is heard, cents, and how many readings that is worth.
const READING_SPREAD: [f64; PARTIALS] = [4.8, 3.0, 3.0, 3.6, 4.8, 4.8];
const READING_COUNT: f64 = 10.0;
const SPREAD_RANGE: (f64, f64) = (2.0, 20.0);
/// Spread of keys and of strings before anything is heard, cents, and how many of them that is worth.
const KEY_SPREAD: (f64, f64) = (2.0, 4.0);
const STRING_SPREAD: (f64, f64) = (3.0, 3.0);
/// Lowest keys of the strings in the first position; what lies below counts with the first.
pub const STRING_FROM: [i64; 4] = [28, 33, 38, 43];
/// Where nobody knows whose the power is: share of readings that are the band's, below and above the register where comping begins; of those
/// that are nothing's.
const BAND_SHARE: (f64, f64) = (0.05, 0.4);
const BAND_FROM_HZ: (f64, f64) = (135.0, 12.0);
const BAND_SPREAD: f64 = 5.0;
const STRAY_SHARE: f64 = 0.12;
/// Where it is known: what of the power that is not the bass's makes readings of the band's, and readings of nothing's; of these there are some
/// besides. A reading counts by this power of the bass's share, of at least so much. Chosen on 830 takes of rendered tapes (twelve seeds and the
/// shared ones) by how far takes lie from the middle of their kind of bass: 1.6 cents in the mean instead of 2.0; flat around these values.
const NOT_OWN: Others = Others { band: 0.2, stray: 0.5 };
const STRAY_BESIDES: f64 = 0.05;
const SHARE_POWER: i32 = 2;
const LEAST_SHARE: f64 = 0.02;
/// Readings of one note are not independent: their weight counts by this.
const READING_POWER: f64 = 0.6;
/// Rounds of the fit.
pub const ROUNDS: usize = 25;

/// How likely a reading is the band's, and how likely nothing's.
#[derive(Clone, Copy)]
struct Others {
    band: f64,
    stray: f64,
}

impl Others {
    /// By whose the power is, or by the register; a band that nobody heard has no readings.
    fn of(reading: &Reading, band_heard: bool) -> Self {
        let by_register = || BAND_SHARE.0 + BAND_SHARE.1 * logistic((reading.hz - BAND_FROM_HZ.0) / BAND_FROM_HZ.1);
        let (band, stray) = match reading.share {
            Some(share) => (NOT_OWN.band * (1.0 - share), NOT_OWN.stray * (1.0 - share) + STRAY_BESIDES),
            None => (by_register(), STRAY_SHARE),
        };
        Self { band: if band_heard { band } else { 0.0 }, stray }
    }
}

/// What a reading counts for whose it is.
fn own_weight(reading: &Reading) -> f64 {
    reading.share.map_or(1.0, |share| share.max(LEAST_SHARE).powi(SHARE_POWER))
}

/// One key's pitch in a take.
#[derive(Clone, Copy, Debug)]
pub struct KeyOffset {
    /// MIDI number.
    pub key: i64,
    /// Offset in cents, its string's part in it.
    pub cents: f64,
    /// Its standard deviation against the mean of all keys by their time, cents.
    pub sigma: f64,
    /// Share of the take's playing time.
    pub share: f64,
}

/// 1 / (1 + e^-x).
pub fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// The fit: the readings as it sees them, and what it knows so far.
pub struct Model {
    offset: Vec<f64>,
    number: Vec<usize>,
    key_of: Vec<usize>,
    string_of: Vec<usize>,
    own_sigma: Vec<f64>,
    count: Vec<f64>,
    band: Vec<f64>,
    others: Vec<Others>,
    /// What each counts for whose it is.
    own: Vec<f64>,
    key_numbers: Vec<i64>,
    /// String of each key.
    strings: Vec<usize>,
    unknowns: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    /// Where the partials are expected, and how surely.
    beginning: Beginning,
    /// Spread of each partial's readings.
    pub sigma: [f64; PARTIALS],
    key_sigma: f64,
    string_sigma: f64,
    weight: Vec<f64>,
    run_key: Vec<usize>,
}

/// String on which a key is played in the first position, from 0.
pub fn string_of(key: i64) -> usize {
    STRING_FROM.iter().skip(1).take_while(|from| key >= **from).count()
}

impl Model {
    /// Of `readings` of `runs` around `centre`, of a bass whose notes begin as `beginning` says.
    pub fn new(readings: &[Reading], runs: &[Run], centre: f64, band_cents: Option<f64>, beginning: Beginning) -> Self {
        let key = |midi: f64| ((100.0 * midi - centre) / 100.0).round() as i64;
        let mut key_numbers: Vec<i64> = runs.iter().map(|r| key(r.midi)).collect();
        let run_keys = key_numbers.clone();
        key_numbers.sort_unstable();
        key_numbers.dedup();
        let place = |k: i64| key_numbers.partition_point(|x| *x < k);
        let run_key: Vec<usize> = run_keys.iter().map(|k| place(*k)).collect();
        let strings: Vec<usize> = key_numbers.iter().map(|k| string_of(*k)).collect();
        let offset: Vec<f64> =
            readings.iter().map(|r| centre + wrap(r.cents - 100.0 * run_keys[r.run] as f64 - centre)).collect();
        let band = offset
            .iter()
            .map(|y| {
                band_cents.map_or(0.01, |b| {
                    (-0.5 * (wrap(y - b) / BAND_SPREAD).powi(2)).exp() / (BAND_SPREAD * std::f64::consts::TAU.sqrt())
                })
            })
            .collect();
        let size = 1 + key_numbers.len() + PARTIALS + STRING_FROM.len();
        let mut unknowns = vec![0.0; size];
        unknowns[0] = centre;
        Self {
            number: readings.iter().map(|r| r.number - 1).collect(),
            key_of: readings.iter().map(|r| run_key[r.run]).collect(),
            string_of: readings.iter().map(|r| strings[run_key[r.run]]).collect(),
            own_sigma: readings.iter().map(|r| r.own_sigma).collect(),
            count: readings.iter().map(|r| (r.frames.min(4) as f64) / 4.0).collect(),
            own: readings.iter().map(own_weight).collect(),
            others: readings.iter().map(|r| Others::of(r, band_cents.is_some())).collect(),
            band,
            offset,
            strings,
            covariance: vec![vec![0.0; size]; size],
            unknowns,
            beginning,
            sigma: READING_SPREAD,
            key_sigma: KEY_SPREAD.0,
            string_sigma: STRING_SPREAD.0,
            weight: vec![0.0; readings.len()],
            key_numbers,
            run_key,
        }
    }

    fn places(&self, i: usize) -> [usize; 4] {
        let keys = self.key_numbers.len();
        [0, 1 + self.key_of[i], 1 + keys + self.number[i], 1 + keys + PARTIALS + self.string_of[i]]
    }

    /// One round: weights from the residuals, the unknowns from the weights, the spreads from both.
    pub fn round(&mut self) -> Option<()> {
        let size = self.unknowns.len();
        let keys = self.key_numbers.len();
        let mut a = vec![vec![0.0; size]; size];
        let mut b = vec![0.0; size];
        let mut residual = vec![0.0; self.offset.len()];
        let mut own_share = vec![0.0; self.offset.len()];
        for i in 0..self.offset.len() {
            let reading = self.offset[i] - self.beginning.cents[self.number[i]];
            let places = self.places(i);
            let r = reading - places.iter().map(|p| self.unknowns[*p]).sum::<f64>();
            let sigma = self.sigma[self.number[i]].hypot(self.own_sigma[i]);
            let Others { band, stray } = self.others[i];
            let own = (1.0 - band - stray) * STUDENT4_PEAK / sigma * student4(r / sigma);
            let other = band * self.band[i] + stray * 0.01;
            (residual[i], own_share[i]) = (r, own / (own + other));
            let w = own_share[i] * 5.0 / (4.0 + (r / sigma).powi(2)) / (sigma * sigma);
            let w = w * self.own[i] * self.count[i] * READING_POWER;
            self.weight[i] = w;
            for p in places {
                b[p] += w * reading;
                for q in places {
                    a[p][q] += w;
                }
            }
        }
        for (p, row) in a.iter_mut().enumerate() {
            let sigma = match p {
                0 => f64::INFINITY,
                p if p <= keys => self.key_sigma,
                p if p <= keys + PARTIALS => self.beginning.spread[p - keys - 1],
                _ => self.string_sigma,
            };
            row[p] += 1.0 / (sigma * sigma);
        }
        self.covariance = super::normal::inverse_of(a)?;
        self.unknowns = self.covariance.iter().map(|row| row.iter().zip(&b).map(|(c, b)| c * b).sum()).collect();
        self.key_sigma = self.spread(1..1 + keys, KEY_SPREAD);
        self.string_sigma = self.spread(1 + keys + PARTIALS..size, STRING_SPREAD);
        self.learn_spreads(&residual, &own_share);
        Some(())
    }

    fn spread(&self, of: std::ops::Range<usize>, (before, worth): (f64, f64)) -> f64 {
        let n = of.len() as f64;
        let sum: f64 = of.map(|p| self.unknowns[p].powi(2) + self.covariance[p][p]).sum();
        ((sum + worth * before * before) / (n + worth)).sqrt()
    }

    fn learn_spreads(&mut self, residual: &[f64], own_share: &[f64]) {
        for (number, usual) in READING_SPREAD.iter().enumerate() {
            let pairs: Vec<(f64, f64)> = (0..residual.len())
                .filter(|i| self.number[*i] == number)
                .map(|i| (residual[i].abs(), own_share[i] / (1.0 + self.own_sigma[i].powi(2) / 25.0)))
                .collect();
            let Some(middle) = weighted_median(&pairs).filter(|_| pairs.len() >= 3) else { continue };
            let n: f64 = pairs.iter().map(|p| p.1).sum();
            let square = (READING_COUNT * usual.powi(2) + n * (1.4826 * middle).powi(2)) / (READING_COUNT + n);
            self.sigma[number] = square.sqrt().clamp(SPREAD_RANGE.0, SPREAD_RANGE.1);
        }
    }

    /// What the keys say, those that were heard.
    pub fn keys(&self, readings: &[Reading], runs: &[Run]) -> Vec<KeyOffset> {
        let mut heard = vec![0.0; runs.len()];
        for (r, w) in readings.iter().zip(&self.weight) {
            heard[r.run] += w;
        }
        let mut seconds = vec![0.0; self.key_numbers.len()];
        for (i, run) in runs.iter().enumerate().filter(|(i, _)| heard[*i] > 1e-4) {
            seconds[self.run_key[i]] += (run.end - run.first) as f64 * HOP_S;
        }
        let total: f64 = seconds.iter().sum();
        let mut mean = vec![0.0; self.unknowns.len()];
        for (k, s) in seconds.iter().enumerate() {
            mean[1 + k] += s / total.max(1e-9);
            mean[1 + self.key_numbers.len() + PARTIALS + self.strings[k]] += s / total.max(1e-9);
        }
        (0..self.key_numbers.len())
            .filter(|k| seconds[*k] > 0.0)
            .map(|k| {
                let (key, string) = (1 + k, 1 + self.key_numbers.len() + PARTIALS + self.strings[k]);
                let mut against = mean.clone();
                against[key] -= 1.0;
                against[string] -= 1.0;
                KeyOffset {
                    key: self.key_numbers[k],
                    cents: self.unknowns[0] + self.unknowns[key] + self.unknowns[string],
                    sigma: self.variance_of(&against).max(0.0).sqrt(),
                    share: seconds[k] / total,
                }
            })
            .collect()
    }

    /// The readings, each key and partial a cell, weighed as the fit weighs them but for whose the power is: what somebody else's partial is off by
    /// all the time is the cell's, and how the rest moves is worth more readings (drifts of 292 takes 0.86 instead of 0.87 off in the mean, 2.0
    /// instead of 2.1 in nine of ten).
    pub fn cells(&self, readings: &[Reading], runs: &[Run]) -> Vec<CellReading> {
        readings
            .iter()
            .enumerate()
            .map(|(i, r)| CellReading {
                at_s: (runs[r.run].first + runs[r.run].end) as f64 / 2.0 * HOP_S,
                cell: (self.key_numbers[self.key_of[i]].max(0) as u32) * 16 + r.number as u32,
                cents: self.offset[i],
                weight: self.weight[i] / self.own[i],
            })
            .collect()
    }

    /// Variance of the mean over the playing time.
    pub fn variance(&self, keys: &[KeyOffset]) -> f64 {
        let mut v = vec![0.0; self.unknowns.len()];
        v[0] = 1.0;
        for k in keys {
            let at = self.key_numbers.partition_point(|x| *x < k.key);
            v[1 + at] += k.share;
            v[1 + self.key_numbers.len() + PARTIALS + self.strings[at]] += k.share;
        }
        self.variance_of(&v)
    }

    /// How well the readings of the three lowest partials, each by how far it is the bass's own, agree on an offset, 0..=1: the length of
    /// their mean on the circle of a semitone. A line that follows other players, or a bass under them, scatters over the circle.
    pub fn agreement(&self) -> f64 {
        let lowest = (0..self.offset.len()).filter(|i| self.number[*i] < LOWEST);
        mean(lowest.map(|i| (self.offset[i], self.own[i]))).map_or(0.0, |(length, _)| length)
    }

    /// Standard deviation of the mean of a string's keys, by their time, against the mean of all.
    pub fn string_sigma(&self, keys: &[KeyOffset], string: usize) -> f64 {
        let total: f64 = keys.iter().filter(|k| string_of(k.key) == string).map(|k| k.share).sum();
        let mut v = vec![0.0; self.unknowns.len()];
        for k in keys {
            let at = self.key_numbers.partition_point(|x| *x < k.key);
            let own = if self.strings[at] == string { k.share / total } else { 0.0 };
            v[1 + at] += own - k.share;
            v[1 + self.key_numbers.len() + PARTIALS + self.strings[at]] += own - k.share;
        }
        self.variance_of(&v).max(0.0).sqrt()
    }

    /// Variance of a weighted sum of the unknowns.
    fn variance_of(&self, v: &[f64]) -> f64 {
        self.covariance.iter().zip(v).map(|(row, p)| p * row.iter().zip(v).map(|(c, q)| c * q).sum::<f64>()).sum()
    }
}
