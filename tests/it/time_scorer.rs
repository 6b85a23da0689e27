//! The arithmetic by which beat, onset and tempo answers are scored in these tests.
//!
//! Conventions: times in seconds, rising. Definitions: Davies, Degara and Plumbley, Evaluation methods for musical audio
//! beat tracking algorithms, 2009, with the defaults of mir_eval 0.8.2 (MIT), whose stored scores hold it to account in
//! `time_fixtures`.

/// Beats before this are not scored, s.
pub const TRIM_S: f64 = 5.0;

pub fn trimmed(beats: &[f64]) -> Vec<f64> {
    beats.iter().copied().filter(|b| *b >= TRIM_S).collect()
}

/// Number of one-to-one matches within `window_s`.
pub fn matches(reference: &[f64], estimated: &[f64], window_s: f64) -> usize {
    let (mut i, mut j, mut hits) = (0, 0, 0);
    while i < reference.len() && j < estimated.len() {
        if reference[i] < estimated[j] - window_s {
            i += 1;
        } else if reference[i] > estimated[j] + window_s {
            j += 1;
        } else {
            hits += 1;
            i += 1;
            j += 1;
        }
    }
    hits
}

/// F-measure, precision, recall.
pub fn f_measure(reference: &[f64], estimated: &[f64], window_s: f64) -> (f64, f64, f64) {
    let hits = matches(reference, estimated, window_s) as f64;
    if hits == 0.0 {
        return (0.0, 0.0, 0.0);
    }
    let (precision, recall) = (hits / estimated.len() as f64, hits / reference.len() as f64);
    (2.0 * precision * recall / (precision + recall), precision, recall)
}

/// The reference as annotated, off the beat, at double, and at half tempo from the first and the second beat.
fn variations(reference: &[f64]) -> [Vec<f64>; 5] {
    let mut double = Vec::new();
    for (i, beat) in reference.iter().enumerate() {
        double.push(*beat);
        if let Some(next) = reference.get(i + 1) {
            double.push((beat + next) / 2.0);
        }
    }
    let every = |from: &[f64], offset: usize| from.iter().skip(offset).step_by(2).copied().collect::<Vec<f64>>();
    [reference.to_vec(), every(&double, 1), double.clone(), every(reference, 0), every(reference, 1)]
}

/// Cemgil's accuracy (Gaussian of 40 ms): at the annotated level, and at the best.
pub fn cemgil(reference: &[f64], estimated: &[f64]) -> (f64, f64) {
    let all: Vec<f64> = variations(reference)
        .iter()
        .map(|r| {
            let sum: f64 = r.iter().map(|b| (-nearest(estimated, *b).1.powi(2) / (2.0 * 0.04f64.powi(2))).exp()).sum();
            sum / (0.5 * (estimated.len() + r.len()) as f64)
        })
        .collect();
    (all[0], all.iter().copied().fold(0.0, f64::max))
}

/// Index and distance of the nearest entry; the first of two at the same distance.
fn nearest(list: &[f64], x: f64) -> (usize, f64) {
    let mut best = (0, f64::INFINITY);
    for (i, v) in list.iter().enumerate() {
        if (v - x).abs() < best.1 {
            best = (i, (v - x).abs());
        }
    }
    best
}

/// Goto's criterion: 1 when the longest correct stretch is long, close and even enough.
pub fn goto(reference: &[f64], estimated: &[f64]) -> f64 {
    let n = reference.len();
    let mut error = vec![1.0f64; n];
    for k in 1..n - 1 {
        let before = 0.5 * (reference[k] - reference[k - 1]);
        let after = 0.5 * (reference[k + 1] - reference[k]);
        let inside: Vec<f64> =
            estimated.iter().copied().filter(|e| *e >= reference[k] - before && *e < reference[k] + after).collect();
        if let [only] = inside[..] {
            let offset = only - reference[k];
            error[k] = offset / if offset < 0.0 { before } else { after };
        }
    }
    let wrong: Vec<usize> = (0..n).filter(|k| error[*k].abs() > 0.35).collect();
    let track: &[f64] = if wrong.len() < 3 {
        &error[wrong[0] + 1..wrong[wrong.len() - 1] - 1]
    } else {
        let gaps: Vec<usize> = wrong.windows(2).map(|w| w[1] - w[0]).collect();
        let longest = *gaps.iter().max().unwrap();
        if longest as f64 - 1.0 <= 0.25 * (n as f64 - 2.0) {
            return 0.0;
        }
        let at = gaps.iter().position(|g| *g == longest).unwrap();
        &error[wrong[at]..=wrong[at + 1]]
    };
    let count = track.len() as f64;
    let mean_size = track.iter().map(|e| e.abs()).sum::<f64>() / count;
    let mean = track.iter().sum::<f64>() / count;
    let sd = (track.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    f64::from(mean_size < 0.2 && sd < 0.2)
}

/// McKinney's P-score: pairs of 10 ms impulses within a fifth of the median interval.
pub fn p_score(reference: &[f64], estimated: &[f64]) -> f64 {
    if reference.len() < 2 || estimated.len() < 2 {
        return 0.0;
    }
    let offset = reference[0].min(estimated[0]);
    let impulses = |beats: &[f64]| -> Vec<i64> {
        let mut frames: Vec<i64> = beats.iter().map(|b| ((b - offset) * 100.0).ceil() as i64).collect();
        frames.dedup();
        frames
    };
    let (r, e) = (impulses(reference), impulses(estimated));
    let mut gaps: Vec<f64> = r.windows(2).map(|w| (w[1] - w[0]) as f64).collect();
    gaps.sort_by(f64::total_cmp);
    let middle = (gaps[(gaps.len() - 1) / 2] + gaps[gaps.len() / 2]) / 2.0;
    // The window is rounded half to even, as the stored scores were.
    let window = (0.2 * middle).round_ties_even() as i64;
    let pairs = e.iter().map(|x| r.iter().filter(|y| (*y - x).abs() <= window).count()).sum::<usize>();
    pairs as f64 / reference.len().max(estimated.len()) as f64
}

/// Continuity: CMLc, CMLt, AMLc, AMLt with phase and period tolerance 17.5 %.
pub fn continuity(reference: &[f64], estimated: &[f64]) -> [f64; 4] {
    if reference.len() < 2 || estimated.len() < 2 {
        return [0.0; 4];
    }
    let all: Vec<(f64, f64)> = variations(reference).iter().map(|r| continuity_at(r, estimated)).collect();
    let best = |f: fn(&(f64, f64)) -> f64| all.iter().map(f).fold(0.0, f64::max);
    [all[0].0, all[0].1, best(|a| a.0), best(|a| a.1)]
}

fn continuity_at(reference: &[f64], estimated: &[f64]) -> (f64, f64) {
    let n = reference.len().max(estimated.len());
    let (mut used, mut success) = (vec![false; n], vec![false; n]);
    for m in 0..estimated.len() {
        let (near, distance) = nearest(reference, estimated[m]);
        if used[near] {
            continue;
        }
        let looks_ahead = m == 0 || near == 0;
        let reference_interval = if looks_ahead && near + 1 < reference.len() {
            reference[near + 1] - reference[near]
        } else {
            reference[near] - reference[near - 1]
        };
        let estimated_interval = if looks_ahead && m + 1 < estimated.len() {
            estimated[m + 1] - estimated[m]
        } else {
            estimated[m] - estimated[m - 1]
        };
        let phase = (distance / reference_interval).abs();
        let period = (1.0 - estimated_interval / reference_interval).abs();
        if phase < 0.175 && period < 0.175 {
            used[near] = true;
            success[m] = true;
        }
    }
    let (mut longest, mut run) = (0, 0);
    for s in &success {
        run = if *s { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    let total = success.iter().filter(|s| **s).count();
    (longest as f64 / n as f64, total as f64 / n as f64)
}

/// Information gain over 41 bins of beat error.
pub fn information_gain(reference: &[f64], estimated: &[f64]) -> f64 {
    if reference.len() < 2 || estimated.len() < 2 {
        return 0.0;
    }
    let norm = 41f64.log2();
    (norm - entropy(reference, estimated).max(entropy(estimated, reference))) / norm
}

fn entropy(reference: &[f64], estimated: &[f64]) -> f64 {
    const BINS: usize = 41;
    let mut counts = [0.0f64; BINS];
    for beat in estimated {
        let (near, _) = nearest(reference, *beat);
        let error = beat - reference[near];
        let interval = if near == reference.len() - 1 || (error < 0.0 && near > 0) {
            reference[near] - reference[near - 1]
        } else {
            reference[near + 1] - reference[near]
        };
        let half = 0.5 * interval;
        let scaled = 0.5 * error / if error < 0.0 && near == 0 { wrapped_interval(reference) } else { half };
        // Into (-0.5, 0.5].
        let shifted = scaled + 0.5;
        let wrapped = shifted - shifted.ceil() + 0.5;
        let edges = |k: usize| -0.5 + k as f64 / BINS as f64;
        let mut bin = (((wrapped + 0.5) * BINS as f64).floor() as usize).min(BINS - 1);
        if wrapped < edges(bin) {
            bin -= 1;
        } else if bin + 1 < BINS && wrapped >= edges(bin + 1) {
            bin += 1;
        }
        counts[bin] += 1.0;
    }
    let total: f64 = counts.iter().sum();
    -counts.iter().filter(|c| **c > 0.0).map(|c| c / total * (c / total).log2()).sum::<f64>()
}

/// An early beat before the first annotation is scaled by the interval from the last annotation to the first, because the
/// stored scores index one before the first entry from the end.
fn wrapped_interval(reference: &[f64]) -> f64 {
    0.5 * (reference[0] - reference[reference.len() - 1])
}

/// Tempo: P-score, one correct, both correct within 8 %; an error for impossible input.
pub fn tempo_detection(reference: [f64; 2], weight: f64, estimated: [f64; 2]) -> Result<(f64, bool, bool), String> {
    if !(0.0..=1.0).contains(&weight) {
        return Err(format!("weight {weight} is not between 0 and 1"));
    }
    if reference.iter().chain(&estimated).any(|t| !t.is_finite() || *t < 0.0) || reference == [0.0, 0.0] {
        return Err(format!("tempi {reference:?} and {estimated:?} must not be negative"));
    }
    let hit = |r: f64| r > 0.0 && estimated.iter().any(|e| (r - e).abs() / r <= 0.08);
    let hits = reference.map(hit);
    let score = weight * f64::from(hits[0]) + (1.0 - weight) * f64::from(hits[1]);
    Ok((score, hits[0] || hits[1], hits[0] && hits[1]))
}
