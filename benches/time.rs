//! Accuracy and cost of the time family on truth-labelled tapes, given the spans of the takes.
//!
//! `cargo bench --bench time -- FOLDER [FOLDER ...] [--rows OUT.jsonl] [--lags OUT.jsonl]`: every `<name>.truth.json` (as the demo band, the
//! rendered tapes and `time_fit/mixes.py` write it) beside a tape of that name. The spans are the true ones with their
//! edges moved by up to 0.8 s. Prints a line a take and a summary. With `--rows`, the evidence of every candidate pulse
//! goes to `OUT.jsonl`, for `time_fit/fit.py`. With `--lags OUT.jsonl`, the bass profile of every `<name>.lag.json` (as
//! `time_fit/lag_mixes.py` writes it) goes there, for `time_fit/lag_fit.py`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod truths;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use ledgerline::dsp::spectrum::{LONG_FRAMING, SpectrumStream};
use ledgerline::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use ledgerline::measure::time::bass_lag;
use ledgerline::measure::time::evidence::{BeatReadings, PHASE_FEATURES};
use ledgerline::measure::time::grid::Grid;
use ledgerline::measure::time::pulses::candidate_pulses;
use ledgerline::measure::time::strength::Strengths;
use ledgerline::measure::time::{TakeTime, TimeFeatures, TimeHints, TimeMeter, measure_take, track_beats};
use ledgerline::stats::{Measured, mean, median};
use ledgerline::tape::{Tape, TapeSource};
use serde_json::{Value, json};
use truths::{read_truth, stem, tape_beside, truths};

/// Shares of 0.8 s by which the edges of the spans are moved, take by take.
const EDGES: [(f64, f64); 4] = [(-1.0, 0.9), (0.6, -0.5), (-0.3, 1.0), (0.2, 0.4)];

#[derive(Default)]
struct Totals {
    beats: Vec<f64>,
    downbeats: Vec<f64>,
    tempo_percent: Vec<f64>,
    drift_points: Vec<f64>,
    swing: Vec<f64>,
    hat_right: Vec<f64>,
    backbeat_right: Vec<f64>,
    bass_ms: Vec<f64>,
    inside: Vec<f64>,
    told_without_beat: Vec<f64>,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|a| a != "--bench");
    let (mut folders, mut rows, mut lags) = (Vec::new(), None, None);
    while let Some(a) = arguments.next() {
        if a == "--rows" {
            rows = arguments.next().map(|p| std::fs::File::create(p).unwrap());
        } else if a == "--lags" {
            lags = arguments.next().map(|p| std::fs::File::create(p).unwrap());
        } else {
            folders.push(PathBuf::from(a));
        }
    }
    if let Some(mut out) = lags {
        folders.iter().for_each(|folder| write_profiles(&mut out, folder));
        return;
    }
    let (mut totals, mut cost, mut seconds) = (Totals::default(), Duration::ZERO, 0.0);
    for truth_path in folders.iter().flat_map(|f| truths(f)) {
        let truth: Value = read_truth(&truth_path);
        let Some(tape) = tape_beside(&truth_path) else { continue };
        let (features, length_s, spent) = features(&tape);
        cost += spent;
        seconds += length_s;
        for (number, take) in truth["takes"].as_array().unwrap().iter().enumerate() {
            let (from, to) = span_of(&truth, take, EDGES[number % EDGES.len()]);
            if let Some(out) = &mut rows {
                let (length, name) = (to - from, stem(&truth_path));
                write_rows(out, &name, 2 * number, &features, (from, to), take);
                let at = (name.bytes().map(u32::from).sum::<u32>() % 5) as f64 / 10.0;
                let part = (from + at * length, from + (at + 0.45) * length);
                write_rows(out, &name, 2 * number + 1, &features, part, take);
                continue;
            }
            let start = Instant::now();
            let time = measure_take(&features, from, to, &TimeHints::default());
            cost += start.elapsed();
            score(&format!("{} {number}", stem(&truth_path)), take, &time, &mut totals);
        }
    }
    if seconds == 0.0 {
        eprintln!("time: give folders with tapes and their truth; nothing measured");
        return;
    }
    totals.print();
    println!("meter and takes: {:.2} core seconds an hour of tape", cost.as_secs_f64() * 3600.0 / seconds);
}

impl Totals {
    fn print(&self) {
        let line = |name: &str, values: &[f64], worst: f64| {
            if let (Some(mean), Some(middle)) = (mean(values), median(values)) {
                println!("{name:24} n {:4}  mean {mean:.4}  median {middle:.4}  worst {worst:.3}", values.len());
            }
        };
        let low = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
        let high = |v: &[f64]| v.iter().copied().fold(0.0, f64::max);
        line("beats F", &self.beats, low(&self.beats));
        line("downbeats F", &self.downbeats, low(&self.downbeats));
        line("tempo error percent", &self.tempo_percent, high(&self.tempo_percent));
        line("drift error points", &self.drift_points, high(&self.drift_points));
        line("swing ratio error", &self.swing, high(&self.swing));
        line("hat told right", &self.hat_right, low(&self.hat_right));
        line("backbeat told right", &self.backbeat_right, low(&self.backbeat_right));
        line("bass to drums error ms", &self.bass_ms, high(&self.bass_ms));
        line("truth inside intervals", &self.inside, low(&self.inside));
        line("told without a beat", &self.told_without_beat, high(&self.told_without_beat));
    }
}

fn score(name: &str, take: &Value, time: &TakeTime, totals: &mut Totals) {
    let beats: Vec<(f64, u64)> = take["beats"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| (b[0].as_f64().unwrap(), b[1].as_f64().unwrap() as u64))
        .collect();
    let (no_beat, unjudged) = (spans(take, "no_beat"), spans(take, "unjudged"));
    let judged = |t: &f64| !unjudged.iter().any(|(a, b)| t > a && t < b);
    let all: Vec<f64> = beats.iter().map(|b| b.0).filter(judged).collect();
    let downs: Vec<f64> = beats.iter().filter(|b| b.1 == 1).map(|b| b.0).filter(judged).collect();
    let inside = |t: &f64| *t >= all[0] - 0.1 && *t <= all[all.len() - 1] + 0.1 && judged(t);
    let tempo = &time.tempo;
    // A beat's length beyond the music on either side is left to the count-off and the last chord.
    for (a, b) in &no_beat {
        let told: f64 = tempo
            .beat_times_s
            .windows(2)
            .filter(|w| w[0] > a + 1.0 && w[1] < b - 2.0 && w[1] - w[0] < 1.2)
            .map(|w| w[1] - w[0])
            .sum();
        totals.told_without_beat.push(told / (b - a - 3.0).max(0.5));
    }
    let got: Vec<f64> = tempo.beat_times_s.iter().copied().filter(inside).collect();
    let got_downs: Vec<f64> = tempo
        .beat_times_s
        .iter()
        .zip(&tempo.beat_in_bar)
        .filter(|(t, k)| **k == 1 && inside(t))
        .map(|(t, _)| *t)
        .collect();
    let (f, d) = (beat_f(&all, &got), beat_f(&downs, &got_downs));
    totals.beats.push(f);
    totals.downbeats.push(d);
    let gaps: Vec<f64> = all.windows(2).map(|w| w[1] - w[0]).collect();
    // Beats on both sides of a stop are no beat's length.
    let longest = 1.8 * median(&gaps).unwrap();
    let lengths: Vec<f64> = gaps.into_iter().filter(|g| *g < longest).collect();
    let bpm = 60.0 / median(&lengths).unwrap();
    let drift = true_drift(&lengths);
    let mut bad = Vec::new();
    let mut check = |what: &str, m: &Measured, truth: f64, scale: f64, limit: f64, errors: &mut Vec<f64>| {
        let Some(value) = m.value else {
            bad.push(format!("{what} none ({})", m.reason.as_deref().unwrap_or("")));
            return;
        };
        let error = (value - truth).abs() * scale;
        errors.push(error);
        totals.inside.push(f64::from(m.low.is_some_and(|l| l <= truth) && m.high.is_some_and(|h| h >= truth)));
        if error > limit {
            bad.push(format!("{what} {value:.2} for {truth:.2}"));
        }
    };
    check("bpm", &tempo.bpm, bpm, 100.0 / bpm, 0.5, &mut totals.tempo_percent);
    check("drift", &tempo.drift_percent, drift, 1.0, 0.5, &mut totals.drift_points);
    let rock = take["rock"].as_bool().unwrap();
    if !rock {
        check("swing", &time.feel.swing_ratio, take["swing"].as_f64().unwrap(), 1.0, 0.2, &mut totals.swing);
    }
    check("bass", &time.feel.bass_to_drums_ms, take["bass_lag_ms"].as_f64().unwrap(), 1.0, 5.0, &mut totals.bass_ms);
    if let Some(share) = time.feel.hat_on_2_and_4_percent.value {
        let right = (share >= 50.0) == take["hat"].as_bool().unwrap();
        totals.hat_right.push(f64::from(right));
        if !right {
            bad.push(format!("hat {share:.0}"));
        }
    }
    if let Some(heavy) = time.feel.backbeat_heavy.value {
        totals.backbeat_right.push(f64::from(heavy == rock));
        if heavy != rock {
            bad.push(format!("backbeat {heavy}"));
        }
    }
    println!("{name:36} {bpm:6.1} bpm  beats {f:.3}  downbeats {d:.3}  {}", bad.join("; "));
}

/// Spans of the truth, s; empty where it has none.
fn spans(take: &Value, key: &str) -> Vec<(f64, f64)> {
    let all = take[key].as_array().map(Vec::as_slice).unwrap_or_default();
    all.iter().map(|s| (s[0].as_f64().unwrap(), s[1].as_f64().unwrap())).collect()
}

/// Drift of a line through the true tempi, percent of its start.
fn true_drift(lengths: &[f64]) -> f64 {
    let n = lengths.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let tempi: Vec<f64> = lengths.iter().map(|l| 60.0 / l).collect();
    let average = mean(&tempi).unwrap();
    let squares: f64 = (0..lengths.len()).map(|k| (k as f64 - middle).powi(2)).sum();
    let slope = tempi.iter().enumerate().map(|(k, t)| (k as f64 - middle) * (t - average)).sum::<f64>() / squares;
    100.0 * slope * (n - 1.0) / (average - slope * middle)
}

/// F-measure of beats within 70 ms, matched one to one in time order.
fn beat_f(reference: &[f64], estimated: &[f64]) -> f64 {
    let (mut i, mut j, mut hits) = (0, 0, 0);
    while i < reference.len() && j < estimated.len() {
        let distance = estimated[j] - reference[i];
        if distance.abs() <= 0.07 {
            (i, j, hits) = (i + 1, j + 1, hits + 1);
        } else if distance < 0.0 {
            j += 1;
        } else {
            i += 1;
        }
    }
    2.0 * f64::from(hits) / (reference.len() + estimated.len()).max(1) as f64
}

/// The evidence of every candidate pulse of a span, a JSON line each.
fn write_rows(
    out: &mut impl Write,
    tape: &str,
    number: usize,
    features: &TimeFeatures,
    span: (f64, f64),
    take: &Value,
) {
    let strengths = Strengths::of_span(features, span.0, span.1);
    for pulse in candidate_pulses(&strengths) {
        let Some(readings) = BeatReadings::along(features, &strengths, &pulse) else { continue };
        let mut phases = Vec::new();
        for meter in [4, 3] {
            for phase in 0..meter {
                let mut sum = [0.0f32; PHASE_FEATURES];
                for beat in 0..pulse.beats.len() {
                    let row = readings.phase_row(beat, (beat + meter - phase) % meter, meter);
                    sum.iter_mut().zip(row).for_each(|(s, x)| *s += x);
                }
                phases.push(json!({ "meter": meter, "phase": phase, "sum": sum.to_vec() }));
            }
        }
        let beats: Vec<f64> = pulse.beats.iter().map(|b| strengths.time_s(*b)).collect();
        let row = json!({
            "tape": tape, "span_number": number, "span": [span.0, span.1], "true_beats": take["beats"],
            "entrance": readings.entrance, "level": readings.level_row().to_vec(), "phases": phases, "beats": beats,
        });
        writeln!(out, "{row}").unwrap();
    }
}

/// The bass profile of every lag mix of a folder, a JSON line each.
fn write_profiles(out: &mut impl Write, folder: &Path) {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    found.retain(|p| p.to_string_lossy().ends_with(".lag.json"));
    found.sort();
    for path in found {
        let truth: Value = read_truth(&path);
        let (features, length_s, _) = features(&path.with_extension("").with_extension("flac"));
        let Ok(track) = track_beats(&features, 0.0, length_s, &TimeHints::default()) else { continue };
        let strengths = Strengths::of_span(&features, 0.0, length_s);
        let profile = Grid::new(&track, &strengths).and_then(|grid| {
            let stroke = bass_lag::stroke_frames(&strengths, &grid)?;
            bass_lag::profile(&strengths, &grid, stroke)
        });
        let Some(profile) = profile else { continue };
        let row = json!({ "truth": truth, "beats": track.times_s, "profile": profile.to_vec() });
        writeln!(out, "{row}").unwrap();
    }
}

/// The passage that holds the take, its edges moved.
fn span_of(truth: &Value, take: &Value, edges: (f64, f64)) -> (f64, f64) {
    let at = take["start"].as_f64().unwrap();
    let seconds = |s: &Value, key: &str| s[key].as_f64().unwrap();
    let passage = truth["segments"]
        .as_array()
        .unwrap()
        .iter()
        .find(|s| s["kind"] == "take" && seconds(s, "start") <= at && at < seconds(s, "end"))
        .unwrap();
    ((seconds(passage, "start") + 0.8 * edges.0).max(0.0), seconds(passage, "end") + 0.8 * edges.1)
}

fn features(path: &Path) -> (TimeFeatures, f64, Duration) {
    let mut tape = Tape::open(&TapeSource { pieces: vec![path.to_owned()] }).unwrap();
    let (mut long, mut meter) = (SpectrumStream::new(LONG_FRAMING), TimeMeter::new());
    let (mut cost, mut end) = (Duration::ZERO, 0);
    while let Some(mut block) = tape.next_block().unwrap() {
        long.push(&block.mono, &mut block.long_spectra);
        end = block.mono_start_frame + block.mono.len() as u64;
        let start = Instant::now();
        meter.push(&block);
        cost += start.elapsed();
    }
    let mut last = Block::default();
    long.finish(&mut last.long_spectra);
    meter.push(&last);
    (meter.finish(), end as f64 / f64::from(ANALYSIS_RATE_HZ), cost)
}
