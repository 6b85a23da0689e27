//! A low cut in the recording chain, from the levels of third-octave bands in quiet and in loud moments.
//!
//! Conventions: bands as in [`super::spectrum`], levels in dBFS.
//! Method: room noise falls towards the low end as a second-order high-pass does and no room's own noise; the music refutes a cut where
//! it would have to be deeper than music is without it.
//! Limits: where the noise of the room rises steeply towards the low end, a cut below some 80 Hz bends it too little to be told; the
//! quiet moments of less than a minute are few.
//!
//! Known accuracy, on 60 rendered tapes that nothing was chosen on: 11 of 11 found (60 to 150 Hz), 10 of them within a third of an
//! octave, none told on 49 without one (`benches/README.md`).

use super::spectrum::centre_hz;

/// Bands of the fit to the room noise: 25 Hz to 1 kHz.
const NOISE_FIT: usize = 17;
/// Noise softer than this in any of them is the converter's, on the scale of [`density`].
const LEAST_NOISE_DB: f64 = -125.0;
/// From here on upwards room noise may fall faster than below: 315 Hz.
const NOISE_KNEE: usize = 11;
/// Slopes of room noise, dB a third octave: below the knee, and what is added above.
const NOISE_SLOPES: (f64, f64) = (-2.5, 0.3);
/// Bands whose loud level stands for the music above the cut: 160 to 500 Hz.
const ABOVE_CUT: std::ops::Range<usize> = 8..14;
/// Music that would be louder than this in a band below, without the cut, than it is above, refutes the cut, dB.
const DEEPEST_DB: f64 = 22.0;
/// A corner explains the noise when it leaves less than this share of the misfit, and when there was misfit, dB^2.
const EXPLAINED: f64 = 0.35;
const LEAST_MISFIT: f64 = 6.0;
/// Corners that are tried: 40 Hz to 368 Hz.
const FIRST_CORNER_HZ: f64 = 40.0;
const CORNERS: usize = 33;
const CORNERS_AN_OCTAVE: f64 = 10.0;
/// A corner is within this factor of the truth on 19 of 20 tapes.
pub const CUT_FACTOR: f64 = 1.5;
/// Rounds in which the two slopes of the room noise are fitted in turn.
const SLOPE_ROUNDS: usize = 60;
/// Of the power of noise in a band the quietest moments show the level that 3 of 10 lie under: standard normal deviate.
const QUIET_DEVIATE: f64 = -0.5244;

/// Corner of a second-order high-pass in the chain, Hz, or why none is told: from the levels of every third-octave band in quiet and in
/// loud moments, dBFS, and how many bins of the spectrum each band has.
pub fn low_cut(quiet: &[f64], bins: &[f64], loud: &[f64]) -> Result<f64, &'static str> {
    // The quietest moments of a narrow band understate its noise.
    let noise: Vec<f64> = quiet.iter().zip(bins).map(|(level, bins)| level - quiet_moment_db(*bins)).collect();
    let noise = density(&noise);
    if noise[..NOISE_FIT].iter().any(|l| *l < LEAST_NOISE_DB) {
        return Err("no_room_noise_to_judge_by");
    }
    cut_of_noise(&noise).filter(|corner| music_allows(loud, *corner)).ok_or("no_low_cut_heard")
}

/// What a second-order high-pass takes away at `hz`, dB.
fn cut_db(corner_hz: f64, hz: f64) -> f64 {
    10.0 * (1.0 + (corner_hz / hz).powi(4)).log10()
}

/// Where the level of noise in a band of so many bins lies in quiet moments against its mean, dB (under it): chi squared (Wilson and
/// Hilferty's approximation, from memory), the bins of a Hann window being alike by 4 in 9 to the next and 1 in 36 to the one after that.
fn quiet_moment_db(bins: f64) -> f64 {
    let variance = bins + 2.0 * (bins - 1.0).max(0.0) * 4.0 / 9.0 + 2.0 * (bins - 2.0).max(0.0) / 36.0;
    let spread = 2.0 / (9.0 * 2.0 * bins * bins / variance);
    30.0 * (1.0 - spread + QUIET_DEVIATE * spread.sqrt()).log10()
}

/// Levels a Hz instead of levels a band, on an arbitrary common scale.
fn density(levels: &[f64]) -> Vec<f64> {
    levels.iter().enumerate().map(|(b, l)| l - 10.0 * (centre_hz(b as i32) / centre_hz(0)).log10()).collect()
}

/// Could music with these loud levels have been cut at `corner`?
fn music_allows(levels: &[f64], corner: f64) -> bool {
    let above = levels[ABOVE_CUT].iter().sum::<f64>() / ABOVE_CUT.len() as f64;
    (0..ABOVE_CUT.start).all(|b| levels[b] + cut_db(corner, centre_hz(b as i32)) - above <= DEEPEST_DB)
}

/// Corner of the second-order high-pass that explains the fall of the room noise towards the low end, if it explains much.
fn cut_of_noise(density: &[f64]) -> Option<f64> {
    // Hum and other lines stand out of the noise by themselves: a band is held to 3 dB over its lower neighbours.
    let smooth: Vec<f64> = (0..NOISE_FIT)
        .map(|b| {
            let around = if b == 0 { density[1] } else { density[b - 1].max(density[b + 1]) };
            density[b].min(around + 2.0)
        })
        .collect();
    let fit = |corner: Option<f64>| -> f64 {
        let cut = |b: usize| corner.map_or(0.0, |c| cut_db(c, centre_hz(b as i32)));
        misfit_of_room_noise(&smooth.iter().enumerate().map(|(b, l)| l + cut(b)).collect::<Vec<_>>())
    };
    let plain = fit(None);
    let corner_hz = |i: f64| FIRST_CORNER_HZ * 2f64.powf(i / CORNERS_AN_OCTAVE);
    let misfits: Vec<f64> = (0..CORNERS).map(|i| fit(Some(corner_hz(i as f64)))).collect();
    let (at, least) = misfits.iter().copied().enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?;
    // Between the corners tried: the lowest point of a parabola.
    let between = match at.checked_sub(1).and_then(|before| Some((misfits.get(before)?, misfits.get(at + 1)?))) {
        Some((before, after)) => 0.5 * (before - after) / (before - 2.0 * least + after).max(1e-9),
        None => 0.0,
    };
    (least < EXPLAINED * plain && plain > LEAST_MISFIT).then(|| corner_hz(at as f64 + between))
}

/// Mean squared distance in dB from the best course of room noise: a straight line that bends at a knee.
fn misfit_of_room_noise(y: &[f64]) -> f64 {
    let centred = |values: Vec<f64>| -> Vec<f64> {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|v| v - mean).collect()
    };
    let courses = [0, NOISE_KNEE].map(|from| centred((0..y.len()).map(|b| b.saturating_sub(from) as f64).collect()));
    let mut rest = centred(y.to_vec());
    let mut slopes = [0.0; 2];
    // Each slope in turn, within its limits, until both stand still.
    for _ in 0..SLOPE_ROUNDS {
        for (slope, course) in slopes.iter_mut().zip(&courses) {
            let square: f64 = course.iter().map(|c| c * c).sum();
            let best = *slope + course.iter().zip(&rest).map(|(c, r)| c * r).sum::<f64>() / square;
            let next = best.clamp(NOISE_SLOPES.0, NOISE_SLOPES.1);
            rest.iter_mut().zip(course).for_each(|(r, c)| *r -= (next - *slope) * c);
            *slope = next;
        }
    }
    rest.iter().map(|r| r * r).sum::<f64>() / y.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_moments_understate_the_noise_of_narrow_bands() {
        // The power of one bin is exponential: 3 of 10 lie under -ln 0.7 of the mean, in closed form.
        let one = 10.0 * (-(0.7f64.ln())).log10();
        assert!((quiet_moment_db(1.0) - one).abs() < 0.15, "{} {one}", quiet_moment_db(1.0));
        assert!(quiet_moment_db(4.0) < -1.0 && quiet_moment_db(4.0) > quiet_moment_db(2.0));
        assert!(quiet_moment_db(1000.0) > -0.2);
    }

    #[test]
    fn a_line_that_bends_at_the_knee_is_room_noise_and_one_that_a_high_pass_bends_is_not() {
        let line = |slope: f64, beyond: f64| -> Vec<f64> {
            (0..=NOISE_FIT).map(|b| slope * b as f64 + beyond * b.saturating_sub(NOISE_KNEE) as f64).collect()
        };
        for (slope, beyond) in [(0.0, 0.0), (-1.0, 0.0), (-2.0, -2.0), (0.2, -1.5)] {
            let y = line(slope, beyond);
            assert!(misfit_of_room_noise(&y[..NOISE_FIT]) < 1e-3, "{slope} {beyond}");
            assert_eq!(cut_of_noise(&y), None, "{slope} {beyond}");
            for hz in [110.0, 150.0] {
                let cut: Vec<f64> = y.iter().enumerate().map(|(b, l)| l - cut_db(hz, centre_hz(b as i32))).collect();
                let found = cut_of_noise(&cut).unwrap();
                assert!((found / hz).log2().abs() < 0.05, "{slope} {beyond} {hz}: {found}");
            }
        }
    }
}
