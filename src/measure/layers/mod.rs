//! Layers of the band: how loud bass, drums, comping and horns are in one recording, over time and by part.
//!
//! Conventions: [`LayerMeter`] hears the shared spectra of the mono mix and keeps shares of the K-weighted power;
//! [`LayerReading::with_power`] joins them with the power of the recording's own channels into [`LayerPowers`]; levels are
//! the BS.1770 loudness that a layer alone would have at the microphone, its room included. [`find_parts`] cuts a take
//! where the playing changes. The network hears nothing of the tape's level.
//! Limits: an estimate from the mixture. A recorder that rides its gain or overloads changes the layers' levels as it
//! changes the band's; instruments unlike those of the training are told apart less well, which the intervals hold.

mod alone;
mod bands;
mod features;
mod hits;
mod interval;
mod meter;
mod network;
mod parts;
mod placed;
mod playing;
mod reading;
mod register;
mod stack;
mod start;
mod weights;

pub use alone::{heard_alone, hears_among_others};
pub use hits::Hits;
pub use meter::LayerMeter;
pub use network::{Answers, MaskStream, Network, SOURCES};
pub use parts::{BarGrid, FoundPart, find_parts};
pub use placed::{NotPlaced, Placed, Wanted, place_parts};
pub use reading::{CELL_S, LayerLevels, LayerPowers, LayerReading};
pub use start::music_starts_at;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "layers-9";

/// A layer of the band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layer {
    /// Bass.
    Bass,
    /// Drums.
    Drums,
    /// Guitar and keys.
    Comping,
    /// Horns and everything else sustained.
    Horns,
}

/// All layers, in the order of the report.
pub const LAYERS: [Layer; 4] = [Layer::Bass, Layer::Drums, Layer::Comping, Layer::Horns];
