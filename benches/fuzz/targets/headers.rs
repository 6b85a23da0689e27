//! Any bytes as a tape: opened only, so that the readers of headers, dates, marks and tags see many more of them.
#![no_main]

#[path = "common.rs"]
mod common;

use ledgerline::tape::{MAX_RATE_HZ, MIN_RATE_HZ, Tape, TapeSource};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let path = common::in_memory_file(data);
    common::must_not_panic(|| match Tape::open_hashed(&TapeSource { pieces: vec![path] }, String::new()) {
        Ok(tape) => {
            let info = tape.info();
            assert!(info.marks.iter().all(|m| m.at_s.is_finite() && m.at_s >= 0.0));
            assert!((MIN_RATE_HZ..=MAX_RATE_HZ).contains(&info.sample_rate_hz));
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    });
});
