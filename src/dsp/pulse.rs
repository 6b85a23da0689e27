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
    /// Cost a beat of a period other than the usual one, per square of the logarithm of their ratio.
    pub distance_cost: f32,
    /// The usual period in frames.
    pub usual: f32,
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
/// Frames whose back pointers are held at once; earlier ones are made again from saved states when the path is traced.
const BLOCK_FRAMES: usize = 1 << 14;

/// The sequence of beats with the largest sum of `curve` at the beats less the costs of its changes of period.
///
/// `curve` should have zero mean, so that a beat at a random place is worth nothing. Method: dynamic programming over
/// (time, period) after Ellis, Beat tracking by dynamic programming, J. New Music Research 36(1), 2007, with the period as
/// part of the state as in Whiteley, Cemgil and Godsill, Bayesian modelling of temporal structure, ISMIR 2006.
pub fn best_beat_path(curve: &[f32], params: &BeatPathParams) -> Vec<PathBeat> {
    path_in_blocks(curve, params, BLOCK_FRAMES)
}

fn path_in_blocks(curve: &[f32], params: &BeatPathParams, block_frames: usize) -> Vec<PathBeat> {
    if curve.is_empty() || params.longest < params.shortest.max(2) {
        return Vec::new();
    }
    let costs = Costs::new(params);
    let mut saved = vec![Front::new(&costs)];
    let mut block = Block::default();
    for start in (0..curve.len()).step_by(block_frames) {
        block = Block::run(&saved[saved.len() - 1], curve, start, block_frames, &costs);
        if start + block_frames < curve.len() {
            saved.push(block.end.clone());
        }
    }
    trace_back(curve, &costs, &saved, block, block_frames)
}

/// What moves cost, ready to be looked up.
struct Costs {
    lo: usize,
    width: usize,
    restart: f32,
    /// `[k]`: between the periods `lo + k - 1` and `lo + k`.
    steps: Vec<f32>,
    distance: Vec<f32>,
}

impl Costs {
    fn new(params: &BeatPathParams) -> Self {
        let (lo, hi) = (params.shortest.max(2), params.longest);
        let width = hi - lo + 1;
        let step = |k: usize| params.change_cost * ((lo + k) as f32 / (lo + k - 1) as f32).ln();
        let distance = |j: usize| params.distance_cost * ((lo + j) as f32 / params.usual).ln().powi(2);
        Self {
            lo,
            width,
            restart: params.restart_cost,
            steps: (0..width).map(step).collect(),
            distance: (0..width).map(distance).collect(),
        }
    }

    fn hi(&self) -> usize {
        self.lo + self.width - 1
    }
}

/// The state of the forward pass before a frame.
#[derive(Clone, Default)]
struct Front {
    /// For the last `hi` frames: the best value with which a beat there can be followed at each period, and its period.
    onward: Vec<(f32, u16)>,
    /// The best end of a path up to each of the last `lo` frames: its value and state.
    recent: Vec<(f32, usize)>,
    best: (f32, usize),
}

impl Front {
    fn new(costs: &Costs) -> Self {
        let none = (f32::NEG_INFINITY, 0);
        Self {
            onward: vec![(f32::NEG_INFINITY, FRESH); costs.hi() * costs.width],
            recent: vec![none; costs.lo],
            best: none,
        }
    }

    /// One frame on; fills its back pointers.
    fn step(&mut self, t: usize, strength: f32, costs: &Costs, from: &mut [u16], here: &mut [(f32, u16)]) {
        let (lo, width, hi) = (costs.lo, costs.width, costs.hi());
        let fresh = if t >= lo { (self.recent[t % lo].0 - costs.restart).max(0.0) } else { 0.0 };
        let slot = t % hi;
        for ((j, state), (from, distance)) in here.iter_mut().enumerate().zip(from.iter_mut().zip(&costs.distance)) {
            let period = lo + j;
            let (value, source) = if t >= period {
                // `(t - period) % hi` without a division: `period` is at most `hi`.
                let ago = if slot >= period { slot - period } else { slot + hi - period };
                self.onward[ago * width + j]
            } else {
                (0.0, FRESH)
            };
            let goes_on = source != FRESH && value > fresh;
            *from = if goes_on { source } else { FRESH };
            *state = (strength - distance + if goes_on { value } else { fresh }, j as u16);
            if state.0 > self.best.0 {
                self.best = (state.0, t * width + j);
            }
        }
        self.recent[t % lo] = self.best;
        spread(here, &costs.steps);
        self.onward[slot * width..(slot + 1) * width].copy_from_slice(here);
    }
}

/// A stretch of frames with its back pointers.
#[derive(Default)]
struct Block {
    start: usize,
    from: Vec<u16>,
    /// Best end of a path up to each frame.
    best_until: Vec<(f32, usize)>,
    end: Front,
}

impl Block {
    fn run(front: &Front, curve: &[f32], start: usize, frames: usize, costs: &Costs) -> Self {
        let stretch = &curve[start..(start + frames).min(curve.len())];
        let mut end = front.clone();
        let mut from = vec![FRESH; stretch.len() * costs.width];
        let mut here = vec![(0.0f32, 0u16); costs.width];
        let mut best_until = Vec::with_capacity(stretch.len());
        for (k, row) in from.chunks_exact_mut(costs.width).enumerate() {
            end.step(start + k, stretch[k], costs, row, &mut here);
            best_until.push(end.best);
        }
        Self { start, from, best_until, end }
    }

    fn holds(&self, t: usize) -> bool {
        t >= self.start && t < self.start + self.best_until.len()
    }
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

fn trace_back(curve: &[f32], costs: &Costs, saved: &[Front], mut block: Block, block_frames: usize) -> Vec<PathBeat> {
    let (lo, width) = (costs.lo, costs.width);
    let mut out = Vec::new();
    let (_, mut state) = block.end.best;
    let turn_to = |block: &mut Block, t: usize| {
        if !block.holds(t) {
            let at = t / block_frames;
            *block = Block::run(&saved[at], curve, at * block_frames, block_frames, costs);
        }
    };
    loop {
        let (t, j) = (state / width, state % width);
        turn_to(&mut block, t);
        let source = block.from[(t - block.start) * width + j];
        out.push(PathBeat { frame: t, restarts: source == FRESH });
        if source != FRESH {
            state = (t - (lo + j)) * width + usize::from(source);
            continue;
        }
        let Some(before) = t.checked_sub(lo) else { break };
        turn_to(&mut block, before);
        let (value, end) = block.best_until[before - block.start];
        if value - costs.restart <= 0.0 {
            break;
        }
        state = end;
    }
    out.reverse();
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn params(shortest: usize, longest: usize) -> BeatPathParams {
        BeatPathParams { shortest, longest, change_cost: 30.0, restart_cost: 6.0, distance_cost: 0.0, usual: 80.0 }
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
    fn short_blocks_give_the_path_of_one_block() {
        let mut noise = 7u32;
        let curve: Vec<f32> = (0..4000)
            .map(|i| {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let beat = if i < 1500 { i % 83 < 2 } else { i > 2500 && (i + 40) % 71 < 2 };
                (noise >> 8) as f32 / 8_388_608.0 - 1.0 + if beat { 4.0 } else { -0.9 }
            })
            .collect();
        let whole = path_in_blocks(&curve, &params(60, 110), 4000);
        assert!(whole.len() > 30 && whole.iter().filter(|b| b.restarts).count() > 1);
        for block in [1, 50, 109, 400, 1333] {
            assert_eq!(path_in_blocks(&curve, &params(60, 110), block), whole, "blocks of {block}");
        }
    }

    #[test]
    fn autocorrelation_of_a_click_train_peaks_at_its_period() {
        let x = clicks(&(0..20).map(|i| 50 * i).collect::<Vec<_>>(), 1000);
        let r = autocorrelation(&x, 60);
        assert!(r[50] > 0.3 && r[49] < 0.1 && r[51] < 0.1, "{:?}", &r[48..]);
    }
}
