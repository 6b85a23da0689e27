//! What of a sheet concerns one tape, and the key that tells whether it changed.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::find::{LoadedSheet, is_tape};
use super::types::{Amps, Band, Chart, Level, Players, Recording};

/// What of a sheet concerns one tape.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct TapeSheet {
    /// The sheet's file, without folders.
    #[serde(skip)]
    pub file: PathBuf,
    /// The band.
    pub band: Band,
    /// The players.
    pub players: Players,
    /// The amplifiers.
    pub amp: Amps,
    /// All charts.
    pub charts: Vec<Chart>,
    /// What the sheet says of this recording.
    pub recording: Option<Recording>,
    /// Titles of the takes in playing order; empty when the sheet does not say.
    pub order: Vec<String>,
    /// Calibration, with the readings of this recording only.
    pub level: Level,
    /// Response of the microphone, Hz and dB.
    pub microphone_curve: Vec<(f64, f64)>,
    /// Thresholds of findings by name.
    pub thresholds: std::collections::BTreeMap<String, f64>,
    /// What is wrong with the sheet, ready to be shown.
    #[serde(skip)]
    pub problems: Vec<String>,
    /// The same without places, which move with every remark.
    problem_words: Vec<String>,
}

impl TapeSheet {
    /// Of the tape with these files, recorded at `recorded_at` (ISO 8601).
    pub fn new(loaded: &LoadedSheet, pieces: &[PathBuf], recorded_at: Option<&str>, tapes: &[&Path]) -> Self {
        let sheet = &loaded.sheet;
        let concerns = |file: &str| pieces.iter().any(|piece| is_tape(file, piece));
        let recording = sheet.recording.iter().find(|r| concerns(&r.file)).cloned();
        let of_date = recorded_at
            .and_then(|at| at.get(..10))
            .and_then(|date| sheet.rehearsal.iter().find(|r| r.date == date).map(|r| r.order.clone()));
        let own = recording.as_ref().map(|r| r.order.clone()).filter(|order| !order.is_empty());
        let mut level = sheet.level.clone();
        level.reading.retain(|r| concerns(&r.file));
        let problems = loaded.all_problems(tapes);
        Self {
            file: loaded.path.clone(),
            band: sheet.band.clone(),
            players: sheet.players.clone(),
            amp: sheet.amp,
            charts: sheet.chart.clone(),
            order: own.or(of_date).unwrap_or_default(),
            recording,
            level,
            microphone_curve: loaded.microphone_curve.clone(),
            thresholds: sheet.thresholds.clone(),
            problems: problems.iter().map(|p| format!("{}{p}", super::SHEET_FILE)).collect(),
            problem_words: problems.iter().map(|p| p.message.clone()).collect(),
        }
    }

    /// Changes whenever something changes that may move the tape's report; remarks and the festival do not.
    pub fn key(&self) -> String {
        let content = serde_json::to_vec(self).unwrap_or_default();
        blake3::hash(&content).to_hex().as_str()[..16].to_owned()
    }

    /// The chart with this title.
    pub fn chart(&self, title: &str) -> Option<&Chart> {
        self.charts.iter().find(|c| c.title == title)
    }
}
