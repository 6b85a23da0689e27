//! A tail that is cut: summits of a waveform become rarer with their height, and on a rail they stop at once.
//!
//! Conventions: a summit is a local maximum of the amplitude that none within 8 samples after it passes; it passes over lower ones
//! there. Heights in dB re full scale.
//!
//! Method: the summits from 3 to 0.6 dB below a supposed rail fall off exponentially with height (maximum likelihood; of the whole
//! stretch or its upper half, whichever is steeper). The rail is there when so few summits lie above it, of those around and above it, as
//! that fall would give less than once in many recordings (binomial). Most recorders clip at full scale before they code: a rail near
//! it needs less proof than one anywhere.
//!
//! How many samples were cut off is where their own fall would have gone on to, with what such a straight line has too much (a natural
//! end falls faster towards its top).
//!
//! Known accuracy, on 332 pieces with a known share of clipped frames (music and rendered rehearsals, MP3, AAC, Vorbis and Opus
//! at 64 to 192 kbit/s; `benches/README.md`).

/// A summit is not passed within this many samples.
const REACH: usize = 8;
/// Around a rail a codec spreads its summits from this far below to this far above it, dB.
const BLUR_DB: (f64, f64) = (0.4, 0.5);
/// The fall is measured from here to here below the rail, dB, and over the upper half of it.
const FALL_DB: (f64, f64) = (3.0, 0.6);
const UPPER_FALL_DB: f64 = 1.8;
/// Summits that a fall is measured on, and that a rail takes.
const FEWEST: f64 = 8.0;
/// A natural end falls faster towards its top, by this much, and never slower than that, 1/dB.
const STEEPER: f64 = 0.3;
const LEAST_FALL: f64 = 0.3;
/// Rails are sought down to this far below the highest summit, dB, in steps of.
const SOUGHT_DB: f64 = 1.5;
const STEP_DB: f64 = 0.05;
/// Where full scale may lie after an encoder has turned down or overshot, dB.
const FULL_SCALE_DB: (f64, f64) = (-0.6, 0.8);

/// A straight line has this many times the samples above the rail that there were, in the middle of 88 of the pieces.
const STRAIGHT_LINE_TOO_MANY: f64 = 2.2;

/// How much proof a rail takes: share of the summits around it that may lie above it, and how unlikely that must be (decadic logarithm).
#[derive(Clone, Copy)]
struct Proof {
    above: f64,
    likelihood: f64,
}

const AT_FULL_SCALE: Proof = Proof { above: 0.15, likelihood: -5.0 };
const ANYWHERE: Proof = Proof { above: 0.05, likelihood: -20.0 };

/// Follows the summits of one channel, local maximum by local maximum.
#[derive(Clone, Default)]
pub struct Summits {
    held: Option<f32>,
    /// Samples since the one that is held.
    since: usize,
}

impl Summits {
    /// Time goes on by `samples`; what is held and has not been passed within reach is a summit.
    pub fn go_on(&mut self, samples: usize) -> Option<f32> {
        self.since = self.since.saturating_add(samples);
        if self.since > REACH { self.held.take() } else { None }
    }

    /// A local maximum of the amplitude, here.
    pub fn maximum(&mut self, amplitude: f32) {
        if self.held.is_none_or(|held| amplitude > held) {
            self.held = Some(amplitude);
            self.since = 0;
        }
    }
}

/// Height of the rail at which the summits stop; `summits` are their heights in dB with how many there are of each, in rising order.
pub fn rail_db(summits: &[(f64, f64)]) -> Option<f64> {
    let top = summits.iter().rfind(|(_, n)| *n > 0.0)?.0;
    let steps = (SOUGHT_DB / STEP_DB) as usize;
    let rails = || (0..=steps).map(|i| top - SOUGHT_DB + i as f64 * STEP_DB);
    let near_full = |rail: &f64| (FULL_SCALE_DB.0..FULL_SCALE_DB.1).contains(rail);
    likeliest(summits, rails().filter(near_full), AT_FULL_SCALE).or_else(|| likeliest(summits, rails(), ANYWHERE))
}

/// Samples that would lie above `rail` had they not been cut off; `samples` as summits are given. None where too few lie below it.
pub fn cut_off(samples: &[(f64, f64)], rail: f64) -> Option<f64> {
    going_on(samples, rail).map(|(_, above)| above / STRAIGHT_LINE_TOO_MANY)
}

/// Samples just below a sharp `rail` beyond those that their fall would leave there: a codec moved them off it, and its decoder cut off
/// again what it moved above. None where too few lie below it.
pub fn moved_below(samples: &[(f64, f64)], rail: f64) -> Option<f64> {
    let (fall, above) = going_on(samples, rail)?;
    let seen: f64 = within(samples, rail - BLUR_DB.1, rail).iter().map(|s| s.1).sum();
    Some((seen - above * ((fall * BLUR_DB.1).exp() - 1.0)).max(0.0))
}

/// The fall of `samples` below `rail`, 1/dB, and how many of them it would leave above.
fn going_on(samples: &[(f64, f64)], rail: f64) -> Option<(f64, f64)> {
    let fall = steepest_fall(samples, rail)?.max(LEAST_FALL);
    let below: f64 = within(samples, rail - UPPER_FALL_DB, rail - FALL_DB.1).iter().map(|s| s.1).sum();
    Some((fall, below / ((fall * UPPER_FALL_DB).exp() - (fall * FALL_DB.1).exp())))
}

fn likeliest(summits: &[(f64, f64)], rails: impl Iterator<Item = f64>, proof: Proof) -> Option<f64> {
    let judged = rails.filter_map(|rail| Some((likelihood(summits, rail, proof.above)?, rail)));
    let (likelihood, rail) = judged.min_by(|a, b| a.0.total_cmp(&b.0))?;
    (likelihood < proof.likelihood).then_some(rail)
}

/// How likely so few summits above `rail` would be without one (decadic logarithm); none where more than `most_above` of them lie
/// above, or too few around it.
fn likelihood(summits: &[(f64, f64)], rail: f64, most_above: f64) -> Option<f64> {
    let above = within(summits, rail + BLUR_DB.1, f64::INFINITY).iter().map(|s| s.1).sum::<f64>();
    let all = within(summits, rail - BLUR_DB.0, f64::INFINITY).iter().map(|s| s.1).sum::<f64>();
    if all < FEWEST || above > most_above * all {
        return None;
    }
    let fall = steepest_fall(summits, rail)?.max(LEAST_FALL) + STEEPER;
    Some(log10_at_most(above as u64, all as u64, (-fall * (BLUR_DB.0 + BLUR_DB.1)).exp()))
}

fn within(summits: &[(f64, f64)], low: f64, high: f64) -> &[(f64, f64)] {
    let from = summits.partition_point(|s| s.0 < low);
    &summits[from..from.max(summits.partition_point(|s| s.0 < high))]
}

/// Below `rail`, of the whole stretch or of its upper half.
fn steepest_fall(heights: &[(f64, f64)], rail: f64) -> Option<f64> {
    let whole = fall(heights, rail - FALL_DB.0, rail - FALL_DB.1)?;
    Some(fall(heights, rail - UPPER_FALL_DB, rail - FALL_DB.1).map_or(whole, |upper| whole.max(upper)))
}

/// Exponential fall of the summits between two heights, 1/dB: the one whose mean height there is theirs.
fn fall(summits: &[(f64, f64)], low: f64, high: f64) -> Option<f64> {
    let own = within(summits, low, high);
    let count: f64 = own.iter().map(|s| s.1).sum();
    if count < FEWEST {
        return None;
    }
    let mean = own.iter().map(|(db, n)| n * (db - low)).sum::<f64>() / count;
    let width = high - low;
    // Mean of an exponential cut off at `width`.
    let mean_of = |fall: f64| {
        if fall.abs() < 1e-6 { width / 2.0 } else { 1.0 / fall - width / ((fall * width).exp() - 1.0) }
    };
    let (mut least, mut most) = (-20.0, 20.0);
    for _ in 0..50 {
        let middle = (least + most) / 2.0;
        if mean_of(middle) > mean { least = middle } else { most = middle }
    }
    Some((least + most) / 2.0)
}

/// Decadic logarithm of the chance that at most `k` of `n` come out where each does with chance `p`.
fn log10_at_most(k: u64, n: u64, p: f64) -> f64 {
    let (odds, none) = ((p / (1.0 - p)).ln(), n as f64 * (1.0 - p).ln());
    let (mut term, mut largest, mut sum) = (none, none, 1.0);
    for i in 1..=k.min(n) {
        term += ((n - i + 1) as f64 / i as f64).ln() + odds;
        if term > largest {
            sum = sum * (largest - term).exp() + 1.0;
            largest = term;
        } else {
            sum += (term - largest).exp();
        }
    }
    (largest + f64::ln(sum)) / std::f64::consts::LN_10
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Summits above -6 dB that fall by `fall` a dB, at the quantiles of that; those above `end` lie evenly within 0.4 dB around it.
    fn tail(many: u32, fall: f64, end: f64) -> Vec<(f64, f64)> {
        let heights = (0..many).map(|i| -6.0 - ((f64::from(i) + 0.5) / f64::from(many)).ln() / fall);
        let mut out: Vec<(f64, f64)> =
            heights.enumerate().map(|(i, db)| (db.min(end - 0.2 + 0.4 * (i as f64 * 0.618).fract()), 1.0)).collect();
        out.sort_by(|a, b| a.0.total_cmp(&b.0));
        out
    }

    #[test]
    fn a_tail_that_thins_out_has_no_rail() {
        for fall in [0.6, 1.0, 1.5, 2.5] {
            for many in [20, 100, 1000, 20_000] {
                assert_eq!(rail_db(&tail(many, fall, 99.0)), None, "{many} {fall}");
            }
        }
        assert_eq!(rail_db(&[]), None);
        assert_eq!(rail_db(&[(-3.0, 9.0)]), None);
    }

    #[test]
    fn a_tail_that_stops_at_full_scale_has_one_there() {
        let rail = rail_db(&tail(2000, 0.8, 0.1)).unwrap();
        assert!((rail - 0.1).abs() < 0.5, "{rail}");
        assert_eq!(rail_db(&tail(300, 0.8, -3.0)), None, "elsewhere as few are no proof");
        let rail = rail_db(&tail(5000, 0.8, -3.0)).unwrap();
        assert!((rail + 3.0).abs() < 0.5, "{rail}");
    }

    #[test]
    fn what_is_cut_off_is_told_by_the_fall_below() {
        // 2000 e^(-0.8 x 6) of an exponential tail lie above 0 dB.
        let above = 2000.0 * (-4.8f64).exp();
        let told = cut_off(&tail(2000, 0.8, 99.0), 0.0).unwrap() * STRAIGHT_LINE_TOO_MANY;
        assert!((told / above - 1.0).abs() < 0.2, "{told} {above}");
        let moved = |summits: &[(f64, f64)]| moved_below(summits, 0.0).unwrap();
        assert!(moved(&tail(20_000, 0.8, 99.0)) < 30.0);
        // Half of the 165 that lie around the rail lie below it.
        let seen = moved(&tail(20_000, 0.8, 0.0));
        assert!((60.0..110.0).contains(&seen), "{seen}");
    }

    #[test]
    fn a_summit_is_not_passed_within_reach_and_passes_over_lower_ones() {
        let mut summits = Summits::default();
        let mut told = Vec::new();
        for (wait, amplitude) in [(0, 0.5), (5, 0.7), (8, 0.6), (4, 0.3), (30, 0.4)] {
            told.extend(summits.go_on(wait));
            summits.maximum(amplitude);
        }
        told.extend(summits.go_on(REACH + 1));
        assert_eq!(told, vec![0.7, 0.3, 0.4]);
    }

    #[test]
    fn chances_add_up() {
        // Binomial distribution, by hand: at most 1 of 3 at one half is 4 of 8; none of 10 at 0.2 is 0.8^10.
        assert!((log10_at_most(1, 3, 0.5) - 0.5f64.log10()).abs() < 1e-12);
        assert!((log10_at_most(0, 10, 0.2) - 10.0 * 0.8f64.log10()).abs() < 1e-12);
        assert!(log10_at_most(10, 10, 0.2).abs() < 1e-12);
    }

    #[test]
    fn the_fall_of_exponential_summits_comes_back() {
        for rate in [0.4, 1.0, 2.0] {
            let summits: Vec<(f64, f64)> = (0..480)
                .map(|i| -3.0 + 0.005 * (f64::from(i) + 0.5))
                .map(|db| (db, 1e4 * (-rate * (db + 3.0)).exp()))
                .collect();
            let found = fall(&summits, -3.0, -0.6).unwrap();
            assert!((found - rate).abs() < 0.01, "{rate}: {found}");
        }
    }
}
