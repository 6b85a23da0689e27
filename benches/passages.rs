//! Accuracy and cost of passages and health on truth-labelled tapes.
//!
//! `cargo bench --bench passages -- FOLDER [FOLDER ...] [--features OUT]`: every `<name>.truth.json` (as the demo band and
//! the rendered tapes carry it) beside a tape of that name. Prints, a tape: share of frames right (half a second around
//! true boundaries not judged), takes found, gain riding, clipping; then core seconds an hour of tape for both meters.
//! With `--features`, the packed frames of every tape go to `OUT/<name>.feat`, for `passages_fit/fit.py`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod truths;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use ledgerline::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING, SpectrumStream};
use ledgerline::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use ledgerline::health::{Health, HealthMeter};
use ledgerline::passages::features::{FeatureMeter, Frame};
use ledgerline::passages::{Passage, PassageKind, find_passages};
use ledgerline::tape::{Tape, TapeSource};
use serde_json::Value;
use truths::{read_truth, stem, tape_beside, truths};

struct Heard {
    frames: Vec<Frame>,
    passages: Vec<Passage>,
    health: Health,
    duration_s: f64,
    cost: Duration,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|a| a != "--bench");
    let (mut folders, mut features) = (Vec::new(), None);
    while let Some(a) = arguments.next() {
        if a == "--features" { features = arguments.next().map(PathBuf::from) } else { folders.push(PathBuf::from(a)) }
    }
    let (mut shares, mut seconds, mut cost) = (Vec::new(), 0.0, Duration::ZERO);
    for truth_path in folders.iter().flat_map(|f| truths(f)) {
        let truth = read_truth(&truth_path);
        let Some(tape) = tape_beside(&truth_path) else { continue };
        let heard = hear(&tape);
        if let Some(out) = &features {
            let bytes: Vec<u8> = heard.frames.iter().flat_map(Frame::to_bytes).collect();
            std::fs::write(out.join(stem(&truth_path) + ".feat"), bytes).unwrap();
        }
        shares.push(report(&stem(&truth_path), &truth, &heard));
        seconds += heard.duration_s;
        cost += heard.cost;
    }
    if shares.is_empty() {
        eprintln!("passages: give folders with tapes and their truth; nothing measured");
        return;
    }
    let worst = shares.iter().copied().fold(1.0, f64::min);
    println!(
        "{} tapes: frames right, mean {:.4}, worst {worst:.3}",
        shares.len(),
        shares.iter().sum::<f64>() / shares.len() as f64
    );
    println!("both meters: {:.2} core seconds an hour of tape", cost.as_secs_f64() * 3600.0 / seconds);
}

fn hear(path: &Path) -> Heard {
    let mut tape = Tape::open(&TapeSource { pieces: vec![path.to_owned()] }).unwrap();
    let (mut short, mut long) = (SpectrumStream::new(SHORT_FRAMING), SpectrumStream::new(LONG_FRAMING));
    let (mut features, mut health) = (FeatureMeter::default(), HealthMeter::default());
    let (mut cost, mut end) = (Duration::ZERO, 0);
    let mut push = |block: &Block| {
        let start = Instant::now();
        features.push(block);
        health.push(block);
        cost += start.elapsed();
    };
    while let Some(mut block) = tape.next_block().unwrap() {
        short.push(&block.mono, &mut block.short_spectra);
        long.push(&block.mono, &mut block.long_spectra);
        end = block.mono_start_frame + block.mono.len() as u64;
        push(&block);
    }
    let mut rest = Block { mono_start_frame: end, sample_rate_hz: tape.info().sample_rate_hz, ..Block::default() };
    short.finish(&mut rest.short_spectra);
    long.finish(&mut rest.long_spectra);
    push(&rest);
    let duration_s = end as f64 / f64::from(ANALYSIS_RATE_HZ);
    let start = Instant::now();
    let frames = features.finish();
    let passages = find_passages(&frames, duration_s);
    let spans = |kind| Passage::spans(&passages, kind);
    let health = health.finish().judge(&spans(PassageKind::Talk), &spans(PassageKind::Take));
    cost += start.elapsed();
    Heard { frames, passages, health, duration_s, cost }
}

fn kind_of(name: &str) -> PassageKind {
    match name {
        "take" => PassageKind::Take,
        "talk" => PassageKind::Talk,
        "tuning" => PassageKind::Tuning,
        "silence" | "quiet" => PassageKind::Quiet,
        _ => PassageKind::Other,
    }
}

/// Prints the row of a tape and returns its share of frames right.
fn report(name: &str, truth: &Value, heard: &Heard) -> f64 {
    let segments: Vec<(PassageKind, f64, f64)> = truth["segments"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| (kind_of(s["kind"].as_str().unwrap()), s["start"].as_f64().unwrap(), s["end"].as_f64().unwrap()))
        .collect();
    let (mut right, mut all) = (0.0, 0.0);
    for (kind, start, end) in &segments {
        let mut at = start + 0.5;
        while at < end - 0.5 {
            let got = heard.passages.iter().find(|p| p.start_s <= at && at < p.end_s);
            all += 1.0;
            right += f64::from(u8::from(got.is_some_and(|p| p.kind == *kind)));
            at += 0.1;
        }
    }
    let takes = |n: usize| format!("{n} of {}", segments.iter().filter(|s| s.0 == PassageKind::Take).count());
    let found = heard.passages.iter().filter(|p| p.kind == PassageKind::Take).count();
    let chain = |key: &str| truth.get("meta").unwrap_or(truth)[key].clone();
    let share: f64 = right / all;
    println!(
        "{name:34} right {share:.3}  takes {}  riding {:?} ({})  clipped {:?} % ({})  low cut {:?}  hum {:?}",
        takes(found),
        heard.health.gain_riding.value,
        chain("agc"),
        heard.health.clipped_percent.value,
        chain("clipped"),
        heard.health.low_cut_hz.value.map(f64::round),
        heard.health.hum_hz.value,
    );
    share
}
