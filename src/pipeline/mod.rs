//! The order of work for a folder of tapes; the only place that knows every room.
//!
//! Conventions: no arithmetic here; rooms are called in the order of the data flow. One bad tape never stops the folder.

mod beside;
mod chart_words;
mod close_company;
mod company;
mod compare;
mod compare_knob;
mod compose;
mod compose_close;
mod compose_layers;
mod compose_low_end;
mod compose_sheet;
mod compose_time;
mod compose_tuning;
mod demo_tapes;
mod ease;
mod error;
mod listen;
mod methods;
mod named_pages;
mod plan;
mod player_sheets;
mod recognise;
mod reference;
mod season;
mod season_low_end;
mod season_words;
mod sheet_wishes;
mod sheets;
mod stream;
mod tape_job;
mod titles;

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use crate::measure::balance::Target;
use crate::report::OutFolder;
use crate::season::FestivalPlan;

pub use crate::findings::AmpCorners;
pub use crate::measure::balance::MicCurve;

pub use compare::{CompareError, Compared, ComparedRow, compare};
pub use compare_knob::{KnobBack, knob_words};
pub use demo_tapes::{demo_festival, make_demo_tapes};
pub use ease::give_back_by;
pub use error::PipelineError;
pub use listen::{ListenOptions, ListenOutcome, listen};
pub use player_sheets::picture as sheet_picture;
pub use reference::{LearnOptions, LearnOutcome, find_close_target, find_target, learn_target};
pub use season::{SeasonOutcome, picture_of as season_picture, redraw_season, schemas};
pub use season_low_end::bass_changes as season_bass_changes;
pub use season_words::festival_picture;

/// What a review is asked to do.
#[derive(Clone, Debug)]
pub struct ReviewOptions {
    /// Folder for the report folders.
    pub out: PathBuf,
    /// Tapes measured at the same time, 1 or more; changes nothing in the results.
    pub jobs: usize,
    /// Measure again even what is unchanged.
    pub again: bool,
    /// What the balance is compared with; `None` for the published average.
    pub target: Option<Target>,
    /// The festival that the band is on its way to.
    pub festival: Option<FestivalPlan>,
    /// The response of the recorder's microphone, to be taken away.
    pub mic_curve: Option<MicCurve>,
    /// Corners of the bass amplifier's controls.
    pub bass_amp: AmpCorners,
    /// Corners of the guitar amplifier's controls.
    pub guitar_amp: AmpCorners,
    /// Targets for recordings close to a player, learnt from such recordings.
    pub close_targets: Vec<Target>,
}

/// A tape that is about to be measured.
#[derive(Clone, Debug)]
pub struct PlannedTape {
    /// Its file name.
    pub name: String,
}

/// What is said of a reviewed tape in one line.
#[derive(Clone, Debug)]
pub struct TapeLine {
    /// Length of the tape.
    pub duration_s: f64,
    /// Number of takes.
    pub takes: usize,
    /// Share of the tape that is takes.
    pub playing_percent: Option<f64>,
    /// Integrated loudness of the whole tape's takes together, the loudest take when there are several.
    pub integrated_lufs: Option<f64>,
    /// Low end over the takes against the target.
    pub low_end_excess_db: Option<f64>,
    /// The printed page.
    pub page: PathBuf,
    /// What of the band sheet could not be used on this tape, a line each.
    pub notes: Vec<String>,
}

/// How it went for one tape.
#[derive(Clone, Debug)]
pub enum TapeOutcome {
    /// Measured and written.
    Reviewed(TapeLine),
    /// The report of an earlier run still holds.
    Unchanged {
        /// Where that report is.
        folder: PathBuf,
    },
    /// Not measured.
    Failed {
        /// What went wrong, file first.
        message: String,
        /// What to do about it.
        hint: Option<String>,
    },
    /// Measured, with nothing written of it by itself.
    Heard,
    /// Somebody asked to stop before this tape was done.
    Stopped,
}

/// How it went for the folder.
#[derive(Clone, Debug, Default)]
pub struct ReviewOutcome {
    /// Tapes measured.
    pub reviewed: usize,
    /// Tapes whose reports still hold.
    pub unchanged: usize,
    /// Tapes that could not be measured.
    pub failed: usize,
    /// Stopped on request.
    pub interrupted: bool,
    /// What else the user should know, a line each.
    pub warnings: Vec<String>,
    /// The picture of the season, when it was drawn.
    pub season_picture: Option<PathBuf>,
}

/// Watches a review; calls come from several threads.
pub trait Observer: Sync {
    /// The tapes are known and about to be looked into.
    fn planned(&self, tapes: &[PlannedTape]);
    /// Work on a tape begins.
    fn started(&self, tape: usize);
    /// A tape is decoded up to this share, 0..=1.
    fn progressed(&self, tape: usize, share: f64);
    /// A tape is done, one way or the other.
    fn finished(&self, tape: usize, outcome: &TapeOutcome);
}

/// Measures every tape under `paths`, writes a report folder for each, and brings the season up to date.
///
/// # Errors
/// Only what keeps everything from being done: no tape found, or an out folder that cannot be written to. What happens to a
/// single tape is told to the observer and counted.
pub fn review(
    paths: &[PathBuf],
    options: &ReviewOptions,
    observer: &dyn Observer,
    stop: &AtomicBool,
) -> Result<ReviewOutcome, PipelineError> {
    let found = plan::find_tapes(paths)?;
    let out = OutFolder::open(&options.out)?;
    observer.planned(&found.iter().map(|f| PlannedTape { name: f.name.clone() }).collect::<Vec<_>>());
    let looked_into = in_parallel(&found, options.jobs, |_, tape| plan::look_into(tape, stop));
    let targets = plan::folders(&out, &looked_into)?;
    let (sheets, festival, sheet_warnings) = sheets::sheets_of(paths, &looked_into);
    let wished: Vec<ReviewOptions> = sheets.iter().map(|s| sheet_wishes::with_sheet(options, s.as_ref())).collect();
    let job = |at: usize| tape_job::Job {
        index: at,
        look: &looked_into[at],
        target: targets[at].as_deref(),
        sheet: sheets[at].as_ref(),
        options: &wished[at],
    };
    let groups: Vec<Vec<tape_job::Job>> =
        company::groups(&looked_into).into_iter().map(|group| group.into_iter().map(job).collect()).collect();
    let outcomes = in_parallel(&groups, options.jobs, |_, group| tape_job::run(group, &out, stop, observer));
    let outcomes: Vec<TapeOutcome> = outcomes.into_iter().flatten().collect();
    let mut total = counted(&outcomes);
    total.warnings.extend(sheet_warnings);
    total.interrupted = stop.load(Ordering::Relaxed);
    finish_season(&mut total, out.path(), options.festival.as_ref().or(festival.as_ref()))?;
    Ok(total)
}

fn counted(outcomes: &[TapeOutcome]) -> ReviewOutcome {
    let mut total = ReviewOutcome::default();
    for outcome in outcomes {
        match outcome {
            TapeOutcome::Reviewed(_) => total.reviewed += 1,
            TapeOutcome::Unchanged { .. } => total.unchanged += 1,
            TapeOutcome::Failed { .. } => total.failed += 1,
            TapeOutcome::Heard | TapeOutcome::Stopped => {}
        }
    }
    total
}

fn finish_season(total: &mut ReviewOutcome, out: &Path, plan: Option<&FestivalPlan>) -> Result<(), PipelineError> {
    if total.interrupted || total.reviewed + total.unchanged == 0 {
        return Ok(());
    }
    let season = season::write_season(out, plan)?;
    total.warnings.extend(season.warnings);
    total.season_picture = Some(season.picture);
    Ok(())
}

/// Calls `work` for every item on up to `jobs` threads; the results stand in the order of the items.
fn in_parallel<T: Sync, R: Send>(items: &[T], jobs: usize, work: impl Fn(usize, &T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    std::thread::scope(|threads| {
        for _ in 0..jobs.clamp(1, items.len().max(1)) {
            threads.spawn(|| {
                while let Some((index, item)) = {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    items.get(index).map(|item| (index, item))
                } {
                    let result = work(index, item);
                    done.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((index, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_stand_in_the_order_of_the_items_on_any_number_of_threads() {
        let items: Vec<u64> = (0..50).collect();
        for jobs in [1, 3, 64] {
            let squares = in_parallel(&items, jobs, |_, x| {
                std::thread::sleep(std::time::Duration::from_micros(50 - x));
                x * x
            });
            assert_eq!(squares, items.iter().map(|x| x * x).collect::<Vec<_>>());
        }
    }
}
