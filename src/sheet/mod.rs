//! The band sheet: what the director knows of band, charts, recorders and room, written into a file beside the tapes.
//!
//! Conventions: the file is `band.toml` (TOML 1.1), every key optional. For each tape the nearest one holds: in the tape's
//! own folder, else in its parents, up to the folder that was named to the program; sheets are never merged. Types here are
//! plain data that the pipeline hands to the other rooms. Times inside a take are seconds from the take's start.
//! Limits: what a sheet says is a hint to the measures, never their answer. A key that cannot be understood is refused with
//! its line and column; the rest of the sheet holds, and the tape is measured all the same.

mod curve;
mod feel;
mod find;
mod for_tape;
mod keys;
mod parts;
mod problem;
mod quantity;
mod read;
mod sections;
mod starter;
mod table;
mod types;

pub use curve::{CurveError, read_curve, read_curve_file};
pub use feel::Feel;
pub use find::{LoadedSheet, SHEET_FILE, SheetFinder};
pub use for_tape::TapeSheet;
pub use keys::known_keys;
pub use problem::{Problem, SheetError};
pub use read::{Known, ReadSheet, read_sheet};
pub use starter::{STARTER, write_starter};
pub use types::{
    AmpChange, AmpCorners, Amps, Band, BandSheet, Chart, ChartPart, Extent, Festival, Goal, Instrument, Level,
    LevelReading, Microphone, Player, Players, Recording, Rehearsal,
};
