//! Scenario in, tape and truth out.
//!
//! The tape is made in chunks of a few seconds: every player renders a chunk on whatever thread is free, then the chunks are
//! added in the order of the score. Threads and chunk length therefore change nothing, to the last bit.
//! Memory: one `f32` a frame and channel for the tape, chunk buffers for the rest; with stems, one more tape a player.

use std::sync::Arc;

use rayon::prelude::*;

use super::convolve::{BLOCK, Convolver, Plans};
use super::meter::{LoudnessMeter, low_re_mid_db};
use super::recorder;
use super::rng::Rng;
use super::room::impulse_responses;
use super::scenario::{Eq, Scenario};
use super::score::{self, Score};
use super::source::Source;
use super::truth::{BalanceTruth, DemoTruth, EqTruth, NoteTruth, RetuneTruth, TuningTruth, rounded};
use super::voice::drums::KitSounds;

const LAYERS: [&str; 5] = ["bass", "comping", "drums", "horns", "talk"];

/// A finished tape.
#[derive(Clone, Debug)]
pub struct DemoTape {
    /// Samples, one `Vec` a channel, full scale = 1.0; on the 16 bit grid when the recorder has 16 bits.
    pub channels: Vec<Vec<f32>>,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// What is true of it.
    pub truth: DemoTruth,
    /// Each player alone at the microphones at the tape's level, before noise; empty unless asked for.
    pub stems: Vec<Stem>,
}

/// One player alone.
#[derive(Clone, Debug)]
pub struct Stem {
    /// Instrument, or `talk`.
    pub name: &'static str,
    /// One `Vec` a channel.
    pub channels: Vec<Vec<f32>>,
}

/// How to render; changes nothing in the result but the stems.
#[derive(Clone, Copy, Debug)]
pub struct RenderOptions {
    /// Keep every player alone too.
    pub stems: bool,
    /// Blocks of 16384 frames a chunk, 1 or more; fewer = less memory.
    pub chunk_blocks: usize,
}

impl Default for RenderOptions {
    fn default() -> Self {
        Self { stems: false, chunk_blocks: 8 }
    }
}

/// Makes the tape of a scenario.
///
/// # Input
/// `scenario`: `sample_rate_hz` 8000..=96000; any items in any order, none included.
///
/// # Output
/// The tape with its truth; the same scenario gives the same samples on any number of threads.
///
/// # Accuracy known
/// Onsets: nearest sample. Pitch: note tables within 0.1 cent of the truth (test). Layer loudness: BS.1770 over whole 100 ms
/// steps inside a part. Truth of beats: the tempo map itself, players scatter around it as a band does.
pub fn render(scenario: &Scenario) -> DemoTape {
    render_with(scenario, &RenderOptions::default())
}

/// As [`render`], with options.
pub fn render_with(scenario: &Scenario, options: &RenderOptions) -> DemoTape {
    let score = score::write(scenario);
    let mut mixer = Mixer::new(scenario, &score, options);
    mixer.run();
    let Mixer { mut mix, meters, mut stems, .. } = mixer;
    let rate_hz = f64::from(scenario.sample_rate_hz);
    let gain = recorder::record(&mut mix, &scenario.recorder, rate_hz, scenario.seed);
    for x in stems.iter_mut().flat_map(|s| &mut s.channels).flatten() {
        *x = (f64::from(*x) * gain) as f32;
    }
    let truth = truth(scenario, score, &mix, &meters, gain);
    DemoTape { channels: mix, sample_rate_hz: scenario.sample_rate_hz, truth, stems }
}

struct Mixer {
    sources: Vec<Source>,
    channels: usize,
    frames: usize,
    chunk_blocks: usize,
    mix: Vec<Vec<f32>>,
    meters: Vec<LoudnessMeter>,
    stems: Vec<Stem>,
}

impl Mixer {
    fn new(scenario: &Scenario, score: &Score, options: &RenderOptions) -> Self {
        let rate_hz = f64::from(scenario.sample_rate_hz);
        let plans = Plans::new();
        let kit = Arc::new(KitSounds::new(rate_hz));
        let place = |at_m: [f64; 3], key: u64| {
            let mut rng = Rng::keyed(scenario.seed, &[7, key]);
            Convolver::new(&plans, &impulse_responses(&scenario.room, at_m, rate_hz, &mut rng))
        };
        let mut sources: Vec<Source> = scenario
            .players
            .iter()
            .map(|p| Source::player(scenario, p, score, &kit, place(p.position_m, p.instrument as u64)))
            .collect();
        sources.push(Source::director(scenario, score, place(scenario.room.director_m, 99)));
        let channels = if scenario.room.stereo { 2 } else { 1 };
        let frames = (score.duration_s * rate_hz).ceil() as usize;
        let stems = if options.stems {
            sources
                .iter()
                .map(|s| Stem { name: name_of(s), channels: vec![Vec::with_capacity(frames); channels] })
                .collect()
        } else {
            Vec::new()
        };
        Self {
            sources,
            channels,
            frames,
            chunk_blocks: options.chunk_blocks.max(1),
            mix: vec![Vec::with_capacity(frames); channels],
            meters: LAYERS.iter().map(|_| LoudnessMeter::new(channels, scenario.sample_rate_hz)).collect(),
            stems,
        }
    }

    fn run(&mut self) {
        let mut done = 0;
        while done < self.frames {
            let frames = (self.chunk_blocks * BLOCK).min(self.frames - done);
            self.chunk(frames);
            done += frames;
        }
    }

    /// One chunk of `frames` (the last one is shorter than what is rendered).
    fn chunk(&mut self, frames: usize) {
        let (blocks, channels) = (self.chunk_blocks, self.channels);
        let parts: Vec<_> = self.sources.par_iter_mut().map(|s| s.render(blocks, channels)).collect();
        let sources = &self.sources;
        let layers: Vec<Vec<Vec<f32>>> = self
            .meters
            .par_iter_mut()
            .zip(LAYERS)
            .map(|(meter, layer)| {
                let mut sum = vec![vec![0f32; frames]; channels];
                for (source, part) in sources.iter().zip(&parts) {
                    if layer_of(source) == layer
                        && let Some(part) = part
                    {
                        add(&mut sum, part);
                    }
                }
                let slices: Vec<&[f32]> = sum.iter().map(Vec::as_slice).collect();
                meter.push(&slices);
                sum
            })
            .collect();
        for (channel, mix) in self.mix.iter_mut().enumerate() {
            let start = mix.len();
            mix.resize(start + frames, 0.0);
            for layer in &layers {
                for (m, x) in mix[start..].iter_mut().zip(&layer[channel]) {
                    *m += x;
                }
            }
        }
        for (stem, part) in self.stems.iter_mut().zip(&parts) {
            for (channel, kept) in stem.channels.iter_mut().enumerate() {
                match part {
                    Some(part) => kept.extend_from_slice(&part[channel][..frames]),
                    None => kept.resize(kept.len() + frames, 0.0),
                }
            }
        }
    }
}

fn add(sum: &mut [Vec<f32>], part: &[Vec<f32>]) {
    for (s, p) in sum.iter_mut().zip(part) {
        for (x, y) in s.iter_mut().zip(p) {
            *x += y;
        }
    }
}

fn layer_of(source: &Source) -> &'static str {
    source.instrument.map_or("talk", |i| i.layer())
}

fn name_of(source: &Source) -> &'static str {
    source.instrument.map_or("talk", |i| i.name())
}

fn truth(scenario: &Scenario, score: Score, mix: &[Vec<f32>], layers: &[LoudnessMeter], gain: f64) -> DemoTruth {
    let rate_hz = f64::from(scenario.sample_rate_hz);
    let mut whole = LoudnessMeter::new(mix.len(), scenario.sample_rate_hz);
    whole.push(&mix.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let gain_db = 20.0 * gain.log10();
    let mut takes = score.takes;
    for part in takes.iter_mut().flat_map(|t| &mut t.parts) {
        part.lufs = whole.integrated_lufs(part.start_s, part.end_s, 0.0).map(|l| rounded(l, 2));
        for (layer, meter) in LAYERS.iter().zip(layers).filter(|l| *l.0 != "talk") {
            if let Some(lufs) = meter.integrated_lufs(part.start_s, part.end_s, gain_db) {
                part.layer_lufs.insert(layer, rounded(lufs, 2));
            }
        }
    }
    let frame = |s: f64| ((s * rate_hz) as usize).min(mix.first().map_or(0, Vec::len));
    let spans: Vec<(usize, usize)> = takes.iter().map(|t| (frame(t.start_s), frame(t.end_s))).collect();
    let low_re_mid_db = low_re_mid_db(mix, &spans, rate_hz).map(|v| rounded(v, 2));
    let notes = score.notes.iter().map(|(i, n)| (i.name(), n.iter().map(note_truth).collect())).collect();
    DemoTruth {
        name: scenario.name.clone(),
        duration_s: rounded(score.duration_s, 3),
        passages: score.passages,
        takes,
        notes,
        balance: BalanceTruth { low_re_mid_db },
        eq: scenario
            .players
            .iter()
            .filter(|p| !p.eq.is_empty())
            .map(|p| (p.instrument.name(), p.eq.iter().map(eq_truth).collect()))
            .collect(),
        concert_pitch_cents: scenario.concert_pitch_cents,
        tuning: scenario
            .players
            .iter()
            .filter(|p| !p.instrument.open_strings().is_empty())
            .map(|p| (p.instrument.name(), tuning_truth(&p.tuning)))
            .collect(),
        players: scenario.players.iter().map(|p| p.instrument.name()).collect(),
        gain_riding: scenario.recorder.gain_riding,
        clipped: scenario.recorder.peak_dbfs + scenario.recorder.overdrive_db > 0.0,
        low_cut_hz: scenario.recorder.low_cut_hz,
        hum_dbfs: scenario.recorder.hum.map(|h| h.0),
        integrated_lufs: whole.integrated_lufs(0.0, score.duration_s, 0.0).map(|l| rounded(l, 2)),
    }
}

fn note_truth(n: &score::Note) -> NoteTruth {
    NoteTruth {
        at_s: rounded(n.at_s, 4),
        length_s: rounded(n.length_s, 3),
        midi: n.midi,
        string: n.string,
        cents: rounded(n.cents, 2),
    }
}

fn eq_truth(eq: &Eq) -> EqTruth {
    match *eq {
        Eq::LowShelf { hz, db } => EqTruth { kind: "shelf", hz, db, high: false, q: None },
        Eq::HighShelf { hz, db } => EqTruth { kind: "shelf", hz, db, high: true, q: None },
        Eq::Peak { hz, db, q } => EqTruth { kind: "peak", hz, db, high: false, q: Some(q) },
    }
}

fn tuning_truth(t: &super::scenario::Tuning) -> TuningTruth {
    TuningTruth {
        cents: t.cents,
        cents_per_min: t.cents_per_min,
        string_cents: t.string_cents.clone(),
        retunes: t.retunes.iter().map(|r| RetuneTruth { at_s: r.at_s, cents: r.cents }).collect(),
    }
}
