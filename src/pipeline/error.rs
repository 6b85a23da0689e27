//! What keeps a whole run from being done.

use std::path::PathBuf;

use crate::report::ReportError;

/// Nothing could be done.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// No file under the given paths is a tape.
    #[error("no tape found under {}", .paths.iter().map(|p| p.display().to_string()).collect::<Vec<_>>().join(", "))]
    NoTapes {
        /// What was searched.
        paths: Vec<PathBuf>,
    },
    /// The folder whose season is to be drawn is not there.
    #[error("{}: no such folder", path.display())]
    NoReports {
        /// The folder.
        path: PathBuf,
    },
    /// The out folder, or a file in it.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// A picture could not be made.
    #[error(transparent)]
    Chart(#[from] crate::chart::ChartError),
    /// No target could be learnt.
    #[error(transparent)]
    Learn(#[from] crate::measure::balance::LearnError),
    /// The festival plan cannot be used.
    #[error("{cause}")]
    Plan {
        /// Why.
        cause: crate::season::PlanError,
    },
    /// Nothing to listen to.
    #[error("{message}")]
    Listen {
        /// What went wrong, file first.
        message: String,
    },
    /// Two sides that cannot be compared at all.
    #[error(transparent)]
    Compare(#[from] super::CompareError),
    /// A target has no such style.
    #[error("target '{target}' has no style '{style}'")]
    NoStyle {
        /// Name of the target.
        target: String,
        /// Asked for.
        style: String,
    },
    /// A target of recordings close to a player, given for the band.
    #[error("target '{target}' was learnt from recordings close to the {player}")]
    CloseTarget {
        /// Name of the target.
        target: String,
        /// Who.
        player: String,
    },
    /// A target of the band, given for recordings close to a player.
    #[error("target '{target}' was not learnt from recordings close to a player")]
    BandTarget {
        /// Name of the target.
        target: String,
    },
    /// Somebody asked to stop.
    #[error("stopped; nothing was written")]
    Stopped,
    /// A demo tape could not be made.
    #[error("{}: cannot be made: {cause}", path.display())]
    Demo {
        /// The tape.
        path: PathBuf,
        /// Why.
        cause: String,
    },
}

impl PipelineError {
    /// What the reader can do about it, if anything is known.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::NoTapes { .. } => Some("give a folder with recordings, or the files themselves"),
            Self::NoReports { .. } => Some("give --out the folder that holds the report folders"),
            Self::Report(error) => error.hint(),
            Self::Learn(_) => Some("give recordings of whole pieces, made with a recorder that hears the bass"),
            Self::Plan { .. } => Some("look at [festival] in the band sheet"),
            Self::Compare(error) => error.hint(),
            Self::NoStyle { .. } => Some("styles are the names of the folders that the target was learnt from"),
            Self::CloseTarget { .. } => Some("give it with --close-target; --target is for recordings of the band"),
            Self::BandTarget { .. } => Some("learn one with reference --close-to bass; give this one with --target"),
            Self::Listen { .. } | Self::Chart(_) | Self::Demo { .. } | Self::Stopped => None,
        }
    }
}
