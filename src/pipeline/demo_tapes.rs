//! The demo band's tapes on the disk, each with its truth beside it.

use std::path::{Path, PathBuf};

use super::error::PipelineError;
use crate::demo::{self, scenario::Scenario};
use crate::report::write_atomic;
use crate::season::{AmpChange, FestivalPlan, Goal};
use crate::tape::write_wav::WavFile;

/// Makes every tape of the demo season in `dir`, which is made when it does not exist; the paths of the tapes.
///
/// # Errors
/// The disk.
pub fn make_demo_tapes(dir: &Path) -> Result<Vec<PathBuf>, PipelineError> {
    std::fs::create_dir_all(dir).map_err(|cause| broken(dir, &cause))?;
    demo::season().iter().map(|scenario| make_tape(scenario, dir)).collect()
}

/// What the demo band is on its way to: an invented festival three weeks and a few days after its last rehearsal.
pub fn demo_festival() -> FestivalPlan {
    FestivalPlan {
        date: "2026-04-18".to_owned(),
        slot_minutes: 20.0,
        charts: vec![demo::CHART_BLUES.to_owned(), demo::CHART_SLOW.to_owned()],
        goals: vec![
            Goal::within("bass_offset_from_band_cents", 5.0),
            Goal::at_most("drift_size_percent", 2.0),
            Goal::at_least("hat_on_2_and_4_percent", 80.0),
            Goal::at_least("playing_share_percent", 50.0),
        ],
        amp_changes: vec![AmpChange {
            date: "2026-02-24".to_owned(),
            what: "bass amplifier: low and level turned down".to_owned(),
        }],
    }
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
