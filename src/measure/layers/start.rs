//! Where the music of a take begins: after the count-off, if there is one.
//!
//! Conventions: a count-off lasts two bars at most; it is much softer than what it leads to, or nothing but clicks of the drums.
//! Limits: drums that open a chart alone for one or two bars are taken for a count-off; from three bars on they are an
//! introduction.

use crate::units::power_to_db;

use super::Layer;
use super::reading::LayerPowers;

/// Bars that a count-off may take.
const COUNT_OFF_BARS: usize = 2;
/// Leap in level from the last bar of a count-off to the first of the music, dB.
const ENTRANCE_DB: f64 = 6.0;
/// All but the drums is this far under its mean over the take while only clicks sound, dB.
const CLICKS_DB: f64 = -8.0;

/// Second at which the music of a take begins: its first bar that is no count-off, or the take's start where no bars are known.
pub fn music_starts_at(powers: &LayerPowers, (start_s, end_s): (f64, f64), bars_s: &[f64]) -> f64 {
    let bars: Vec<f64> = bars_s.iter().copied().filter(|b| *b > start_s - 0.5 && *b < end_s).collect();
    let Some(first_s) = bars.first().copied() else { return start_s };
    match first_bar(powers, &bars) {
        // Before the first downbeat may be a pickup as well as clicks.
        0 if first_s <= start_s || !only_clicks(powers, (start_s, first_s), (first_s, end_s)) => start_s,
        at => bars[at],
    }
}

/// Place of the first bar of music among the downbeats.
pub fn first_bar(powers: &LayerPowers, bars_s: &[f64]) -> usize {
    let level = |at: usize| power_to_db(powers.whole_power(*bars_s.get(at)?, *bars_s.get(at + 1)?));
    let leap = |at: &usize| Some((level(*at)? - level(*at - 1)?, *at));
    let largest = (1..=COUNT_OFF_BARS).filter_map(|at| leap(&at)).max_by(|a, b| a.0.total_cmp(&b.0));
    largest.filter(|(db, _)| *db >= ENTRANCE_DB).map_or_else(|| bars_of_clicks(powers, bars_s), |(_, at)| at)
}

/// Bars at the start in which only the drums sound; none where there are too many for a count-off.
fn bars_of_clicks(powers: &LayerPowers, bars_s: &[f64]) -> usize {
    let (Some(first_s), Some(last_s)) = (bars_s.first(), bars_s.last()) else { return 0 };
    let clicks = |bar: &&[f64]| only_clicks(powers, (bar[0], bar[1]), (*first_s, *last_s));
    let count = bars_s.windows(2).take_while(clicks).count();
    if count <= COUNT_OFF_BARS { count } else { 0 }
}

/// All but the drums is far under what it is over the `music`.
fn only_clicks(powers: &LayerPowers, span: (f64, f64), music: (f64, f64)) -> bool {
    let others = |(from_s, to_s): (f64, f64)| {
        let means = powers.mean_powers(from_s, to_s);
        [Layer::Bass, Layer::Comping, Layer::Horns].map(|layer| means[layer as usize]).iter().sum::<f64>()
    };
    let usual = others(music);
    usual > 0.0 && power_to_db(others(span) / usual).is_none_or(|db| db < CLICKS_DB)
}

#[cfg(test)]
mod tests {
    use super::super::meter::{Shares, WHOLE};
    use super::super::reading::{CELL_S, LayerReading};
    use super::*;

    /// A take of 60 s whose first `clicks_s` are drums alone at `db` against the rest, then drums and half bass.
    fn take(clicks_s: f64, db: f64) -> LayerPowers {
        let cells = (0..(60.0 / CELL_S) as usize).map(|at| {
            let bass = if (at as f64 + 0.5) * CELL_S < clicks_s { 0.0 } else { 0.5 };
            let of = [bass, 1.0 - bass, 0.0, 0.0, 0.0, 0.0].map(|share| (share * WHOLE) as u16);
            Shares { of, ..Shares::default() }
        });
        let power = |at: i32| if f64::from(at) * 0.1 < clicks_s { 0.01 * 10f32.powf(db as f32 / 10.0) } else { 0.01 };
        LayerReading::new(cells.collect(), Vec::new()).with_power(&(0..600).map(power).collect::<Vec<_>>(), 0.1)
    }

    fn bars() -> Vec<f64> {
        (0..28).map(|bar| 2.0 + 2.0 * f64::from(bar)).collect()
    }

    fn start(clicks_s: f64, db: f64) -> f64 {
        music_starts_at(&take(clicks_s, db), (0.0, 58.0), &bars())
    }

    #[test]
    fn music_begins_after_a_count_off_however_loud_it_is() {
        for db in [-12.0, 0.0, 4.0] {
            assert_eq!([2.0, 4.0, 6.0].map(|clicks_s| start(clicks_s, db)), [2.0, 4.0, 6.0], "{db} dB");
        }
        assert_eq!(start(0.0, 0.0), 0.0);
    }

    #[test]
    fn drums_that_play_alone_for_longer_are_an_introduction() {
        assert_eq!(start(10.0, 0.0), 2.0);
        assert_eq!(music_starts_at(&take(10.0, 0.0), (0.0, 58.0), &[]), 0.0);
    }
}
