//! The invented demo band: a synthesiser with known truth.
//!
//! [`season`] names the rehearsals that `demo` makes; [`render`] turns any [`scenario::Scenario`] into samples and
//! [`truth::DemoTruth`]. Tests of every room write short scenarios of their own.
//!
//! # Conventions
//! No files are touched here: the caller writes [`DemoTape`] with [`crate::tape::write_wav`] (see [`wav_spec`]) and the truth
//! with [`truth::DemoTruth::to_json`]. Times are those at the microphones.
//!
//! # Limits
//! Players stand still, the room is a shoebox, nobody plays a wrong note, and horns do not slur from note to note.

mod convolve;
mod eq;
mod meter;
mod recorder;
mod render;
pub(crate) mod rng;
mod room;
pub mod scenario;
mod score;
mod source;
pub mod truth;
mod usual;
mod voice;
mod weeks;

pub use render::{DemoTape, RenderOptions, Stem, render, render_with};
pub use weeks::{BAND, CHART_BLUES, CHART_SLOW, season};

use crate::tape::write_wav::{WavDate, WavSample, WavSpec};
use scenario::Scenario;

/// What the WAV file of a scenario looks like: 16 bit when the recorder has 16 bits, else 24 bit or float, dated.
pub fn wav_spec(scenario: &Scenario) -> WavSpec {
    let date = scenario.recorded_at.as_ref().map(|(date, time)| WavDate {
        date: date.clone(),
        time: time.clone(),
        originator: "invented demo band".to_owned(),
        description: format!("{BAND}, rehearsal (synthesised)"),
    });
    WavSpec {
        channels: if scenario.room.stereo { 2 } else { 1 },
        sample_rate_hz: scenario.sample_rate_hz,
        sample: match scenario.recorder.bits {
            Some(0..=16) => WavSample::Pcm16,
            Some(_) => WavSample::Pcm24,
            None => WavSample::Float32,
        },
        date,
        marks: Vec::new(),
    }
}
