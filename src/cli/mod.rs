//! Arguments, progress and the words of messages and hints; one file a command.
//!
//! Conventions: stdout carries only data that was asked for (`schema`); progress and messages go to stderr and are plain
//! when it is not a terminal. Exit codes: 0 everything measured; 1 finished, but not for every tape; 2 nothing done.

mod demo;
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
    /// The festival that the band is on its way to; not an argument.
    #[arg(skip)]
    festival: Option<crate::season::FestivalPlan>,
}

/// Runs the program with the process's own arguments.
pub fn run() -> ExitCode {
    let code = match Arguments::parse().command {
        Command::Review { paths, work } => review::run(&paths, &work),
        Command::Season { out } => season::run(&out),
        Command::Demo { dir, out, jobs } => demo::run(
            &dir,
            &Work { out, jobs, again: false, target: None, festival: Some(crate::pipeline::demo_festival()) },
        ),
        Command::Reference { paths, name, into, jobs } => reference::run(&paths, &name, &into, jobs),
        Command::Sheet { dir } => sheet::run(&dir),
        Command::Schema { name } => schema::run(name.as_deref()),
    };
    ExitCode::from(code)
}
