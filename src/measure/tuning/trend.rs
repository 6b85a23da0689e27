//! An instrument's offset over a take and over the tape: level, drift, retuning, curve.
//!
//! Conventions: cents, plus = sharp; drift in cents a minute, plus = going sharp; times in seconds from the start of the tape.
//! Level: median of the notes, weighted by their seconds and quality. Drift: one slope through the readings of all partials,
//! each key and partial with a level of its own (whatever is odd about it stays the same), and a new level after a retuning.

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

use super::circle::{mean, wrap};

/// One note's offset from the nearest semitone of A4 = 440 Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoteOffset {
    /// Middle of the note.
    pub at_s: f64,
    /// Offset in cents, unwrapped around the instrument's common offset.
    pub cents: f64,
    /// Seconds of the note, less where it was heard badly.
    pub weight: f64,
}

/// Fewest notes behind a figure.
pub const FEWEST_NOTES: usize = 8;
/// Offsets further than this from the common one by half a semitone cannot be told from the other side.
const AMBIGUOUS_CENTS: f64 = 35.0;

/// Offsets of pitches (cents above MIDI 0) from the nearest semitone, unwrapped around their common centre.
///
/// An instrument more than half a semitone off is read on the other side; readings beyond 35 cents carry a warning.
pub fn unwrap_offsets(notes: &[(f64, f64, f64)]) -> Vec<NoteOffset> {
    let centre = mean(notes.iter().map(|n| (n.1, n.2))).map_or(0.0, |(_, centre)| centre);
    notes
        .iter()
        .map(|&(at_s, cents, weight)| NoteOffset { at_s, cents: wrap(cents - centre) + centre, weight })
        .collect()
}

fn effective_count(notes: &[NoteOffset]) -> f64 {
    let total: f64 = notes.iter().map(|n| n.weight).sum();
    let squares: f64 = notes.iter().map(|n| n.weight * n.weight).sum();
    if squares > 0.0 { total * total / squares } else { 0.0 }
}

/// Median offset with its interval: scatter of the notes, and `systematic_cents` (95 %) that more notes do not take away.
pub fn level(notes: &[NoteOffset], systematic_cents: f64, none: &str) -> Measured {
    let used = notes.iter().filter(|n| n.weight > 0.0).count();
    if used == 0 {
        return Measured::absent(none);
    }
    let pairs: Vec<(f64, f64)> = notes.iter().map(|n| (n.cents, n.weight)).collect();
    let (true, Some(centre)) = (used >= FEWEST_NOTES, weighted_median(&pairs)) else {
        return Measured::absent("too_few_notes");
    };
    let away: Vec<(f64, f64)> = pairs.iter().map(|p| ((p.0 - centre).abs(), p.1)).collect();
    let sigma = 1.4826 * weighted_median(&away).unwrap_or(50.0);
    // Standard error of a median of normal data: 1.2533 sigma / sqrt(n).
    let scatter = 1.96 * 1.2533 * sigma / effective_count(notes).sqrt();
    let value = Measured::symmetric(centre, scatter.hypot(systematic_cents), used as u64);
    if centre.abs() > AMBIGUOUS_CENTS { value.with_warning("near_a_quarter_tone_may_be_other_side") } else { value }
}

/// One reading of a partial of a note, for the drift: readings of one cell (key and partial) share whatever is odd about
/// them, so that only their change over time counts.
#[derive(Clone, Copy, Debug)]
pub struct CellReading {
    /// Middle of the note.
    pub at_s: f64,
    /// Key and partial, any code.
    pub cell: u32,
    /// Offset in cents.
    pub cents: f64,
    /// Weight.
    pub weight: f64,
}

/// Drift and ends of the tape.
#[derive(Clone, Debug)]
pub struct Trend {
    /// Cents a minute.
    pub drift_cents_per_min: Measured,
    /// At the first note.
    pub at_start_cents: Measured,
    /// At the last note.
    pub at_end_cents: Measured,
}

/// Shortest stretch over which a drift is told, seconds.
const SHORTEST_TREND_S: f64 = 30.0;
/// Error of one reading that the readings near it share, cents: it makes the error of a drift larger than that of as many
/// readings on their own.
const SHARED_FACTOR: f64 = 1.8;

/// Fits the drift through `readings` (one slope, a new level after each of `breaks_s`), and reads the ends off `notes`.
pub fn trend(
    notes: &[NoteOffset],
    readings: &[CellReading],
    breaks_s: &[f64],
    systematic_cents: f64,
    none: &str,
) -> Trend {
    let used: Vec<NoteOffset> = notes.iter().copied().filter(|n| n.weight > 0.0).collect();
    let absent = |reason: &str| Trend {
        drift_cents_per_min: Measured::absent(reason),
        at_start_cents: Measured::absent(reason),
        at_end_cents: Measured::absent(reason),
    };
    if used.is_empty() {
        return absent(none);
    }
    let (first, last) = used.iter().fold((f64::MAX, f64::MIN), |(a, b), n| (a.min(n.at_s), b.max(n.at_s)));
    if used.len() < 2 * FEWEST_NOTES || last - first < SHORTEST_TREND_S {
        return absent("too_few_notes");
    }
    let Some(drift) = Drift::fit(readings, breaks_s) else { return absent("too_few_notes") };
    let end = |at_s: f64| {
        // Every note moved along the drift to this time; notes beyond a retuning do not speak for it.
        let stretch = |t: f64| breaks_s.iter().filter(|b| t >= **b).count();
        let moved: Vec<NoteOffset> = used
            .iter()
            .filter(|n| stretch(n.at_s) == stretch(at_s))
            .map(|n| NoteOffset { cents: n.cents + drift.slope * (at_s - n.at_s) / 60.0, ..*n })
            .collect();
        let weight: f64 = moved.iter().map(|n| n.weight).sum();
        let away_min = moved.iter().map(|n| n.weight * (at_s - n.at_s) / 60.0).sum::<f64>() / weight.max(1e-9);
        level(&moved, systematic_cents.hypot(drift.half_width * away_min), none)
    };
    Trend {
        drift_cents_per_min: Measured::symmetric(drift.slope, drift.half_width, used.len() as u64),
        at_start_cents: end(first),
        at_end_cents: end(last),
    }
}

/// Spread of the drifts that are expected before anything is heard, cents a minute: strings and winds drift by up to about
/// two cents a minute in a warming room (common practice, no source). Few or wild readings are drawn towards no drift.
const USUAL_DRIFT: f64 = 1.5;

struct Drift {
    slope: f64,
    half_width: f64,
}

impl Drift {
    /// Least squares within cells and stretches (both have a level of their own), with Tukey's weights.
    fn fit(readings: &[CellReading], breaks_s: &[f64]) -> Option<Self> {
        let mut groups: std::collections::BTreeMap<(u32, usize), Vec<CellReading>> = Default::default();
        for r in readings.iter().filter(|r| r.weight > 0.0) {
            groups.entry((r.cell, breaks_s.iter().filter(|b| r.at_s >= **b).count())).or_default().push(*r);
        }
        groups.retain(|_, g| g.len() >= 2);
        let mut slope = 0.0;
        let mut sigma = 12.0f64;
        let mut half_width = f64::MAX;
        for _ in 0..15 {
            let (mut num, mut den) = (0.0, 0.0);
            let mut away: Vec<(f64, f64)> = Vec::new();
            let mut squares = 0.0;
            for group in groups.values() {
                let rest: Vec<(f64, f64)> = group.iter().map(|r| (r.cents - slope * r.at_s / 60.0, r.weight)).collect();
                let centre = weighted_median(&rest)?;
                let weights: Vec<f64> = rest
                    .iter()
                    .map(|(c, w)| {
                        let u = (c - centre) / (4.0 * sigma);
                        if u.abs() < 1.0 { w * (1.0 - u * u).powi(2) } else { 0.0 }
                    })
                    .collect();
                let sum: f64 = weights.iter().sum::<f64>().max(1e-12);
                let mean_t = group.iter().zip(&weights).map(|(r, w)| w * r.at_s / 60.0).sum::<f64>() / sum;
                let mean_c = group.iter().zip(&weights).map(|(r, w)| w * r.cents).sum::<f64>() / sum;
                for (r, w) in group.iter().zip(&weights) {
                    let t = r.at_s / 60.0 - mean_t;
                    num += w * t * (r.cents - mean_c);
                    den += w * t * t;
                    squares += w * w * t * t;
                }
                away.extend(rest.iter().map(|(c, w)| ((c - centre).abs(), *w)));
            }
            if den <= 0.0 || away.len() < 3 * FEWEST_NOTES {
                return None;
            }
            slope = num / den;
            // Groups of two or three readings lie nearer to their own median than to the truth.
            sigma = (1.4826 * 1.2 * weighted_median(&away)?).max(1.0);
            half_width = 1.96 * SHARED_FACTOR * sigma * squares.sqrt() / den;
        }
        // What the readings say and what instruments do, by their precisions.
        let (own, prior) = ((half_width / 1.96).powi(-2), USUAL_DRIFT.powi(-2));
        Some(Self { slope: slope * own / (own + prior), half_width: 1.96 / (own + prior).sqrt() })
    }
}

/// Drift within stretches that begin at `breaks_s`, cents a minute, and its standard deviation; no drift, as uncertain as instruments are, where
/// the readings are too few.
fn drift_within(readings: &[CellReading], breaks_s: &[f64]) -> (f64, f64) {
    Drift::fit(readings, breaks_s).map_or((0.0, USUAL_DRIFT), |d| (d.slope, d.half_width / 1.96))
}

/// Drifts within takes and from take to take agree up to this many standard deviations of the first.
const DRIFTS_AGREE: f64 = 2.5;

/// Drift from take to take (they begin at `starts_s`) as long as nobody was heard tuning (before `tuned_s`), cents a minute, and its standard
/// deviation; that within the takes where the two do not agree: somebody was retuned unheard.
pub fn drift_between(readings: &[CellReading], starts_s: &[f64], tuned_s: &[f64]) -> (f64, f64) {
    let (within, between) = (drift_within(readings, starts_s), drift_within(readings, tuned_s));
    if (within.0 - between.0).abs() <= DRIFTS_AGREE * within.1 { between } else { within }
}

/// Half of the stretch from which one second of the curve is read. Near an end of a take that is its first or last stretch of the same
/// length: half as many notes would let a single one move it.
const CURVE_REACH_S: f64 = 5.0;
/// Fewest notes around a second of the curve, within that reach.
const CURVE_NOTES: usize = 4;

/// From its take a second of the curve strays no further than this, cents: what does is another instrument, as in a
/// count-off before the player comes in.
const CURVE_STRAY_CENTS: f64 = 25.0;

/// Median offset around each second, `None` where too few notes were heard, no take is on, or the take itself says nothing.
/// `levels` holds the offset of each take.
pub fn curve(notes: &[NoteOffset], levels: &[Measured], takes_s: &[(f64, f64)], seconds: usize) -> Vec<Option<f64>> {
    (0..seconds)
        .map(|i| {
            let t = i as f64 + 0.5;
            let (take, (from, to)) = takes_s.iter().copied().enumerate().find(|(_, s)| s.0 <= t && t < s.1)?;
            let level = levels.get(take)?.value?;
            let around = |at_s: f64| {
                let within =
                    move |n: &&NoteOffset| (n.at_s - at_s).abs() <= CURVE_REACH_S && n.at_s >= from && n.at_s < to;
                notes.iter().filter(|n| n.weight > 0.0).filter(within)
            };
            let inside_s = t.min(to - CURVE_REACH_S).max(from + CURVE_REACH_S);
            let read: Vec<(f64, f64)> = around(inside_s).map(|n| (n.cents, n.weight)).collect();
            let cents = if around(t).count() >= CURVE_NOTES { weighted_median(&read) } else { None };
            cents.filter(|c| (c - level).abs() <= CURVE_STRAY_CENTS)
        })
        .collect()
}

/// A step between two takes counts as a retuning from this size on, cents.
const LEAST_RETUNING_CENTS: f64 = 5.0;

/// Where the player was heard tuning between the takes, a smaller step counts: what is wrong with both levels alike is not in
/// their difference, so that it is known better than either by about this factor; and what a tuning leaves alone, cents.
const DIFFERENCE_FACTOR: f64 = 0.7;
const LEAST_TUNED_CENTS: f64 = 2.0;

/// Times at which the instrument was retuned: between takes whose levels differ by more than their uncertainty and, unless
/// the player was heard tuning, by more than a drift at the usual pace explains. `between` names the moment for each gap
/// between takes, and whether the player was heard tuning in it.
pub fn retunings(levels: &[Measured], takes_s: &[(f64, f64)], between: impl Fn(f64, f64) -> (f64, bool)) -> Vec<f64> {
    let mut found = Vec::new();
    let known: Vec<(usize, f64, f64)> =
        levels.iter().enumerate().filter_map(|(i, m)| Some((i, m.value?, (m.high? - m.low?) / 2.0))).collect();
    for pair in known.windows(2) {
        let ((i, a, ha), (j, b, hb)) = (pair[0], pair[1]);
        let (moment, tuned) = between(takes_s[i].1, takes_s[j].0);
        // Strings and winds drift by up to about 2 cents a minute in a warming room (common practice, no source).
        let drift = 2.0 * ((takes_s[j].0 + takes_s[j].1) - (takes_s[i].0 + takes_s[i].1)) / 2.0 / 60.0;
        let least = if tuned {
            LEAST_TUNED_CENTS + DIFFERENCE_FACTOR * ha.hypot(hb)
        } else {
            LEAST_RETUNING_CENTS.max(drift) + ha.hypot(hb)
        };
        if (b - a).abs() > least {
            found.push(moment);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line_of(slope_per_min: f64, step_at_s: f64, step: f64) -> Vec<NoteOffset> {
        (0..240)
            .map(|i| {
                let t = f64::from(i) * 0.5;
                let jitter = f64::from((i * 7919) % 13 - 6) * 0.4;
                let cents = 5.0 + slope_per_min * t / 60.0 + jitter + if t >= step_at_s { step } else { 0.0 };
                NoteOffset { at_s: t, cents, weight: 0.4 }
            })
            .collect()
    }

    /// Two cells that disagree by 8 cents, as a key with an odd attack would.
    fn cells(notes: &[NoteOffset]) -> Vec<CellReading> {
        notes
            .iter()
            .enumerate()
            .map(|(i, n)| CellReading {
                at_s: n.at_s,
                cell: (i % 2) as u32,
                cents: n.cents + 8.0 * (i % 2) as f64,
                weight: n.weight,
            })
            .collect()
    }

    #[test]
    fn drift_and_ends_of_a_straight_line_come_back() {
        let notes = line_of(-1.5, 1e9, 0.0);
        let t = trend(&notes, &cells(&notes), &[], 1.0, "none");
        // A little less than the true slope: the prior holds no drift for likely.
        assert!((t.drift_cents_per_min.value.unwrap() + 1.4).abs() < 0.2);
        assert!((t.at_start_cents.value.unwrap() - 5.0).abs() < 0.5);
        assert!((t.at_end_cents.value.unwrap() - 2.0).abs() < 0.5);
    }

    #[test]
    fn a_retuning_does_not_look_like_drift() {
        let notes = line_of(0.0, 60.0, 19.0);
        let t = trend(&notes, &cells(&notes), &[60.0], 1.0, "none");
        assert!(t.drift_cents_per_min.value.unwrap().abs() < 0.2);
        assert!((t.at_end_cents.value.unwrap() - 24.0).abs() < 0.6);
        let found = retunings(
            &[Measured::symmetric(5.0, 1.0, 9), Measured::symmetric(24.0, 1.0, 9)],
            &[(0.0, 50.0), (60.0, 120.0)],
            |a, b| ((a + b) / 2.0, false),
        );
        assert_eq!(found, [55.0]);
        let step = |tuned: bool| {
            let levels = [Measured::symmetric(5.0, 5.0, 9), Measured::symmetric(-5.0, 5.0, 9)];
            retunings(&levels, &[(0.0, 50.0), (60.0, 120.0)], |a, b| ((a + b) / 2.0, tuned))
        };
        assert_eq!((step(false).len(), step(true).len()), (0, 1), "ten cents after a tuning are one");
    }

    #[test]
    fn offsets_around_fifty_cents_stay_together_and_are_marked() {
        let notes: Vec<(f64, f64, f64)> =
            (0..40).map(|i| (f64::from(i), 3600.0 + 46.0 + f64::from(i % 9), 0.4)).collect();
        let own = unwrap_offsets(&notes);
        let spread =
            own.iter().map(|n| n.cents).fold(f64::MIN, f64::max) - own.iter().map(|n| n.cents).fold(f64::MAX, f64::min);
        assert!(spread < 10.0);
        assert!(!level(&own, 1.0, "none").warnings.is_empty());
    }

    #[test]
    fn nothing_heard_is_a_reason_and_not_a_number() {
        assert_eq!(level(&[], 1.0, "no_bass_heard").reason.as_deref(), Some("no_bass_heard"));
        let few = unwrap_offsets(&[(0.0, 3605.0, 0.4); 3]);
        assert_eq!(level(&few, 1.0, "no_bass_heard").reason.as_deref(), Some("too_few_notes"));
        assert_eq!(trend(&few, &[], &[], 1.0, "no_bass_heard").drift_cents_per_min.value, None);
    }

    #[test]
    fn the_curve_leaves_out_what_strays_from_its_take_and_takes_that_say_nothing() {
        let notes: Vec<NoteOffset> =
            line_of(0.0, 12.0, 45.0).into_iter().map(|n| NoteOffset { cents: n.cents - 45.0, ..n }).collect();
        let level = Measured::symmetric(5.0, 1.0, 200);
        let takes = [(0.0, 60.0), (60.0, 120.0)];
        let read = curve(&notes, &[level, Measured::absent("too_few_notes")], &takes, 120);
        assert!(read[..6].iter().all(Option::is_none), "a count-off 45 cents away: {:?}", &read[..6]);
        assert!(read[20..60].iter().all(|c| c.is_some_and(|c| (c - 5.0).abs() < 3.0)), "{:?}", &read[20..60]);
        assert!(read[60..].iter().all(Option::is_none));
    }

    #[test]
    fn a_few_odd_notes_at_the_end_of_a_take_do_not_bend_the_curve() {
        let odd = |n: NoteOffset| NoteOffset { cents: n.cents - if n.at_s < 3.0 { 17.0 } else { 0.0 }, ..n };
        let notes: Vec<NoteOffset> = line_of(0.0, f64::INFINITY, 0.0).into_iter().map(odd).collect();
        let read = curve(&notes, &[Measured::symmetric(5.0, 1.0, 200)], &[(0.0, 60.0)], 60);
        assert!(read.iter().all(|c| c.is_some_and(|c| (c - 5.0).abs() < 1.5)), "{read:?}");
        // Where nobody plays yet nothing is told, whatever comes later.
        let late = curve(&notes[30..], &[Measured::symmetric(5.0, 1.0, 200)], &[(0.0, 60.0)], 60);
        assert!(late[..10].iter().all(Option::is_none) && late[13..].iter().all(Option::is_some), "{late:?}");
    }

    #[test]
    fn drift_is_followed_from_take_to_take_unless_somebody_was_tuned_between() {
        // Two takes of half a minute, the second a minute after the first; two keys by turns, some cents of scatter.
        let takes = |drift: f64, step: f64| -> Vec<CellReading> {
            let at = |i: usize| if i < 60 { i as f64 / 2.0 } else { 60.0 + i as f64 / 2.0 };
            let scatter = |i: usize| 6.0 * ((i * 7919 % 101) as f64 / 101.0 - 0.5);
            let cents = |i: usize| drift * at(i) / 60.0 + if i < 60 { 0.0 } else { step };
            let reading =
                |i: usize| CellReading { at_s: at(i), cell: (i % 2) as u32, cents: cents(i) + scatter(i), weight: 1.0 };
            (0..120).map(reading).collect()
        };
        let starts_s = [0.0, 90.0];
        let (within, between) =
            (drift_within(&takes(-2.0, 0.0), &starts_s), drift_between(&takes(-2.0, 0.0), &starts_s, &[]));
        assert!((between.0 + 2.0).abs() < 0.3 && between.1 < 0.6 * within.1, "{within:?} {between:?}");
        // Heard tuning, or moved too far for a drift: what the takes say by themselves.
        let tuned = drift_between(&takes(0.0, 6.0), &starts_s, &[90.0]);
        let moved = drift_between(&takes(0.0, 12.0), &starts_s, &[]);
        assert!(tuned.0.abs() < 1.0 && moved.0.abs() < 1.0, "{tuned:?} {moved:?}");
    }
}
