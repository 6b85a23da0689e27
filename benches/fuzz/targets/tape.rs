//! Any bytes as a tape: opened and decoded to the end.
#![no_main]

#[path = "common.rs"]
mod common;

use ledgerline::tape::{Tape, TapeSource};
use libfuzzer_sys::fuzz_target;

/// Blocks of a quarter of a second after which a tape is long enough: a few bytes may rightly declare hours of silence.
const MOST_BLOCKS: usize = 2400;

fuzz_target!(|data: &[u8]| {
    let path = common::in_memory_file(data);
    common::must_not_panic(|| {
        let Ok(mut tape) = Tape::open(&TapeSource { pieces: vec![path] }) else { return };
        let channels = usize::from(tape.info().channels);
        for _ in 0..MOST_BLOCKS {
            let Ok(Some(block)) = tape.next_block() else { break };
            assert_eq!(block.channels.len(), channels);
            assert!(block.channels.iter().all(|c| c.len() == block.channels[0].len()));
            assert!(block.channels.iter().flatten().all(|x| x.is_finite()));
            assert!(block.mono.iter().all(|x| x.is_finite()));
        }
        assert!(tape.summary().duration_s.is_finite());
    });
});
