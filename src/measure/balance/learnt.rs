//! A target learnt from recordings that the director admires.
//!
//! Conventions: every recording counts once, however long or loud it is: its bands are already against its own middle. A
//! band is only in the target when more than half of the recordings hear it.

use super::target::{LEAST_SPREAD_DB, SPREAD_SIGMAS, Target, TargetBand, published_spread_db};
use super::{Balance, LOW_END_HZ};
use crate::dsp::bands::third_octaves;
use crate::stats::{mad_sigma, median};

/// A recording is odd when its low end or its bands lie this many standard deviations off the others: the usual limit of a
/// modified z-score (Iglewicz and Hoaglin, How to Detect and Handle Outliers, 1993; from memory).
const ODD_SIGMAS: f64 = 3.5;
/// Bands below hold nothing that is played (lowest note of a five-string bass, B0 = 30.9 Hz): rumble and coding noise.
const LOWEST_HZ: f64 = 30.0;
/// Fewest recordings among which one can be odd.
const FEWEST_FOR_ODD: usize = 4;

/// One admired recording: its balance over the passages in which music plays.
#[derive(Clone, Debug)]
pub struct Admired {
    /// File name.
    pub name: String,
    /// Balance over the playing passages, against any target.
    pub balance: Balance,
}

/// What was learnt.
#[derive(Clone, Debug, PartialEq)]
pub struct Learnt {
    /// The target.
    pub target: Target,
    /// Median of the recordings' tilts, dB an octave.
    pub tilt_db_per_octave: Option<f64>,
    /// Places of the recordings that are unlike the rest.
    pub odd: Vec<usize>,
}

/// Why nothing could be learnt.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LearnError {
    /// No recording with music in which the low end and the middle are heard.
    #[error("none of the recordings has playing whose low end can be heard")]
    NothingHeard,
}

/// Learns a target.
///
/// # Input
/// `name` for reports; `recordings`: one balance each. Levels and lengths of the recordings do not matter.
///
/// # Output
/// A band's level is the median of the recordings that hear it, its spread the middle nine tenths (1.645 robust standard
/// deviations, at least 1 dB; with one recording the spread of the built-in target). The median keeps one odd recording
/// among three or more from moving the target far; it is named as odd among four or more.
///
/// # Errors
/// [`LearnError::NothingHeard`] when no recording says anything about the low end.
pub fn learn(name: &str, recordings: &[Admired]) -> Result<Learnt, LearnError> {
    let lows: Vec<Option<f64>> = recordings.iter().map(|r| r.balance.low_re_mid_db.value).collect();
    let known: Vec<f64> = lows.iter().flatten().copied().collect();
    let low_re_mid_db = median(&known).ok_or(LearnError::NothingHeard)?;
    let bands: Vec<TargetBand> =
        third_octaves().iter().enumerate().filter_map(|(i, b)| band(recordings, i, b.mid_hz)).collect();
    let tilts: Vec<f64> = recordings.iter().filter_map(|r| r.balance.tilt_db_per_octave.value).collect();
    let typical = published_spread_db(f64::sqrt(LOW_END_HZ.0 * LOW_END_HZ.1));
    let target = Target {
        name: name.to_owned(),
        source: format!("learnt from {} recordings", recordings.len()),
        low_re_mid_db,
        low_re_mid_spread_db: Some(half_spread(&known, typical)),
        bands,
        own_bass_db: Vec::new(),
        own_all_db: Vec::new(),
        own_bass_share: None,
        close_to: None,
    };
    Ok(Learnt { odd: odd(recordings, &lows, &target), target, tilt_db_per_octave: median(&tilts) })
}

fn band(recordings: &[Admired], index: usize, mid_hz: f64) -> Option<TargetBand> {
    let levels: Vec<f64> = recordings.iter().filter_map(|r| r.balance.third_octave.get(index)?.level_db).collect();
    if mid_hz < LOWEST_HZ || 2 * levels.len() <= recordings.len() {
        return None;
    }
    let level_db = median(&levels)?;
    let half = half_spread(&levels, published_spread_db(mid_hz));
    Some(TargetBand { mid_hz, low_db: level_db - half, level_db, high_db: level_db + half })
}

/// Half of the middle nine tenths; `alone` for a single value, which says nothing about the spread.
fn half_spread(values: &[f64], alone: f64) -> f64 {
    match values {
        [] | [_] => alone,
        [a, b] => ((a - b).abs() / 2.0).max(LEAST_SPREAD_DB),
        _ => (SPREAD_SIGMAS * mad_sigma(values).unwrap_or(0.0)).max(LEAST_SPREAD_DB),
    }
}

/// Recordings whose low end or mean band deviation is unlike the rest.
fn odd(recordings: &[Admired], lows: &[Option<f64>], target: &Target) -> Vec<usize> {
    let deviations: Vec<Option<f64>> = recordings.iter().map(|r| mean_deviation_db(&r.balance, target)).collect();
    let lows: Vec<Option<f64>> = lows.iter().map(|l| l.map(|l| l - target.low_re_mid_db)).collect();
    let far = |all: &[Option<f64>], at: usize| {
        let known: Vec<f64> = all.iter().flatten().copied().collect();
        let (Some(value), Some(middle)) = (all[at], median(&known)) else { return false };
        // A whole decibel is common among good recordings, however alike the others are.
        known.len() >= FEWEST_FOR_ODD
            && (value - middle).abs() > ODD_SIGMAS * mad_sigma(&known).unwrap_or(0.0).max(LEAST_SPREAD_DB)
    };
    (0..recordings.len()).filter(|i| far(&lows, *i) || far(&deviations, *i)).collect()
}

fn mean_deviation_db(balance: &Balance, target: &Target) -> Option<f64> {
    let off = |b: &super::BandLevel| {
        let row = target.bands.iter().find(|t| (t.mid_hz / b.mid_hz - 1.0).abs() < 0.01)?;
        Some((b.level_db? - row.level_db).abs())
    };
    let all: Vec<f64> = balance.third_octave.iter().filter_map(off).collect();
    crate::stats::mean(&all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::balance::BandLevel;
    use crate::stats::Measured;

    /// A recording with a straight fall and some more or less low end.
    fn recording(more_low_db: f64, deaf_below_hz: f64) -> Admired {
        let level = |hz: f64| -1.5 * (hz / 1000.0).log2() + if hz < 170.0 { more_low_db } else { 0.0 };
        let third_octave = third_octaves()
            .iter()
            .map(|b| BandLevel {
                mid_hz: b.mid_hz,
                level_db: (b.mid_hz >= deaf_below_hz).then(|| level(b.mid_hz)),
                target_low_db: None,
                target_db: None,
                target_high_db: None,
            })
            .collect();
        let balance = Balance {
            third_octave,
            tilt_db_per_octave: Measured::symmetric(-1.5, 0.1, 60),
            low_re_mid_db: Measured::symmetric(4.0 + more_low_db, 0.2, 60),
            low_end_excess_db: Measured::symmetric(more_low_db, 0.2, 60),
        };
        Admired { name: format!("{more_low_db}"), balance }
    }

    fn at(target: &Target, hz: f64) -> TargetBand {
        *target.bands.iter().find(|b| (b.mid_hz / hz - 1.0).abs() < 0.02).unwrap()
    }

    #[test]
    fn one_odd_recording_moves_the_target_little_and_is_named() {
        let alike = [-0.4, 0.1, 0.3, -0.2, 0.5].map(|d| recording(d, 0.0));
        let clean = learn("a", &alike).unwrap();
        let mut with_odd = alike.to_vec();
        with_odd.push(recording(14.0, 0.0));
        let learnt = learn("a", &with_odd).unwrap();
        assert!((learnt.target.low_re_mid_db - clean.target.low_re_mid_db).abs() < 0.3);
        assert!((at(&learnt.target, 63.0).level_db - at(&clean.target, 63.0).level_db).abs() < 0.3);
        assert_eq!((learnt.odd, clean.odd), (vec![5], vec![]));
    }

    #[test]
    fn the_spread_follows_the_recordings_and_is_never_nothing() {
        let wide = learn("a", &[-4.0, -2.0, 0.0, 2.0, 4.0].map(|d| recording(d, 0.0))).unwrap().target;
        // Median absolute deviation 2, times 1.4826 for a normal crowd, times 1.645: 4.88.
        assert!((wide.low_end_spread_db().unwrap() - 4.88).abs() < 0.01, "{:?}", wide.low_end_spread_db());
        let band = at(&wide, 100.0);
        assert!((band.high_db - band.level_db - 4.88).abs() < 0.01);
        let same = learn("a", &[0.0, 0.0, 0.0].map(|d| recording(d, 0.0))).unwrap().target;
        assert_eq!(same.low_end_spread_db(), Some(LEAST_SPREAD_DB));
        let one = learn("a", &[recording(0.0, 0.0)]).unwrap().target;
        assert!(one.low_end_spread_db().unwrap() > 2.9, "one recording says nothing about the spread");
    }

    #[test]
    fn bands_that_most_recordings_do_not_hear_are_not_claimed() {
        let learnt = learn("a", &[recording(0.0, 0.0), recording(0.0, 70.0), recording(0.0, 70.0)]).unwrap();
        assert!(learnt.target.bands.iter().all(|b| b.mid_hz > 70.0));
        let mut deaf = recording(0.0, 300.0);
        assert!(learn("a", &[recording(0.0, 0.0)]).unwrap().target.bands.iter().all(|b| b.mid_hz > LOWEST_HZ));
        deaf.balance.low_re_mid_db = Measured::absent("recorder_hears_no_low_end");
        assert_eq!(learn("a", &[deaf]), Err(LearnError::NothingHeard));
        assert_eq!(learn("a", &[]), Err(LearnError::NothingHeard));
    }
}
