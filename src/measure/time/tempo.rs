//! Tempo of a take from its beats: beats a minute, drift, steadiness, and the curve.
//!
//! Conventions: a local tempo is 60 over one smoothed beat; drift is the change of a straight line fitted to the local
//! tempi from the first to the last beat, percent of its start, plus = rushing. Beats across a restart are left out.

use super::CERTAIN_FROM;
use super::beats::BeatTrack;
use super::middle::middle;
use crate::stats::{Measured, median};

/// Tempo of a take.
#[derive(Clone, Debug)]
pub struct TempoFacts {
    /// Beats a minute: 60 over the median beat; `tempo_changes` warns of a take with more than one tempo, all in the interval.
    pub bpm: Measured,
    /// Change of the fitted tempo from first to last beat, percent, plus = rushing.
    pub drift_percent: Measured,
    /// Standard deviation of a beat's length about the fitted tempo, percent of a beat.
    pub steadiness_percent: Measured,
    /// Beats, s.
    pub beat_times_s: Vec<f64>,
    /// Place of each beat in its bar, from 1.
    pub beat_in_bar: Vec<u8>,
    /// Local tempo over [`CURVE_BEATS`] beats: middle of the stretch in s, beats a minute.
    pub curve: Vec<(f64, f64)>,
}

/// Beats that one point of the tempo curve spans.
pub const CURVE_BEATS: usize = 4;
/// Fewest beats for a line through the tempo.
const FEWEST_FOR_DRIFT: usize = 24;
/// Two standard errors of the tempo that stay however many beats there are, percent: the frame grid and the smoother.
const TEMPO_FLOOR_PERCENT: f64 = 0.1;
/// How well the length of a single smoothed beat is known, as a share: at least, and per spread of the beats, the more of which the
/// smoother takes away the more the tempo wanders.
const BEAT_KNOWN_TO: (f64, f64) = (0.0015, 0.2);
/// Softness of the middle at most: beyond, the middle of two tempi would lie between them.
const LARGEST_SOFTNESS: f64 = 0.003;
/// Standard errors of the middle in the half-width: more than two, as neighbouring beats are not known apart.
const MIDDLE_FACTOR: f64 = 2.5;
/// Spread of the beats about the take's drift from which there is more than one tempo in it, percent; wander alone reaches 1.6 on
/// mixes with known beats.
const SEVERAL_TEMPI_PERCENT: f64 = 2.5;
/// Beats that share one tempo where it wanders.
const BEATS_OF_ONE_TEMPO: f64 = 8.0;
/// Two standard errors of the drift that stay however many beats there are, points.
const DRIFT_FLOOR_POINTS: f64 = 0.25;
/// Error of single onsets that survives the smoother, as a share of their standard deviation.
const SMOOTHED_ONSET_SHARE: f64 = 0.5;

impl TempoFacts {
    /// No tempo, and why.
    pub fn absent(reason: &str) -> Self {
        Self {
            bpm: Measured::absent(reason),
            drift_percent: Measured::absent(reason),
            steadiness_percent: Measured::absent(reason),
            beat_times_s: Vec::new(),
            beat_in_bar: Vec::new(),
            curve: Vec::new(),
        }
    }

    /// The tempo of a beat track.
    ///
    /// # Method
    /// Middle and line over the smoothed beats. The interval of the tempo takes how well the middle of them is known, see
    /// the file `middle.rs`, and the beats that may lie in the breaks between the stretches; that of the drift
    /// takes what the onset error does to a line through differences.
    pub fn of_track(track: &BeatTrack) -> Self {
        let beats = Beats::of(track);
        let mut bpm = beats.bpm();
        if track.level_probability < CERTAIN_FROM {
            bpm = bpm.with_warning(super::HALF_OR_DOUBLE);
        }
        Self {
            bpm,
            drift_percent: beats.drift(track.onset_sd_s),
            steadiness_percent: beats.steadiness(),
            beat_times_s: track.times_s.clone(),
            beat_in_bar: track.in_bar.clone(),
            curve: curve(track),
        }
    }
}

/// Lengths of the beats with their number in the take, and the line through their tempi.
struct Beats {
    number: Vec<f64>,
    length_s: Vec<f64>,
    /// Tempo at beat 0 and change a beat.
    line: Option<(f64, f64)>,
    /// Beats for which there is room in the breaks between the stretches.
    missed: f64,
}

impl Beats {
    fn of(track: &BeatTrack) -> Self {
        let kept: Vec<usize> = (1..track.times_s.len()).filter(|i| !track.restarts.contains(i)).collect();
        let number: Vec<f64> = kept.iter().map(|i| (*i - 1) as f64).collect();
        let length_s: Vec<f64> = kept.iter().map(|i| track.times_s[*i] - track.times_s[i - 1]).collect();
        let tempi: Vec<f64> = length_s.iter().map(|l| 60.0 / l).collect();
        let usual = median(&length_s).unwrap_or(1.0);
        let breaks = track.restarts.iter().filter(|r| **r > 0 && **r < track.times_s.len());
        let missed = breaks.map(|r| ((track.times_s[*r] - track.times_s[r - 1]) / usual - 1.0).max(0.0)).sum();
        Self { line: line(&number, &tempi), number, length_s, missed }
    }

    fn count(&self) -> f64 {
        self.length_s.len() as f64
    }

    /// Spread of the beats about the line, percent of a beat.
    fn spread_percent(&self) -> Option<f64> {
        let (start, slope) = self.line?;
        let sum: f64 = self
            .number
            .iter()
            .zip(&self.length_s)
            .map(|(k, l)| (100.0 * (l * (start + slope * k) / 60.0 - 1.0)).powi(2))
            .sum();
        Some((sum / (self.count() - 2.0)).sqrt())
    }

    fn bpm(&self) -> Measured {
        let told = self.spread_percent().and_then(|spread| {
            let known_to = BEAT_KNOWN_TO.0.max(BEAT_KNOWN_TO.1 * spread / 100.0);
            Some((spread, middle(&self.length_s, known_to.min(LARGEST_SOFTNESS), known_to)?))
        });
        let Some((spread, middle)) = told else { return Measured::absent("too_few_beats") };
        let value = 60.0 / middle.length_s;
        let half_percent = TEMPO_FLOOR_PERCENT.hypot(100.0 * MIDDLE_FACTOR * middle.error);
        let (mut low, mut high) = (value * (1.0 - half_percent / 100.0), value * (1.0 + half_percent / 100.0));
        let mut reach = |around: Option<(f64, f64)>| {
            if let Some((from, to)) = around {
                (low, high) = (low.min(from), high.max(to));
            }
        };
        // Beats that were not found may all lie to one side of the middle.
        reach(self.between(0.5 * self.missed / (self.missed + self.count())));
        let several = spread > SEVERAL_TEMPI_PERCENT;
        if several {
            // Half as many to each side as a median of so few independent beats may be off by.
            reach(self.between(0.98 / (self.count() / BEATS_OF_ONE_TEMPO).sqrt().max(2.0)));
        }
        let told = Measured::new(value, low, high, self.length_s.len() as u64);
        if several { told.with_warning("tempo_changes") } else { told }
    }

    /// Beats a minute between the quantiles that far to either side of the middle of the lengths.
    fn between(&self, half: f64) -> Option<(f64, f64)> {
        let length = |q: f64| crate::stats::quantile(&self.length_s, q);
        Some((60.0 / length(0.5 + half)?, 60.0 / length(0.5 - half)?))
    }

    fn drift(&self, onset_sd_s: f64) -> Measured {
        let Some((start, slope)) = self.line.filter(|_| self.length_s.len() >= FEWEST_FOR_DRIFT) else {
            return Measured::absent("too_few_beats");
        };
        let last = self.number.last().copied().unwrap_or(0.0);
        let value = 100.0 * slope * last / start;
        // Differences of n onsets with error e, fitted by a line: the slope has sd e sqrt(72) / n^2 beats.
        let mean_s = self.length_s.iter().sum::<f64>() / self.count();
        let from_onsets = 100.0 * SMOOTHED_ONSET_SHARE * onset_sd_s * 72f64.sqrt() / (self.count() * mean_s);
        // A beat more or less at either end leans on the line with the local wander.
        let from_ends = self.spread_percent().unwrap_or(0.0) * 6.0 / self.count();
        let half = DRIFT_FLOOR_POINTS.hypot(2.0 * from_onsets.hypot(2.0 * from_ends));
        Measured::symmetric(value, half, self.length_s.len() as u64)
    }

    fn steadiness(&self) -> Measured {
        match self.spread_percent() {
            Some(spread) if self.length_s.len() >= FEWEST_FOR_DRIFT => {
                // The tempo wanders slowly: about one independent value in four beats.
                let half = (2.0 * spread / (2.0 * self.count() / 4.0).sqrt()).hypot(0.1);
                Measured::new(spread, (spread - half).max(0.0), spread + half, self.length_s.len() as u64)
            }
            _ => Measured::absent("too_few_beats"),
        }
    }
}

/// Least-squares line: value at 0 and slope.
pub(super) fn line(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let n = x.len() as f64;
    if x.len() < 3 {
        return None;
    }
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let xx: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
    let slope = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum::<f64>() / xx;
    Some((my - slope * mx, slope))
}

fn curve(track: &BeatTrack) -> Vec<(f64, f64)> {
    (0..track.times_s.len().saturating_sub(CURVE_BEATS))
        .filter(|i| !track.restarts.iter().any(|r| *r > *i && *r <= i + CURVE_BEATS))
        .map(|i| {
            let (a, b) = (track.times_s[i], track.times_s[i + CURVE_BEATS]);
            ((a + b) / 2.0, 60.0 * CURVE_BEATS as f64 / (b - a))
        })
        .collect()
}
