//! Progress on stderr: a bar a tape and one for the folder when it is a terminal, plain lines when it is not.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::Duration;

use indicatif::{HumanDuration, MultiProgress, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use super::words;
use crate::pipeline::{Observer, PlannedTape, TapeOutcome};

/// Steps of a bar; a tape's length is not always known to the second.
const BAR_STEPS: u64 = 1000;

/// Shows the work as it goes on.
pub struct Progress {
    bars: MultiProgress,
    terminal: bool,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    names: Vec<String>,
    tapes: Vec<Option<ProgressBar>>,
    shares: Vec<f64>,
    folder: Option<ProgressBar>,
}

impl Progress {
    /// Bars on a terminal, lines elsewhere.
    pub fn new() -> Self {
        let terminal = std::io::stderr().is_terminal();
        let target = if terminal { ProgressDrawTarget::stderr_with_hz(8) } else { ProgressDrawTarget::hidden() };
        Self { bars: MultiProgress::with_draw_target(target), terminal, state: Mutex::new(State::default()) }
    }

    fn line(&self, text: &str) {
        if self.terminal {
            // A terminal that went away must not end the work.
            let _ = self.bars.println(words::harmless(text));
        } else {
            words::say(text);
        }
    }

    fn bar(&self, template: &str, length: u64) -> ProgressBar {
        let style = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
        let style = style.with_key("left", time_left).progress_chars("=> ");
        let bar = self.bars.add(ProgressBar::new(length).with_style(style));
        bar.enable_steady_tick(Duration::from_millis(250));
        bar
    }

    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn advance_folder(state: &State) {
        if let Some(folder) = &state.folder {
            let done: f64 = state.shares.iter().sum();
            folder.set_position((done * BAR_STEPS as f64) as u64);
        }
    }
}

/// Nothing before there is anything to judge by: "0 s left" at the start would be a lie.
fn time_left(state: &ProgressState, out: &mut dyn std::fmt::Write) {
    if state.pos() > 0 {
        // A terminal that went away must not end the work.
        let _ = write!(out, "{:#} left", HumanDuration(state.eta()));
    }
}

impl Observer for Progress {
    fn planned(&self, tapes: &[PlannedTape]) {
        let folder = (tapes.len() > 1 && self.terminal).then(|| {
            let bar = self.bar("{msg:28} [{bar:24}] {percent:>3} %  {left}", BAR_STEPS * tapes.len() as u64);
            bar.set_message("all tapes");
            bar
        });
        *self.state() = State {
            names: tapes.iter().map(|t| t.name.clone()).collect(),
            tapes: tapes.iter().map(|_| None).collect(),
            shares: vec![0.0; tapes.len()],
            folder,
        };
    }

    fn started(&self, tape: usize) {
        if !self.terminal {
            return;
        }
        let name = self.state().names.get(tape).cloned().unwrap_or_default();
        let bar = self.bar("{msg:28} [{bar:24}] {percent:>3} %  {left}", BAR_STEPS);
        bar.set_message(words::shortened(&name, 28));
        if let Some(slot) = self.state().tapes.get_mut(tape) {
            *slot = Some(bar);
        }
    }

    fn progressed(&self, tape: usize, share: f64) {
        let mut state = self.state();
        if let Some(kept) = state.shares.get_mut(tape) {
            *kept = share.clamp(0.0, 1.0);
        }
        if let Some(Some(bar)) = state.tapes.get(tape) {
            bar.set_position((share.clamp(0.0, 1.0) * BAR_STEPS as f64) as u64);
        }
        Self::advance_folder(&state);
    }

    fn finished(&self, tape: usize, outcome: &TapeOutcome) {
        let (name, bar) = {
            let mut state = self.state();
            if let Some(kept) = state.shares.get_mut(tape) {
                *kept = 1.0;
            }
            Self::advance_folder(&state);
            let name = state.names.get(tape).cloned().unwrap_or_default();
            (name, state.tapes.get_mut(tape).and_then(Option::take))
        };
        if let Some(bar) = bar {
            bar.finish_and_clear();
        }
        self.line(&words::tape_line(&name, outcome));
    }
}
