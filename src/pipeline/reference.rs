//! From recordings that the director admires to a target file.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use super::plan::{self, Look, LookedInto};
use super::stream::{self, StreamError};
use super::tape_job::{broke_down, failed};
use super::{Observer, PipelineError, PlannedTape, TapeOutcome, compose, in_parallel};
use crate::measure::balance::{self, Admired, Balance};
use crate::report::{self, TargetFile, TargetRecording};
use crate::tape::Tape;

/// What a target is learnt from and where it is put.
#[derive(Clone, Debug)]
pub struct LearnOptions {
    /// Name that the director gives.
    pub name: String,
    /// Folder for the target file.
    pub into: PathBuf,
    /// Recordings measured at the same time.
    pub jobs: usize,
}

/// A target that was learnt.
#[derive(Clone, Debug)]
pub struct LearnOutcome {
    /// The file.
    pub path: PathBuf,
    /// What stands in it.
    pub file: TargetFile,
    /// Recordings that could not be measured.
    pub failed: usize,
    /// Recordings in which no playing was found.
    pub silent: Vec<String>,
}

/// One recording as it was measured.
struct Heard {
    balance: Balance,
    playing_s: f64,
}

/// Learns a target from every recording under `paths` and writes it.
///
/// # Errors
/// No recording found, nothing heard in any of them, stopped on request, or a folder that cannot be written to.
pub fn learn_target(
    paths: &[PathBuf],
    options: &LearnOptions,
    observer: &dyn Observer,
    stop: &AtomicBool,
) -> Result<LearnOutcome, PipelineError> {
    let found = plan::find_tapes(paths)?;
    observer.planned(&found.iter().map(|f| PlannedTape { name: f.name.clone() }).collect::<Vec<_>>());
    let heard = in_parallel(&found, options.jobs, |index, tape| {
        observer.started(index);
        let looked = plan::look_into(tape, stop);
        let heard = hear(&looked, stop, &|share| observer.progressed(index, share));
        observer.finished(index, &outcome_of(&heard));
        if let (Look::Ready(tape), Ok(heard)) = (looked, heard) { Some((tape, heard)) } else { None }
    });
    if stop.load(std::sync::atomic::Ordering::Relaxed) {
        return Err(PipelineError::Stopped);
    }
    let failed = heard.iter().filter(|h| h.is_none()).count();
    let (playing, silent): (Vec<_>, Vec<_>) = heard.into_iter().flatten().partition(|(_, h)| h.playing_s > 0.0);
    let admired: Vec<Admired> =
        playing.iter().map(|(t, h)| Admired { name: t.file_name.clone(), balance: h.balance.clone() }).collect();
    let learnt = balance::learn(&options.name, &admired)?;
    let file = TargetFile::new(&learnt, balance::METHOD, playing.iter().map(recording).collect());
    let path = report::write_target(&options.into, &file)?;
    Ok(LearnOutcome { path, file, failed, silent: silent.into_iter().map(|(t, _)| t.file_name).collect() })
}

/// The target at `path_or_name`, looked for under `folder` when it is no file.
///
/// # Errors
/// When it is neither, or is no target.
pub fn find_target(path_or_name: &Path, folder: &Path) -> Result<balance::Target, PipelineError> {
    Ok(report::read_target(path_or_name, folder)?.target())
}

fn hear(looked: &Look, stop: &AtomicBool, progress: &dyn Fn(f64)) -> Result<Heard, TapeOutcome> {
    let looked = match looked {
        Look::Ready(tape) => tape,
        Look::Failed(failure) => return Err(failed(failure.clone())),
        Look::Stopped => return Err(TapeOutcome::Stopped),
    };
    let mut tape = Tape::open_hashed(&looked.source, looked.content_hash.clone()).map_err(|e| failed(e.into()))?;
    let declared_s = tape.info().declared_frames.map(|f| f as f64 / f64::from(tape.info().sample_rate_hz));
    let mut share = |done_s: f64| {
        if let Some(total_s) = declared_s.filter(|t| *t > 0.0) {
            progress(done_s / total_s);
        }
    };
    match stream::measure(&mut tape, stop, &mut share) {
        Ok((readings, _)) => {
            let (balance, playing_s) = compose::balance_of_playing(&readings);
            Ok(Heard { balance, playing_s })
        }
        Err(StreamError::Stopped) => Err(TapeOutcome::Stopped),
        Err(StreamError::Tape(error)) => Err(failed(error.into())),
        Err(StreamError::Meter) => Err(broke_down(&looked.file_name)),
    }
}

/// The line that the observer shows.
fn outcome_of(heard: &Result<Heard, TapeOutcome>) -> TapeOutcome {
    match heard {
        Ok(_) => TapeOutcome::Heard,
        Err(outcome) => outcome.clone(),
    }
}

fn recording((tape, heard): &(LookedInto, Heard)) -> TargetRecording {
    TargetRecording {
        file_name: tape.file_name.clone(),
        content_hash: tape.content_hash.clone(),
        playing_s: heard.playing_s,
        low_re_mid_db: heard.balance.low_re_mid_db.value,
        odd: false,
    }
}
