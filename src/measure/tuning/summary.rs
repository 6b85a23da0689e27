//! From notes to the figures of takes and of the tape.
//!
//! Conventions: as in [`super`]; intervals are 95 %. A take's offset is the median of its notes, weighted by their length.

use crate::passages::{Passage, PassageKind};
use crate::stats::Measured;

use super::TuningReading;
use super::bass::{BassNote, bass_notes};
use super::compact::{HOP_S, frame_at};
use super::line::{LongTermLevel, bass_runs};
use super::strings::{OpenString, StringPlayer, open_strings};
use super::trend::{NoteOffset, curve, level, retunings, trend, unwrap_offsets};

/// Tuning of one player in a take.
#[derive(Clone, Debug)]
pub struct PlayerTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
}

/// Tuning in a take.
#[derive(Clone, Debug)]
pub struct TakeTuning {
    /// Bass.
    pub bass: PlayerTuning,
}

/// Tuning of one player over the tape.
#[derive(Clone, Debug)]
pub struct InstrumentTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
    /// Drift, cents a minute, plus = going sharp.
    pub drift_cents_per_min: Measured,
    /// Offset at the first note.
    pub at_start_cents: Measured,
    /// Offset at the last note.
    pub at_end_cents: Measured,
    /// When it was retuned, seconds from the start of the tape.
    pub retuned_at_s: Vec<f64>,
}

/// All that this family has to say of a tape.
#[derive(Clone, Debug)]
pub struct TapeTuning {
    /// One a take, in time order.
    pub takes: Vec<TakeTuning>,
    /// Bass over the tape.
    pub bass: InstrumentTuning,
    /// One a passage; empty but in tuning passages.
    pub strings: Vec<Vec<OpenString>>,
    /// Bass, cents from A4 = 440 Hz, one a second; `None` where nothing was heard.
    pub bass_cents: Vec<Option<f64>>,
}

/// Reads the tuning of the takes and of the tuning passages among `passages`.
///
/// # Input
/// What [`super::TuningMeter`] kept, and the passages of the tape in time order.
///
/// # Output
/// Offsets in cents with 95 % intervals; a reason where nothing can be said ("no_bass_heard", "too_few_notes").
pub fn measure_tuning(reading: &TuningReading, passages: &[Passage]) -> TapeTuning {
    let store = &reading.store;
    let takes_s: Vec<(f64, f64)> =
        passages.iter().filter(|p| p.kind == PassageKind::Take).map(|p| (p.start_s, p.end_s)).collect();
    let takes: Vec<(usize, usize)> =
        takes_s.iter().map(|&(a, b)| (frame_at(a).min(store.frames()), frame_at(b).min(store.frames()))).collect();
    let strings: Vec<Vec<OpenString>> = passages
        .iter()
        .map(|p| if p.kind == PassageKind::Tuning { open_strings(store, p.start_s, p.end_s) } else { Vec::new() })
        .collect();
    let long_term = LongTermLevel::of(store, &takes);
    let notes: Vec<Vec<BassNote>> =
        takes.iter().map(|&(first, end)| bass_notes(store, &bass_runs(store, &long_term, first, end))).collect();
    let heard: Vec<Heard> = notes.iter().map(|n| Heard::of_bass(n)).collect();
    let seconds = (store.frames() as f64 * HOP_S).ceil() as usize;
    let (bass, bass_cents, levels) = over_tape(&heard, &takes_s, seconds, "no_bass_heard", |a, b| {
        tuned_between(passages, &strings, StringPlayer::Bass, a, b)
    });
    TapeTuning {
        takes: levels.into_iter().map(|m| TakeTuning { bass: PlayerTuning { offset_from_a440_cents: m } }).collect(),
        bass,
        strings,
        bass_cents,
    }
}

/// Notes of one player in one take, and the error that more notes do not take away.
struct Heard {
    notes: Vec<NoteOffset>,
    systematic_cents: f64,
}

/// Share of notes without support below 130 Hz from which the bass is not believed to be heard at all.
const LEAST_HEARD: f64 = 0.08;

impl Heard {
    fn of_bass(notes: &[BassNote]) -> Self {
        let seconds: f64 = notes.iter().map(|n| n.end_s - n.start_s).sum();
        let good: f64 = notes.iter().map(|n| n.weight).sum();
        if seconds <= 0.0 || good < LEAST_HEARD * seconds {
            return Self { notes: Vec::new(), systematic_cents: 0.0 };
        }
        let triples: Vec<(f64, f64, f64)> =
            notes.iter().map(|n| ((n.start_s + n.end_s) / 2.0, n.cents, n.weight)).collect();
        Self { notes: unwrap_offsets(&triples), systematic_cents: bass_systematic_cents(notes) }
    }
}

/// Known accuracy (95 %) of a take's bass offset on tapes with known truth, by how well its notes were heard: short notes
/// are all attack, and notes that spread widely are pulled by what plays on top of them.
fn bass_systematic_cents(notes: &[BassNote]) -> f64 {
    let total: f64 = notes.iter().map(|n| n.weight).sum();
    let mean = |f: &dyn Fn(&BassNote) -> f64| notes.iter().map(|n| n.weight * f(n)).sum::<f64>() / total.max(1e-9);
    let length = mean(&|n| n.end_s - n.start_s);
    let spread = mean(&|n| n.spread_cents);
    let seconds: f64 = notes.iter().map(|n| n.end_s - n.start_s).sum();
    let quality = total / seconds.max(1e-9);
    let short = (0.35 / length.max(0.1)).min(2.0);
    1.0 + 0.25 * spread * short + 1.5 * (0.4 - quality).max(0.0) / 0.4
}

fn over_tape(
    heard: &[Heard],
    takes_s: &[(f64, f64)],
    seconds: usize,
    none: &str,
    between: impl Fn(f64, f64) -> f64,
) -> (InstrumentTuning, Vec<Option<f64>>, Vec<Measured>) {
    let levels: Vec<Measured> = heard.iter().map(|h| level(&h.notes, h.systematic_cents, none)).collect();
    let retuned_at_s = retunings(&levels, takes_s, between);
    let all: Vec<NoteOffset> = heard.iter().flat_map(|h| h.notes.iter().copied()).collect();
    let systematic = heard.iter().filter(|h| !h.notes.is_empty()).map(|h| h.systematic_cents).fold(0.0, f64::max);
    let line = trend(&all, &retuned_at_s, systematic, none);
    let whole = level(&all, systematic, none);
    let whole = if retuned_at_s.is_empty() { whole } else { whole.with_warning("retuned_on_the_way") };
    let curve = curve(&all, takes_s, seconds);
    let instrument = InstrumentTuning {
        offset_from_a440_cents: whole,
        drift_cents_per_min: line.drift_cents_per_min,
        at_start_cents: line.at_start_cents,
        at_end_cents: line.at_end_cents,
        retuned_at_s,
    };
    (instrument, curve, levels)
}

/// The last moment of tuning by this player between two takes, else the middle of the gap.
fn tuned_between(
    passages: &[Passage],
    strings: &[Vec<OpenString>],
    player: StringPlayer,
    from_s: f64,
    to_s: f64,
) -> f64 {
    passages
        .iter()
        .zip(strings)
        .filter(|(p, s)| p.start_s >= from_s - 0.5 && p.end_s <= to_s + 0.5 && s.iter().any(|x| x.player == player))
        .map(|(p, _)| p.end_s)
        .fold(None, |_, t| Some(t))
        .unwrap_or((from_s + to_s) / 2.0)
}
