//! Arithmetic on samples: blocks, streaming spectra, filters, peaks, third-octave bands. No music, no files, no clock.
//!
//! Conventions: samples are `f32`, full scale = 1.0; a frame is one sample per channel; power is mean square.

pub mod bands;
pub mod block;
pub mod column;
pub mod correlate;
pub mod decimate;
pub mod dense;
pub mod erb;
pub mod filters;
pub mod fitted;
pub mod jackknife;
pub mod lanes;
pub mod layer_filter;
pub mod level_code;
pub mod logarithm;
pub mod masks;
pub mod paired;
pub mod partials;
pub mod peaks;
pub mod phasors;
pub mod placer;
pub mod pulse;
pub mod resample;
pub mod rows;
pub mod shelf;
pub mod smooth;
pub mod spectrum;
pub mod true_peak;
pub mod weighting;
pub mod whose;

pub use block::{ANALYSIS_RATE_HZ, Block, Meter};
pub use resample::Resampler;
pub use spectrum::{Framing, PowerFrame, SpectrumStream};
