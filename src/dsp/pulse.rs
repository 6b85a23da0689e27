//! Pulse arithmetic: autocorrelation of an onset curve, and the path of beats through it by dynamic programming.
//!
//! Conventions: an onset curve has one value a frame; periods and times are in frames.

use multiversion::{multiversion, target::target_cfg_f};

use super::lanes;

/// Autocorrelation of `curve` at lags `0..=max_lag`, each divided by the number of products.
pub fn autocorrelation(curve: &[f32], max_lag: usize) -> Vec<f32> {
    let mean = |lag: usize| match curve.get(lag..) {
        Some(later) if !later.is_empty() => product_sum(later, curve) / later.len() as f32,
        _ => 0.0,
    };
    (0..=max_lag).map(mean).collect()
}

#[multiversion(targets("x86_64+avx2+fma"))]
fn product_sum(a: &[f32], b: &[f32]) -> f32 {
    if target_cfg_f!(target_feature = "fma") { lanes::dot::<true>(a, b) } else { lanes::dot::<false>(a, b) }
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
const BLOCK_FRAMES: usize = 1 << 16;

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
    /// In a row for each frame to come, for each period: the best value with which a beat one such period earlier can be followed,
    /// and the period before it. A row is filled from `hi` frames ahead on and lies in one piece when it is read; the rows go
    /// round in a ring of `hi + 1`.
    values: Vec<f32>,
    sources: Vec<u16>,
    /// The best end of a path up to each of the last `lo` frames: its value and state.
    recent: Vec<(f32, usize)>,
    best: (f32, usize),
}

/// Frames that are worked on together where no beat can follow another within them.
const TOGETHER: usize = 8;

/// The states of `N` frames side by side: values, and the periods of the next beat that they are for.
struct Here<const N: usize> {
    row: Vec<f32>,
    values: Vec<[f32; N]>,
    sources: Vec<[u32; N]>,
}

impl<const N: usize> Here<N> {
    fn new(width: usize) -> Self {
        Self { row: vec![0.0; width], values: vec![[0.0; N]; width], sources: vec![[0; N]; width] }
    }
}

impl Front {
    fn new(costs: &Costs) -> Self {
        let none = (f32::NEG_INFINITY, 0);
        let cells = (costs.hi() + 1) * costs.width;
        Self {
            values: vec![f32::NEG_INFINITY; cells],
            sources: vec![FRESH; cells],
            recent: vec![none; costs.lo],
            best: none,
        }
    }

    /// `N` frames on, no more than the shortest period; appends their back pointers and best ends.
    fn step<const N: usize>(&mut self, t: usize, curve: &[f32], costs: &Costs, made: &mut Made, here: &mut Here<N>) {
        for (lane, strength) in curve.iter().enumerate().take(N) {
            self.arrive(t + lane, *strength, costs, &mut made.from, &mut here.row);
            made.best_until.push(self.best);
            here.values.iter_mut().zip(&here.row).for_each(|(lanes, value)| lanes[lane] = *value);
        }
        spread(&mut here.values, &mut here.sources, &costs.steps);
        for lane in 0..N {
            self.hand_on(t + lane, costs, here, lane);
        }
    }

    /// Values of the states of frame `t`.
    fn arrive(&mut self, t: usize, strength: f32, costs: &Costs, from: &mut Vec<u16>, values: &mut [f32]) {
        let (lo, width) = (costs.lo, costs.width);
        let fresh = if t >= lo { (self.recent[t % lo].0 - costs.restart).max(0.0) } else { 0.0 };
        let row = t % (costs.hi() + 1) * width;
        let before = (&self.values[row..row + width], &self.sources[row..row + width]);
        let place = from.len();
        from.resize(place + width, FRESH);
        let top = go_on((strength, fresh), before, &costs.distance, &mut from[place..], values);
        if top > self.best.0
            && let Some(j) = values.iter().position(|value| *value == top)
        {
            self.best = (top, t * width + j);
        }
        self.recent[t % lo] = self.best;
    }

    /// Puts the states of frame `t` into the rows of the frames that they lead to.
    fn hand_on<const N: usize>(&mut self, t: usize, costs: &Costs, here: &Here<N>, lane: usize) {
        let cells = self.values.len();
        let mut at = (t + costs.lo) * costs.width % cells;
        for (values, sources) in here.values.iter().zip(&here.sources) {
            self.values[at] = values[lane];
            self.sources[at] = sources[lane] as u16;
            // The next period leads to the next frame.
            at += costs.width + 1;
            if at >= cells {
                at -= cells;
            }
        }
    }
}

/// Values of a frame's states, from those that can be followed or afresh; returns the largest.
#[multiversion(targets("x86_64+avx2"))]
fn go_on(
    (strength, fresh): (f32, f32),
    (values, sources): (&[f32], &[u16]),
    distance: &[f32],
    from: &mut [u16],
    here: &mut [f32],
) -> f32 {
    for ((from, source), value) in from.iter_mut().zip(sources).zip(values) {
        *from = if *value > fresh { *source } else { FRESH };
    }
    for ((state, value), distance) in here.iter_mut().zip(values).zip(distance) {
        *state = strength - distance + if *value > fresh { *value } else { fresh };
    }
    let mut lanes = [f32::NEG_INFINITY; 8];
    let (whole, rest) = here.as_chunks::<8>();
    for chunk in whole {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane = if *x > *lane { *x } else { *lane };
        }
    }
    lanes.iter().chain(rest).fold(f32::NEG_INFINITY, |top, x| if *x > top { *x } else { top })
}

/// Back pointers of the frames of a stretch, and the best end of a path up to each.
#[derive(Default)]
struct Made {
    from: Vec<u16>,
    best_until: Vec<(f32, usize)>,
}

/// A stretch of frames with its back pointers.
#[derive(Default)]
struct Block {
    start: usize,
    made: Made,
    end: Front,
}

impl Block {
    fn run(front: &Front, curve: &[f32], start: usize, frames: usize, costs: &Costs) -> Self {
        let stretch = &curve[start..(start + frames).min(curve.len())];
        let mut end = front.clone();
        let from = Vec::with_capacity(stretch.len() * costs.width);
        let mut made = Made { from, best_until: Vec::with_capacity(stretch.len()) };
        let together = if costs.lo >= TOGETHER { stretch.len() / TOGETHER * TOGETHER } else { 0 };
        let mut here = Here::<TOGETHER>::new(costs.width);
        for at in (0..together).step_by(TOGETHER) {
            end.step(start + at, &stretch[at..at + TOGETHER], costs, &mut made, &mut here);
        }
        let mut here = Here::<1>::new(costs.width);
        for at in together..stretch.len() {
            end.step(start + at, &stretch[at..=at], costs, &mut made, &mut here);
        }
        Self { start, made, end }
    }

    fn holds(&self, t: usize) -> bool {
        t >= self.start && t < self.start + self.made.best_until.len()
    }
}

/// Turns values at periods into the best values from which each period can be reached, and the periods where those begin:
/// `steps[k]` is the cost between `k - 1` and `k`, and costs add up along the way.
#[multiversion(targets("x86_64+avx2"))]
fn spread<const N: usize>(values: &mut [[f32; N]], sources: &mut [[u32; N]], steps: &[f32]) {
    let (mut last, mut source) = ([f32::NEG_INFINITY; N], [0u32; N]);
    for (k, ((here, from), step)) in values.iter_mut().zip(sources.iter_mut()).zip(steps).enumerate() {
        for lane in 0..N {
            let reached = last[lane] - step;
            let better = reached > here[lane];
            last[lane] = if better { reached } else { here[lane] };
            source[lane] = if better { source[lane] } else { k as u32 };
        }
        (*here, *from) = (last, source);
    }
    // On the way down the cost is that of the step above.
    let mut above = f32::INFINITY;
    for ((here, from), step) in values.iter_mut().zip(sources.iter_mut()).zip(steps).rev() {
        for lane in 0..N {
            let reached = last[lane] - above;
            let better = reached > here[lane];
            last[lane] = if better { reached } else { here[lane] };
            source[lane] = if better { source[lane] } else { from[lane] };
        }
        (*here, *from) = (last, source);
        above = *step;
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
        let source = block.made.from[(t - block.start) * width + j];
        out.push(PathBeat { frame: t, restarts: source == FRESH });
        if source != FRESH {
            state = (t - (lo + j)) * width + usize::from(source);
            continue;
        }
        let Some(before) = t.checked_sub(lo) else { break };
        turn_to(&mut block, before);
        let (value, end) = block.made.best_until[before - block.start];
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
