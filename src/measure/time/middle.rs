//! The middle length of a take's beats, each of which is known only so well.
//!
//! Conventions: lengths are seconds; softness is the scale of a logistic curve, as a share of the middle length.
//!
//! Limits: single beats are taken as known independently of each other.

use crate::stats::median;

/// A middle and how well it is known.
#[derive(Clone, Copy, Debug)]
pub struct Middle {
    /// The length that as many beats exceed as stay under.
    pub length_s: f64,
    /// Its standard error, as a share.
    pub error: f64,
}

/// Halvings of the interval in which the middle lies.
const HALVINGS: usize = 50;

/// The median of lengths of which each may lie `softness` to either side; `known_to` is the same for its error, which is
/// larger where tempi differ too much to be smoothed over.
///
/// # Method
/// A beat counts as longer than `m` by the logistic curve of its distance; the middle is where half of them are. The number
/// that are is a sum of chances p, of variance p (1 - p) each, and changes with `m` by p (1 - p) over the softness: so the error
/// is the softness over the root of the sum. Few beats near the middle make it large (two tempi), many make it small.
pub fn middle(lengths_s: &[f64], softness: f64, known_to: f64) -> Option<Middle> {
    let usual = median(lengths_s)?;
    let share_under =
        |m: f64, scale: f64| -> Vec<f64> { lengths_s.iter().map(|l| 1.0 / (1.0 + ((l - m) / scale).exp())).collect() };
    let (mut low, mut high) = lengths_s.iter().fold((usual, usual), |(a, b), l| (a.min(*l), b.max(*l)));
    for _ in 0..HALVINGS {
        let m = 0.5 * (low + high);
        let under: f64 = share_under(m, softness * usual).iter().sum();
        if under < 0.5 * lengths_s.len() as f64 { low = m } else { high = m }
    }
    let length_s = 0.5 * (low + high);
    let near: f64 = share_under(length_s, known_to * usual).iter().map(|p| p * (1.0 - p)).sum();
    Some(Middle { length_s, error: known_to * usual / length_s / near.sqrt().max(f64::MIN_POSITIVE.sqrt()) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_lengths_are_their_own_middle_known_to_twice_the_softness_over_the_root_of_their_number() {
        let found = middle(&[0.5; 100], 0.002, 0.002).unwrap();
        assert!((found.length_s - 0.5).abs() < 1e-9);
        // Each p is a half: the root of 100 quarters is 5.
        assert!((found.error - 0.002 / 5.0).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn a_middle_with_few_beats_near_it_is_known_less_well() {
        let even: Vec<f64> = (0..100).map(|i| 0.5 + 0.00002 * f64::from(i - 50)).collect();
        let parted: Vec<f64> = even.iter().map(|l| if *l < 0.5 { l - 0.02 } else { l + 0.02 }).collect();
        let (a, b) = (middle(&even, 0.002, 0.002).unwrap(), middle(&parted, 0.002, 0.002).unwrap());
        assert!((a.length_s - 0.5).abs() < 1e-4 && (b.length_s - 0.5).abs() < 0.02);
        assert!(b.error > 10.0 * a.error, "{a:?} {b:?}");
    }

    #[test]
    fn the_middle_stays_by_most_of_the_beats_whatever_the_others_do() {
        let lengths: Vec<f64> = (0..101).map(|i| if i < 60 { 0.5 } else { 0.7 }).collect();
        assert!((middle(&lengths, 0.002, 0.002).unwrap().length_s - 0.5).abs() < 0.003);
        assert!(middle(&[], 0.002, 0.002).is_none());
    }
}
