//! Recordings of one date: which might be of one rehearsal, and where each lies on the others.
//!
//! Conventions: only a date that is certain (from the header, the tags or the name) brings tapes together.

use super::plan::{Look, LookedInto};
use super::recognise;
use super::tape_job::{Heard, Job};
use crate::measure::together::{self, Laid, OnsetCurves};
use crate::report::{OtherTape, RecordedWith, Span};
use crate::stats::Measured;

/// More recordings than this on one date are not compared with each other; they stay by themselves.
const MOST_TOGETHER: usize = 12;

/// Places of the tapes that are worked on together, in the order of their first.
pub fn groups(looks: &[Look]) -> Vec<Vec<usize>> {
    let mut groups: Vec<(Option<String>, Vec<usize>)> = Vec::new();
    for (at, look) in looks.iter().enumerate() {
        let date = match look {
            Look::Ready(tape) => certain_date(tape),
            _ => None,
        };
        match groups.iter_mut().find(|(d, _)| date.is_some() && *d == date) {
            Some((_, group)) => group.push(at),
            None => groups.push((date, vec![at])),
        }
    }
    let parted = |(_, group): (_, Vec<usize>)| match group.len() {
        n if n > MOST_TOGETHER => group.into_iter().map(|at| vec![at]).collect(),
        _ => vec![group],
    };
    groups.into_iter().flat_map(parted).collect()
}

fn certain_date(tape: &LookedInto) -> Option<String> {
    tape.recorded_at.as_ref().filter(|_| tape.date_is_certain)?.get(..10).map(str::to_owned)
}

/// Changes whenever another recording of the date comes, goes or changes; `None` for a tape by itself.
pub fn key(jobs: &[Job]) -> Option<String> {
    let mut hashes: Vec<String> = jobs
        .iter()
        .filter_map(|job| match job.look {
            Look::Ready(tape) => Some(format!("{} {}", tape.content_hash, role(job))),
            _ => None,
        })
        .collect();
    hashes.sort();
    hashes.dedup();
    (hashes.len() > 1).then(|| crate::report::short_hash(hashes.join("\n").as_bytes()))
}

/// What the sheet says that a recording hears.
fn role(job: &Job) -> String {
    let channels = job.sheet.and_then(|s| s.recording.as_ref()).map(|r| r.channels.join(" ")).unwrap_or_default();
    format!("{} {channels}", close_to(job).unwrap_or_default()).trim_end().to_owned()
}

/// The player whom a recorder stood close to, as the sheet says.
pub fn close_to(job: &Job) -> Option<&'static str> {
    Some(job.sheet?.recording.as_ref()?.close_to?.word())
}

/// How each tape lies on each other one: `[own][other]`, `None` on the diagonal.
pub type Alignments = Vec<Vec<Option<Laid>>>;

/// Lays every tape on every other one.
pub fn alignments(heard: &[Heard]) -> Alignments {
    if heard.len() < 2 {
        return heard.iter().map(|_| vec![None]).collect();
    }
    let curves: Vec<OnsetCurves> =
        heard.iter().map(|h| OnsetCurves { bands: h.readings.time.onset_curves() }).collect();
    together::align_all(&curves)
}

/// The other recordings in the words of the report.
pub fn facts(own: usize, heard: &[Heard], (alignments, key): (&Alignments, Option<&String>)) -> Option<RecordedWith> {
    let as_heard = |at: usize| heard[at].alone.map(|layer| recognise::word(layer).to_owned());
    let other = |(at, found): (usize, &Option<Laid>)| {
        let found = found.as_ref()?;
        let absent = |reason: &&str| Measured::absent(reason);
        Some(OtherTape {
            file_name: heard[at].info.file_name.clone(),
            close_to: close_to(&heard[at].job).map(str::to_owned),
            heard_close_to: as_heard(at),
            offset_s: found.as_ref().map_or_else(absent, |a| a.offset_s.clone()),
            clock_ppm: found.as_ref().map_or_else(absent, |a| a.clock_ppm.clone()),
            common: found.as_ref().ok().map(|a| Span { start_s: a.common_s.0, end_s: a.common_s.1 }),
        })
    };
    let tapes = alignments[own].iter().enumerate().filter_map(other).collect();
    Some(RecordedWith { key: key?.clone(), heard_close_to: as_heard(own), tapes })
}

/// The bass by a recorder close to it, take by take of another tape.
#[derive(Clone, Debug)]
pub struct CloseBass {
    /// The close recording.
    pub file_name: String,
    /// Offset in each take, on the other tape's clock.
    pub offsets: Vec<Measured>,
}

impl CloseBass {
    /// The close recording, when take number `at` has its figures from it.
    pub fn file_of(&self, at: usize) -> Option<String> {
        self.offsets.get(at).filter(|m| m.value.is_some()).map(|_| self.file_name.clone())
    }
}

/// A value moved by `shift`, its interval with it.
pub fn moved(m: Measured, shift: f64) -> Measured {
    let by = |v: Option<f64>| v.map(|v| v + shift);
    Measured { value: by(m.value), low: by(m.low), high: by(m.high), ..m }
}
