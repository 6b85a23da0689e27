//! A sign of gain riding: a band that plays evenly, stands hardly over the talk between its takes and begins too loud.
//!
//! Conventions: levels of 30 Hz..16 kHz in dBFS, one every 85 ms. An automatic level pulls talk and band together, takes the
//! slow changes out of a take, and lets its first notes through before it has turned itself down.
//! Limits: needs three seconds of talk and a take of a quarter of a minute; gains that follow slower than within a second, or move by
//! less than 10 dB, are not told from an even band. Somebody who speaks into the recorder
//! while a very even band plays very softly would be taken for riding.

use std::sync::Arc;

use crate::dsp::level_code::{FLOOR_DBFS, code_of, level_dbfs};
use crate::dsp::rows::Rows;
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::LONG_FRAMING;
use crate::stats::{mean, quantile};
use crate::units::{db_to_power, power_to_db};

/// Least lengths that are counted, s.
const LEAST_TALK_S: f64 = 3.0;
const LEAST_TAKE_S: f64 = 15.0;
/// First and last seconds of a passage that are left out.
const EDGE_S: f64 = 1.0;
/// Spectra of a slow level: 3.2 s.
const SLOW: usize = 38;
/// Seconds in which a take begins, and after which it goes on as it will.
const BEGINS_S: f64 = 4.0;
const GOES_ON_S: f64 = 7.0;
/// What evenness and loud beginnings weigh against the level over the talk, and where riding begins, dB. Of 54 tapes, nine of
/// them with gains of up to 16 dB that follow the level within half a second, two that ride are missed and none that does not is
/// told; tapes on both sides lie within 1 dB of the limit, because a demo band's talk is loud. See benches/README.md.
const UNEVENNESS_WEIGHT: f64 = 4.0;
const BEGINNING_WEIGHT: f64 = 3.0;
const LIMIT_DB: f64 = 7.5;

/// Keeps the level of every long spectrum: 12 bytes a second of tape.
#[derive(Clone)]
pub struct OverTalk {
    levels: Rows,
}

impl OverTalk {
    /// Nothing yet; what comes is kept on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { levels: Rows::on(shelf, 1) }
    }

    /// Takes the power of the next long spectrum.
    pub fn push(&mut self, power: f32) {
        self.levels.push(&[code_of(power)]);
    }

    /// How clearly the gain rides: above 0 it does; dB. `None` without enough talk and takes. `talk` and `takes` in s.
    pub fn score(&self, talk: &[(f64, f64)], takes: &[(f64, f64)]) -> Option<f64> {
        let long = |spans: &[(f64, f64)], least: f64| -> Vec<(f64, f64)> {
            spans.iter().copied().filter(|(from, to)| to - from >= least).collect()
        };
        let (talk, takes) = (long(talk, LEAST_TALK_S), long(takes, LEAST_TAKE_S));
        let inside = |(from, to): &(f64, f64)| self.dbfs(from + EDGE_S, to - EDGE_S);
        let usual =
            |spans: &[(f64, f64)], of: &dyn Fn(&(f64, f64)) -> f64| mean(&spans.iter().map(of).collect::<Vec<_>>());
        let over = usual(&takes, &|t| level(&inside(t)))? - usual(&talk, &|t| level(&inside(t)))?;
        let uneven = usual(&takes, &|t| unevenness_db(&inside(t)))?;
        let begins = usual(&takes, &|t| self.beginning_db(t))?;
        Some(LIMIT_DB - over - UNEVENNESS_WEIGHT * uneven + BEGINNING_WEIGHT * begins.max(0.0))
    }

    /// The loudest moment while a take begins over the loud ones (98 %) later on, dB.
    fn beginning_db(&self, take: &(f64, f64)) -> f64 {
        let begins = self.dbfs(take.0, take.0 + BEGINS_S).into_iter().fold(FLOOR_DBFS, f64::max);
        quantile(&self.dbfs(take.0 + GOES_ON_S, take.1 - EDGE_S), 0.98).map_or(0.0, |loud| begins - loud)
    }

    /// Levels of the spectra whose middle lies in `from_s..to_s`.
    fn dbfs(&self, from_s: f64, to_s: f64) -> Vec<f64> {
        let at = |s: f64| (s / LONG_FRAMING.hop_s()).ceil().max(0.0) as usize;
        self.levels.view().range(at(from_s)..at(to_s)).flatten().map(|code| level_dbfs(*code)).collect()
    }
}

/// Level of the mean power, dBFS.
fn level(dbfs: &[f64]) -> f64 {
    mean(&dbfs.iter().map(|db| db_to_power(*db)).collect::<Vec<_>>()).and_then(power_to_db).unwrap_or(FLOOR_DBFS)
}

/// Half the middle two thirds of the levels over 3.2 s: the last notes of a take die away, they are no unevenness.
fn unevenness_db(dbfs: &[f64]) -> f64 {
    let slow: Vec<f64> = dbfs.chunks_exact(SLOW).map(level).collect();
    quantile(&slow, 0.84).zip(quantile(&slow, 0.16)).map_or(0.0, |(high, low)| (high - low) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TALK: [(f64, f64); 1] = [(0.0, 20.0)];
    const TAKES: [(f64, f64); 1] = [(20.0, 80.0)];

    /// Talk at -24 dBFS, then a take at a level over it that sways slowly, with a louder first second.
    fn heard(over_db: f64, sway_db: f64, first_db: f64) -> OverTalk {
        let mut levels = OverTalk::on(None);
        for i in 0..(80.0 / LONG_FRAMING.hop_s()) as u64 {
            let s = i as f64 * LONG_FRAMING.hop_s();
            let sways = sway_db * (std::f64::consts::TAU * s / 16.0).sin();
            let first = if s < 21.0 { first_db } else { 0.0 };
            let db = -24.0 + if s < 20.0 { 0.0 } else { over_db + sways + first };
            levels.push(10f64.powf(db / 10.0) as f32);
        }
        levels
    }

    #[test]
    fn what_stands_hardly_over_the_talk_never_varies_and_begins_too_loud_is_ridden() {
        // Levels are kept in half decibels; the middle two thirds of a sine of 3 dB, as means over 3.2 s, are about 2.5 dB on each side.
        for (over, sway, first, score) in
            [(6.0, 0.0, 0.0, 1.5), (20.0, 0.0, 0.0, -12.5), (6.0, 3.0, 0.0, -8.5), (9.0, 0.0, 4.0, 10.5)]
        {
            let found = heard(over, sway, first).score(&TALK, &TAKES).unwrap();
            assert!((found - score).abs() < 1.0, "{found} for {score}");
        }
    }

    #[test]
    fn short_passages_or_none_say_nothing() {
        let levels = heard(6.0, 0.0, 0.0);
        assert_eq!(levels.score(&[], &TAKES), None);
        assert_eq!(levels.score(&TALK, &[(20.0, 34.0)]), None);
        assert_eq!(levels.score(&[(0.0, 2.0)], &TAKES), None);
    }
}
