//! The same chart in other takes and other weeks: which takes are one piece of music, and what it was called.
//!
//! Conventions: takes are compared by what sounds on each beat, in the pitch of their own band, never transposed: a chart that
//! is played in another key is another chart here. Takes are gone through by date, moment and place on the tape, so the result does not
//! depend on the order in which tapes were reviewed, and a later tape rarely changes what an earlier one was called.
//!
//! Limits: two charts with the same changes in the same key and tempo are one chart here, unless the band sheet gives them two
//! titles; a take of less than [`fingerprint::FEWEST_BEATS`] beats, or one whose beat is lost, is not recognised; a band half a
//! semitone away from A = 440 Hz may read as its neighbour's key.

mod align;
pub mod fingerprint;
mod groups;
mod likeness;
mod names;
mod repeats;
mod weights;

pub use fingerprint::{Fingerprint, fingerprint};
pub use likeness::{Likeness, likeness};

use super::chart_types::{ChartPlayed, UnnamedTake};
use super::habits::Day;
use groups::{PlayedTake, grouped};

/// Changes whenever takes may be grouped otherwise.
pub const CHARTS_METHOD: &str = "charts-1";

/// The charts that were played at `days`, in the order in which they became known, and the takes that belong to none.
pub fn charts(days: &[Day]) -> (Vec<ChartPlayed>, Vec<UnnamedTake>) {
    let takes: Vec<PlayedTake> = days
        .iter()
        .flat_map(|(date, tapes)| tapes.iter().map(move |(folder, report)| (*date, *folder, *report)))
        .flat_map(|(date, folder, report)| {
            report.takes.iter().enumerate().map(move |(at, take)| PlayedTake::new(date, folder, report, at, take))
        })
        .collect();
    let groups = grouped(&takes);
    names::named(&takes, &groups)
}
