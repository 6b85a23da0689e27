//! Numbers with an interval, and the small statistics that every room shares.
//!
//! Conventions: plain `f64`; a [`Measured`] is either a value with its 95 % interval, or nothing and the reason why.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One measured value with its 95 % interval, or `null` and the reason.
///
/// `low..=high` is expected to hold the truth 95 times in 100; `n` counts the observations behind it.
/// Nothing to say is `value: null` with a `reason` code, never 0, NaN or a floor value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured<T = f64> {
    /// The value, or null when there is nothing to say (then `reason` tells why).
    pub value: Option<T>,
    /// Lower end of the 95 % interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<T>,
    /// Upper end of the 95 % interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<T>,
    /// Number of observations behind the value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub n: Option<u64>,
    /// Why there is no value; a code in lower_snake_case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Measured, but trust it less: codes in lower_snake_case.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
}

impl<T> Measured<T> {
    /// A value with its 95 % interval from `n` observations.
    pub fn new(value: T, low: T, high: T, n: u64) -> Self {
        Self { value: Some(value), low: Some(low), high: Some(high), n: Some(n), reason: None, warnings: Vec::new() }
    }

    /// A value that carries no interval (a yes or no, or an exact count).
    pub fn plain(value: T, n: u64) -> Self {
        Self { value: Some(value), low: None, high: None, n: Some(n), reason: None, warnings: Vec::new() }
    }

    /// Nothing to say, and why.
    pub fn absent(reason: &str) -> Self {
        Self { value: None, low: None, high: None, n: None, reason: Some(reason.to_owned()), warnings: Vec::new() }
    }

    /// The same reading with one more warning.
    pub fn with_warning(mut self, warning: &str) -> Self {
        self.warnings.push(warning.to_owned());
        self
    }
}

impl Measured<f64> {
    /// `value` with a symmetric 95 % half-width.
    pub fn symmetric(value: f64, half_width: f64, n: u64) -> Self {
        Self::new(value, value - half_width, value + half_width, n)
    }

    /// Half of the width of the interval; 0 without one.
    pub fn half_width(&self) -> f64 {
        self.low.zip(self.high).map_or(0.0, |(low, high)| (high - low) / 2.0)
    }
}

/// Median of `values` (not changed), or `None` when empty. NaN sorts last.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Linear-interpolated quantile, `0.0..=1.0`; `None` when empty.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let position = q.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let below = position.floor() as usize;
    let above = position.ceil() as usize;
    Some(sorted[below] + (sorted[above] - sorted[below]) * (position - below as f64))
}

/// Arithmetic mean, or `None` when empty.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Median absolute deviation from the median, times 1.4826 (equals the standard deviation for normal data).
pub fn mad_sigma(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&deviations).map(|d| 1.4826 * d)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_of_an_interval_is_nothing_where_there_is_none() {
        let m = Measured::symmetric(-3.0, 1.5, 4);
        assert_eq!((m.half_width(), Measured::<f64>::absent("silence").half_width()), (1.5, 0.0));
    }

    #[test]
    fn median_of_an_even_count_is_the_midpoint() {
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&[]), None);
    }
}
