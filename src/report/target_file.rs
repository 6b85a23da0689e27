//! A learnt target as a file: read, written, and turned into the target that takes are compared with.
//!
//! Conventions: levels in dB against the mean level of the 400-2500 Hz bands; the same recordings give the same bytes.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::ReportError;
use super::folder::slug;
use super::read::{Contract, read_file};
use super::types::Schema;
use super::write::{laid_out, write_atomic};
use crate::measure::balance::{Learnt, Target, TargetBand};

/// Name in the `schema` block.
pub const TARGET_SCHEMA_NAME: &str = "ledgerline.target";
/// Removing, renaming or re-meaning a field raises this.
pub const TARGET_SCHEMA_VERSION: u32 = 1;
/// Adding a field raises this.
pub const TARGET_SCHEMA_REVISION: u32 = 3;
const TARGET: Contract = Contract { name: TARGET_SCHEMA_NAME, version: TARGET_SCHEMA_VERSION, steps: &[] };

/// A learnt target.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetFile {
    /// Which contract this file follows.
    pub schema: Schema,
    /// Name that the director gave.
    pub name: String,
    /// Method of measuring the balance.
    pub method: String,
    /// Power in 40-160 Hz against 400-2500 Hz, median of the recordings, dB.
    pub low_re_mid_db: f64,
    /// How far the recordings spread around it to either side, dB.
    pub low_re_mid_spread_db: f64,
    /// Median tilt, dB an octave; null with too few bands.
    pub tilt_db_per_octave: Option<f64>,
    /// The bands that more than half of the recordings hear.
    pub bands: Vec<TargetRow>,
    /// What it was learnt from.
    pub recordings: Vec<TargetRecording>,
    /// Levels of the band's own bass, dBFS, semitone by semitone from MIDI 27; only from recordings of the same player.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub own_bass_db: Vec<Option<f64>>,
    /// Levels of all that sounds while that bass plays, dBFS, in the same order. From revision 2 on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub own_all_db: Vec<Option<f64>>,
    /// Share of that bass in the low end of its recordings, 0..=1, median; null where it is not known. From revision 3 on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own_bass_share: Option<f64>,
    /// The player to whom the recordings were close; null for recordings of the whole band. From revision 2 on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub close_to: Option<String>,
    /// A target for each style, where the recordings lie in folders named by style.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub styles: Vec<TargetStyle>,
}

/// The target of one style.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetStyle {
    /// Name of the folder.
    pub style: String,
    /// Power in 40-160 Hz against 400-2500 Hz, median of the recordings, dB.
    pub low_re_mid_db: f64,
    /// How far the recordings spread around it to either side, dB.
    pub low_re_mid_spread_db: f64,
    /// Median tilt, dB an octave; null with too few bands.
    pub tilt_db_per_octave: Option<f64>,
    /// The bands that more than half of the recordings hear.
    pub bands: Vec<TargetRow>,
    /// Names of the recordings.
    pub file_names: Vec<String>,
}

/// One third-octave band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetRow {
    /// Exact mid-band frequency, Hz.
    pub mid_hz: f64,
    /// Lower end of the spread, dB.
    pub low_db: f64,
    /// Median of the recordings, dB.
    pub level_db: f64,
    /// Upper end of the spread, dB.
    pub high_db: f64,
}

/// A recording that was learnt from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TargetRecording {
    /// File name without its folders.
    pub file_name: String,
    /// BLAKE3 of its bytes.
    pub content_hash: String,
    /// Seconds of playing that counted.
    pub playing_s: f64,
    /// Its own low end against its middle, dB; null when it was not heard.
    pub low_re_mid_db: Option<f64>,
    /// Unlike the rest.
    pub odd: bool,
}

impl TargetFile {
    /// The file of what was learnt.
    pub fn new(learnt: &Learnt, method: &str, mut recordings: Vec<TargetRecording>) -> Self {
        for (index, recording) in recordings.iter_mut().enumerate() {
            recording.odd = learnt.odd.contains(&index);
        }
        let t = &learnt.target;
        let row =
            |b: &TargetBand| TargetRow { mid_hz: b.mid_hz, low_db: b.low_db, level_db: b.level_db, high_db: b.high_db };
        Self {
            schema: Schema {
                name: TARGET_SCHEMA_NAME.to_owned(),
                version: TARGET_SCHEMA_VERSION,
                revision: TARGET_SCHEMA_REVISION,
            },
            name: t.name.clone(),
            method: method.to_owned(),
            low_re_mid_db: t.low_re_mid_db,
            low_re_mid_spread_db: t.low_end_spread_db().unwrap_or(0.0),
            tilt_db_per_octave: learnt.tilt_db_per_octave,
            bands: t.bands.iter().map(row).collect(),
            recordings,
            own_bass_db: t.own_bass_db.clone(),
            own_all_db: t.own_all_db.clone(),
            own_bass_share: t.own_bass_share,
            close_to: t.close_to.clone(),
            styles: Vec::new(),
        }
    }

    /// Adds the target of one style.
    pub fn add_style(&mut self, style: &str, learnt: &Learnt, file_names: Vec<String>) {
        let t = &learnt.target;
        let row =
            |b: &TargetBand| TargetRow { mid_hz: b.mid_hz, low_db: b.low_db, level_db: b.level_db, high_db: b.high_db };
        self.styles.push(TargetStyle {
            style: style.to_owned(),
            low_re_mid_db: t.low_re_mid_db,
            low_re_mid_spread_db: t.low_end_spread_db().unwrap_or(0.0),
            tilt_db_per_octave: learnt.tilt_db_per_octave,
            bands: t.bands.iter().map(row).collect(),
            file_names,
        });
    }

    /// The target of a style; `None` when the file has none of that name.
    pub fn target_of_style(&self, style: &str) -> Option<Target> {
        let own = self.styles.iter().find(|s| s.style.eq_ignore_ascii_case(style))?;
        let band =
            |b: &TargetRow| TargetBand { mid_hz: b.mid_hz, low_db: b.low_db, level_db: b.level_db, high_db: b.high_db };
        let count = own.file_names.len();
        Some(Target {
            name: format!("{}, {}", self.name, own.style),
            source: format!("learnt from {count} recording{} of this style", if count == 1 { "" } else { "s" }),
            low_re_mid_db: own.low_re_mid_db,
            low_re_mid_spread_db: Some(own.low_re_mid_spread_db),
            bands: own.bands.iter().map(band).collect(),
            own_bass_db: self.own_bass_db.clone(),
            own_all_db: self.own_all_db.clone(),
            own_bass_share: self.own_bass_share,
            close_to: self.close_to.clone(),
        })
    }

    /// The target that takes are compared with.
    pub fn target(&self) -> Target {
        let band =
            |b: &TargetRow| TargetBand { mid_hz: b.mid_hz, low_db: b.low_db, level_db: b.level_db, high_db: b.high_db };
        let count = self.recordings.len();
        Target {
            name: self.name.clone(),
            source: format!("learnt from {count} recording{}", if count == 1 { "" } else { "s" }),
            low_re_mid_db: self.low_re_mid_db,
            low_re_mid_spread_db: Some(self.low_re_mid_spread_db),
            bands: self.bands.iter().map(band).collect(),
            own_bass_db: self.own_bass_db.clone(),
            own_all_db: self.own_all_db.clone(),
            own_bass_share: self.own_bass_share,
            close_to: self.close_to.clone(),
        }
    }
}

/// Where the target called `name` lies under `folder`.
pub fn target_path(folder: &Path, name: &str) -> PathBuf {
    folder.join(format!("{}.json", slug(&format!("{name}.json"))))
}

/// Writes the target under `folder`, which is made if it does not exist; returns the file's path.
///
/// # Errors
/// [`ReportError::NotFinite`] for a number that is none; [`ReportError::Write`] from the disk.
pub fn write_target(folder: &Path, file: &TargetFile) -> Result<PathBuf, ReportError> {
    let path = target_path(folder, &file.name);
    let bytes = laid_out(file).map_err(|source| ReportError::NotFinite { path: path.clone(), source })?;
    std::fs::create_dir_all(folder).map_err(|source| ReportError::Write { path: folder.to_owned(), source })?;
    write_atomic(&path, &bytes)?;
    Ok(path)
}

/// Reads a target: a path, or the name of one under `folder`.
///
/// # Errors
/// Every variant of [`ReportError`] but the two of writing; [`ReportError::Read`] names the place under `folder` when
/// neither is there.
pub fn read_target(path_or_name: &Path, folder: &Path) -> Result<TargetFile, ReportError> {
    let path = if path_or_name.is_file() {
        path_or_name.to_owned()
    } else {
        target_path(folder, &path_or_name.to_string_lossy())
    };
    read_file(&path, &TARGET)
}
