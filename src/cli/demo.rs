//! `ledgerline demo`: the invented band's tapes, made and reviewed.

use std::path::Path;

use super::{EXIT_NOTHING_DONE, Work, review, words};
use crate::pipeline;

/// Makes the demo tapes in `dir` and reviews them; the exit code.
pub fn run(dir: &Path, work: &Work) -> u8 {
    words::say(&format!("making the tapes of the demo band in {}", dir.display()));
    if let Err(error) = pipeline::make_demo_tapes(dir) {
        words::print_error(&error.to_string(), error.hint());
        return EXIT_NOTHING_DONE;
    }
    let Some(outcome) = review::review(&[dir.to_path_buf()], work) else {
        return EXIT_NOTHING_DONE;
    };
    eprintln!("the tapes are invented; what is in them is known: see the *.truth.json beside each tape");
    review::exit_code(&outcome)
}
