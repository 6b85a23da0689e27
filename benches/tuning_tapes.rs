//! Tuning of whole tapes against their known notes, without the rest of a review.
//!
//! `cargo bench --bench tuning_tapes -- FOLDER...`: every `<tape>.truth.json` of the folders names the notes of the tape
//! beside it (the makers' format, see `benches/README.md`). The passages are the true ones, so that only the tuning is
//! judged. Prints one line a figure and tape, then per figure: how many, how many without a value, median and worst
//! |error|, the share of truths inside the stated interval, and the median half-width.
//!
//! `cargo bench --bench tuning_tapes -- --rows OUT FOLDER...`: instead, what the network of the guitar hears, for
//! `benches/tuning_fit/guitar.py`. OUT gets `<tape>.rows` and `<tape>.json`: take after take, row after row, 32-bit floats
//! (seconds, cents above MIDI 0, then what the network hears); and how many rows each take has, where the band stands and how
//! long the take is.
//!
//! `cargo bench --bench tuning_tapes -- --walk-rows OUT FOLDER...`: the same for the network of the bass line
//! (`benches/tuning_fit/walk.py`): take after take, frame after frame, key after key, in hundredths, a byte each, without where the key
//! lies; and for each take its frames, the moment of the first, the distance between them and the pitch of the lowest key. The grid stands
//! at the quarter of a semitone nearest to the truth, in every fourth take at the next one.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use ledgerline::dsp::Meter;
use ledgerline::measure::tuning::{InstrumentTuning, TapeTuning, TuningMeter, TuningReading, measure_tuning};
use ledgerline::passages::{Passage, PassageKind};
use ledgerline::stats::Measured;
use ledgerline::tape::{Tape, TapeSource};
use rayon::prelude::*;
use serde_json::{Value, json};

/// One figure of one tape.
struct Row {
    figure: &'static str,
    tape: String,
    truth: f64,
    found: Measured,
}

fn main() {
    let mut folders: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let write: Option<fn(&Path, &Path)> = match folders.first().map(String::as_str) {
        Some("--rows") => Some(write_guitar_rows),
        Some("--walk-rows") => Some(write_walk_rows),
        _ => None,
    };
    let rows_to = write.filter(|_| folders.len() > 1).map(|write| {
        let out = PathBuf::from(folders.drain(..2).nth(1).unwrap());
        (write, out)
    });
    if folders.is_empty() {
        eprintln!("tuning_tapes: give folders of tapes with their truths; nothing measured");
        return;
    }
    for folder in &folders {
        let mut truths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        truths.retain(|p| p.to_string_lossy().ends_with(".truth.json"));
        truths.sort();
        if let Some((write, out)) = &rows_to {
            std::fs::create_dir_all(out).unwrap();
            truths.par_iter().for_each(|t| write(t, out));
            continue;
        }
        let rows: Vec<Row> = truths.par_iter().flat_map(|t| tape_rows(t)).collect();
        println!("== {folder}");
        rows.iter().for_each(print_row);
        summary(&rows);
    }
}

fn audio_beside(truth: &Path) -> Option<PathBuf> {
    let name = truth.file_name()?.to_str()?.strip_suffix(".truth.json")?;
    ["wav", "flac", "mp3", "m4a", "ogg"]
        .iter()
        .map(|ext| truth.with_file_name(format!("{name}.{ext}")))
        .find(|p| p.exists())
}

/// A tape's truth and what the meter kept of it; none where the tape is missing.
fn read(path: &Path) -> Option<(Value, TuningReading)> {
    // The makers' tool writes the level of a silent part as -Infinity, which JSON does not know.
    let text = std::fs::read_to_string(path).unwrap().replace("-Infinity", "null").replace("NaN", "null");
    let mut tape = Tape::open(&TapeSource { pieces: vec![audio_beside(path)?] }).unwrap();
    let mut meter = TuningMeter::new();
    while let Some(block) = tape.next_block().unwrap() {
        meter.push(&block);
    }
    Some((serde_json::from_str(&text).unwrap(), meter.finish()))
}

fn tape_rows(path: &Path) -> Vec<Row> {
    let Some((truth, reading)) = read(path) else { return Vec::new() };
    let found = measure_tuning(&reading, &passages(&truth));
    let name = truth["name"].as_str().unwrap().to_owned();
    let mut rows = take_rows(&truth, &found, &name);
    rows.extend(string_rows(&truth, &found, &name));
    rows.extend(drift_rows(&truth, &found, &name));
    rows
}

fn write_guitar_rows(path: &Path, out: &Path) {
    let Some((truth, reading)) = read(path) else { return };
    let name = truth["name"].as_str().unwrap();
    let takes_s = Passage::spans(&passages(&truth), PassageKind::Take);
    let (mut bytes, mut told) = (Vec::new(), Vec::new());
    for (take, (start_s, end_s)) in reading.guitar_rows(&takes_s).iter().zip(&takes_s) {
        for (at_s, cents, inputs) in &take.rows {
            let row = [*at_s as f32, *cents as f32].into_iter().chain(*inputs);
            row.for_each(|x| bytes.extend(x.to_le_bytes()));
        }
        told.push(json!({ "rows": take.rows.len(), "band": take.band_cents, "seconds": end_s - start_s }));
    }
    std::fs::write(out.join(format!("{name}.rows")), bytes).unwrap();
    std::fs::write(out.join(format!("{name}.json")), Value::from(told).to_string()).unwrap();
}

fn write_walk_rows(path: &Path, out: &Path) {
    let Some((truth, reading)) = read(path) else { return };
    let name = truth["name"].as_str().unwrap();
    let takes_s = Passage::spans(&passages(&truth), PassageKind::Take);
    let place = |(i, take_s): (usize, &(f64, f64))| {
        let own = notes(&truth, "bass", take_s.0, take_s.1);
        let cents = if own.is_empty() { 0.0 } else { weighted_median(own.iter().map(|n| (n.3, n.1)).collect()) };
        let (quarters, nearest) = (cents / 25.0, (cents / 25.0).round());
        let next = if quarters > nearest { nearest + 1.0 } else { nearest - 1.0 };
        let chance: u32 = name.bytes().map(u32::from).sum::<u32>() + i as u32;
        (if chance.is_multiple_of(4) { next } else { nearest }).rem_euclid(4.0) as usize
    };
    let places: Vec<usize> = takes_s.iter().enumerate().map(place).collect();
    let (mut bytes, mut told) = (Vec::new(), Vec::new());
    for take in reading.walk_rows(&takes_s, &places) {
        for key in take.frames.as_flattened() {
            // The last two say where the key lies, which `lowest_midi` says too.
            bytes.extend(key[..key.len() - 2].iter().map(|x| (100.0 * x).round().min(255.0) as u8));
        }
        let (first_s, step_s) = take.times_s;
        told.push(json!({ "frames": take.frames.len(), "first_s": first_s, "step_s": step_s, "lowest_midi": take.lowest_midi }));
    }
    std::fs::write(out.join(format!("{name}.walk")), bytes).unwrap();
    std::fs::write(out.join(format!("{name}.json")), Value::from(told).to_string()).unwrap();
}

fn passages(truth: &Value) -> Vec<Passage> {
    let of = |s: &Value| Passage {
        kind: match s["kind"].as_str().unwrap() {
            "take" => PassageKind::Take,
            "talk" => PassageKind::Talk,
            "tuning" => PassageKind::Tuning,
            _ => PassageKind::Quiet,
        },
        start_s: s["start"].as_f64().unwrap(),
        end_s: s["end"].as_f64().unwrap(),
        confidence: 1.0,
    };
    truth["segments"].as_array().unwrap().iter().map(of).collect()
}

/// Start, length, key, cents.
fn notes(truth: &Value, player: &str, from: f64, to: f64) -> Vec<(f64, f64, u64, f64)> {
    let all = truth["notes"][player].as_array().cloned().unwrap_or_default();
    all.iter()
        .map(|n| {
            (
                n["t"].as_f64().unwrap(),
                n["d"].as_f64().unwrap(),
                n["key"].as_u64().unwrap(),
                n["cents"].as_f64().unwrap(),
            )
        })
        .filter(|n| n.0 >= from && n.0 < to)
        .collect()
}

fn take_rows(truth: &Value, found: &TapeTuning, name: &str) -> Vec<Row> {
    let mut rows = Vec::new();
    for (take, t) in found.takes.iter().zip(truth["takes"].as_array().unwrap()) {
        for (figure, silent, player, m) in
            [("bass", "bass silent", "bass", &take.bass), ("guitar", "guitar silent", "guitar", &take.guitar)]
        {
            let own = notes(truth, player, t["start"].as_f64().unwrap(), t["end"].as_f64().unwrap());
            let found = m.offset_from_a440_cents.clone();
            let pairs: Vec<(f64, f64)> = own.iter().map(|n| (n.3, n.1)).collect();
            let (figure, truth) = if pairs.is_empty() { (silent, f64::NAN) } else { (figure, weighted_median(pairs)) };
            rows.push(Row { figure, tape: name.to_owned(), truth, found });
        }
    }
    rows
}

fn weighted_median(mut pairs: Vec<(f64, f64)>) -> f64 {
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = pairs.iter().map(|p| p.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    pairs
        .iter()
        .find(|p| {
            sum += p.1;
            sum >= half
        })
        .unwrap()
        .0
}

fn string_rows(truth: &Value, found: &TapeTuning, name: &str) -> Vec<Row> {
    let mut rows = Vec::new();
    for (i, s) in truth["segments"].as_array().unwrap().iter().enumerate() {
        let Some(player) = s["player"].as_str().filter(|_| s["kind"] == "tuning") else { continue };
        let last: BTreeMap<u64, f64> = notes(truth, player, s["start"].as_f64().unwrap(), s["end"].as_f64().unwrap())
            .iter()
            .map(|n| (n.2, n.3))
            .collect();
        for (key, cents) in last {
            let heard = found.strings[i].iter().find(|x| u64::from(x.string_midi) == key);
            rows.push(Row {
                figure: if player == "bass" { "bass string" } else { "guitar string" },
                tape: format!("{name} {key}"),
                truth: cents,
                found: heard.map_or(Measured::absent("missing"), |x| x.offset_from_a440_cents.clone()),
            });
        }
    }
    rows
}

fn drift_rows(truth: &Value, found: &TapeTuning, name: &str) -> Vec<Row> {
    let retuned = truth["tuning"].as_object().unwrap().values().any(|v| v.get("retune").is_some());
    // The line through all notes follows which string is played when, too; what was planted is how all strings drift.
    let planted = |figure, player: &str, m: &InstrumentTuning| {
        let truth = truth["tuning"][player]["per_min"].as_f64()?;
        Some(Row { figure, tape: name.to_owned(), truth, found: m.drift_cents_per_min.clone() })
    };
    let of = |figure, player: &str, m: &InstrumentTuning| {
        let own: Vec<(f64, f64)> = truth["takes"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|t| notes(truth, player, t["start"].as_f64().unwrap(), t["end"].as_f64().unwrap()))
            .map(|n| (n.0 / 60.0, n.3))
            .collect();
        (!own.is_empty()).then(|| Row {
            figure,
            tape: name.to_owned(),
            truth: slope(&own),
            found: m.drift_cents_per_min.clone(),
        })
    };
    if retuned {
        println!("{name}: retuned, bass {:?} guitar {:?}", found.bass.retuned_at_s, found.guitar.retuned_at_s);
        return Vec::new();
    }
    [
        of("bass drift", "bass", &found.bass),
        planted("bass planted", "bass", &found.bass),
        of("guitar drift", "guitar", &found.guitar),
        planted("guitar planted", "guitar", &found.guitar),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn slope(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mt, mc) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    points.iter().map(|p| (p.0 - mt) * (p.1 - mc)).sum::<f64>() / points.iter().map(|p| (p.0 - mt).powi(2)).sum::<f64>()
}

fn inside(r: &Row) -> Option<bool> {
    Some(r.found.low? <= r.truth && r.truth <= r.found.high?)
}

fn print_row(r: &Row) {
    let half = r.found.low.zip(r.found.high).map_or(f64::NAN, |(a, b)| (b - a) / 2.0);
    match r.found.value {
        Some(v) => println!(
            "  {:14} {:38} {:7.2} for {:7.2}: {:6.2} +-{:5.2} {}",
            r.figure,
            r.tape,
            v,
            r.truth,
            v - r.truth,
            half,
            if inside(r) == Some(false) { "OUT" } else { "" }
        ),
        None => println!(
            "  {:14} {:38}    none for {:7.2}: {}",
            r.figure,
            r.tape,
            r.truth,
            r.found.reason.as_deref().unwrap_or("")
        ),
    }
}

fn summary(rows: &[Row]) {
    let mut figures: BTreeMap<&str, Vec<&Row>> = BTreeMap::new();
    rows.iter().for_each(|r| figures.entry(r.figure).or_default().push(r));
    println!("{:14} {:>4} {:>5} {:>7} {:>7} {:>8} {:>8}", "figure", "n", "none", "median", "worst", "inside", "half");
    for (figure, rows) in figures {
        let known: Vec<&&Row> = rows.iter().filter(|r| r.found.value.is_some()).collect();
        let mut errors: Vec<f64> = known.iter().map(|r| (r.found.value.unwrap() - r.truth).abs()).collect();
        errors.sort_by(f64::total_cmp);
        let mut halves: Vec<f64> = known.iter().map(|r| (r.found.high.unwrap() - r.found.low.unwrap()) / 2.0).collect();
        halves.sort_by(f64::total_cmp);
        let middle = |v: &[f64]| if v.is_empty() { f64::NAN } else { (v[(v.len() - 1) / 2] + v[v.len() / 2]) / 2.0 };
        let inside = known.iter().filter(|r| inside(r) == Some(true)).count() as f64 / known.len().max(1) as f64;
        println!(
            "{figure:14} {:4} {:5} {:7.2} {:7.2} {:8.2} {:8.2}",
            rows.len(),
            rows.len() - known.len(),
            middle(&errors),
            errors.last().copied().unwrap_or(f64::NAN),
            inside,
            middle(&halves)
        );
    }
}
