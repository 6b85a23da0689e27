//! Clicks on the beats that were found, over the tape, to be listened to; and how well they sit, in numbers.
//!
//! `cargo bench --bench time_click -- OUT TAPE [TAPE ...]`: each tape as one take. Writes `OUT/<name>.clicks.wav` (the tape
//! 9 dB down with clicks: high on the first beat of a bar, low on the others) and prints the tempo, the mean onset strength
//! at the beats and at the places between them, and where bars were found. A developer's aid: no test, no truth.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use ledgerline::dsp::spectrum::{LONG_FRAMING, SpectrumStream};
use ledgerline::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use ledgerline::measure::time::features::HOP_S;
use ledgerline::measure::time::pulses::PULSE_WEIGHTS;
use ledgerline::measure::time::strength::Strengths;
use ledgerline::measure::time::{TakeTime, TimeFeatures, TimeHints, TimeMeter, measure_take};
use ledgerline::tape::{Tape, TapeSource};

/// Places between two beats at which strength is printed, shares of a beat.
const BETWEEN: [f64; 5] = [0.0, 0.25, 1.0 / 3.0, 0.5, 2.0 / 3.0];
/// Reach of a place, s.
const REACH_S: f64 = 0.02;

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|a| a != "--bench").map(PathBuf::from);
    let Some(out) = arguments.next() else {
        eprintln!("time_click: give a folder for the overlays and some tapes; nothing rendered");
        return;
    };
    std::fs::create_dir_all(&out).unwrap();
    for path in arguments {
        let (features, mut samples) = read(&path);
        let length_s = samples.len() as f64 / f64::from(ANALYSIS_RATE_HZ);
        let time = measure_take(&features, 0.0, length_s, &TimeHints::default());
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        print(&name, &features, length_s, &time);
        samples.iter_mut().for_each(|x| *x *= 0.35);
        for (at, place) in time.tempo.beat_times_s.iter().zip(&time.tempo.beat_in_bar) {
            click(&mut samples, *at, if *place == 1 { 2_000.0 } else { 1_000.0 });
        }
        write(&out.join(format!("{name}.clicks.wav")), &samples);
    }
}

fn print(name: &str, features: &TimeFeatures, length_s: f64, time: &TakeTime) {
    let tempo = &time.tempo;
    println!("{name}: {:.1} s, {} beats", length_s, tempo.beat_times_s.len());
    println!("  tempo {:?} a minute, drift {:?} percent", tempo.bpm.value, tempo.drift_percent.value);
    println!("  swing {:?}, warnings {:?}", time.feel.swing_ratio.value, tempo.bpm.warnings);
    println!("  without beat {:?}, slipped bars {}", time.without_beat, time.slipped_bars.len());
    let curve = Strengths::of_span(features, 0.0, length_s).pulse_curve(&PULSE_WEIGHTS);
    let strength = |at_s: f64| {
        let (a, b) = ((at_s - REACH_S) / HOP_S, (at_s + REACH_S) / HOP_S);
        let range = a.max(0.0) as usize..(b.max(0.0) as usize + 1).min(curve.len());
        curve[range].iter().copied().fold(f32::NEG_INFINITY, f32::max)
    };
    let mean = |values: Vec<f32>| values.iter().sum::<f32>() / values.len().max(1) as f32;
    for share in BETWEEN {
        let all = tempo.beat_times_s.windows(2).map(|w| strength(w[0] + share * (w[1] - w[0])));
        println!("  strength {share:.2} after the beat: {:.2}", mean(all.collect()));
    }
    for place in 1..=4 {
        let pairs = tempo.beat_times_s.iter().zip(&tempo.beat_in_bar).filter(|(_, k)| **k == place);
        println!("  strength on {place}: {:.2}", mean(pairs.map(|(at, _)| strength(*at)).collect()));
    }
}

/// Features and mono samples of a tape.
fn read(path: &Path) -> (TimeFeatures, Vec<f32>) {
    let mut tape = Tape::open(&TapeSource { pieces: vec![path.to_owned()] }).unwrap();
    let (mut long, mut meter) = (SpectrumStream::new(LONG_FRAMING), TimeMeter::new());
    let mut samples = Vec::new();
    while let Some(mut block) = tape.next_block().unwrap() {
        long.push(&block.mono, &mut block.long_spectra);
        meter.push(&block);
        samples.extend_from_slice(&block.mono);
    }
    let mut last = Block::default();
    long.finish(&mut last.long_spectra);
    meter.push(&last);
    (meter.finish(), samples)
}

fn click(samples: &mut [f32], at_s: f64, hz: f64) {
    let rate = f64::from(ANALYSIS_RATE_HZ);
    let start = (at_s * rate).round().max(0.0) as usize;
    for (i, x) in samples.iter_mut().skip(start).take((0.03 * rate) as usize).enumerate() {
        let t = i as f64 / rate;
        *x += (0.5 * (-t / 0.006).exp() * (std::f64::consts::TAU * hz * t).sin()) as f32;
    }
}

fn write(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: ANALYSIS_RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = hound::WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|x| file.write_sample((x.clamp(-1.0, 1.0) * 32_767.0) as i16).unwrap());
    file.finalize().unwrap();
}
