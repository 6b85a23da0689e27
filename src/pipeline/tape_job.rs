//! One tape from its files to its report folder.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::close_company::{self, Company};
use super::error::PipelineError;
use super::plan::{Failure, Look, LookedInto};
use super::stream::{self, Readings, StreamError};
use super::{Observer, ReviewOptions, TapeLine, TapeOutcome, company, compose, ease, methods, recognise, sheets};
use crate::chart;
use crate::findings;
use crate::measure::layers::Layer;
use crate::report::{self, Expected, OutFolder, RecordedWith, Report};
use crate::sheet::TapeSheet;
use crate::tape::{Tape, TapeInfo, TapeSummary};

/// What is to be done with one tape.
#[derive(Clone, Copy)]
pub struct Job<'a> {
    /// Its place among all tapes.
    pub index: usize,
    /// What came of looking into it.
    pub look: &'a Look,
    /// Its report folder.
    pub target: Option<&'a Path>,
    /// What the band sheet says of it.
    pub sheet: Option<&'a TapeSheet>,
    /// What the review is asked to do.
    pub options: &'a ReviewOptions,
}

/// A tape after its last block: what all meters kept of it.
pub struct Heard<'a> {
    /// What is to be done with it.
    pub job: Job<'a>,
    /// Its header.
    pub info: TapeInfo,
    /// What the meters have to say.
    pub readings: Readings,
    /// Its files.
    pub looked: &'a LookedInto,
    /// The layer that it hears alone though no sheet says that it stood close to anybody; found when all tapes of the date are heard.
    pub alone: Option<Layer>,
    target: &'a Path,
    summary: TapeSummary,
}

/// Measures the recordings of one date and writes their folders, unless the reports of an earlier run still hold. Where one of
/// them has to be measured, so have the others, because what they have in common belongs into every report.
pub fn run(jobs: &[Job], out: &OutFolder, stop: &AtomicBool, observer: &dyn Observer) -> Vec<TapeOutcome> {
    let key = company::key(jobs);
    let due = |job: &Job| job.options.again || !is_unchanged(job, key.as_deref());
    let (first, rest): (Vec<Job>, Vec<Job>) = jobs.iter().copied().partition(due);
    let mut outcomes = Vec::new();
    let mut heard = hear_all(&first, stop, observer, &mut outcomes);
    if heard.is_empty() {
        let unchanged =
            |job: &Job| TapeOutcome::Unchanged { folder: job.target.map(Path::to_owned).unwrap_or_default() };
        rest.iter().for_each(|job| finish(job, unchanged(job), observer, &mut outcomes));
        return outcomes;
    }
    heard.extend(hear_all(&rest, stop, observer, &mut outcomes));
    // Which of them had to be measured first must not show in the reports.
    heard.sort_by_key(|tape| tape.job.index);
    // What was stopped half-way has not met its company.
    if outcomes.iter().any(|o| matches!(o, TapeOutcome::Stopped)) {
        heard.iter().for_each(|tape| finish(&tape.job, TapeOutcome::Stopped, observer, &mut outcomes));
        return outcomes;
    }
    let alignments = company::alignments(&heard);
    let alone = recognise::recognised(&heard, &alignments);
    heard.iter_mut().zip(alone).for_each(|(tape, alone)| tape.alone = alone);
    let others: Vec<Option<RecordedWith>> =
        (0..heard.len()).map(|own| company::facts(own, &heard, (&alignments, key.as_ref()))).collect();
    let broke = || Err("measuring the close recordings broke down; this is a mistake in the program".to_owned());
    let beside = |own: usize| {
        let company = || Ok(close_company::company(own, &heard, &alignments, stop));
        guarded(&heard[own].job, company).unwrap_or_else(|_| broke())
    };
    let close: Vec<Result<Option<Company>, String>> = (0..heard.len()).map(beside).collect();
    if stop.load(std::sync::atomic::Ordering::Relaxed) {
        heard.iter().for_each(|tape| finish(&tape.job, TapeOutcome::Stopped, observer, &mut outcomes));
        return outcomes;
    }
    let granted: Vec<Vec<String>> =
        (0..heard.len()).map(|own| recognise::assumptions(own, &heard, &alignments)).collect();
    for (((tape, others), granted), close) in heard.into_iter().zip(others).zip(granted).zip(close) {
        let job = tape.job;
        let outcome = guarded(&job, || Ok(compose_and_write(tape, (others, granted, close), out)));
        finish(&job, outcome.unwrap_or_else(|outcome| outcome), observer, &mut outcomes);
    }
    outcomes
}

fn finish(job: &Job, outcome: TapeOutcome, observer: &dyn Observer, outcomes: &mut Vec<TapeOutcome>) {
    ease::give_back();
    observer.finished(job.index, &outcome);
    outcomes.push(outcome);
}

fn hear_all<'a>(
    jobs: &[Job<'a>],
    stop: &AtomicBool,
    observer: &dyn Observer,
    outcomes: &mut Vec<TapeOutcome>,
) -> Vec<Heard<'a>> {
    let mut heard = Vec::new();
    for job in jobs {
        observer.started(job.index);
        let progress = |share: f64| observer.progressed(job.index, share);
        // A mistake of ours in one tape must not take the others with it.
        match guarded(job, || hear(job, stop, &progress)) {
            Ok(tape) => heard.push(tape),
            Err(outcome) => finish(job, outcome, observer, outcomes),
        }
    }
    heard
}

fn guarded<T>(job: &Job, work: impl FnOnce() -> Result<T, TapeOutcome>) -> Result<T, TapeOutcome> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        let name = if let Look::Ready(tape) = job.look { tape.file_name.as_str() } else { "" };
        Err(broke_down(name))
    })
}

/// Does the report of an earlier run still hold?
fn is_unchanged(job: &Job, company: Option<&str>) -> bool {
    let (Look::Ready(tape), Some(target)) = (job.look, job.target) else { return false };
    let (methods, program) =
        (methods::methods(job.options.target.as_ref(), job.options.mic_curve.as_ref()), methods::program());
    let sheet = job.sheet.map(sheets::sheet_facts);
    let expected = Expected {
        content_hash: &tape.content_hash,
        methods: &methods,
        program: &program,
        pictures: &chart::PICTURES,
        company,
        sheet: sheet.as_ref(),
    };
    report::is_current(target, &expected)
}

/// Streams one tape through all meters.
fn hear<'a>(job: &Job<'a>, stop: &AtomicBool, progress: &dyn Fn(f64)) -> Result<Heard<'a>, TapeOutcome> {
    let (looked, target) = match (job.look, job.target) {
        (Look::Ready(tape), Some(target)) => (tape, target),
        (Look::Failed(failure), _) => return Err(failed(failure.clone())),
        (Look::Ready(_) | Look::Stopped, _) => return Err(TapeOutcome::Stopped),
    };
    let tape = Tape::open_hashed(&looked.source, looked.content_hash.clone()).map_err(|e| failed(e.into()))?;
    let mut tape = tape.only(&close_company::room_channels(job.sheet));
    let declared_s = tape.info().declared_frames.map(|f| f as f64 / f64::from(tape.info().sample_rate_hz));
    let mut report_share = |done_s: f64| {
        if let Some(total_s) = declared_s.filter(|t| *t > 0.0) {
            progress(done_s / total_s);
        }
    };
    match stream::measure(&mut tape, stop, &mut report_share) {
        Ok((readings, summary)) => {
            ease::give_back();
            looked.stamp.check(&looked.source).map_err(|error| failed(error.into()))?;
            Ok(Heard { job: *job, info: tape.info().clone(), readings, looked, alone: None, target, summary })
        }
        Err(StreamError::Stopped) => Err(TapeOutcome::Stopped),
        Err(StreamError::Tape(error)) => Err(failed(error.into())),
        Err(StreamError::Meter) => Err(broke_down(&looked.file_name)),
    }
}

fn compose_and_write(
    tape: Heard,
    (others, granted, close): (Option<RecordedWith>, Vec<String>, Result<Option<Company>, String>),
    out: &OutFolder,
) -> TapeOutcome {
    let Heard { job, info, readings, looked, alone: _, target, summary } = tape;
    let scratch = Arc::clone(&readings.scratch);
    let measured = compose::measured(&info, &looked.source, job.options, (job.sheet, close), (readings, summary));
    let found = findings::with_low_end(findings::find(&measured.finding_inputs()), &measured.low_end_inputs());
    let (mut report, curves) = compose::report(&measured, &found);
    report.assumed.extend(granted);
    report.recorded_with = others;
    let notes = measured.notes().to_vec();
    // Drawing needs room.
    drop((found, measured));
    ease::give_back();
    if let Err(error) = scratch.check() {
        return failed(error.into());
    }
    match write(out, target, &report, &curves) {
        Ok(()) => TapeOutcome::Reviewed(TapeLine { notes, ..line(&report, target) }),
        Err(error) => {
            let hint = error.hint().map(str::to_owned);
            failed(Failure { message: format!("{}: {error}", looked.file_name), hint })
        }
    }
}

fn write(out: &OutFolder, target: &Path, report: &Report, curves: &report::Curves) -> Result<(), PipelineError> {
    let draft = out.begin(target)?;
    let report = report::as_stored(&draft, report)?;
    chart::write_all(&report, curves, &draft)?;
    report::write_report(&draft, &report, curves)?;
    out.commit(&draft, target)?;
    Ok(())
}

fn line(report: &Report, target: &Path) -> TapeLine {
    let loudest = report.takes.iter().filter_map(|t| t.loudness.integrated_lufs.value).max_by(f64::total_cmp);
    TapeLine {
        duration_s: report.tape.duration_s,
        takes: report.takes.len(),
        playing_percent: report.time_use.playing_percent(),
        integrated_lufs: loudest,
        low_end_excess_db: report.balance.low_end_excess_db.value,
        page: target.join(chart::PAGE_FILE),
        notes: Vec::new(),
    }
}

/// A tape that was not measured.
pub fn failed(failure: Failure) -> TapeOutcome {
    TapeOutcome::Failed { message: failure.message, hint: failure.hint }
}

/// What is said of a tape at which one of our own meters broke down.
pub fn broke_down(file_name: &str) -> TapeOutcome {
    failed(Failure {
        message: format!("{file_name}: measuring broke down; this is a mistake in the program, not in the tape"),
        hint: Some("the other tapes are not affected; please report it with the tape's kind and length".to_owned()),
    })
}
