//! `ledgerline sheet`: a commented band sheet to begin with.

use std::path::Path;

use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, words};
use crate::sheet;

/// Writes the starter into `dir`; the exit code.
pub fn run(dir: &Path) -> u8 {
    match sheet::write_starter(dir) {
        Ok(path) => {
            let said = "written; take the # away from the lines that you want to say";
            words::say(&format!("{}: {said}", path.display()));
            EXIT_ALL_MEASURED
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            EXIT_NOTHING_DONE
        }
    }
}
