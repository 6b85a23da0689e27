//! From recordings that the director admires to a target file.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use super::plan::{self, Look, LookedInto};
use super::stream::{self, StreamError};
use super::tape_job::{broke_down, failed};
use super::{Observer, PipelineError, PlannedTape, TapeOutcome, compose, in_parallel};
use crate::measure::balance::{self, Admired, Balance};
use crate::measure::tone::{FEWEST_FOR_LOW, NOTES, NoteSpectrum, median_spectrum};
use crate::report::{self, TargetFile, TargetRecording};
use crate::stats::median;
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
    /// The recordings are the band's own, with the same bass and amplifier: the bass's notes are kept too.
    pub own: bool,
    /// The recordings were close to this player.
    pub close_to: Option<String>,
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
    notes: NoteSpectrum,
    /// Share of the bass in the low end.
    bass_share: Option<f64>,
    /// Name of the folder inside the given one.
    style: Option<String>,
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
        let heard = hear(&looked, stop, &|share| observer.progressed(index, share))
            .map(|h| Heard { style: style_of(paths, &looked), ..h });
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
    let mut learnt = balance::learn(&options.name, &admired)?;
    if options.own {
        let spectra: Vec<NoteSpectrum> = playing.iter().map(|(_, h)| h.notes.clone()).collect();
        let middle = median_spectrum(&spectra);
        let enough = |i: usize| middle.level_dbfs[i].filter(|_| middle.n[i] >= FEWEST_FOR_LOW);
        learnt.target.own_bass_db = (0..NOTES).map(enough).collect();
        learnt.target.own_all_db = middle.all_dbfs.to_vec();
        learnt.target.own_bass_share = median(&playing.iter().filter_map(|(_, h)| h.bass_share).collect::<Vec<_>>());
    }
    learnt.target.close_to.clone_from(&options.close_to);
    let mut file = TargetFile::new(&learnt, balance::METHOD, playing.iter().map(recording).collect());
    add_styles(&mut file, options, &playing)?;
    let path = report::write_target(&options.into, &file)?;
    Ok(LearnOutcome { path, file, failed, silent: silent.into_iter().map(|(t, _)| t.file_name).collect() })
}

/// The target at `path_or_name`, looked for under `folder` when it is no file.
///
/// # Errors
/// When it is neither, or is no target.
pub fn find_target(path_or_name: &Path, style: Option<&str>, folder: &Path) -> Result<balance::Target, PipelineError> {
    let file = report::read_target(path_or_name, folder)?;
    if let Some(player) = &file.close_to {
        return Err(PipelineError::CloseTarget { target: file.name.clone(), player: player.clone() });
    }
    let Some(style) = style else { return Ok(file.target()) };
    file.target_of_style(style)
        .ok_or_else(|| PipelineError::NoStyle { target: file.name.clone(), style: style.to_owned() })
}

/// The target for recordings close to a player, at `path_or_name`.
///
/// # Errors
/// When it is no target, or one of the whole band.
pub fn find_close_target(path_or_name: &Path, folder: &Path) -> Result<balance::Target, PipelineError> {
    let file = report::read_target(path_or_name, folder)?;
    if file.close_to.is_none() {
        return Err(PipelineError::BandTarget { target: file.name });
    }
    Ok(file.target())
}

/// The first folder of the recording's path below the given one: the style, when the recordings are sorted by style.
fn style_of(paths: &[PathBuf], looked: &Look) -> Option<String> {
    let Look::Ready(tape) = looked else { return None };
    let file = tape.source.pieces.first()?;
    let below = paths.iter().find_map(|p| file.strip_prefix(p).ok())?;
    let mut parts = below.components();
    let first = parts.next()?;
    parts.next().map(|_| first.as_os_str().to_string_lossy().into_owned())
}

/// A target for every folder of recordings, where there are folders.
fn add_styles(
    file: &mut TargetFile,
    options: &LearnOptions,
    playing: &[(LookedInto, Heard)],
) -> Result<(), PipelineError> {
    let styles: std::collections::BTreeSet<&String> = playing.iter().filter_map(|(_, h)| h.style.as_ref()).collect();
    for style in styles {
        let of: Vec<&(LookedInto, Heard)> = playing.iter().filter(|(_, h)| h.style.as_ref() == Some(style)).collect();
        let admired: Vec<Admired> =
            of.iter().map(|(t, h)| Admired { name: t.file_name.clone(), balance: h.balance.clone() }).collect();
        // A style whose recordings hear no low end has no target of its own.
        match balance::learn(&options.name, &admired) {
            Ok(learnt) => file.add_style(style, &learnt, of.iter().map(|(t, _)| t.file_name.clone()).collect()),
            Err(balance::LearnError::NothingHeard) => {}
        }
    }
    Ok(())
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
            let (notes, bass_share) = compose::bass_of_playing(&readings);
            readings.scratch.check().map_err(|e| failed(e.into()))?;
            Ok(Heard { balance, playing_s, notes, bass_share, style: None })
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
