//! Time: beats, bars, tempo, steadiness, swing, and how drums and bass agree.

pub mod beats;
pub mod evidence;
pub mod features;
pub mod pulses;
pub mod strength;
pub mod tempo;
mod weights;

pub use features::{TimeFeatures, TimeMeter};
