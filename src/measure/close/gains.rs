//! How strongly each player reaches the room and the other recorders, band by band: smooth where the take itself cannot tell.
//!
//! Conventions: gains are ratios of K-weighted powers, to one of the player's own power in the recording close to it; places of
//! bands are ERB-rates.
//!
//! Method: in a band in which the player is clear, the power found in the room against the power of the own sound. Where
//! others are far louder, what is left of them in the own sound passes for it, and the ratio is theirs; there the gain is that of
//! the neighbours (a transfer changes little from band to band). Both as one weighted mean: bands weigh by the inverse of their
//! variance, and each band's own ratio counts against the smooth one in the same way.
//! Source: [`NOISE_UNSURE`], [`NOISE_SURE`] and [`SCATTER`] read off ten mixes whose stems were known (`benches/README.md`).

use realfft::num_complex::Complex64;

use super::bands::Bands;
use super::transfer::{BandPowers, inverted};

/// What passes for a player who never dominates, against the power of everybody who has no recorder (standard deviation); it falls
/// with the square of what is not the player's.
const NOISE_UNSURE: f64 = 1.0;
/// The same for a player who always dominates.
const NOISE_SURE: f64 = 0.015;
/// Players with a recorder of their own are told apart better: of their power passes [`NOISE_SURE`] and so many times more.
const KNOWN_UNSURE: f64 = 8.0;
/// The same for leakage into another recording, of all that is in it.
const NOISE_LEAK: f64 = 0.05;
/// How far a single band lies from the smooth curve (share): bands of one bin, wide bands.
const SCATTER: [f64; 2] = [0.8, 0.3];
const SCATTER_LEAK: f64 = 0.5;
/// So many standard deviations of what was found lie beyond doubt. Of two, three and four, three was best on 32 mixes.
const SURELY: f64 = 3.0;
/// Width of the smooth curve (standard deviation), ERB-rate: into the room, into other recordings.
const WIDTH: f64 = 2.0;
const WIDTH_LEAK: f64 = 3.0;
/// How uncertain it is that bands far from each other have the same gain (share).
const FAR: f64 = 1.5;
/// No gain lies lower than this against the smooth curve, nor the curve than this against the mean.
const LEAST: f64 = 0.05;
const LEAST_SMOOTH: f64 = 1e-3;
/// Rounds in which ratio and variance settle.
const ROUNDS: usize = 8;
/// Share of the room that is thought to be nobody's before anything is known.
const FIRST_REST: f64 = 0.3;

/// What the recordings close to the players hold over a take, `[recording][band]`.
pub struct Sent {
    /// All that was recorded.
    pub whole: Vec<Vec<f64>>,
    /// The own sound that the transfer into the room refers to.
    pub own: Vec<Vec<f64>>,
}

/// Gains.
#[derive(Clone, Debug, PartialEq)]
pub struct Gains {
    /// Into the room, `[player][band]`.
    pub to_room: Vec<Vec<f64>>,
    /// From what was recorded to the own power of every player: the inverse of the leakage, `[band][player][recording]`.
    pub apart: Vec<Vec<Vec<f64>>>,
}

impl Gains {
    /// From what long frames found and what short ones hold.
    pub fn new(found: &BandPowers, sent: &Sent, bands: &Bands) -> Self {
        let n = sent.own.len();
        let count = bands.places.len();
        let apart = apart(&leakage(found, sent, bands));
        // Own power of every player, all leakage taken off.
        let own: Vec<Vec<f64>> = (0..n)
            .map(|i| {
                let of = |b: usize| (0..n).map(|j| apart[b][i][j] * sent.whole[j][b]).sum::<f64>().max(0.0);
                (0..count).map(of).collect()
            })
            .collect();
        let mut known = vec![vec![0.0; count]; n];
        let mut rest: Vec<f64> = found.room.iter().map(|p| FIRST_REST * p).collect();
        let mut to_room = Vec::new();
        for _ in 0..2 {
            let told: Vec<Ratio> = (0..n)
                .map(|i| Ratio::new(&found.in_room[i], &sent.own[i], &noise(found, sent, (&rest, &known), i), bands))
                .collect();
            let sum = |of: &dyn Fn(&Ratio, usize) -> f64, b: usize| {
                told.iter().zip(&own).map(|(r, o)| of(r, b) * o[b]).sum::<f64>()
            };
            // A band in which a player stands out from its own neighbours is not yet believed when the rest is counted.
            rest = (0..count).map(|b| (found.room[b] - sum(&|r, b| r.each[b].min(r.smooth[b]), b)).max(0.0)).collect();
            known = told.iter().zip(&own).map(|(r, o)| r.each.iter().zip(o).map(|(r, o)| r * o).collect()).collect();
            to_room = told.into_iter().map(|r| r.each).collect();
        }
        Self { to_room, apart }
    }
}

/// Variance of the power that is found for player `i` in the room: `rest` is nobody's, `known` the other players'.
fn noise(found: &BandPowers, sent: &Sent, (rest, known): (&[f64], &[Vec<f64>]), i: usize) -> Vec<f64> {
    let of = |b: usize| {
        let sure = share(sent.own[i][b], sent.whole[i][b]);
        let unsure = (1.0 - sure).powi(2);
        let others = (found.room[b] - rest[b] - known[i][b]).max(0.0);
        let nobody = (NOISE_UNSURE * unsure + NOISE_SURE) * rest[b];
        let others = NOISE_SURE * (1.0 + KNOWN_UNSURE * unsure) * others;
        nobody.powi(2) + others.powi(2)
    };
    (0..rest.len()).map(of).collect()
}

fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { (part / whole).clamp(0.0, 1.0) } else { 0.0 }
}

/// Leakage of each player into each recording, `[band][recording][player]`; 1 on the diagonal.
fn leakage(found: &BandPowers, sent: &Sent, bands: &Bands) -> Vec<Vec<Vec<f64>>> {
    let n = sent.own.len();
    let mut leakage = vec![vec![vec![0.0; n]; n]; bands.places.len()];
    for i in 0..n {
        let noise: Vec<f64> = sent.whole[i].iter().map(|p| (NOISE_LEAK * p).powi(2)).collect();
        for j in 0..n {
            let ratio = Ratio::smoothed(
                &found.in_recordings[i][j],
                &sent.own[j],
                &noise,
                bands,
                (WIDTH_LEAK, |_| SCATTER_LEAK),
            );
            for (band, cell) in leakage.iter_mut().enumerate() {
                cell[i][j] = if i == j { 1.0 } else { ratio.each[band].min(1.0) };
            }
        }
    }
    leakage
}

/// Inverse of the leakage; no leakage is taken off in a band in which it has none.
fn apart(leakage: &[Vec<Vec<f64>>]) -> Vec<Vec<Vec<f64>>> {
    let unit = |n: usize| (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    let complex =
        |rows: &Vec<Vec<f64>>| rows.iter().map(|row| row.iter().map(|x| Complex64::new(*x, 0.0)).collect()).collect();
    let real =
        |rows: Vec<Vec<Complex64>>| rows.into_iter().map(|row| row.into_iter().map(|x| x.re).collect()).collect();
    leakage.iter().map(|rows| inverted(complex(rows)).map_or_else(|| unit(rows.len()), real)).collect()
}

/// A ratio band by band.
struct Ratio {
    /// As told.
    each: Vec<f64>,
    /// The smooth curve.
    smooth: Vec<f64>,
}

impl Ratio {
    fn new(found: &[f64], of: &[f64], noise: &[f64], bands: &Bands) -> Self {
        Self::smoothed(found, of, noise, bands, (WIDTH, |single| SCATTER[usize::from(!single)]))
    }

    /// `found` is the ratio times `of`, with an error whose variance is `noise`.
    fn smoothed(
        found: &[f64],
        of: &[f64],
        noise: &[f64],
        bands: &Bands,
        (width, scatter): (f64, fn(bool) -> f64),
    ) -> Self {
        let count = of.len();
        let scatter: Vec<f64> = bands.single.iter().map(|single| scatter(*single)).collect();
        let of: Vec<f64> = of.iter().map(|p| p.max(f64::MIN_POSITIVE.sqrt())).collect();
        // Variances never vanish, or a silent band would decide everything.
        let floor = 1e-12 * of.iter().sum::<f64>().powi(2) / (count * count) as f64;
        let noise: Vec<f64> = noise.iter().map(|v| v + floor).collect();
        let mut variance = noise.clone();
        let mut smooth = vec![0.0; count];
        for _ in 0..ROUNDS {
            let top: Vec<f64> = (0..count).map(|b| found[b] * of[b] / variance[b]).collect();
            let weight: Vec<f64> = (0..count).map(|b| of[b] * of[b] / variance[b]).collect();
            let mean = (top.iter().sum::<f64>() / weight.iter().sum::<f64>()).max(1e-12);
            let prior = 1.0 / (FAR * mean).powi(2);
            for (at, value) in smooth.iter_mut().enumerate() {
                let near = |b: usize| (-0.5 * ((bands.places[at] - bands.places[b]) / width).powi(2)).exp();
                let (t, w) = (0..count).fold((0.0, 0.0), |(t, w), b| (t + near(b) * top[b], w + near(b) * weight[b]));
                *value = ((t + prior * mean) / (w + prior)).max(mean * LEAST_SMOOTH);
            }
            variance = (0..count).map(|b| noise[b] + (scatter[b] * smooth[b] * of[b]).powi(2)).collect();
        }
        let each = (0..count).map(|b| {
            // Single modes of a room may carry a player ten times as far as their neighbours: what lies surely beyond the scatter is one.
            let mode = bands.single[b] && of[b] > 0.0;
            let away = (found[b] - smooth[b] * of[b]).abs() - SURELY * noise[b].sqrt();
            let beyond = if mode { away.max(0.0) / of[b] } else { 0.0 };
            let own = 1.0 / ((scatter[b] * smooth[b]).powi(2) + beyond.powi(2));
            let told = (found[b] * of[b] / noise[b] + own * smooth[b]) / (of[b] * of[b] / noise[b] + own);
            told.max(LEAST * smooth[b])
        });
        Self { each: each.collect(), smooth }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BANDS: usize = 30;

    fn bands() -> Bands {
        Bands {
            edges: (0..=BANDS).collect(),
            places: (0..BANDS).map(|b| b as f64).collect(),
            single: vec![false; BANDS],
            weights: vec![1.0; BANDS],
        }
    }

    /// Two players who reach the room with a fifth and a half of their power; the first is buried from band 15 on, where what is left
    /// of somebody without a recorder passes for it.
    fn heard() -> (BandPowers, Sent) {
        let own = |b: usize| if b < 15 { 1.0 } else { 0.002 };
        let of = |f: &dyn Fn(usize) -> f64| (0..BANDS).map(f).collect::<Vec<f64>>();
        let nobody = |b: usize| if b < 15 { 0.0 } else { 3.0 };
        let found = BandPowers {
            whole: 0.0,
            room: of(&|b| 0.2 * own(b) + 0.5 + nobody(b)),
            in_room: vec![of(&|b| 0.2 * own(b) + 0.2 * nobody(b)), vec![0.5; BANDS]],
            in_recordings: vec![vec![of(&own), vec![0.02; BANDS]], vec![of(&|b| 0.1 * own(b)), vec![1.0; BANDS]]],
        };
        let whole = of(&|b| own(b) + 0.02 + 0.02 * nobody(b));
        let shared = of(&|b| if b < 15 { 0.98 } else { 0.02 });
        (found, Sent { whole: vec![whole, of(&|b| 1.0 + 0.1 * own(b))], own: vec![shared, vec![1.0; BANDS]] })
    }

    #[test]
    fn a_band_in_which_others_are_far_louder_has_the_gain_of_its_neighbours() {
        let (found, sent) = heard();
        let gains = Gains::new(&found, &sent, &bands());
        for b in 0..BANDS {
            let db = |x: f64| 10.0 * x.log10();
            let most_db = if b < 15 { 0.3 } else { 3.0 };
            assert!(db(gains.to_room[0][b] / 0.2).abs() < most_db, "{b}: {}", gains.to_room[0][b]);
            assert!(db(gains.to_room[1][b] / 0.5).abs() < 0.3, "{b}: {}", gains.to_room[1][b]);
        }
        // Without the neighbours the buried bands would have been told 30 times too loud.
        assert!(found.in_room[0][20] / sent.own[0][20] > 10.0);
    }

    #[test]
    fn a_single_mode_may_carry_a_clear_player_ten_times_as_far_and_a_wide_band_not() {
        let (mut found, mut sent) = heard();
        sent.own[0][5] = 0.75;
        found.in_room[0][5] = 2.0 * sent.own[0][5];
        found.room[5] += found.in_room[0][5] + 1.0;
        let told = |bands: &Bands| Gains::new(&found, &sent, bands).to_room[0][5];
        let (single, wide) = (Bands { single: vec![true; BANDS], ..bands() }, bands());
        assert!(told(&single) > 1.7, "{}", told(&single));
        assert!(told(&wide) < 0.7 * told(&single), "{}", told(&wide));
    }

    #[test]
    fn leakage_between_recordings_is_taken_off() {
        let (found, sent) = heard();
        let gains = Gains::new(&found, &sent, &bands());
        let own = |player: usize, b: usize| (0..2).map(|j| gains.apart[b][player][j] * sent.whole[j][b]).sum::<f64>();
        for b in 0..15 {
            assert!(
                (own(0, b) - 1.0).abs() < 0.02 && (own(1, b) - 1.0).abs() < 0.02,
                "{b}: {} {}",
                own(0, b),
                own(1, b)
            );
        }
    }

    #[test]
    fn silence_has_finite_gains() {
        let nothing = vec![vec![0.0; BANDS]; 2];
        let found = BandPowers {
            whole: 0.0,
            room: vec![0.0; BANDS],
            in_room: nothing.clone(),
            in_recordings: vec![nothing.clone(); 2],
        };
        let gains = Gains::new(&found, &Sent { whole: nothing.clone(), own: nothing }, &bands());
        assert!(gains.to_room.iter().flatten().all(|g| g.is_finite()));
        assert!(gains.apart.iter().flatten().flatten().all(|g| g.is_finite()));
    }
}
