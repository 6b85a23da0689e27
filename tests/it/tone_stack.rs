//! Mid and high controls from a recording close to a player: filters of the published cookbook, other tunes as a ripple.

use ledgerline::dsp::filters::Biquad;
use ledgerline::findings::{AmpCorners, StackAdvice, StackBand, mid_and_high};
use ledgerline::measure::tone::Control;

/// A recording whose bands differ from the target by two filters, the level, and a ripple of other tunes.
fn bands(mid_db: f64, high_db: f64, louder_db: f64, ripple_db: f64) -> Vec<StackBand> {
    let corners = AmpCorners::default();
    let mid = Biquad::peak(48_000.0, corners.mid_hz, 0.7, mid_db);
    let high = Biquad::high_shelf(48_000.0, corners.high_hz, 1.0, high_db);
    (0..29)
        .map(|i| {
            let hz = 25.0 * 10f64.powf(f64::from(i) / 10.0);
            let target_db = -4.0 * (hz / 100.0).log2().abs();
            let moved = mid.magnitude_db(48_000.0, hz) + high.magnitude_db(48_000.0, hz);
            let ripple = ripple_db * (f64::from(i * 7 % 5) - 2.0) / 1.41;
            StackBand { hz, level_db: target_db + moved + louder_db + ripple, target_db }
        })
        .collect()
}

fn change(advice: &[StackAdvice], control: Control) -> f64 {
    advice.iter().find(|a| a.control == control).map_or(0.0, |a| a.change_db.value.unwrap())
}

#[test]
fn what_stands_too_high_is_turned_down_by_as_much_whatever_the_level() {
    for (mid, high) in [(10.0, 0.0), (0.0, -10.0), (-10.0, 9.0), (9.0, 10.0)] {
        let found = mid_and_high(&bands(mid, high, -17.0, 1.0), &AmpCorners::default()).unwrap();
        assert!((change(&found, Control::Mid) + mid).abs() <= 1.5, "{mid} {high}: {found:?}");
        assert!((change(&found, Control::High) + high).abs() <= 1.5, "{mid} {high}: {found:?}");
    }
}

#[test]
fn other_tunes_and_another_level_are_no_knob() {
    assert_eq!(mid_and_high(&bands(0.0, 0.0, 12.0, 2.0), &AmpCorners::default()), Ok(vec![]));
    let deaf: Vec<StackBand> = bands(6.0, 6.0, 0.0, 0.0).into_iter().filter(|b| b.hz < 900.0).collect();
    assert_eq!(mid_and_high(&deaf, &AmpCorners::default()), Err("too_few_bands"));
}
