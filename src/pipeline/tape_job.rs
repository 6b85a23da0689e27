//! One tape from its files to its report folder.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::atomic::AtomicBool;

use super::error::PipelineError;
use super::plan::{Failure, Look, LookedInto};
use super::stream::{self, StreamError};
use super::{ReviewOptions, TapeLine, TapeOutcome, compose, methods};
use crate::chart;
use crate::findings;
use crate::report::{self, Expected, OutFolder, Report};
use crate::tape::Tape;

/// Measures one tape and writes its folder, unless the report of an earlier run still holds.
pub fn run(
    look: &Look,
    target: Option<&Path>,
    out: &OutFolder,
    options: &ReviewOptions,
    stop: &AtomicBool,
    progress: &dyn Fn(f64),
) -> TapeOutcome {
    let (tape, target) = match (look, target) {
        (Look::Ready(tape), Some(target)) => (tape, target),
        (Look::Failed(failure), _) => return failed(failure.clone()),
        (Look::Ready(_) | Look::Stopped, _) => return TapeOutcome::Stopped,
    };
    if !options.again && is_unchanged(tape, target, options) {
        return TapeOutcome::Unchanged { folder: target.to_owned() };
    }
    // A mistake of ours in one tape must not take the others with it.
    match catch_unwind(AssertUnwindSafe(|| measure_and_write(tape, target, out, options, stop, progress))) {
        Ok(outcome) => outcome,
        Err(_) => broke_down(&tape.file_name),
    }
}

fn is_unchanged(tape: &LookedInto, target: &Path, options: &ReviewOptions) -> bool {
    let (methods, program) =
        (methods::methods(options.target.as_ref(), options.mic_curve.as_ref()), methods::program());
    let expected =
        Expected { content_hash: &tape.content_hash, methods: &methods, program: &program, pictures: &chart::PICTURES };
    report::is_current(target, &expected)
}

fn measure_and_write(
    looked: &LookedInto,
    target: &Path,
    out: &OutFolder,
    options: &ReviewOptions,
    stop: &AtomicBool,
    progress: &dyn Fn(f64),
) -> TapeOutcome {
    let mut tape = match Tape::open_hashed(&looked.source, looked.content_hash.clone()) {
        Ok(tape) => tape,
        Err(error) => return failed(error.into()),
    };
    let declared_s = tape.info().declared_frames.map(|f| f as f64 / f64::from(tape.info().sample_rate_hz));
    let mut report_share = |done_s: f64| {
        if let Some(total_s) = declared_s.filter(|t| *t > 0.0) {
            progress(done_s / total_s);
        }
    };
    let measured = match stream::measure(&mut tape, stop, &mut report_share) {
        Ok(measured) => compose::measured(tape.info(), &looked.source, options, measured),
        Err(StreamError::Stopped) => return TapeOutcome::Stopped,
        Err(StreamError::Tape(error)) => return failed(error.into()),
        Err(StreamError::Meter) => return broke_down(&looked.file_name),
    };
    let found = findings::with_low_end(findings::find(&measured.finding_inputs()), &measured.low_end_inputs());
    let (report, curves) = compose::report(&measured, &found);
    match write(out, target, &report, &curves) {
        Ok(()) => TapeOutcome::Reviewed(line(&report, target)),
        Err(error) => {
            let hint = error.hint().map(str::to_owned);
            failed(Failure { message: format!("{}: {error}", looked.file_name), hint })
        }
    }
}

fn write(out: &OutFolder, target: &Path, report: &Report, curves: &report::Curves) -> Result<(), PipelineError> {
    let draft = out.begin(target)?;
    chart::write_all(report, curves, &draft)?;
    report::write_report(&draft, report, curves)?;
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
