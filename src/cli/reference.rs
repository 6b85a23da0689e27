//! `ledgerline reference`: a target balance from recordings that the director admires.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::review::{default_jobs, stop_on_interrupt};
use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, EXIT_SOME_NOT, progress::Progress, words};
use crate::pipeline::{self, LearnOptions, LearnOutcome};

/// Where targets are kept and looked for.
pub const FOLDER: &str = "reference-audio";

/// Learns the target called `name` from everything under `paths`; the exit code.
pub fn run(paths: &[PathBuf], name: &str, into: &Path, jobs: Option<u16>, own: bool, close_to: Option<String>) -> u8 {
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_interrupt(&stop);
    let options = LearnOptions {
        name: name.to_owned(),
        into: into.to_owned(),
        jobs: jobs.map_or_else(default_jobs, usize::from),
        // Whoever stood close to a player recorded his own band.
        own: own || close_to.is_some(),
        close_to,
    };
    match pipeline::learn_target(paths, &options, &Progress::new(), &stop) {
        Ok(outcome) => {
            summary(&outcome).iter().for_each(|line| words::say(line));
            if outcome.failed > 0 { EXIT_SOME_NOT } else { EXIT_ALL_MEASURED }
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            EXIT_NOTHING_DONE
        }
    }
}

fn summary(outcome: &LearnOutcome) -> Vec<String> {
    let file = &outcome.file;
    let mut lines = vec![format!(
        "target '{}' learnt from {}: {}",
        file.name,
        words::counted(file.recordings.len(), "recording"),
        outcome.path.display()
    )];
    lines.push(format!(
        "low end against middle {:+.1} dB, recordings spread by {:.1} dB to either side",
        file.low_re_mid_db, file.low_re_mid_spread_db
    ));
    for style in &file.styles {
        lines.push(format!(
            "style '{}': {}, low end against middle {:+.1} dB",
            style.style,
            words::counted(style.file_names.len(), "recording"),
            style.low_re_mid_db
        ));
    }
    for recording in file.recordings.iter().filter(|r| r.odd) {
        lines.push(format!("{}: unlike the others; it moves the target little", recording.file_name));
    }
    lines.extend(outcome.silent.iter().map(|name| format!("{name}: no playing was found; it does not count")));
    if outcome.failed > 0 {
        lines.push(format!("{} not measured", outcome.failed));
    }
    lines
}
