//! What the network of the guitar hears of tapes with known notes, for `benches/tuning_fit/guitar.py`.
//!
//! `cargo bench --bench guitar_rows -- OUT FOLDER...`: for every `<tape>.truth.json` of the folders (its takes, and the tape
//! beside it) OUT gets `<tape>.rows` and `<tape>.json`: take after take, row after row, 32-bit floats (seconds, cents above MIDI
//! 0, then what the network hears), and how many rows each take has, where the band stands and how long the take is.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use ledgerline::dsp::Meter;
use ledgerline::measure::tuning::{TuningMeter, TuningReading};
use ledgerline::tape::{Tape, TapeSource};
use rayon::prelude::*;
use serde_json::{Value, json};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let Some((out, folders)) = arguments.split_first() else {
        eprintln!("guitar_rows: give a folder for the rows and folders of tapes with their truths; nothing done");
        return;
    };
    std::fs::create_dir_all(out).unwrap();
    for folder in folders {
        let mut truths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        truths.retain(|p| p.to_string_lossy().ends_with(".truth.json"));
        truths.par_iter().for_each(|t| write_rows(t, Path::new(out)));
    }
}

fn write_rows(truth_path: &Path, out: &Path) {
    // The makers' tool writes the level of a silent part as -Infinity, which JSON does not know.
    let text = std::fs::read_to_string(truth_path).unwrap().replace("-Infinity", "null").replace("NaN", "null");
    let truth: Value = serde_json::from_str(&text).unwrap();
    let name = truth["name"].as_str().unwrap();
    let Some(audio) = ["wav", "flac", "mp3", "m4a", "ogg"]
        .iter()
        .map(|ext| truth_path.with_file_name(format!("{name}.{ext}")))
        .find(|p| p.exists())
    else {
        return;
    };
    let takes_s: Vec<(f64, f64)> = truth["segments"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|s| s["kind"] == "take")
        .map(|s| (s["start"].as_f64().unwrap(), s["end"].as_f64().unwrap()))
        .collect();
    let (mut bytes, mut told) = (Vec::new(), Vec::new());
    for (take, (start_s, end_s)) in reading(audio).guitar_rows(&takes_s).iter().zip(&takes_s) {
        for (at_s, cents, inputs) in &take.rows {
            let row = [*at_s as f32, *cents as f32].into_iter().chain(*inputs);
            row.for_each(|x| bytes.extend(x.to_le_bytes()));
        }
        told.push(json!({ "rows": take.rows.len(), "band": take.band_cents, "seconds": end_s - start_s }));
    }
    std::fs::write(out.join(format!("{name}.rows")), bytes).unwrap();
    std::fs::write(out.join(format!("{name}.json")), Value::from(told).to_string()).unwrap();
}

fn reading(audio: PathBuf) -> TuningReading {
    let mut tape = Tape::open(&TapeSource { pieces: vec![audio] }).unwrap();
    let mut meter = TuningMeter::new();
    while let Some(block) = tape.next_block().unwrap() {
        meter.push(&block);
    }
    meter.finish()
}
