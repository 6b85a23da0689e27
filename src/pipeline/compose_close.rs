//! What recordings close to players say, in the words of the report.

use super::close_company::Company;
use crate::measure::close::{CloseTake, Comping};
use crate::measure::time::TakeTime;
use crate::report::CloseFacts;
use crate::stats::Measured;

/// The recordings close to players of a tape, and what they say of its takes.
pub struct TapeClose {
    /// The recordings.
    pub company: Company,
    takes: Vec<CloseTake>,
}

impl TapeClose {
    /// Asks the reading, and puts what it knows better into the takes' time.
    pub fn new(company: Company, time: &mut [TakeTime]) -> Self {
        let beside = &company.beside;
        let takes: Vec<CloseTake> =
            time.iter().enumerate().map(|(at, t)| beside.reading.take(at, t.bars(), &beside.line_sd_s)).collect();
        for (close, time) in takes.iter().zip(time) {
            let Some((found, _)) = &close.bass_to_drums else { continue };
            if found.lag_ms.value.is_some() {
                time.feel.hear_close(&found.lag_ms, &found.spread_ms);
            }
        }
        Self { company, takes }
    }
}

/// The facts of take number `at`.
pub fn close_facts(close: &TapeClose, at: usize) -> CloseFacts {
    let take = &close.takes[at];
    let none = || Measured::absent("no_close_recording");
    let lengths = take.note_lengths.as_ref();
    let comping = |of: fn(&Comping) -> &Measured| take.comping.as_ref().map_or_else(none, |c| of(c).clone());
    CloseFacts {
        recordings: close.company.recordings.clone(),
        bass_to_drums_ms: take.bass_to_drums.as_ref().map_or_else(none, |(b, _)| b.lag_ms.clone()),
        drums_heard: take.bass_to_drums.as_ref().map(|(_, close)| if *close { "close" } else { "room" }.to_owned()),
        bass_note_length_ms: lengths.map_or_else(none, |l| l.length_ms.clone()),
        bass_note_length_percent: lengths.map_or_else(none, |l| l.of_gap_percent.clone()),
        guitar_hits_per_bar: comping(|c| &c.guitar_hits_per_bar),
        piano_hits_per_bar: comping(|c| &c.piano_hits_per_bar),
        comping_together_percent: comping(|c| &c.together_percent),
        guitar_after_piano_ms: comping(|c| &c.guitar_after_piano_ms),
    }
}
