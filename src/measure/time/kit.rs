//! The kit's pattern: hi-hat on 2 and 4, heavy backbeat, kick against ride.
//!
//! Conventions: levels are dB; differences are beats 2 and 4 less beats 1 and 3 of one bar. Bars of four only.
//!
//! Limits: the kick's band also holds the bass; a snare in the cymbal bands is told from the hi-hat by its companions
//! only. Hats much softer than the ride are missed (common practice, no source: the foot should be heard).

use super::grid::{Grid, GridBeat};
use super::strength::Strengths;
use crate::stats::{Measured, mad_sigma, median};

/// Two cymbal bands.
const CYMBALS: [usize; 2] = [6, 7];
/// Weights of a bar: body less attack and body less ring in 4 to 8 kHz and in 8 to 16 kHz (logistic fit on own mixes with
/// known truth: a closing hat adds a short body to the ride's stroke, an accent of the ride lifts all three alike).
const HAT_WEIGHTS: [f64; 4] = [0.11, 0.05, 0.17, 0.81];
const HAT_BIAS: f64 = -1.01;
/// How far the scores of all bars of a take may be too low and too high together: hats and cymbals differ from kit to kit. On 60
/// rendered takes every share that was off was too small (by up to 42 points, of hats that close in every bar); too large only on
/// mixes of brushes, stops and drum solos.
const HAT_MISSED: f64 = 0.6;
const HAT_IMAGINED: f64 = 0.2;
/// Differences beyond this count no further, dB.
const HAT_LARGEST_DB: f64 = 6.0;
/// Cymbal rise half way after beats 1 and 3 from which eighths are running, dB.
const RUNNING_DB: f64 = 4.5;
/// Level of 8 to 16 kHz at the beats against that of 0.4 to 4 kHz below which there is no kit to judge, dB: picks and
/// fingers alone stay below.
const LEAST_CYMBALS_DB: f64 = -35.5;
/// Bands that the cymbals are compared with for that.
const MIDDLE_BANDS: [usize; 3] = [3, 4, 5];
/// Reason where there is no kit to judge.
pub const NO_CYMBALS: &str = "no_cymbals_heard";
/// Kick on 1 and 3 above 2 and 4 that is heavy beside running eighths, and by itself, dB.
const HEAVY_KICK_DB: (f64, f64) = (2.5, 5.0);
/// Snare on 2 and 4 above 1 and 3 that is heavy beside running eighths, and with a heavy kick, dB.
const HEAVY_SNARE_DB: (f64, f64) = (2.0, 1.5);
/// Bands of the snare's body.
const SNARE_BANDS: [usize; 3] = [3, 4, 5];
/// Error of the kick's level that the bass in its band leaves, dB.
const KICK_FLOOR_DB: f64 = 2.0;
/// Fewest bars.
const FEWEST_BARS: usize = 4;

/// What the kit does.
#[derive(Clone, Debug)]
pub struct KitFacts {
    /// Share of bars in which the hi-hat closes on 2 and 4 and not equally on 1 and 3, percent.
    pub hat_on_2_and_4_percent: Measured,
    /// Kick on the downbeats and snare on the upbeats, loud against the ride.
    pub backbeat_heavy: Measured<bool>,
    /// Kick against ride, dB.
    pub kick_re_ride_db: Measured,
}

impl KitFacts {
    /// Nothing, and why.
    pub fn absent(reason: &str) -> Self {
        Self {
            hat_on_2_and_4_percent: Measured::absent(reason),
            backbeat_heavy: Measured::absent(reason),
            kick_re_ride_db: Measured::absent(reason),
        }
    }
}

/// Reads the kit's pattern over the bars of a take.
///
/// # Not measurable
/// `bars_of_three`, `too_few_bars`, or `no_cymbals_heard` where the top band is as weak as without a kit.
pub fn kit_facts(strengths: &Strengths, grid: &Grid) -> KitFacts {
    if grid.meter != 4 {
        return KitFacts::absent("bars_of_three");
    }
    let bars: Vec<&[GridBeat]> = grid.bars().collect();
    if bars.len() < FEWEST_BARS {
        return KitFacts::absent("too_few_bars");
    }
    let reader = Reader { strengths, period: grid.period };
    let cymbals: Vec<f64> = grid.beats.iter().map(|b| reader.cymbals_re_middle_db(b.frame)).collect();
    if median(&cymbals).is_none_or(|c| c < LEAST_CYMBALS_DB) {
        return KitFacts::absent(NO_CYMBALS);
    }
    let running = reader.running_eighths(&bars);
    KitFacts {
        hat_on_2_and_4_percent: hat(&reader, &bars, running),
        backbeat_heavy: backbeat(&reader, &bars, running),
        kick_re_ride_db: kick_re_ride(&reader, &bars),
    }
}

fn hat(reader: &Reader, bars: &[&[GridBeat]], running: bool) -> Measured {
    let scores: Vec<f64> = bars.iter().filter(|_| !running).map(|bar| reader.hat_score(bar)).collect();
    share_of_closed(&scores, bars.len())
}

/// Share of `n` bars whose score is above 0, percent; bars without a score are open. Its interval holds what the share would be
/// if the take's hat sounded a little more or less like the hats that the score was fitted on, all bars alike.
fn share_of_closed(scores: &[f64], n: usize) -> Measured {
    let share = |from: f64| scores.iter().filter(|s| **s > from).count() as f64 / n as f64;
    let percent = |share: f64| 100.0 * share;
    let (low, high) = (wilson(share(HAT_IMAGINED), n).0, wilson(share(-HAT_MISSED), n).1);
    Measured::new(percent(share(0.0)), percent(low), percent(high), n as u64)
}

/// Wilson's interval for a share of `n`, J. Amer. Stat. Assoc. 22, 1927.
fn wilson(p: f64, n: usize) -> (f64, f64) {
    let (n, z2) = (n as f64, 1.96f64 * 1.96);
    let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = 1.96 * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt() / (1.0 + z2 / n);
    ((middle - half).min(p).max(0.0), (middle + half).max(p).min(1.0))
}

fn backbeat(reader: &Reader, bars: &[&[GridBeat]], running: bool) -> Measured<bool> {
    let excess = |bands: &[usize]| {
        let all: Vec<f64> = bars.iter().map(|bar| reader.backbeat_excess_db(bar, bands)).collect();
        median(&all).unwrap_or(0.0)
    };
    let (kick, snare) = (-excess(&[0]), excess(&SNARE_BANDS));
    let beside_eighths = running && (kick > HEAVY_KICK_DB.0 || snare > HEAVY_SNARE_DB.0);
    let by_itself = kick > HEAVY_KICK_DB.1 && snare > HEAVY_SNARE_DB.1;
    Measured::plain(beside_eighths || by_itself, bars.len() as u64)
}

/// Power that the kick's band gains at the beats where it is played, against what the cymbals gain at all beats.
fn kick_re_ride(reader: &Reader, bars: &[&[GridBeat]]) -> Measured {
    let gains = |bands: &[usize], place: usize| -> Vec<f64> {
        bars.iter().filter_map(|bar| reader.gain_db(bar[place].frame, bands)).collect()
    };
    let kick_places: Vec<Vec<f64>> = (0..4).map(|place| gains(&[0], place)).collect();
    let kick = kick_places
        .iter()
        .filter(|g| g.len() >= FEWEST_BARS)
        .max_by(|a, b| median(a).unwrap_or(0.0).total_cmp(&median(b).unwrap_or(0.0)));
    let ride: Vec<f64> = (0..4).flat_map(|place| gains(&CYMBALS, place)).collect();
    let (Some(kick), Some(ride_db)) = (kick, median(&ride)) else { return Measured::absent("no_kick_heard") };
    let value = median(kick).unwrap_or(0.0) - ride_db;
    let spread = |v: &[f64]| 1.25 * mad_sigma(v).unwrap_or(0.0) / (v.len() as f64).sqrt();
    Measured::symmetric(value, 2.0 * spread(kick).hypot(spread(&ride)).hypot(KICK_FLOOR_DB / 2.0), kick.len() as u64)
}

/// Reads levels around beats.
struct Reader<'a> {
    strengths: &'a Strengths<'a>,
    period: f64,
}

impl Reader<'_> {
    fn levels(&self, band: usize, from: f64, to: f64) -> impl ExactSizeIterator<Item = f32> {
        let n = self.strengths.len();
        let a = (from.round().max(0.0) as usize).min(n);
        let b = (to.round().max(0.0) as usize).max(a + 1).min(n);
        (a..b.max(a)).map(move |frame| self.strengths.level_db(frame, band))
    }

    /// Mean power of one band between two frames, dB.
    fn mean_db(&self, band: usize, from: f64, to: f64) -> f64 {
        let levels = self.levels(band, from, to);
        let n = levels.len().max(1) as f64;
        let sum: f64 = levels.map(|db| 10f64.powf(f64::from(db) / 10.0)).sum();
        10.0 * (sum / n + 1.0).log10()
    }

    fn largest(&self, band: usize, from: f64, to: f64) -> f64 {
        f64::from(self.levels(band, from, to).fold(0.0, f32::max))
    }

    fn smallest(&self, band: usize, from: f64, to: f64) -> f64 {
        f64::from(self.levels(band, from, to).fold(f32::MAX, f32::min))
    }

    /// Peak level of the top band at a frame against the summed peaks of the middle bands, dB.
    fn cymbals_re_middle_db(&self, frame: f64) -> f64 {
        let at = |band: usize| self.largest(band, frame - 3.0, frame + 6.0);
        let middle: f64 = MIDDLE_BANDS.iter().map(|b| 10f64.powf(at(*b) / 10.0)).sum();
        at(CYMBALS[1]) - 10.0 * middle.log10()
    }

    /// Rise of the two cymbal bands around a frame, dB.
    fn cymbal_rise(&self, frame: f64, reach: f64) -> f64 {
        let rise = |band: usize| {
            self.largest(band, frame - reach, frame + reach + 2.0)
                - self.smallest(band, frame - reach - 6.0, frame - reach)
        };
        CYMBALS.iter().map(|b| rise(*b)).sum::<f64>() / CYMBALS.len() as f64
    }

    /// True when the cymbals are struck half way after beats 1 and 3 as well, where a ride pattern rests.
    fn running_eighths(&self, bars: &[&[GridBeat]]) -> bool {
        let reach = (0.06 * self.period).max(3.0);
        [0, 2].iter().all(|place| {
            let rises: Vec<f64> = bars
                .iter()
                .filter_map(|bar| Some(self.cymbal_rise(bar[*place].frame + 0.5 * bar[*place].length?, reach)))
                .collect();
            median(&rises).is_some_and(|r| r > RUNNING_DB)
        })
    }

    /// Attack, body and ring of a stroke, frames from the beat.
    fn windows(&self) -> [(f64, f64); 3] {
        let p = self.period;
        if p > 55.0 {
            [(-2.0, 4f64.min(0.07 * p)), (4.0, 9.0), (16f64.min(0.26 * p), 26f64.min(0.42 * p))]
        } else {
            [(-2.0, 3.0), (3.0, 8.0), (0.26 * p, 0.42 * p)]
        }
    }

    /// Above 0 when the hi-hat closes on 2 and 4 of the bar.
    fn hat_score(&self, bar: &[GridBeat]) -> f64 {
        let windows = self.windows();
        let difference = |band: usize, window: (f64, f64)| {
            let at = |k: usize| self.mean_db(band, bar[k].frame + window.0, bar[k].frame + window.1);
            (at(1) + at(3) - at(0) - at(2)) / 2.0
        };
        let mut score = HAT_BIAS;
        for (k, band) in CYMBALS.iter().enumerate() {
            let [attack, body, ring] = windows.map(|w| difference(*band, w));
            score += HAT_WEIGHTS[k] * (body - attack).clamp(-HAT_LARGEST_DB, HAT_LARGEST_DB);
            score += HAT_WEIGHTS[2 + k] * (body - ring).clamp(-HAT_LARGEST_DB, HAT_LARGEST_DB);
        }
        score
    }

    /// Peak level on 2 and 4 above that on 1 and 3, mean over the bands, dB.
    fn backbeat_excess_db(&self, bar: &[GridBeat], bands: &[usize]) -> f64 {
        let at = |band: usize, k: usize| self.largest(band, bar[k].frame - 3.0, bar[k].frame + 9.0);
        let sum: f64 = bands.iter().map(|b| (at(*b, 1) + at(*b, 3) - at(*b, 0) - at(*b, 2)) / 2.0).sum();
        sum / bands.len() as f64
    }

    /// Power that the bands gain within 60 ms of a frame, dB above the floor; `None` when they gain nothing.
    fn gain_db(&self, frame: f64, bands: &[usize]) -> Option<f64> {
        let power =
            |from: f64, to: f64| -> f64 { bands.iter().map(|b| 10f64.powf(self.mean_db(*b, from, to) / 10.0)).sum() };
        let gained = power(frame, frame + 12.0) - power(frame - 10.0, frame - 4.0);
        (gained > 0.0).then(|| 10.0 * gained.log10())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_interval_is_wide_where_many_bars_hang_on_how_the_hat_sounds() {
        let clear = share_of_closed(&[2.0; 20], 20);
        assert_eq!((clear.value, clear.high), (Some(100.0), Some(100.0)));
        // Wilson's lower limit for 20 of 20: 1 / (1 + 1.96 squared / 20).
        assert!((clear.low.unwrap() - 100.0 / (1.0 + 1.96f64.powi(2) / 20.0)).abs() < 1e-6, "{clear:?}");
        let scores: Vec<f64> = (0..20).map(|i| if i < 10 { 2.0 } else { -0.4 }).collect();
        let unsure = share_of_closed(&scores, 20);
        assert_eq!((unsure.value, unsure.high), (Some(50.0), Some(100.0)), "{unsure:?}");
        assert!(unsure.low.unwrap() > 25.0);
        let none = share_of_closed(&[], 20);
        assert!(none.value == Some(0.0) && none.high.unwrap() < 20.0, "running eighths are no closing hat");
    }
}
