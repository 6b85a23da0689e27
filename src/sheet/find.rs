//! Finds the sheet of a tape on the disk, reads it and the microphone curve that it names.
//!
//! Conventions: the nearest `band.toml` holds: in the tape's own folder, else in its parents, up to the folder that was
//! named to the program (for a file that was named: its own folder). Sheets are never merged.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::curve::read_curve_file;
use super::problem::Problem;
use super::read::{Known, ReadSheet, read_sheet};
use super::types::BandSheet;

/// Name of a sheet.
pub const SHEET_FILE: &str = "band.toml";
/// A larger file is no sheet.
const LARGEST_BYTES: u64 = 1 << 20;

/// A sheet from the disk.
#[derive(Clone, Debug, Default)]
pub struct LoadedSheet {
    /// The file.
    pub path: PathBuf,
    /// What it says.
    pub sheet: BandSheet,
    /// What is wrong with it, in the order of the text.
    pub problems: Vec<Problem>,
    /// Frequency in Hz and level in dB of the microphone, by rising frequency; empty without a curve.
    pub microphone_curve: Vec<(f64, f64)>,
    files: Vec<(String, Problem)>,
}

/// Finds and reads sheets, each once.
#[derive(Debug)]
pub struct SheetFinder {
    roots: Vec<PathBuf>,
    known: Known,
    loaded: BTreeMap<PathBuf, Option<Arc<LoadedSheet>>>,
}

impl SheetFinder {
    /// For tapes under `paths`, the files and folders that were named to the program.
    pub fn new(paths: &[PathBuf], known: Known) -> Self {
        Self { roots: paths.to_vec(), known, loaded: BTreeMap::new() }
    }

    /// The sheet of the tape whose first file is `tape`.
    pub fn sheet_of(&mut self, tape: &Path) -> Option<Arc<LoadedSheet>> {
        let named: Vec<PathBuf> = self.roots.iter().filter(|root| tape.starts_with(root)).cloned().collect();
        for folder in tape.ancestors().skip(1) {
            if let Some(sheet) = self.in_folder(folder) {
                return Some(sheet);
            }
            // Higher than every folder that was named, nobody asked us to look.
            let inside = named.iter().any(|root| folder.starts_with(root) && folder != root.as_path());
            if !inside {
                break;
            }
        }
        None
    }

    fn in_folder(&mut self, folder: &Path) -> Option<Arc<LoadedSheet>> {
        if let Some(known) = self.loaded.get(folder) {
            return known.clone();
        }
        let path = folder.join(SHEET_FILE);
        let sheet = path.is_file().then(|| Arc::new(load(path, &self.known)));
        self.loaded.insert(folder.to_owned(), sheet.clone());
        sheet
    }

    /// All sheets that were found so far, by path.
    pub fn found(&self) -> Vec<Arc<LoadedSheet>> {
        self.loaded.values().flatten().cloned().collect()
    }
}

impl LoadedSheet {
    /// The folder of the sheet.
    pub fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }

    /// What is wrong, the files that it names and that are not there included; `tapes` are those under its folder.
    pub fn all_problems(&self, tapes: &[&Path]) -> Vec<Problem> {
        let mut problems = self.problems.clone();
        let there = |file: &str| {
            self.folder().join(file).is_file() || tapes.iter().any(|t| t.starts_with(self.folder()) && is_tape(file, t))
        };
        problems.extend(self.files.iter().filter(|(file, _)| !there(file)).map(|(_, problem)| problem.clone()));
        problems.sort();
        problems
    }
}

/// Is `file` of a sheet the tape at `path`? The name alone does, in any case of letters; folders in front must agree too.
pub fn is_tape(file: &str, path: &Path) -> bool {
    let parts = |p: &Path| -> Vec<String> {
        p.components().map(|c| c.as_os_str().to_string_lossy().to_lowercase()).filter(|c| c != ".").collect()
    };
    let (wanted, have) = (parts(Path::new(&file.replace('\\', "/"))), parts(path));
    !wanted.is_empty() && have.ends_with(&wanted)
}

fn load(path: PathBuf, known: &Known) -> LoadedSheet {
    let text = match bounded(&path) {
        Ok(text) => text,
        Err(message) => {
            return LoadedSheet { path, problems: vec![Problem::whole(message)], ..LoadedSheet::default() };
        }
    };
    let ReadSheet { sheet, mut problems, files } = read_sheet(&text, known);
    let mut microphone_curve = Vec::new();
    if let Some(file) = &sheet.microphone.curve {
        let at = path.parent().unwrap_or(Path::new("")).join(file);
        match read_curve_file(&at) {
            Ok(points) => microphone_curve = points,
            Err(message) => {
                problems.push(Problem::whole(format!("microphone curve '{file}': {message}; it is not used")))
            }
        }
    }
    LoadedSheet { path, sheet, problems, microphone_curve, files }
}

/// The text of a file that is no larger than a sheet can be.
pub fn bounded(path: &Path) -> Result<String, String> {
    let cannot = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::InvalidData => "it is no text (UTF-8)".to_owned(),
        _ => format!("it cannot be read: {e}"),
    };
    let length = std::fs::metadata(path).map_err(cannot)?.len();
    if length > LARGEST_BYTES {
        return Err(format!("it has {length} bytes; more than {LARGEST_BYTES} are not read"));
    }
    std::fs::read_to_string(path).map_err(cannot)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_the_sheet_is_found_by_its_name_and_folders() {
        let tape = Path::new("/band/week 3/Close.WAV");
        assert!(is_tape("close.wav", tape) && is_tape("week 3/Close.WAV", tape) && is_tape("week 3\\close.wav", tape));
        assert!(!is_tape("week 2/close.wav", tape) && !is_tape("lose.wav", tape) && !is_tape("", tape));
    }
}
