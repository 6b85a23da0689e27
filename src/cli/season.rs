//! `ledgerline season`: the season again, from the reports alone.

use std::path::Path;

use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, EXIT_SOME_NOT, words};
use crate::pipeline;

/// Redraws the season of the reports under `out`; the exit code.
pub fn run(out: &Path) -> u8 {
    match pipeline::redraw_season(out, None) {
        Ok(season) => {
            for warning in &season.warnings {
                words::say(warning);
            }
            words::say(&format!(
                "season of {}: {}",
                words::counted(season.rehearsals, "rehearsal"),
                season.picture.display()
            ));
            if season.warnings.is_empty() { EXIT_ALL_MEASURED } else { EXIT_SOME_NOT }
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            EXIT_NOTHING_DONE
        }
    }
}
