//! An instrument's offset over a take and over the tape: level, drift, retuning, curve.
//!
//! Conventions: cents, plus = sharp; drift in cents a minute, plus = going sharp; times in seconds from the start of the tape.
//! Level: median of the notes, weighted by their seconds and quality. Drift: robust straight line (Tukey's weights), one
//! slope, a new level after each retuning.

use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

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
    let angle = |c: f64| std::f64::consts::TAU * c / 100.0;
    let (sin, cos) = notes.iter().fold((0.0, 0.0), |(s, c), &(_, cents, weight)| {
        (s + weight * angle(cents).sin(), c + weight * angle(cents).cos())
    });
    let centre = sin.atan2(cos) / std::f64::consts::TAU * 100.0;
    notes
        .iter()
        .map(|&(at_s, cents, weight)| NoteOffset {
            at_s,
            cents: (cents - centre + 50.0).rem_euclid(100.0) - 50.0 + centre,
            weight,
        })
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

/// A straight line through the notes, with a new level after each of `breaks_s`.
#[derive(Clone, Debug)]
pub struct Trend {
    /// Cents a minute.
    pub drift_cents_per_min: Measured,
    /// On the line at the first note.
    pub at_start_cents: Measured,
    /// On the line at the last note.
    pub at_end_cents: Measured,
}

/// Shortest stretch over which a drift is told, seconds.
const SHORTEST_TREND_S: f64 = 30.0;

/// Fits the line; `systematic_cents` is the 95 % error of the level that notes share within some ten seconds.
pub fn trend(notes: &[NoteOffset], breaks_s: &[f64], systematic_cents: f64, none: &str) -> Trend {
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
    let line = Line::fit(&used, breaks_s);
    let n = effective_count(&used).max(4.0);
    let sigma = line.sigma(&used);
    let per_note = sigma / (n - 2.0).sqrt();
    let scatter = 1.96 * 1.1 * per_note / line.spread_min;
    // What wanders over tens of seconds: a tenth of the level's uncertainty at either end of the stretch.
    let slow = 0.35 * systematic_cents / ((last - first) / 60.0);
    let at = |t: f64| {
        let minutes = t / 60.0;
        let own = line.mean_min(t);
        let scatter = 1.96 * 1.1 * per_note * (1.0 + ((minutes - own) / line.spread_min).powi(2)).sqrt();
        Measured::symmetric(line.at(t), scatter.hypot(systematic_cents), used.len() as u64)
    };
    Trend {
        drift_cents_per_min: Measured::symmetric(line.slope, scatter.hypot(slow), used.len() as u64),
        at_start_cents: at(first),
        at_end_cents: at(last),
    }
}

struct Line {
    breaks_s: Vec<f64>,
    slope: f64,
    /// Mean minute and mean cents of each stretch between breaks.
    means: Vec<(f64, f64)>,
    /// Weighted standard deviation of the minutes around their stretch's mean.
    spread_min: f64,
}

impl Line {
    fn stretch(&self, at_s: f64) -> usize {
        self.breaks_s.iter().filter(|b| at_s >= **b).count()
    }

    fn mean_min(&self, at_s: f64) -> f64 {
        self.means[self.stretch(at_s)].0
    }

    fn at(&self, at_s: f64) -> f64 {
        let (minute, cents) = self.means[self.stretch(at_s)];
        cents + self.slope * (at_s / 60.0 - minute)
    }

    fn sigma(&self, notes: &[NoteOffset]) -> f64 {
        let away: Vec<(f64, f64)> = notes.iter().map(|n| ((n.cents - self.at(n.at_s)).abs(), n.weight)).collect();
        1.4826 * weighted_median(&away).unwrap_or(0.0)
    }

    fn fit(notes: &[NoteOffset], breaks_s: &[f64]) -> Self {
        let mut line = Self {
            breaks_s: breaks_s.to_vec(),
            slope: 0.0,
            means: vec![(0.0, 0.0); breaks_s.len() + 1],
            spread_min: 1.0,
        };
        for (i, mean) in line.means.iter_mut().enumerate() {
            let own: Vec<(f64, f64)> = notes
                .iter()
                .filter(|n| breaks_s.iter().filter(|b| n.at_s >= **b).count() == i)
                .map(|n| (n.cents, n.weight))
                .collect();
            mean.1 = weighted_median(&own).unwrap_or(0.0);
        }
        for _ in 0..20 {
            let sigma = line.sigma(notes).max(1.0);
            let weights: Vec<f64> = notes
                .iter()
                .map(|n| {
                    let u = (n.cents - line.at(n.at_s)) / (4.0 * sigma);
                    if u.abs() < 1.0 { n.weight * (1.0 - u * u).powi(2) } else { 0.0 }
                })
                .collect();
            line.solve(notes, &weights);
        }
        line
    }

    fn solve(&mut self, notes: &[NoteOffset], weights: &[f64]) {
        let mut sums = vec![(1e-12, 0.0, 0.0); self.means.len()];
        for (n, w) in notes.iter().zip(weights) {
            let s = &mut sums[self.breaks_s.iter().filter(|b| n.at_s >= **b).count()];
            s.0 += w;
            s.1 += w * n.at_s / 60.0;
            s.2 += w * n.cents;
        }
        self.means = sums.iter().map(|s| (s.1 / s.0, s.2 / s.0)).collect();
        let (mut num, mut den, mut total) = (0.0, 1e-12, 1e-12);
        for (n, w) in notes.iter().zip(weights) {
            let (minute, cents) = self.means[self.stretch(n.at_s)];
            num += w * (n.at_s / 60.0 - minute) * (n.cents - cents);
            den += w * (n.at_s / 60.0 - minute).powi(2);
            total += w;
        }
        self.slope = num / den;
        self.spread_min = (den / total).sqrt();
    }
}

/// Half of the stretch from which one second of the curve is read.
const CURVE_REACH_S: f64 = 5.0;
/// Fewest notes behind one second of the curve.
const CURVE_NOTES: usize = 4;

/// Median offset around each second, `None` where too few notes were heard or no take is on.
pub fn curve(notes: &[NoteOffset], takes_s: &[(f64, f64)], seconds: usize) -> Vec<Option<f64>> {
    (0..seconds)
        .map(|i| {
            let t = i as f64 + 0.5;
            let (from, to) = takes_s.iter().copied().find(|s| s.0 <= t && t < s.1)?;
            let near: Vec<(f64, f64)> = notes
                .iter()
                .filter(|n| n.weight > 0.0 && (n.at_s - t).abs() <= CURVE_REACH_S && n.at_s >= from && n.at_s < to)
                .map(|n| (n.cents, n.weight))
                .collect();
            if near.len() >= CURVE_NOTES { weighted_median(&near) } else { None }
        })
        .collect()
}

/// A step between two takes counts as a retuning from this size on, cents.
const LEAST_RETUNING_CENTS: f64 = 5.0;

/// Times at which the instrument was retuned: between takes whose levels differ by more than their uncertainty and by
/// more than a drift at the usual pace explains. `between` names the moment for each gap between takes.
pub fn retunings(levels: &[Measured], takes_s: &[(f64, f64)], between: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    let mut found = Vec::new();
    let known: Vec<(usize, f64, f64)> =
        levels.iter().enumerate().filter_map(|(i, m)| Some((i, m.value?, (m.high? - m.low?) / 2.0))).collect();
    for pair in known.windows(2) {
        let ((i, a, ha), (j, b, hb)) = (pair[0], pair[1]);
        // Strings and winds drift by up to about 2 cents a minute in a warming room (common practice, no source).
        let drift = 2.0 * ((takes_s[j].0 + takes_s[j].1) - (takes_s[i].0 + takes_s[i].1)) / 2.0 / 60.0;
        if (b - a).abs() > LEAST_RETUNING_CENTS.max(drift) + ha.hypot(hb) {
            found.push(between(takes_s[i].1, takes_s[j].0));
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

    #[test]
    fn drift_and_ends_of_a_straight_line_come_back() {
        let t = trend(&line_of(-1.5, 1e9, 0.0), &[], 1.0, "none");
        assert!((t.drift_cents_per_min.value.unwrap() + 1.5).abs() < 0.1);
        assert!((t.at_start_cents.value.unwrap() - 5.0).abs() < 0.3);
        assert!((t.at_end_cents.value.unwrap() - 2.0).abs() < 0.3);
    }

    #[test]
    fn a_retuning_does_not_look_like_drift() {
        let t = trend(&line_of(0.0, 60.0, 19.0), &[60.0], 1.0, "none");
        assert!(t.drift_cents_per_min.value.unwrap().abs() < 0.2);
        assert!((t.at_end_cents.value.unwrap() - 24.0).abs() < 0.4);
        let found = retunings(
            &[Measured::symmetric(5.0, 1.0, 9), Measured::symmetric(24.0, 1.0, 9)],
            &[(0.0, 50.0), (60.0, 120.0)],
            |a, b| (a + b) / 2.0,
        );
        assert_eq!(found, [55.0]);
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
        assert_eq!(trend(&few, &[], 1.0, "no_bass_heard").drift_cents_per_min.value, None);
    }
}
