//! What recordings close to players say, in the words of the report.

use super::close_company::Company;
use crate::measure::close::{CloseTake, Comping};
use crate::measure::time::TakeTime;
use crate::report::{CloseFacts, CrowdedBar};
use crate::stats::Measured;

/// The recordings close to players of a tape, and what they say of its takes.
pub struct TapeClose {
    /// The recordings.
    pub company: Company,
    takes: Vec<CloseTake>,
    /// Number, start and end of the bars of each take, s.
    bars: Vec<Vec<(u32, f64, f64)>>,
}

impl TapeClose {
    /// Asks the reading, and puts what it knows better into the takes' time.
    pub fn new(company: Company, time: &mut [TakeTime]) -> Self {
        let beside = &company.beside;
        let bars: Vec<Vec<(u32, f64, f64)>> = time.iter().map(TakeTime::bar_spans).collect();
        let read = |(at, t): (usize, &TakeTime)| {
            let spans: Vec<(f64, f64)> = bars[at].iter().map(|b| (b.1, b.2)).collect();
            beside.reading.take(at, (t.bars(), &spans), &beside.lines)
        };
        let takes: Vec<CloseTake> = time.iter().enumerate().map(read).collect();
        for (close, time) in takes.iter().zip(time) {
            if let Some(comping) = &close.comping {
                time.feel.hear_comping(&comping.onsets_per_bar);
            }
            let Some((found, _)) = &close.bass_to_drums else { continue };
            if found.lag_ms.value.is_some() {
                time.feel.hear_close(&found.lag_ms, &found.spread_ms);
            }
        }
        Self { company, takes, bars }
    }
}

/// The facts of take number `at`; a bar with more than `crowded_per_bar` chords is crowded.
pub fn close_facts(close: &TapeClose, at: usize, crowded_per_bar: f64) -> CloseFacts {
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
        comping_onsets_per_bar: comping(|c| &c.onsets_per_bar),
        crowded_bars: take.comping.as_ref().map_or_else(Vec::new, |c| crowded(c, &close.bars[at], crowded_per_bar)),
    }
}

fn crowded(comping: &Comping, bars: &[(u32, f64, f64)], most: f64) -> Vec<CrowdedBar> {
    let counted = bars.iter().zip(&comping.in_bars).filter(|(_, hits)| f64::from(**hits) > most);
    counted.map(|(&(bar, start_s, end_s), hits)| CrowdedBar { bar, start_s, end_s, hits: *hits }).collect()
}
