//! Pitch of each bass note, from the peaks near its partials.
//!
//! Conventions: pitches in cents above MIDI 0 at A4 = 440 Hz (so a note's pitch is 100 x its MIDI number plus its offset).
//!
//! Method: for each run of the bass line, the strongest peak near each of the first four partials below 300 Hz is an
//! observation. All observations of a take are fitted together, robustly (Tukey's weights): a pitch for each note, one
//! stretch of the partials with the square of their number (inharmonicity, as far as the take shows it), and one glide
//! after the onset that dies away (plucked strings begin sharp) for the fundamental and one for the upper partials. The
//! weight of a band of frequencies follows from how well it agrees with the rest.
//!
//! Limits: above 125 Hz a comping instrument on the same pitch class pulls the partials towards its own tuning; a note
//! counts the less, the less of it is heard below 130 Hz.

use crate::dsp::partials::weighted_median;
use crate::units::midi_to_hz;

use super::compact::{HOP_S, PeakStore};
use super::line::Run;
use super::offset::strongest_near;

/// Partials that are used.
const PARTIALS: usize = 4;
/// Partials above this frequency are left to the comping instruments.
const HIGHEST_HZ: f64 = 300.0;
/// Shorter runs are passing errors of the line, frames.
const SHORTEST_RUN: usize = 5;
/// Spread of one observation that is expected at least, cents, by partial number: the kick, the ringing of the note before
/// and the attack (which a short note never leaves) move a fundamental far more than its second partial; from the third
/// on the comping instruments pull more and more.
const LEAST_SIGMA: [f64; PARTIALS] = [60.0, 5.0, 9.0, 16.0];
/// Prior of the stretch, cents a squared partial number.
const STRETCH_SIGMA: f64 = 0.3;
/// The stretch is counted from here: between the first and the second partial.
const STRETCH_FROM: f64 = 2.0;
/// Priors of the glide of the fundamental and of the upper partials, cents.
const GLIDE_SIGMA: [f64; 2] = [3.0, 2.0];
/// Time in which a glide dies to 1/e, seconds.
const GLIDE_TIME_S: f64 = 0.2;
/// Tukey's constant in sigmas.
const CUT: f64 = 3.0;
/// Partials weaker than this share of the note's strongest one lose weight.
const WEAK: f64 = 0.1;
/// Edges of the frequency bands whose agreement is measured, Hz.
const BANDS_HZ: [f64; 9] = [60.0, 80.0, 100.0, 120.0, 140.0, 170.0, 200.0, 240.0, 280.0];
/// Below this frequency nothing plays but bass and kick.
const BASS_ALONE_HZ: f64 = 130.0;
const ROUNDS: usize = 10;

/// One bass note.
#[derive(Clone, Copy, Debug)]
pub struct BassNote {
    /// Start and end in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Pitch in cents above MIDI 0.
    pub cents: f64,
    /// Weight in medians: seconds, less for notes with a wide spread or little support.
    pub weight: f64,
}

struct Observation {
    note: usize,
    frame: usize,
    number: usize,
    cents: f64,
    hz: f64,
    amplitude: f64,
    /// Frames since the note began.
    age: usize,
}

/// Notes of the runs of one take.
pub fn bass_notes(store: &PeakStore, runs: &[Run]) -> Vec<BassNote> {
    let runs: Vec<Run> = runs.iter().copied().filter(|r| r.end - r.first >= SHORTEST_RUN).collect();
    let observations = observe(store, &runs);
    if observations.is_empty() {
        return Vec::new();
    }
    let fit = Fit::new(&observations, runs.len()).run(&observations);
    runs.iter().enumerate().filter_map(|(i, run)| note(i, run, &observations, &fit)).collect()
}

fn observe(store: &PeakStore, runs: &[Run]) -> Vec<Observation> {
    let mut out = Vec::new();
    for (note, run) in runs.iter().enumerate() {
        let f0 = midi_to_hz(run.midi);
        for frame in run.first + 1..run.end {
            for number in 1..=PARTIALS {
                let target = f0 * number as f64;
                if target > HIGHEST_HZ {
                    break;
                }
                if let Some((away, amplitude)) = strongest_near(store.frame(frame), target) {
                    let cents = run.midi * 100.0 + away;
                    let hz = target * 2f64.powf(away / 1200.0);
                    out.push(Observation { note, frame, number, cents, hz, amplitude, age: frame - run.first });
                }
            }
        }
    }
    out
}

struct Fit {
    notes: usize,
    /// Amplitude weight of each observation.
    amplitude_weight: Vec<f64>,
    /// How far each observation counts as one of many of the same partial of the same note.
    share: Vec<f64>,
    band: Vec<usize>,
    regressors: Vec<[f64; 3]>,
    pitch: Vec<f64>,
    theta: [f64; 3],
    weight_of_note: Vec<f64>,
}

impl Fit {
    fn new(observations: &[Observation], notes: usize) -> Self {
        let mut strongest = vec![0.0f64; notes];
        let mut count = vec![[0usize; PARTIALS + 1]; notes];
        for o in observations {
            strongest[o.note] = strongest[o.note].max(o.amplitude);
            count[o.note][o.number] += 1;
        }
        let glide = |age: usize| (-(age as f64) * HOP_S / GLIDE_TIME_S).exp();
        Self {
            notes,
            amplitude_weight: observations
                .iter()
                .map(|o| (o.amplitude / strongest[o.note] / WEAK).powi(2).min(1.0))
                .collect(),
            share: observations.iter().map(|o| 1.0 / (count[o.note][o.number] as f64 / 2.0).max(1.0)).collect(),
            band: observations.iter().map(|o| BANDS_HZ.iter().take_while(|b| o.hz >= **b).count()).collect(),
            regressors: observations
                .iter()
                .map(|o| {
                    let first = o.number == 1;
                    let squared = (o.number * o.number) as f64 - STRETCH_FROM;
                    let g = glide(o.age);
                    [squared, if first { g } else { 0.0 }, if first { 0.0 } else { g }]
                })
                .collect(),
            pitch: (0..notes)
                .map(|n| {
                    let own: Vec<(f64, f64)> =
                        observations.iter().filter(|o| o.note == n).map(|o| (o.cents, 1.0)).collect();
                    weighted_median(&own).unwrap_or(0.0)
                })
                .collect(),
            theta: [0.0; 3],
            weight_of_note: vec![0.0; notes],
        }
    }

    fn expected(&self, i: usize, o: &Observation) -> f64 {
        let r = &self.regressors[i];
        self.pitch[o.note] + r.iter().zip(&self.theta).map(|(x, t)| x * t).sum::<f64>()
    }

    fn run(mut self, observations: &[Observation]) -> Self {
        for _ in 0..ROUNDS {
            let residual: Vec<f64> =
                observations.iter().enumerate().map(|(i, o)| o.cents - self.expected(i, o)).collect();
            let sigma = self.band_sigma(&residual);
            let weights: Vec<f64> = observations
                .iter()
                .enumerate()
                .map(|(i, o)| {
                    let s = sigma[self.band[i]].max(LEAST_SIGMA[o.number - 1]);
                    let u = residual[i] / (CUT * s);
                    if u.abs() < 1.0 { (1.0 - u * u).powi(2) / (s * s) * self.amplitude_weight[i] } else { 0.0 }
                })
                .collect();
            self.solve(observations, &weights);
        }
        self
    }

    /// Robust spread of the residuals in each band of frequencies.
    fn band_sigma(&self, residual: &[f64]) -> Vec<f64> {
        (0..=BANDS_HZ.len())
            .map(|band| {
                let own: Vec<f64> =
                    residual.iter().zip(&self.band).filter(|(_, b)| **b == band).map(|(r, _)| r.abs()).collect();
                if own.len() > 20 { 1.4826 * crate::stats::median(&own).unwrap_or(8.0) } else { 8.0 }
            })
            .collect()
    }

    fn solve(&mut self, observations: &[Observation], weights: &[f64]) {
        let mut sum = vec![1e-9f64; self.notes];
        let mut mean_cents = vec![0.0; self.notes];
        let mut mean_x = vec![[0.0; 3]; self.notes];
        for (i, o) in observations.iter().enumerate() {
            sum[o.note] += weights[i];
            mean_cents[o.note] += weights[i] * o.cents;
            for (m, x) in mean_x[o.note].iter_mut().zip(self.regressors[i]) {
                *m += weights[i] * x;
            }
        }
        for n in 0..self.notes {
            mean_cents[n] /= sum[n];
            mean_x[n].iter_mut().for_each(|x| *x /= sum[n]);
        }
        let priors = [STRETCH_SIGMA, GLIDE_SIGMA[0], GLIDE_SIGMA[1]];
        let mut a = [[0.0; 3]; 3];
        let mut b = [0.0; 3];
        for k in 0..3 {
            a[k][k] = 1.0 / (priors[k] * priors[k]);
        }
        for (i, o) in observations.iter().enumerate() {
            let w = weights[i] * self.share[i];
            let dc = o.cents - mean_cents[o.note];
            for j in 0..3 {
                let dj = self.regressors[i][j] - mean_x[o.note][j];
                b[j] += w * dj * dc;
                for k in 0..3 {
                    a[j][k] += w * dj * (self.regressors[i][k] - mean_x[o.note][k]);
                }
            }
        }
        self.theta = solve3(a, b);
        for n in 0..self.notes {
            self.pitch[n] = mean_cents[n] - (0..3).map(|k| mean_x[n][k] * self.theta[k]).sum::<f64>();
        }
        self.weight_of_note = sum;
    }
}

/// Solves a symmetric positive definite 3 x 3 system (Cholesky); the priors keep it definite.
fn solve3(mut a: [[f64; 3]; 3], b: [f64; 3]) -> [f64; 3] {
    for j in 0..3 {
        for k in 0..j {
            a[j][j] -= a[j][k] * a[j][k];
        }
        a[j][j] = a[j][j].max(1e-12).sqrt();
        for i in j + 1..3 {
            for k in 0..j {
                a[i][j] -= a[i][k] * a[j][k];
            }
            a[i][j] /= a[j][j];
        }
    }
    let mut y = [0.0; 3];
    for i in 0..3 {
        y[i] = (b[i] - (0..i).map(|k| a[i][k] * y[k]).sum::<f64>()) / a[i][i];
    }
    let mut x = [0.0; 3];
    for i in (0..3).rev() {
        x[i] = (y[i] - (i + 1..3).map(|k| a[k][i] * x[k]).sum::<f64>()) / a[i][i];
    }
    x
}

/// Spread at which a note counts half, and beyond which it does not count, cents.
const SPREAD_HALF: f64 = 4.0;
const SPREAD_MOST: f64 = 14.0;
/// Share of frames with support below 130 Hz from which a note counts in full.
const FULL_SUPPORT: f64 = 0.5;
/// Support is a peak of at least this share of the note's strongest one.
const SUPPORT_LEVEL: f64 = 0.1;

fn note(index: usize, run: &Run, observations: &[Observation], fit: &Fit) -> Option<BassNote> {
    let own: Vec<(usize, &Observation)> = observations.iter().enumerate().filter(|(_, o)| o.note == index).collect();
    if own.is_empty() || fit.weight_of_note[index] < 1e-6 {
        return None;
    }
    let residuals: Vec<f64> = own.iter().map(|(i, o)| (o.cents - fit.expected(*i, o)).abs()).collect();
    let spread = crate::stats::median(&residuals)?;
    let strongest = own.iter().map(|(_, o)| o.amplitude).fold(0.0, f64::max);
    let mut low: Vec<usize> = own
        .iter()
        .filter(|(_, o)| o.hz < BASS_ALONE_HZ && o.amplitude > SUPPORT_LEVEL * strongest)
        .map(|(_, o)| o.frame)
        .collect();
    low.dedup();
    let support = low.len() as f64 / (run.end - run.first) as f64;
    let seconds = (run.end - run.first) as f64 * HOP_S;
    let quality = if spread < SPREAD_MOST { 1.0 / (1.0 + (spread / SPREAD_HALF).powi(2)) } else { 0.0 };
    Some(BassNote {
        start_s: run.first as f64 * HOP_S,
        end_s: run.end as f64 * HOP_S,
        cents: fit.pitch[index],
        weight: seconds * quality * (support / FULL_SUPPORT).min(1.0).powi(2),
    })
}
