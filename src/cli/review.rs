//! `ledgerline review`: the main job.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, EXIT_SOME_NOT, Work, progress::Progress, reference::FOLDER, words};
use crate::pipeline::{self, ReviewOptions, ReviewOutcome};
use crate::sheet;

/// Measures every tape under `paths`; the exit code.
pub fn run(paths: &[PathBuf], work: &Work) -> u8 {
    match review(paths, work) {
        Some(outcome) => exit_code(&outcome),
        None => EXIT_NOTHING_DONE,
    }
}

/// Runs the review and prints its summary; `None` when nothing could be done.
pub fn review(paths: &[PathBuf], work: &Work) -> Option<ReviewOutcome> {
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_interrupt(&stop);
    let find = |t: &Path| pipeline::find_target(t, work.style.as_deref(), Path::new(FOLDER));
    let mic_curve = match work.mic_curve.as_deref().map(read_mic_curve).transpose() {
        Ok(curve) => curve,
        Err(message) => {
            words::print_error(&message, Some("a line is a frequency in Hz and a level in dB; # begins a comment"));
            return None;
        }
    };
    let close = |t: &PathBuf| pipeline::find_close_target(t, Path::new(FOLDER));
    let close_targets: Result<Vec<_>, _> = work.close_target.iter().map(close).collect();
    let (target, close_targets) = match (work.target.as_deref().map(find).transpose(), close_targets) {
        (Ok(target), Ok(close)) => (target, close),
        (Err(error), _) | (_, Err(error)) => {
            words::print_error(&error.to_string(), error.hint());
            return None;
        }
    };
    let options = ReviewOptions {
        out: work.out.clone(),
        jobs: work.jobs.map_or_else(default_jobs, usize::from),
        again: work.again,
        target,
        festival: work.festival.clone(),
        mic_curve,
        bass_amp: pipeline::AmpCorners::default(),
        guitar_amp: pipeline::AmpCorners::default(),
        close_targets,
    };
    match pipeline::review(paths, &options, &Progress::new(), &stop) {
        Ok(outcome) => {
            for line in words::summary(&outcome, &work.out) {
                words::say(&line);
            }
            Some(outcome)
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            None
        }
    }
}

/// The microphone's response from a text file.
pub fn read_mic_curve(path: &Path) -> Result<pipeline::MicCurve, String> {
    let points = sheet::read_curve_file(path).map_err(|e| format!("{}: {e}", path.display()))?;
    pipeline::MicCurve::from_points(&points).ok_or_else(|| format!("{}: no curve", path.display()))
}

/// The exit code that tells how much was measured.
pub fn exit_code(outcome: &ReviewOutcome) -> u8 {
    if outcome.interrupted || outcome.failed > 0 { EXIT_SOME_NOT } else { EXIT_ALL_MEASURED }
}

/// One tape keeps two cores busy (a thread that decodes, four that measure), so half the cores is the number of tapes.
pub fn default_jobs() -> usize {
    std::thread::available_parallelism().map_or(1, |cores| (cores.get() / 2).max(1))
}

/// The first interrupt stops the work between two blocks; nothing half-written stays.
pub fn stop_on_interrupt(stop: &Arc<AtomicBool>) {
    let flag = Arc::clone(stop);
    let installed = ctrlc::set_handler(move || flag.store(true, Ordering::Relaxed));
    if let Err(error) = installed {
        words::print_error(&format!("interrupts cannot be caught: {error}"), None);
    }
}
