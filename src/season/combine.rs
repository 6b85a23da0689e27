//! Several readings of one measure become one: over the takes of a tape and the tapes of a day.
//!
//! Conventions: readings are independent; each side of the 95 % interval is combined on its own, in squares.

use crate::stats::Measured;

/// A reading and how much it counts (seconds that it stands for).
#[derive(Clone, Debug, PartialEq)]
pub struct Weighted {
    /// The reading.
    pub measured: Measured,
    /// Its weight, seconds; readings without weight are passed over.
    pub weight: f64,
}

/// How readings are combined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Mean, weighted by seconds.
    Mean,
    /// Mean of the powers behind levels in dB, weighted by seconds; the level that one long take would have.
    PowerMean,
    /// Sum; the weight does not count.
    Sum,
}

/// One reading from many.
///
/// Absent readings are passed over. With none left the first reason stays, or `none` when there was no reading at all.
/// `n` is the sum of the observations. Warnings of all readings that count are kept, sorted, each once.
pub fn combine(readings: &[Weighted], rule: Rule, none: &str) -> Measured {
    let counted: Vec<(&Measured, f64, f64)> = readings
        .iter()
        .filter_map(|r| r.measured.value.filter(|v| v.is_finite()).map(|v| (&r.measured, v, r.weight)))
        .filter(|(_, _, weight)| rule == Rule::Sum || *weight > 0.0)
        .collect();
    if counted.is_empty() {
        let reason = readings.iter().find_map(|r| r.measured.reason.as_deref()).unwrap_or(none);
        return Measured::absent(reason);
    }
    let total: f64 = counted.iter().map(|(_, _, w)| w).sum();
    let value = match rule {
        Rule::Mean => counted.iter().map(|(_, v, w)| v * w).sum::<f64>() / total,
        Rule::PowerMean => 10.0 * (counted.iter().map(|(_, v, w)| power(*v) * w).sum::<f64>() / total).log10(),
        Rule::Sum => counted.iter().map(|(_, v, _)| v).sum(),
    };
    // How much the result moves when one reading moves by one unit.
    let share = |v: f64, w: f64| match rule {
        Rule::Mean => w / total,
        Rule::PowerMean => w * power(v) / (total * power(value)),
        Rule::Sum => 1.0,
    };
    let side = |end: fn(&Measured) -> Option<f64>| -> Option<f64> {
        let squares = counted.iter().map(|(m, v, w)| end(m).map(|e| (share(*v, *w) * (e - v)).powi(2)));
        squares.sum::<Option<f64>>().map(f64::sqrt)
    };
    let (down, up) = (side(|m| m.low), side(|m| m.high));
    let mut warnings: Vec<String> = counted.iter().flat_map(|(m, _, _)| m.warnings.clone()).collect();
    warnings.sort();
    warnings.dedup();
    let n = counted.iter().map(|(m, _, _)| m.n).sum();
    Measured {
        value: Some(value),
        low: down.map(|d| value - d),
        high: up.map(|u| value + u),
        n,
        reason: None,
        warnings,
    }
}

fn power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(value: f64, half: f64, weight: f64) -> Weighted {
        Weighted { measured: Measured::symmetric(value, half, 5), weight }
    }

    #[test]
    fn the_longer_tape_counts_more_in_a_mean() {
        let m = combine(&[reading(10.0, 0.0, 3.0), reading(20.0, 0.0, 1.0)], Rule::Mean, "none");
        assert_eq!((m.value, m.n), (Some(12.5), Some(10)));
    }

    /// Two equal stretches at -20 and -30 dB: 10 log10((0.01 + 0.001) / 2) = -22.596 dB.
    #[test]
    fn levels_are_averaged_as_power() {
        let m = combine(&[reading(-20.0, 0.1, 60.0), reading(-30.0, 0.1, 60.0)], Rule::PowerMean, "none");
        assert!((m.value.unwrap() + 22.596).abs() < 0.001, "{m:?}");
    }

    #[test]
    fn four_equal_readings_halve_the_interval() {
        let m = combine(&vec![reading(1.0, 0.8, 10.0); 4], Rule::Mean, "none");
        assert!((m.high.unwrap() - 1.4).abs() < 1e-9 && (m.low.unwrap() - 0.6).abs() < 1e-9, "{m:?}");
        let one = combine(&[reading(-20.0, 0.8, 10.0)], Rule::PowerMean, "none");
        assert!((one.high.unwrap() + 19.2).abs() < 1e-9, "{one:?}");
    }

    #[test]
    fn absent_readings_are_passed_over_and_their_reason_stays_when_none_is_left() {
        let absent = Weighted { measured: Measured::absent("silence"), weight: 9.0 };
        assert_eq!(combine(&[absent.clone(), reading(2.0, 0.0, 1.0)], Rule::Mean, "none").value, Some(2.0));
        assert_eq!(combine(&[absent], Rule::Mean, "none").reason.as_deref(), Some("silence"));
        assert_eq!(combine(&[], Rule::Sum, "no_takes").reason.as_deref(), Some("no_takes"));
    }
}
