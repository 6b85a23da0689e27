//! Arguments, progress and the words of messages and hints; one file a command.
//!
//! Conventions: stdout carries only data that was asked for (`schema`); progress and messages go to stderr and are plain
//! when it is not a terminal. Exit codes: 0 everything measured; 1 finished, but not for every tape; 2 nothing done.

mod compare;
mod demo;
mod listen;
mod progress;
mod reference;
mod review;
mod schema;
mod season;
mod sheet;
mod words;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Everything was measured.
const EXIT_ALL_MEASURED: u8 = 0;
/// Finished, but some tapes were not measured.
const EXIT_SOME_NOT: u8 = 1;
/// Nothing was done: usage, no input, cannot write.
const EXIT_NOTHING_DONE: u8 = 2;

#[derive(Parser)]
#[command(
    name = "ledgerline",
    version,
    about = "Measure recordings of band rehearsals: charts and reports from a folder of tapes"
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Measure every tape under the given files and folders, then bring the season up to date
    Review {
        /// Tapes, or folders with tapes
        #[arg(required = true)]
        paths: Vec<PathBuf>,
        #[command(flatten)]
        work: Work,
    },
    /// Redraw the season from the reports alone
    Season {
        /// Folder that holds the report folders
        #[arg(long, default_value = "reports")]
        out: PathBuf,
    },
    /// Learn a target balance from recordings that the director admires
    Reference {
        /// Recordings, or folders with recordings
        #[arg(required = true)]
        paths: Vec<PathBuf>,
        /// Name of the target
        #[arg(long)]
        name: String,
        /// Folder for the target file
        #[arg(long, default_value = reference::FOLDER)]
        into: PathBuf,
        /// Recordings measured at the same time (default: half the processor cores)
        #[arg(long, value_parser = clap::value_parser!(u16).range(1..=256))]
        jobs: Option<u16>,
        /// The recordings are our own, with the same bass and amplifier: the bass's notes are learnt too
        #[arg(long)]
        own: bool,
        /// The recordings were made close to this player, with the same instrument and amplifier
        #[arg(long, value_parser = ["bass", "guitar"])]
        close_to: Option<String>,
    },
    /// Write excerpts of a tape to listen to: as recorded, and with the advised change of the bass, equally loud
    Listen {
        /// The tape
        tape: PathBuf,
        /// Folder for the two WAV files
        #[arg(long, default_value = "listen")]
        out: PathBuf,
        /// Hold the tape against this target: a file, or a name learnt by `reference`
        #[arg(long)]
        target: Option<PathBuf>,
        /// Try this change of the bass amplifier's low control instead of the advice, dB
        #[arg(long, allow_hyphen_values = true)]
        low: Option<f64>,
        /// Of its mid control
        #[arg(long, allow_hyphen_values = true)]
        mid: Option<f64>,
        /// Of its high control
        #[arg(long, allow_hyphen_values = true)]
        high: Option<f64>,
        /// Of its level
        #[arg(long, allow_hyphen_values = true)]
        level: Option<f64>,
    },
    /// Compare two reviewed tapes, takes or dates: what changed, and is it more than noise
    Compare {
        /// A report folder, one of its takes (FOLDER#2), or a date (2026-03-12) under --out
        a: String,
        /// The same, to be held against the first
        b: String,
        /// Folder that holds the report folders
        #[arg(long, default_value = "reports")]
        out: PathBuf,
        /// Print JSON instead of a table
        #[arg(long)]
        json: bool,
    },
    /// Make the invented demo band's tapes and review them
    Demo {
        /// Folder for the demo tapes
        #[arg(default_value = "demo-band")]
        dir: PathBuf,
        /// Folder for the report folders
        #[arg(long, default_value = "reports/demo")]
        out: PathBuf,
        /// Tapes measured at the same time (default: half the processor cores)
        #[arg(long, value_parser = clap::value_parser!(u16).range(1..=256))]
        jobs: Option<u16>,
    },
    /// Write a commented band sheet to begin with; an existing one stays as it is
    Sheet {
        /// Folder for the sheet: the one that holds the tapes
        #[arg(default_value = ".")]
        dir: PathBuf,
    },
    /// Print the JSON Schema of a file that this program writes or reads
    Schema {
        /// Which file; without it, the names are listed
        name: Option<String>,
    },
}

/// Options that all measuring commands share.
#[derive(clap::Args)]
struct Work {
    /// Folder for the report folders; made when it does not exist
    #[arg(long, default_value = "reports")]
    out: PathBuf,
    /// Tapes measured at the same time (default: half the processor cores)
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=256))]
    jobs: Option<u16>,
    /// Measure again even when a tape and the methods are unchanged
    #[arg(long)]
    again: bool,
    /// Compare the balance with this target: a file, or a name learnt by `reference`
    #[arg(long)]
    target: Option<PathBuf>,
    /// Compare recordings that the sheet calls close to a player with this target, learnt with `reference --close-to`
    #[arg(long)]
    close_target: Vec<PathBuf>,
    /// The festival that the band is on its way to; not an argument.
    #[arg(skip)]
    festival: Option<crate::season::FestivalPlan>,
    /// Use the target's part for this style: the name of a folder that it was learnt from
    #[arg(long, requires = "target")]
    style: Option<String>,
    /// Take away this response of the microphone: a text file of `frequency_hz dB` lines
    #[arg(long)]
    mic_curve: Option<PathBuf>,
}

/// Runs the program with the process's own arguments; `give_memory_back` hands what is free back to the system.
pub fn run(give_memory_back: fn()) -> ExitCode {
    crate::pipeline::give_back_by(give_memory_back);
    let code = match Arguments::parse().command {
        Command::Review { paths, work } => review::run(&paths, &work),
        Command::Season { out } => season::run(&out),
        Command::Demo { dir, out, jobs } => {
            let festival = Some(crate::pipeline::demo_festival());
            let work = Work {
                out,
                jobs,
                again: false,
                target: None,
                close_target: Vec::new(),
                festival,
                style: None,
                mic_curve: None,
            };
            demo::run(&dir, &work)
        }
        Command::Reference { paths, name, into, jobs, own, close_to } => {
            reference::run(&paths, &name, &into, jobs, own, close_to)
        }
        Command::Listen { tape, out, target, low, mid, high, level } => {
            listen::run(&tape, &out, target.as_deref(), [low, mid, high, level])
        }
        Command::Compare { a, b, out, json } => compare::run(&a, &b, &out, json),
        Command::Sheet { dir } => sheet::run(&dir),
        Command::Schema { name } => schema::run(name.as_deref()),
    };
    ExitCode::from(code)
}
