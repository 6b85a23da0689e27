//! Pulse arithmetic: autocorrelation of an onset curve, and the path of beats through it by dynamic programming.
//!
//! Conventions: an onset curve has one value a frame; periods and times are in frames.

/// Autocorrelation of `curve` at lags `0..=max_lag`, each divided by the number of products.
pub fn autocorrelation(curve: &[f32], max_lag: usize) -> Vec<f32> {
    (0..=max_lag)
        .map(|lag| {
            if lag >= curve.len() {
                return 0.0;
            }
            let sum: f32 = curve[lag..].iter().zip(curve).map(|(a, b)| a * b).sum();
            sum / (curve.len() - lag) as f32
        })
        .collect()
}

/// How beats may follow each other.
#[derive(Clone, Copy, Debug)]
pub struct BeatPathParams {
    /// Shortest period in frames.
    pub shortest: usize,
    /// Longest period in frames.
    pub longest: usize,
    /// Cost of a change of period, per unit of its natural logarithm.
    pub change_cost: f32,
    /// Cost of letting go and starting again anywhere later.
    pub restart_cost: f32,
}

/// One beat of a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PathBeat {
    /// Frame.
    pub frame: usize,
    /// True when the path starts afresh here.
    pub restarts: bool,
}

const FRESH: u16 = u16::MAX;

/// The sequence of beats with the largest sum of `curve` at the beats less the costs of its changes of period.
///
/// `curve` should have zero mean, so that a beat at a random place is worth nothing. Method: dynamic programming over
/// (time, period) after Ellis, Beat tracking by dynamic programming, J. New Music Research 36(1), 2007, with the period as
/// part of the state as in Whiteley, Cemgil and Godsill, Bayesian modelling of temporal structure, ISMIR 2006.
pub fn best_beat_path(curve: &[f32], params: &BeatPathParams) -> Vec<PathBeat> {
    let (lo, hi) = (params.shortest.max(2), params.longest);
    if curve.is_empty() || hi < lo {
        return Vec::new();
    }
    let width = hi - lo + 1;
    let steps: Vec<f32> =
        (0..width).map(|k| params.change_cost * ((lo + k) as f32 / (lo + k - 1) as f32).ln()).collect();
    // For the last `hi` frames: the best value with which a beat there can be followed at each period, and its period.
    let mut onward = vec![(f32::NEG_INFINITY, FRESH); hi * width];
    let mut from = vec![FRESH; curve.len() * width];
    let mut best_until: Vec<(f32, usize)> = Vec::with_capacity(curve.len());
    let mut here = vec![(0.0f32, 0u16); width];
    for (t, strength) in curve.iter().enumerate() {
        let fresh = if t >= lo { (best_until[t - lo].0 - params.restart_cost).max(0.0) } else { 0.0 };
        let mut best = best_until.last().copied().unwrap_or((f32::NEG_INFINITY, 0));
        for (j, state) in here.iter_mut().enumerate() {
            let period = lo + j;
            let (value, source) = if t >= period { onward[(t - period) % hi * width + j] } else { (0.0, FRESH) };
            let goes_on = source != FRESH && value > fresh;
            from[t * width + j] = if goes_on { source } else { FRESH };
            *state = (strength + if goes_on { value } else { fresh }, j as u16);
            if state.0 > best.0 {
                best = (state.0, t * width + j);
            }
        }
        best_until.push(best);
        spread(&mut here, &steps);
        onward[t % hi * width..(t % hi + 1) * width].copy_from_slice(&here);
    }
    trace_back(&from, &best_until, lo, width, params.restart_cost)
}

/// Turns values at periods into the best values from which each period can be reached: `steps[k]` is the cost between
/// `k - 1` and `k`, and costs add up along the way.
fn spread(values: &mut [(f32, u16)], steps: &[f32]) {
    for k in 1..values.len() {
        let reached = values[k - 1].0 - steps[k];
        if reached > values[k].0 {
            values[k] = (reached, values[k - 1].1);
        }
    }
    for k in (1..values.len()).rev() {
        let reached = values[k].0 - steps[k];
        if reached > values[k - 1].0 {
            values[k - 1] = (reached, values[k].1);
        }
    }
}

fn trace_back(from: &[u16], best_until: &[(f32, usize)], lo: usize, width: usize, restart: f32) -> Vec<PathBeat> {
    let mut out = Vec::new();
    let Some(&(_, mut state)) = best_until.last() else { return out };
    loop {
        let (t, j) = (state / width, state % width);
        let source = from[state];
        out.push(PathBeat { frame: t, restarts: source == FRESH });
        if source != FRESH {
            state = (t - (lo + j)) * width + usize::from(source);
        } else if t >= lo && best_until[t - lo].0 - restart > 0.0 {
            state = best_until[t - lo].1;
        } else {
            break;
        }
    }
    out.reverse();
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn params(shortest: usize, longest: usize) -> BeatPathParams {
        BeatPathParams { shortest, longest, change_cost: 30.0, restart_cost: 6.0 }
    }

    fn clicks(frames: &[usize], len: usize) -> Vec<f32> {
        let mut x = vec![-0.1; len];
        for f in frames {
            x[*f] = 4.0;
        }
        x
    }

    #[test]
    fn the_path_goes_through_clicks_that_speed_up() {
        let (mut t, mut period, mut frames) = (10.0f64, 100.0f64, Vec::new());
        while t < 3000.0 {
            frames.push(t as usize);
            t += period;
            period *= 0.98;
            period = period.max(60.0);
        }
        let path = best_beat_path(&clicks(&frames, 3100), &params(50, 120));
        assert_eq!(path.iter().map(|b| b.frame).collect::<Vec<_>>(), frames);
        assert_eq!(path.iter().filter(|b| b.restarts).count(), 1);
    }

    #[test]
    fn after_a_stop_the_path_starts_again() {
        let frames: Vec<usize> = (0..20).map(|i| 7 + 80 * i).chain((0..20).map(|i| 1727 + 80 * i)).collect();
        let path = best_beat_path(&clicks(&frames, 3400), &params(60, 100));
        assert_eq!(path.iter().map(|b| b.frame).collect::<Vec<_>>(), frames);
        assert_eq!(path.iter().filter(|b| b.restarts).map(|b| b.frame).collect::<Vec<_>>(), [7, 1727]);
    }

    #[test]
    fn autocorrelation_of_a_click_train_peaks_at_its_period() {
        let x = clicks(&(0..20).map(|i| 50 * i).collect::<Vec<_>>(), 1000);
        let r = autocorrelation(&x, 60);
        assert!(r[50] > 0.3 && r[49] < 0.1 && r[51] < 0.1, "{:?}", &r[48..]);
    }
}
