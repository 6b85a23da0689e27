//! The bass of a take as one instrument: an offset common to all notes, one of each string, one of each key.
//!
//! Conventions: cents, plus = sharp; pitches in cents above MIDI 0 at A4 = 440 Hz; partials count from 1.
//!
//! Method: a note gives one reading of each partial below 300 Hz, from its steady part (after the attack, before the next
//! note reaches into the frame). A reading is the sum of the common offset, its string's, its key's, what this partial of
//! this bass is off by, and an error whose spread is learnt from the take, partial by partial; it may also be the band's,
//! the likelier the higher it lies, or nothing's. The sum is solved by expectation and maximisation with Student's errors;
//! the spread of strings and keys is learnt as well, so that strings tuned apart are told apart, and keys heard badly stand
//! where the others do. The offset of the take is the pitch under which half of its playing time lies.
//!
//! A plucked string begins sharp. A bass whose second partials scatter more from note to note than its third (the body
//! pulls at the lowest partials, as on an upright) and whose notes fall in pitch while they are heard has not come to rest
//! when the next note begins; its offset is moved by what such basses still fall, and the interval grows.
//!
//! Limits: strings are taken to be played in the first position. What such basses still fall is known from two recorded
//! uprights only.

use crate::dsp::partials::weighted_median;
use crate::dsp::peaks::Peak;
use crate::units::midi_to_hz;

use super::circle::{STUDENT4_PEAK, student4, wrap};
use super::compact::{HOP_S, PeakStore};
use super::fall::fall_rate;
use super::line::Run;
use super::normal::{cumulative, inverse};
use super::offset::strongest_near;
use super::trend::CellReading;

/// Partials that are read, and the frequency above which none is.
pub const PARTIALS: usize = 6;
const HIGHEST_HZ: f64 = 300.0;
/// Shorter runs are passing errors of the line, frames.
const SHORTEST_RUN: usize = 5;
/// Frames left out at the start (at most a third of the note) and at the end of a note: half a window reaches over them.
pub const ATTACK: usize = 3;
const TAIL: usize = 2;
/// Where the partials of a plucked string stand in the first half second, against the pitch that it comes to, cents:
/// middle and spread over basses (five recorded ones, eight of two sound fonts).
const PARTIAL_CENTS: [f64; PARTIALS] = [-3.0, 0.5, 1.0, 1.5, 2.5, 2.5];
const PARTIAL_SPREAD: [f64; PARTIALS] = [2.5, 1.5, 2.0, 3.0, 5.0, 5.0];
/// Spread of a reading before anything is heard, cents, and how many readings that is worth.
const READING_SPREAD: [f64; PARTIALS] = [4.8, 3.0, 3.0, 3.6, 4.8, 4.8];
const READING_COUNT: f64 = 10.0;
const SPREAD_RANGE: (f64, f64) = (2.0, 20.0);
/// Spread of keys and of strings before anything is heard, cents, and how many of them that is worth.
const KEY_SPREAD: (f64, f64) = (2.0, 4.0);
const STRING_SPREAD: (f64, f64) = (3.0, 3.0);
/// Lowest keys of the strings in the first position; what lies below counts with the first.
const STRING_FROM: [i64; 4] = [28, 33, 38, 43];
/// A reading wavers by itself by this much of its wander; each decibel below the note's loudest partial, beyond the first
/// eight, adds half a cent.
const WAVER_FACTOR: f64 = 0.7;
const WEAK: (f64, f64) = (8.0, 0.5);
/// Share of readings that are the band's, below and above the register where comping begins; of those that are nothing's.
const BAND_SHARE: (f64, f64) = (0.05, 0.4);
const BAND_FROM_HZ: (f64, f64) = (135.0, 12.0);
const BAND_SPREAD: f64 = 5.0;
const STRAY_SHARE: f64 = 0.12;
/// Readings of one note are not independent: their weight counts by this.
const READING_POWER: f64 = 0.6;
const ROUNDS: usize = 25;
const FEWEST_READINGS: usize = 10;
/// No key's pitch is known better than this when the middle of the playing time is sought, cents.
const KEY_BLUR: f64 = 1.5;
/// What basses that have not come to rest still fall, cents: middle and spread.
const STILL_FALLS: (f64, f64) = (9.0, 3.5);
/// A fundamental scatters more than a second partial on every bass: it counts by this.
const FUNDAMENTAL_SHARE: f64 = 0.6;
/// Such a bass: its second partials scatter by more than this times its third (and the width of that border, in
/// logarithms), and its notes fall faster than this, cents a second (and the width).
const SCATTER_RATIO: (f64, f64) = (1.35, 0.1);
const FALLS_FASTER: (f64, f64) = (6.0, 1.0);
/// What basses differ by between the pitch that is heard and the one that they come to, whatever the take says, cents. The tapes on
/// which the model was chosen ask for 1.1; basses that were not among them for more.
const BASSES_DIFFER: f64 = 1.7;

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

/// The bass's offset in a take.
#[derive(Clone, Debug)]
pub struct Settled {
    /// Cents from the nearest semitone.
    pub cents: f64,
    /// Half of the 95 % interval, cents.
    pub half_width: f64,
    #[cfg_attr(not(test), expect(dead_code, reason = "what the tests look into"))]
    /// By how much `cents` was moved for notes that still fall, cents.
    pub fall_cents: f64,
    #[cfg_attr(not(test), expect(dead_code, reason = "what the tests look into"))]
    /// The keys, by rising number.
    pub keys: Vec<KeyOffset>,
    /// The readings behind it, for the drift.
    pub readings: Vec<CellReading>,
}

struct Reading {
    run: usize,
    number: usize,
    cents: f64,
    /// Spread that the reading has by itself.
    own_sigma: f64,
    hz: f64,
    frames: usize,
}

/// Reads the runs again around `centre_cents`, where the offset is known to be; `band_cents` is where the band stands.
pub fn settled(store: &PeakStore, runs: &[Run], centre_cents: f64, band_cents: Option<f64>) -> Option<Settled> {
    let runs: Vec<Run> = runs.iter().copied().filter(|r| r.end - r.first >= SHORTEST_RUN).collect();
    let readings: Vec<Reading> = runs.iter().enumerate().flat_map(|(i, r)| readings_of(store, i, r)).collect();
    if readings.len() < FEWEST_READINGS {
        return None;
    }
    let mut model = Model::new(&readings, &runs, centre_cents, band_cents);
    for _ in 0..ROUNDS {
        model.round()?;
    }
    let keys = model.keys(&readings, &runs);
    if keys.is_empty() {
        return None;
    }
    let (rate, rate_error) = fall_rate(store, &runs);
    let lowest = model.sigma[1].max(FUNDAMENTAL_SHARE * model.sigma[0]);
    let ratio = (lowest / model.sigma[2]).ln() - SCATTER_RATIO.0.ln();
    let falls =
        logistic(ratio / SCATTER_RATIO.1) * logistic((-rate - 0.5 * rate_error - FALLS_FASTER.0) / FALLS_FASTER.1);
    let fall_cents = STILL_FALLS.0 * falls;
    let unsure = falls * STILL_FALLS.1.powi(2) + falls * (1.0 - falls) * STILL_FALLS.0.powi(2);
    let sigma = (model.variance(&keys) + BASSES_DIFFER.powi(2) + unsure).sqrt();
    Some(Settled {
        cents: wrap(middle(&keys) - fall_cents),
        half_width: 1.96 * sigma,
        fall_cents,
        keys,
        readings: model.cells(&readings, &runs),
    })
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

fn readings_of(store: &PeakStore, index: usize, run: &Run) -> Vec<Reading> {
    let f0 = midi_to_hz(run.midi);
    let length = run.end - run.first;
    let skip = ATTACK.min((length / 3).max(1));
    let end = (length - TAIL).max(skip + 2).min(length);
    let frames: Vec<Vec<Peak>> = (run.first + skip..run.first + end).map(|f| store.frame(f).collect()).collect();
    let mut out = Vec::new();
    let mut levels = Vec::new();
    for number in 1..=PARTIALS {
        let target = f0 * number as f64;
        if target > HIGHEST_HZ {
            break;
        }
        let found: Vec<(f64, f64)> =
            frames.iter().filter_map(|peaks| strongest_near(peaks.iter().copied(), target)).collect();
        let Some(at) = weighted_median(&found) else { continue };
        let away: Vec<(f64, f64)> = found.iter().map(|f| ((f.0 - at).abs(), f.1)).collect();
        let mean = found.iter().map(|f| f.1).sum::<f64>() / found.len() as f64;
        levels.push(20.0 * mean.max(1e-9).log10());
        out.push(Reading {
            run: index,
            number,
            cents: 100.0 * run.midi + at,
            own_sigma: WAVER_FACTOR * weighted_median(&away).unwrap_or(0.0),
            hz: target,
            frames: found.len(),
        });
    }
    let top = levels.iter().take(4).copied().fold(f64::MIN, f64::max);
    for (r, level) in out.iter_mut().zip(levels) {
        r.own_sigma = r.own_sigma.hypot((top - level - WEAK.0).max(0.0) * WEAK.1);
    }
    out
}

/// Places of the unknowns: common, keys, partials, strings.
struct Model {
    offset: Vec<f64>,
    number: Vec<usize>,
    key_of: Vec<usize>,
    string_of: Vec<usize>,
    own_sigma: Vec<f64>,
    count: Vec<f64>,
    band: Vec<f64>,
    band_share: Vec<f64>,
    key_numbers: Vec<i64>,
    /// String of each key.
    strings: Vec<usize>,
    unknowns: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    sigma: [f64; PARTIALS],
    key_sigma: f64,
    string_sigma: f64,
    weight: Vec<f64>,
    run_key: Vec<usize>,
}

fn string_of(key: i64) -> usize {
    STRING_FROM.iter().skip(1).take_while(|from| key >= **from).count()
}

impl Model {
    fn new(readings: &[Reading], runs: &[Run], centre: f64, band_cents: Option<f64>) -> Self {
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
        let share = |hz: f64| BAND_SHARE.0 + BAND_SHARE.1 * logistic((hz - BAND_FROM_HZ.0) / BAND_FROM_HZ.1);
        let size = 1 + key_numbers.len() + PARTIALS + STRING_FROM.len();
        let mut unknowns = vec![0.0; size];
        unknowns[0] = centre;
        Self {
            number: readings.iter().map(|r| r.number - 1).collect(),
            key_of: readings.iter().map(|r| run_key[r.run]).collect(),
            string_of: readings.iter().map(|r| strings[run_key[r.run]]).collect(),
            own_sigma: readings.iter().map(|r| r.own_sigma).collect(),
            count: readings.iter().map(|r| (r.frames.min(4) as f64) / 4.0).collect(),
            band_share: readings.iter().map(|r| if band_cents.is_some() { share(r.hz) } else { 0.0 }).collect(),
            band,
            offset,
            strings,
            covariance: vec![vec![0.0; size]; size],
            unknowns,
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
    fn round(&mut self) -> Option<()> {
        let size = self.unknowns.len();
        let keys = self.key_numbers.len();
        let mut a = vec![vec![0.0; size]; size];
        let mut b = vec![0.0; size];
        let mut residual = vec![0.0; self.offset.len()];
        let mut own_share = vec![0.0; self.offset.len()];
        for i in 0..self.offset.len() {
            let reading = self.offset[i] - PARTIAL_CENTS[self.number[i]];
            let places = self.places(i);
            let r = reading - places.iter().map(|p| self.unknowns[*p]).sum::<f64>();
            let sigma = self.sigma[self.number[i]].hypot(self.own_sigma[i]);
            let own = (1.0 - self.band_share[i] - STRAY_SHARE) * STUDENT4_PEAK / sigma * student4(r / sigma);
            let other = self.band_share[i] * self.band[i] + STRAY_SHARE * 0.01;
            (residual[i], own_share[i]) = (r, own / (own + other));
            let w = own_share[i] * 5.0 / (4.0 + (r / sigma).powi(2)) / (sigma * sigma) * self.count[i] * READING_POWER;
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
                p if p <= keys + PARTIALS => PARTIAL_SPREAD[p - keys - 1],
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
    fn keys(&self, readings: &[Reading], runs: &[Run]) -> Vec<KeyOffset> {
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

    /// The readings, each key and partial a cell, weighed as the fit weighs them.
    fn cells(&self, readings: &[Reading], runs: &[Run]) -> Vec<CellReading> {
        readings
            .iter()
            .enumerate()
            .map(|(i, r)| CellReading {
                at_s: (runs[r.run].first + runs[r.run].end) as f64 / 2.0 * HOP_S,
                cell: (self.key_numbers[self.key_of[i]].max(0) as u32) * 16 + r.number as u32,
                cents: self.offset[i],
                weight: self.weight[i],
            })
            .collect()
    }

    /// Variance of the mean over the playing time.
    fn variance(&self, keys: &[KeyOffset]) -> f64 {
        let mut v = vec![0.0; self.unknowns.len()];
        v[0] = 1.0;
        for k in keys {
            let at = self.key_numbers.partition_point(|x| *x < k.key);
            v[1 + at] += k.share;
            v[1 + self.key_numbers.len() + PARTIALS + self.strings[at]] += k.share;
        }
        self.variance_of(&v)
    }

    /// Variance of a weighted sum of the unknowns.
    fn variance_of(&self, v: &[f64]) -> f64 {
        self.covariance.iter().zip(v).map(|(row, p)| p * row.iter().zip(v).map(|(c, q)| c * q).sum::<f64>()).sum()
    }
}

/// The pitch under which half of the playing time lies, each key as uncertain as it is.
fn middle(keys: &[KeyOffset]) -> f64 {
    let below =
        |at: f64| -> f64 { keys.iter().map(|k| k.share * cumulative((at - k.cents) / k.sigma.hypot(KEY_BLUR))).sum() };
    let centre = keys.iter().map(|k| k.share * k.cents).sum::<f64>();
    inverse(below, 0.5, (centre - 50.0, centre + 50.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixed pseudo-random numbers, -1..1.
    fn noise(i: usize) -> f64 {
        let x = ((i as u64).wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        x as f64 / f64::from(u32::MAX >> 2) - 1.0
    }

    /// Eighty notes of twelve frames over all four strings: each `cents` off and by `strings` of its string, every partial
    /// of every note by its own chance, `scatter` cents at most, and falling.
    fn line_of(cents: f64, strings: [f64; 4], scatter: [f64; 4], fall: f64) -> (PeakStore, Vec<Run>) {
        let mut store = PeakStore::default();
        let mut runs = Vec::new();
        for i in 0..80usize {
            let key = 28 + (i * 7) % 19;
            let off = cents + strings[string_of(key as i64)];
            runs.push(Run { first: i * 12, end: i * 12 + 12, midi: key as f64 + (off / 25.0).round() / 4.0 });
            for frame in 0..12 {
                let peaks: Vec<Peak> = (0..4)
                    .map(|k| {
                        let now = off + PARTIAL_CENTS[k] + scatter[k] * noise(4 * i + k) - fall * frame as f64 * HOP_S;
                        let hz = midi_to_hz(key as f64 + now / 100.0) * (k + 1) as f64;
                        Peak { hz: hz as f32, amplitude: 0.05 }
                    })
                    .collect();
                store.push(&peaks);
            }
        }
        (store, runs)
    }

    #[test]
    fn the_offset_comes_back_over_a_semitone() {
        for cents in [-45.0, -20.0, 0.0, 7.0, 33.0, 45.0] {
            let (store, runs) = line_of(cents, [0.0; 4], [6.0, 4.0, 4.0, 6.0], 0.0);
            let found = settled(&store, &runs, cents + 4.0, Some(0.0)).unwrap();
            assert!(wrap(found.cents - cents).abs() < 1.2, "{cents}: {} +- {}", found.cents, found.half_width);
            assert!(found.half_width > 1.5 && found.half_width < 4.2, "{}", found.half_width);
            assert_eq!(found.fall_cents.round(), 0.0);
        }
    }

    #[test]
    fn strings_tuned_apart_are_told_apart_and_the_offset_lies_where_most_time_is_played() {
        let strings = [0.0, 0.0, -1.0, -18.0];
        let (store, runs) = line_of(5.0, strings, [4.0; 4], 0.0);
        let found = settled(&store, &runs, 1.0, None).unwrap();
        for k in &found.keys {
            let want = 5.0 + strings[string_of(k.key)];
            assert!((k.cents - want).abs() < 3.0, "{}: {} for {want}", k.key, k.cents);
        }
        assert!((found.cents - 5.0).abs() < 2.0, "the mean stands at 1: {}", found.cents);
    }

    #[test]
    fn a_bass_that_still_falls_and_whose_body_pulls_is_moved_and_known_worse() {
        let (steady, runs) = line_of(10.0, [0.0; 4], [12.0, 20.0, 2.0, 2.0], 0.0);
        let (falling, _) = line_of(10.0, [0.0; 4], [12.0, 20.0, 2.0, 2.0], 14.0);
        let (even, _) = line_of(10.0, [0.0; 4], [4.0; 4], 14.0);
        let read = |store: &PeakStore| settled(store, &runs, 10.0, None).unwrap();
        assert!(read(&steady).fall_cents < 1.0 && read(&even).fall_cents < 1.0);
        let found = read(&falling);
        assert!(found.fall_cents > 7.0 && found.half_width > 6.0, "{} {}", found.fall_cents, found.half_width);
    }

    #[test]
    fn no_line_no_offset() {
        assert!(settled(&PeakStore::default(), &[], 0.0, None).is_none());
    }
}
