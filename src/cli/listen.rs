//! `ledgerline listen`: excerpts for the ears.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::review::stop_on_interrupt;
use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, reference::FOLDER, words};
use crate::pipeline::{self, ListenOptions, ListenOutcome, PipelineError, ReviewOptions};
use crate::units::seconds_to_clock;

/// Most that a control may be turned by hand, dB.
const MOST_DB: f64 = 15.0;

/// Writes the excerpts of `tape`; the exit code.
/// `tried_db`: changes of low, mid, high and level to try instead of the advice.
pub fn run(tape: &Path, out: &Path, target: Option<&Path>, tried_db: [Option<f64>; 4]) -> u8 {
    let names = ["--low", "--mid", "--high", "--level"];
    let beyond = |db: Option<f64>| db.is_some_and(|db| !db.is_finite() || db.abs() > MOST_DB);
    if let Some((name, _)) = names.iter().zip(tried_db).find(|(_, db)| beyond(*db)) {
        words::print_error(&format!("{name} lies beyond 15 dB either way"), Some("no tone control reaches further"));
        return EXIT_NOTHING_DONE;
    }
    let stop = Arc::new(AtomicBool::new(false));
    stop_on_interrupt(&stop);
    match listened(tape, out, target, tried_db, &stop) {
        Ok(outcome) => {
            lines(&outcome).iter().for_each(|line| words::say(line));
            EXIT_ALL_MEASURED
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            EXIT_NOTHING_DONE
        }
    }
}

fn listened(
    tape: &Path,
    out: &Path,
    target: Option<&Path>,
    tried_db: [Option<f64>; 4],
    stop: &AtomicBool,
) -> Result<ListenOutcome, PipelineError> {
    let target = target.map(|t| pipeline::find_target(t, None, Path::new(FOLDER))).transpose()?;
    let review = ReviewOptions {
        out: out.to_owned(),
        jobs: 1,
        again: true,
        target,
        mic_curve: None,
        bass_amp: pipeline::AmpCorners::default(),
        guitar_amp: pipeline::AmpCorners::default(),
        close_targets: Vec::new(),
        festival: None,
    };
    pipeline::listen(tape, &ListenOptions { out: out.to_owned(), review, tried_db }, stop)
}

fn lines(outcome: &ListenOutcome) -> Vec<String> {
    let mut lines = vec![format!(
        "as recorded, {} to {}: {}",
        seconds_to_clock(outcome.start_s),
        seconds_to_clock(outcome.end_s),
        outcome.as_recorded.display()
    )];
    let Some(changed) = &outcome.changed else {
        lines.push("no change of the bass amplifier is advised; --low, --mid, --high and --level try one".to_owned());
        return lines;
    };
    lines.push(format!("bass layer alone changed ({}): {}", outcome.change, changed.display()));
    if let (Some(promised), Some(shown)) = (outcome.promised_db, outcome.shown_db) {
        lines.push(format!("low end against middle: promised {promised:+.1} dB, the second file shows {shown:+.1} dB"));
    }
    if let ([a, b], [p, q]) = (&outcome.lufs[..], &outcome.true_peak_dbtp[..]) {
        lines.push(format!("loudness {a:.2} and {b:.2} LUFS, true peaks {p:.1} and {q:.1} dBTP"));
    }
    lines.push("a starting point for ears in the room: small steps, one knob at a time".to_owned());
    lines
}
