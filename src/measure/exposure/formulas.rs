//! The published formulas of noise exposure.
//!
//! Conventions: levels in dB(A), times in hours, doses in percent. Sources: NIOSH publication 98-126 (criterion 85 dB(A) for
//! 8 h, exchange rate 3 dB); OSHA 29 CFR 1910.95 appendix A (90 dB(A) for 8 h, 5 dB); directive 2003/10/EC and
//! ISO 9612:2009 (daily noise exposure level by energy).

/// Reference length of a day, hours.
pub const DAY_HOURS: f64 = 8.0;

/// A criterion with its exchange rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DoseRule {
    /// Level that fills the dose in eight hours, dB(A).
    pub criterion_dba: f64,
    /// Rise of level that halves the time, dB.
    pub exchange_db: f64,
}

/// NIOSH 98-126.
pub const NIOSH: DoseRule = DoseRule { criterion_dba: 85.0, exchange_db: 3.0 };
/// OSHA 29 CFR 1910.95.
pub const OSHA: DoseRule = DoseRule { criterion_dba: 90.0, exchange_db: 5.0 };

impl DoseRule {
    /// Hours that fill the dose at this level.
    pub fn hours_allowed(self, level_dba: f64) -> f64 {
        DAY_HOURS / 2f64.powf((level_dba - self.criterion_dba) / self.exchange_db)
    }

    /// Dose of stretches of (level, hours), percent; levels under `threshold_dba` do not count.
    pub fn dose_percent(self, stretches: impl IntoIterator<Item = (f64, f64)>, threshold_dba: Option<f64>) -> f64 {
        let counts = |level: f64| threshold_dba.is_none_or(|t| level >= t);
        let parts = stretches.into_iter().filter(|(level, _)| counts(*level));
        100.0 * parts.map(|(level, hours)| hours / self.hours_allowed(level)).sum::<f64>()
    }

    /// The steady eight-hour level with the same dose; `None` for a dose of nothing.
    ///
    /// NIOSH prints 10 log10(D/100) + 85 and OSHA 16.61 log10(D/100) + 90: the exchange rate in rounded words.
    pub fn time_weighted_average_dba(self, dose_percent: f64) -> Option<f64> {
        let factor = if self == NIOSH { 10.0 } else { 16.61 };
        (dose_percent > 0.0).then(|| factor * (dose_percent / 100.0).log10() + self.criterion_dba)
    }
}

/// Energy mean of levels, dB; `None` of nothing.
pub fn energy_mean_db(levels: impl IntoIterator<Item = f64>) -> Option<f64> {
    let (sum, n) = levels.into_iter().fold((0.0, 0usize), |(s, n), l| (s + 10f64.powf(l / 10.0), n + 1));
    (n > 0).then(|| 10.0 * (sum / n as f64).log10())
}

/// Daily noise exposure level of tasks of (equivalent level, hours), dB(A) (ISO 9612:2009 equation 9; directive 2003/10/EC).
pub fn lex_8h_dba(tasks: impl IntoIterator<Item = (f64, f64)>) -> Option<f64> {
    let energy: f64 = tasks.into_iter().map(|(level, hours)| hours / DAY_HOURS * 10f64.powf(level / 10.0)).sum();
    (energy > 0.0).then(|| 10.0 * energy.log10())
}
