//! The demo band's tapes on the disk, each with its truth beside it.

use std::path::{Path, PathBuf};

use super::error::PipelineError;
use crate::demo::{self, scenario::Scenario};
use crate::report::write_atomic;
use crate::tape::write_wav::WavFile;

/// Makes every tape of the demo season in `dir`, which is made when it does not exist; the paths of the tapes.
///
/// # Errors
/// The disk.
pub fn make_demo_tapes(dir: &Path) -> Result<Vec<PathBuf>, PipelineError> {
    std::fs::create_dir_all(dir).map_err(|cause| broken(dir, &cause))?;
    demo::season().iter().map(|scenario| make_tape(scenario, dir)).collect()
}

fn make_tape(scenario: &Scenario, dir: &Path) -> Result<PathBuf, PipelineError> {
    let path = dir.join(format!("{}.wav", scenario.name));
    let tape = demo::render(scenario);
    let channels: Vec<&[f32]> = tape.channels.iter().map(Vec::as_slice).collect();
    let mut file = WavFile::create(&path, demo::wav_spec(scenario)).map_err(|cause| broken(&path, &cause))?;
    file.write(&channels).map_err(|cause| broken(&path, &cause))?;
    file.finish().map_err(|cause| broken(&path, &cause))?;
    let truth = tape.truth.to_json().map_err(|cause| broken(&path, &cause))?;
    write_atomic(&dir.join(format!("{}.truth.json", scenario.name)), truth.as_bytes())?;
    Ok(path)
}

fn broken(path: &Path, cause: &dyn std::fmt::Display) -> PipelineError {
    PipelineError::Demo { path: path.to_owned(), cause: cause.to_string() }
}
