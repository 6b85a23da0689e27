//! Pitch of single recorded notes against their measured pitch.
//!
//! `cargo bench --bench tuning -- KIT [OUT.json]`: `KIT/MANIFEST.json` lists recordings of one note each with `file`, `midi`
//! and `f0_cents_vs_et` (measured by a period detector, method in the manifest); those marked `pitch_ok` are read. Prints,
//! an instrument and over all: notes, octaves right, median and 90th percentile of |difference| in cents, and writes one
//! record a note to OUT.json.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use ledgerline::dsp::Meter;
use ledgerline::measure::tuning::TuningMeter;
use ledgerline::tape::{Tape, TapeSource};
use serde_json::{Value, json};

struct Note {
    file: String,
    instrument: String,
    truth_cents: f64,
    /// Cents above MIDI 0, low and high of the interval.
    found: Option<(f64, f64, f64)>,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let Some(kit) = arguments.first().map(PathBuf::from) else {
        eprintln!("tuning: give the folder of the kit; nothing measured");
        return;
    };
    let manifest: Value = serde_json::from_slice(&std::fs::read(kit.join("MANIFEST.json")).unwrap()).unwrap();
    let notes: Vec<Note> = manifest["files"].as_array().unwrap().iter().filter_map(|f| read(&kit, f)).collect();
    let mut groups: BTreeMap<&str, Vec<&Note>> = BTreeMap::new();
    for note in &notes {
        groups.entry(&note.instrument).or_default().push(note);
        groups.entry("all").or_default().push(note);
    }
    println!("{:22} {:>5} {:>8} {:>8} {:>8} {:>8}", "instrument", "notes", "octave %", "median", "90 %", "inside %");
    for (name, group) in &groups {
        print_group(name, group);
    }
    if let Some(out) = arguments.get(1) {
        let records: Vec<Value> = notes
            .iter()
            .map(|n| json!({"file": n.file, "truth_cents": n.truth_cents, "found_cents": n.found.map(|f| f.0)}))
            .collect();
        std::fs::write(out, serde_json::to_string(&records).unwrap() + "\n").unwrap();
    }
}

fn read(kit: &Path, entry: &Value) -> Option<Note> {
    if entry["pitch_ok"] != Value::Bool(true) {
        return None;
    }
    let file = entry["file"].as_str()?.to_owned();
    let truth_cents = 100.0 * entry["midi"].as_f64()? + entry["f0_cents_vs_et"].as_f64()?;
    let mut tape = Tape::open(&TapeSource { pieces: vec![kit.join(&file)] }).unwrap();
    let mut meter = TuningMeter::new();
    while let Some(block) = tape.next_block().unwrap() {
        meter.push(&block);
    }
    // The stretch on which the manifest's own pitch was measured ends 1.6 s after the onset.
    let m = meter.finish().single_note(0.0, 1.7);
    let found = m.value.map(|v| (v, m.low.unwrap(), m.high.unwrap()));
    // `room/set_note_...`: the room and the set.
    let (room, rest) = file.split_once('/')?;
    let instrument = format!("{room}/{}", rest.split('_').next()?);
    Some(Note { file, instrument, truth_cents, found })
}

fn print_group(name: &str, notes: &[&Note]) {
    let off: Vec<Option<f64>> = notes.iter().map(|n| n.found.map(|f| f.0 - n.truth_cents)).collect();
    let right = off.iter().flatten().filter(|d| d.abs() < 100.0).count();
    let mut sizes: Vec<f64> = off.iter().flatten().map(|d| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let at = |q: f64| sizes.get(((sizes.len() as f64 * q) as usize).min(sizes.len().saturating_sub(1))).copied();
    let inside = notes.iter().filter(|n| n.found.is_some_and(|f| f.1 <= n.truth_cents && n.truth_cents <= f.2)).count();
    println!(
        "{name:22} {:5} {:8.2} {:8.2} {:8.2} {:8.1}",
        notes.len(),
        100.0 * right as f64 / notes.len() as f64,
        at(0.5).unwrap_or(f64::NAN),
        at(0.9).unwrap_or(f64::NAN),
        100.0 * inside as f64 / notes.len() as f64
    );
}
