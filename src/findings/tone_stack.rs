//! Three tone controls read off a recording close to the player, against earlier recordings of the same player.
//!
//! Conventions: what is fitted is this recording minus the target, dB, in third-octave bands; a control that stands too high
//! there is to be turned down by as much. The level is free: a recorder's own gain says nothing. Each control enters by the
//! response of the audio EQ cookbook at its corner (W3C Group Note, 8 June 2021); least squares with a weak pull towards
//! zero, gains refined three times because responses grow with gain not quite in proportion.
//! Limits: the loudest bands follow the notes that were played, so that those below [`LOWEST_HZ`] are left out: the low
//! control is read from the note spectrum (see the tone family) for the bass, and not at all for the guitar. A new
//! plectrum, other strings, another place of the microphone look like a knob.

use super::amp::AmpCorners;
use crate::measure::tone::{Control, ControlChange, ToneDifference, ToneKind};
use crate::stats::Measured;

/// Bands below follow the notes of the tune more than the amplifier.
pub const LOWEST_HZ: f64 = 150.0;
/// Bands above hold noise and leakage more than the instrument.
pub const HIGHEST_HZ: f64 = 7000.0;
/// Fewest bands.
const FEWEST_BANDS: usize = 10;
/// Bands softer than the loudest of the target by more than this are not the instrument's, dB.
const UNDER_DB: f64 = 50.0;
/// Steps in which a change is stated, dB.
const STEP_DB: f64 = 0.5;
/// Smaller changes are not worth a walk to the amplifier, dB.
const LEAST_DB: f64 = 1.0;
/// Most that is asked of one control, dB.
const MOST_DB: f64 = 12.0;
/// Pull towards zero: a prior standard deviation of the gains, dB.
const USUAL_GAIN_DB: f64 = 8.0;
/// Scatter of a band between two recordings of one player with other tunes, dB; least that is believed.
const BAND_SD_DB: f64 = 2.0;
/// Neighbouring bands err together: about this many stand for one.
const TOGETHER: f64 = 3.0;
/// Rounds of refinement.
const ROUNDS: usize = 4;

/// A band of the recording beside the target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StackBand {
    /// Middle, Hz.
    pub hz: f64,
    /// Level of the recording, dB.
    pub level_db: f64,
    /// Level of the target, dB.
    pub target_db: f64,
}

/// One control to turn.
#[derive(Clone, Debug, PartialEq)]
pub struct StackAdvice {
    /// Which.
    pub control: Control,
    /// By how much, dB.
    pub change_db: Measured,
}

/// What the low control of a bass would have to do, from its note spectrum against the target's own.
pub fn low_of_bass(own: &ToneDifference) -> Option<StackAdvice> {
    let (value, low, high) = (own.low_db.value?, own.low_db.low?, own.low_db.high?);
    let change = ((-value / STEP_DB).round() * STEP_DB).clamp(-MOST_DB, MOST_DB);
    let sure = own.kind == ToneKind::EveryNote && change.abs() >= LEAST_DB && (low > 0.0 || high < 0.0);
    let n = own.low_db.n.unwrap_or(0);
    sure.then(|| StackAdvice { control: Control::Low, change_db: Measured::symmetric(change, (high - low) / 2.0, n) })
}

/// What mid and high controls would have to do to bring the recording to its target.
///
/// # Output
/// Changes that are more than noise, in steps of 0.5 dB; a control that is missing is left alone. n = bands.
///
/// # Not measurable
/// `too_few_bands`: fewer than ten bands that both hear.
///
/// # Accuracy known
/// Rendered pairs of takes of one bass and one guitar with other tunes and rooms: the gains are off by 4 to 5 dB (rms), so that only
/// gross settings are told; of 70 recordings with controls turned by 0 to 6 dB one was told something, rightly.
pub fn mid_and_high(bands: &[StackBand], corners: &AmpCorners) -> Result<Vec<StackAdvice>, &'static str> {
    let top = bands.iter().map(|b| b.target_db).fold(f64::MIN, f64::max);
    let used: Vec<StackBand> = bands
        .iter()
        .filter(|b| (LOWEST_HZ..HIGHEST_HZ).contains(&b.hz) && b.target_db > top - UNDER_DB)
        .copied()
        .collect();
    if used.len() < FEWEST_BANDS {
        return Err("too_few_bands");
    }
    let controls = [(Control::Mid, corners.mid_hz), (Control::High, corners.high_hz)];
    let fit = fit(&used, &controls);
    let advice = controls.iter().zip(fit).filter_map(|((control, _), (gain, half))| {
        let change = ((-gain / STEP_DB).round() * STEP_DB).clamp(-MOST_DB, MOST_DB);
        let sure = change.abs() >= LEAST_DB && gain.abs() > half;
        sure.then(|| StackAdvice { control: *control, change_db: Measured::symmetric(change, half, used.len() as u64) })
    });
    Ok(advice.collect())
}

/// Gain of each control that is in the recording, and the half-width of its 95 % interval, dB.
fn fit(bands: &[StackBand], controls: &[(Control, f64); 2]) -> [(f64, f64); 2] {
    let mut gains = [3.0, 3.0];
    let mut halves = [f64::INFINITY; 2];
    for _ in 0..ROUNDS {
        let shape = |at: usize, hz: f64| {
            // The response of a control by its gain is nearly straight; its slope is taken at the gain of the round before.
            let gain = if f64::abs(gains[at]) < 1.0 { 1.0 } else { gains[at] };
            let change = ControlChange { control: controls[at].0, corner_hz: controls[at].1, change_db: gain };
            change.response_db(hz) / gain
        };
        let rows: Vec<([f64; 3], f64)> =
            bands.iter().map(|b| ([shape(0, b.hz), shape(1, b.hz), 1.0], b.level_db - b.target_db)).collect();
        let scatter = |g: &[f64; 3]| {
            let left: f64 =
                rows.iter().map(|(x, y)| (y - x.iter().zip(g).map(|(x, g)| x * g).sum::<f64>()).powi(2)).sum();
            (left / (rows.len() - 3) as f64).sqrt().max(BAND_SD_DB)
        };
        let (solved, _) = solve(&rows, 1.0);
        let sd = scatter(&solved);
        let (solved, inverse) = solve(&rows, (sd / USUAL_GAIN_DB).powi(2));
        gains = [solved[0], solved[1]];
        halves = std::array::from_fn(|i| 1.96 * sd * (TOGETHER * inverse[i]).sqrt());
    }
    std::array::from_fn(|i| (gains[i], halves[i]))
}

/// Least squares with a pull on the first two unknowns: the solution and the diagonal of the inverse.
fn solve(rows: &[([f64; 3], f64)], pull: f64) -> ([f64; 3], [f64; 3]) {
    let mut m = [[0.0; 3]; 3];
    let mut v = [0.0; 3];
    for (x, y) in rows {
        for i in 0..3 {
            v[i] += x[i] * y;
            for j in 0..3 {
                m[i][j] += x[i] * x[j];
            }
        }
    }
    m[0][0] += pull;
    m[1][1] += pull;
    let minor = |a: usize, b: usize, c: usize, d: usize| m[a][c] * m[b][d] - m[a][d] * m[b][c];
    let det = m[0][0] * minor(1, 2, 1, 2) - m[0][1] * minor(1, 2, 0, 2) + m[0][2] * minor(1, 2, 0, 1);
    let inverse = [
        [minor(1, 2, 1, 2), -minor(0, 2, 1, 2), minor(0, 1, 1, 2)],
        [-minor(1, 2, 0, 2), minor(0, 2, 0, 2), -minor(0, 1, 0, 2)],
        [minor(1, 2, 0, 1), -minor(0, 2, 0, 1), minor(0, 1, 0, 1)],
    ];
    let x = |i: usize| (0..3).map(|j| inverse[i][j] * v[j]).sum::<f64>() / det;
    ([x(0), x(1), x(2)], std::array::from_fn(|i| (inverse[i][i] / det).max(0.0)))
}
