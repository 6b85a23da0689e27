//! Gated loudness and loudness range from 20 ms mean squares of the K-weighted signal.
//!
//! Conventions: `steps` are channel-weighted mean squares of consecutive [`STEP_S`]; windows are whole numbers of steps;
//! levels are LUFS. A step that is not a number stands for samples that were not; windows over it are left out.

use crate::stats::Measured;

/// Length of a step, seconds: a momentary maximum needs an update of 20 ms or finer (EBU Tech 3341 cases 13 and 14).
pub const STEP_S: f64 = 0.02;
/// Steps a second.
pub const STEPS_PER_S: usize = 50;
/// Momentary window and gating block, 400 ms (BS.1770-5 annex 1).
pub const MOMENTARY_STEPS: usize = 20;
/// Short-term window, 3 s (EBU Tech 3341).
pub const SHORT_TERM_STEPS: usize = 150;
/// Distance of gating blocks and of short-term values for the range: 100 ms (75 % overlap; EBU Tech 3342: 10 Hz).
pub const GATING_HOP_STEPS: usize = 5;
/// Absolute gate (BS.1770-5 annex 1).
pub const GATE_ABSOLUTE_LUFS: f64 = -70.0;
/// Relative gate of integrated loudness, against the absolutely gated mean (BS.1770-5 annex 1).
const GATE_RELATIVE_LU: f64 = -10.0;
/// Relative gate of the loudness range (EBU Tech 3342).
const RANGE_GATE_RELATIVE_LU: f64 = -20.0;
/// Offset of the loudness formula (BS.1770-5 annex 1, equation 2).
const LOUDNESS_OFFSET_LU: f64 = -0.691;
/// Quantiles between which the range lies (EBU Tech 3342).
const RANGE_QUANTILES: [f64; 2] = [0.10, 0.95];

/// Loudness of a weighted mean square, LUFS; `None` for nothing at all.
pub fn power_to_lufs(power: f64) -> Option<f64> {
    crate::units::power_to_db(power).map(|db| db + LOUDNESS_OFFSET_LU)
}

/// Weighted mean square of a loudness.
pub fn lufs_to_power(lufs: f64) -> f64 {
    crate::units::db_to_power(lufs - LOUDNESS_OFFSET_LU)
}

/// Mean of a window of steps; NaN when one of them is.
pub fn window_power(steps: &[f32]) -> f64 {
    steps.iter().map(|p| f64::from(*p)).sum::<f64>() / steps.len() as f64
}

/// Mean squares of windows of `length` steps every `hop` steps.
pub fn windows(steps: &[f32], length: usize, hop: usize) -> Vec<f64> {
    if steps.len() < length {
        return Vec::new();
    }
    (0..=steps.len() - length).step_by(hop).map(|at| window_power(&steps[at..at + length])).collect()
}

/// What is left of gating blocks: the mean square and how many blocks it is the mean of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gated {
    /// Mean square over the blocks above both gates.
    pub power: f64,
    /// Number of those blocks.
    pub blocks: usize,
}

/// Mean of the blocks above the absolute and the relative gate (BS.1770-5 annex 1, equations 5 to 7).
pub fn gated_mean(blocks: impl Iterator<Item = f64> + Clone) -> Option<Gated> {
    let mean_above = |gate: f64| {
        // NaN is above no gate.
        let (sum, count) = blocks.clone().filter(|p| *p > gate).fold((0.0, 0usize), |(s, n), p| (s + p, n + 1));
        (count > 0).then(|| Gated { power: sum / count as f64, blocks: count })
    };
    let absolute = lufs_to_power(GATE_ABSOLUTE_LUFS);
    let first = mean_above(absolute)?;
    mean_above(absolute.max(first.power * crate::units::db_to_power(GATE_RELATIVE_LU)))
}

/// Loudness range of short-term mean squares, LU, and the number of values above both gates (EBU Tech 3342).
pub fn range_lu(short_term: impl Iterator<Item = f64> + Clone) -> Option<(f64, usize)> {
    let absolute = lufs_to_power(GATE_ABSOLUTE_LUFS);
    let above = short_term.clone().filter(|p| *p >= absolute);
    let (sum, count) = above.clone().fold((0.0, 0usize), |(s, n), p| (s + p, n + 1));
    if count == 0 {
        return None;
    }
    let relative = sum / count as f64 * crate::units::db_to_power(RANGE_GATE_RELATIVE_LU);
    let mut kept: Vec<f64> = above.filter(|p| *p >= relative).collect();
    kept.sort_by(f64::total_cmp);
    // The nearest rank, as in the reference program printed in Tech 3342.
    let at = |q: f64| kept.get(((kept.len() - 1) as f64 * q).round() as usize).copied();
    let (low, high) = (at(RANGE_QUANTILES[0])?, at(RANGE_QUANTILES[1])?);
    Some((crate::units::power_to_db(high / low)?, kept.len()))
}

/// Adds a warning when some of `steps` held samples that were not numbers.
pub fn warn_of_holes(measured: Measured, steps: &[f32]) -> Measured {
    if measured.value.is_some() && steps.iter().any(|p| !p.is_finite()) {
        return measured.with_warning("samples_not_finite");
    }
    measured
}
