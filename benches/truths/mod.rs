//! Truth-labelled tapes in a folder: `<name>.truth.json` beside `<name>.<ending>`.

use std::path::{Path, PathBuf};

use serde_json::Value;

/// A truth file; the renderer writes silent layers as `-Infinity`, which is no JSON.
pub fn read_truth(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).unwrap().replace("-Infinity", "null").replace("NaN", "null");
    serde_json::from_str(&text).unwrap()
}

/// The truth files of a folder, by name.
pub fn truths(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    found.retain(|p| p.to_string_lossy().ends_with(".truth.json"));
    found.sort();
    found
}

/// Name that a truth shares with its tape.
pub fn stem(truth: &Path) -> String {
    truth.file_name().unwrap().to_string_lossy().replace(".truth.json", "")
}

/// The tape of a truth, if it is there.
pub fn tape_beside(truth: &Path) -> Option<PathBuf> {
    let name = stem(truth);
    ["wav", "flac", "mp3", "m4a", "ogg"]
        .iter()
        .map(|e| truth.with_file_name(format!("{name}.{e}")))
        .find(|p| p.exists())
}
