//! Two sides out of the report folders, held against each other.

use std::path::Path;

use super::compare_knob::{KnobBack, bass_share, knob_back};
use super::compose_low_end::note_name;
use super::error::PipelineError;
use crate::measure::tone::{
    FIRST_MIDI, LEAST_SHARE_FOR_KIND, NOTES, NoteSpectrum, ToneDifference, ToneKind, median_spectrum, tone_difference,
};
use crate::report::folder::{date_of, report_dirs};
use crate::report::{self, Report};
use crate::season::compare::{Difference, Verdict, differences, only_take, verdict};
use crate::stats::Measured;

/// Name in the `schema` block of the JSON.
pub const COMPARE_SCHEMA_NAME: &str = "ledgerline.compare";

/// A row of the table.
pub type ComparedRow = Difference;

/// Why two sides cannot be compared at all.
#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    /// Neither a report folder nor a date with reports.
    #[error("{side}: neither a report folder nor a date with reports under {out}")]
    NoSuchSide {
        /// As given.
        side: String,
        /// Where dates were looked for.
        out: String,
    },
    /// A take that is not there.
    #[error("{side}: the report has {takes} takes")]
    NoSuchTake {
        /// As given.
        side: String,
        /// How many there are.
        takes: usize,
    },
}

impl CompareError {
    /// What to do about it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::NoSuchSide { .. } => {
                Some("review the tape first; then give its report folder, or its date as 2026-03-12")
            }
            Self::NoSuchTake { .. } => Some("takes count from 1: FOLDER#1"),
        }
    }
}

/// The outcome.
#[derive(Clone, Debug, serde::Serialize, schemars::JsonSchema)]
pub struct Compared {
    /// Which contract this follows.
    pub schema: report::Schema,
    /// The first side, as given.
    pub first: String,
    /// The second.
    pub second: String,
    /// Every measure that a side has.
    pub rows: Vec<ComparedRow>,
    /// What the bass's tone says, in words.
    pub bass_tone: String,
    /// What the bass's low control would have to do to turn the second side back into the first.
    pub knob: KnobBack,
}

/// Holds `second` against `first`; sides are report folders, `FOLDER#take`, or dates under `out`.
///
/// # Errors
/// [`CompareError`] in a [`PipelineError`], and what reading a report may say.
pub fn compare(first: &str, second: &str, out: &Path) -> Result<Compared, PipelineError> {
    let (a, b) = (side(first, out)?, side(second, out)?);
    let mut rows = differences(&a, &b);
    // A take has no note spectrum of its own; another recorder has another microphone.
    let by_take = first.contains('#') || second.contains('#');
    let tone = if by_take {
        Err("not_by_take")
    } else if recorders(&a, &b) > 1 {
        Err("other_recorder")
    } else if tone_methods(&a, &b) > 1 {
        Err("other_method")
    } else {
        Ok(difference_of(&a, &b))
    };
    let knob = knob_back(&tone, &a, &b);
    let (row, bass_tone) = tone_row(tone);
    rows.push(row);
    Ok(Compared {
        schema: report::Schema { name: COMPARE_SCHEMA_NAME.to_owned(), version: 1, revision: 1 },
        first: first.to_owned(),
        second: second.to_owned(),
        rows,
        bass_tone,
        knob,
    })
}

/// The reports of a side.
fn side(given: &str, out: &Path) -> Result<Vec<Report>, PipelineError> {
    let (folder, take) = match given.rsplit_once('#') {
        Some((folder, number)) if number.parse::<usize>().is_ok() => (folder, number.parse::<usize>().ok()),
        _ => (given, None),
    };
    let places = [Path::new(folder).to_owned(), out.join(folder)];
    if let Some(dir) = places.iter().find(|p| p.join(report::REPORT_FILE).is_file()) {
        let report = report::read_report(dir)?;
        let Some(number) = take else { return Ok(vec![report]) };
        let only = only_take(&report, number);
        let missing = || CompareError::NoSuchTake { side: given.to_owned(), takes: report.takes.len() };
        return Ok(vec![only.ok_or_else(missing)?]);
    }
    let mut of_date = Vec::new();
    if date_of(Some(given)).is_some() && given.len() == 10 {
        for dir in report_dirs(out)?.iter().filter(|d| d.join(report::REPORT_FILE).is_file()) {
            let report = report::read_report(dir)?;
            if report.tape.recorded_at.as_deref().is_some_and(|at| at.starts_with(given)) {
                of_date.push(report);
            }
        }
    }
    if of_date.is_empty() {
        let out = out.display().to_string();
        return Err(CompareError::NoSuchSide { side: given.to_owned(), out }.into());
    }
    Ok(of_date)
}

/// How the bass of the second side differs from that of the first, as far as it is heard.
pub fn difference_of(a: &[Report], b: &[Report]) -> ToneDifference {
    let share = bass_share(a).zip(bass_share(b)).map(|(a, b)| a.min(b));
    tone_difference(&notes(a), &notes(b)).with_share(share)
}

/// How many methods the bass's notes were read by.
pub fn tone_methods(a: &[Report], b: &[Report]) -> usize {
    let key = |r: &Report| -> Vec<String> {
        r.methods.iter().filter(|m| ["tone", "layers"].contains(&m.family.as_str())).map(|m| m.id.clone()).collect()
    };
    a.iter().chain(b).map(key).collect::<std::collections::BTreeSet<_>>().len()
}

/// How many recorders the reports come from.
pub fn recorders(a: &[Report], b: &[Report]) -> usize {
    let key = |r: &Report| (r.tape.sample_rate_hz, r.tape.channels, r.tape.codec.clone());
    a.iter().chain(b).map(key).collect::<std::collections::BTreeSet<_>>().len()
}

/// The bass's notes over the reports of a side.
fn notes(reports: &[Report]) -> NoteSpectrum {
    let one = |r: &Report| {
        let mut notes = NoteSpectrum::default();
        for row in r.tone.iter().flat_map(|t| &t.bass_notes) {
            if let Some(i) = row.midi.checked_sub(FIRST_MIDI).map(usize::from).filter(|i| *i < NOTES) {
                (notes.level_dbfs[i], notes.n[i], notes.all_dbfs[i]) = (row.level_dbfs, row.n, row.all_dbfs);
            }
        }
        notes
    };
    let all: Vec<NoteSpectrum> = reports.iter().map(one).collect();
    if let [alone] = &all[..] { alone.clone() } else { median_spectrum(&all) }
}

/// The low control of the bass amplifier as a row, and what kind of difference it is.
fn tone_row(tone: Result<ToneDifference, &str>) -> (ComparedRow, String) {
    let difference = tone.as_ref().map_or_else(|reason| Measured::absent(reason), |t| t.low_db.clone());
    let surely = verdict(&difference) != Verdict::Noise;
    let words = match tone.as_ref().ok().map(|t| (t.kind, t.note_db)) {
        Some((ToneKind::EveryNote, _)) if surely => {
            "the bass differs on every note, as a low control would do it".to_owned()
        }
        Some((ToneKind::OneNote { midi }, Some(db))) => format!(
            "the bass differs on one note, {} ({db:+.1} dB), as a room or a place in it would do it; no knob mends that",
            note_name(midi)
        ),
        Some((ToneKind::Covered, _)) => format!(
            "less than {:.0} % of the low end is the bass on one side: on which notes it differs is not told",
            100.0 * LEAST_SHARE_FOR_KIND
        ),
        Some(_) if difference.value.is_some() => "the bass does not differ by more than noise".to_owned(),
        None => "the bass's tone is compared between whole tapes of one recorder and one method only".to_owned(),
        _ => "too few bass notes in common to compare its tone".to_owned(),
    };
    let on_one = matches!(tone.as_ref().map(|t| t.kind), Ok(ToneKind::OneNote { .. }));
    let difference = if on_one { Measured::absent("one_note_stands_out") } else { difference };
    let verdict: Verdict = verdict(&difference);
    let none = || Measured::absent("only_as_a_difference");
    let row = ComparedRow {
        measure: "bass_low_control_db".to_owned(),
        title: "low control of the bass".to_owned(),
        unit: "dB".to_owned(),
        first: none(),
        second: none(),
        difference,
        verdict,
    };
    (row, words)
}
