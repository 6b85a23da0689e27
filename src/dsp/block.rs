//! The block that travels through all meters, and the trait that every meter implements.
//!
//! Conventions: `channels` hold the recording at its own rate, one `Vec` a channel, all of one length; `mono` holds the
//! mean of the channels resampled to [`ANALYSIS_RATE_HZ`]. The two run in step, but one block's `mono` need not cover
//! exactly the same time as its `channels`: use the start frames.

use super::spectrum::PowerFrame;

/// Rate of the mono mix that the spectral meters see, whatever the recording's own rate. All times of frames are exact
/// multiples of its period; a recording with less bandwidth simply has nothing in its upper bins.
pub const ANALYSIS_RATE_HZ: u32 = 48_000;

/// A stretch of the recording with all that the meters share.
#[derive(Clone, Debug, Default)]
pub struct Block {
    /// Index of the first frame of `channels`, counted from the start of the tape at `sample_rate_hz`.
    pub start_frame: u64,
    /// The recording's own sample rate.
    pub sample_rate_hz: u32,
    /// Samples at the recording's own rate, `[channel][frame]`.
    pub channels: Vec<Vec<f32>>,
    /// Index of the first sample of `mono`, counted from the start of the tape at [`ANALYSIS_RATE_HZ`].
    pub mono_start_frame: u64,
    /// Mean of the channels at [`ANALYSIS_RATE_HZ`].
    pub mono: Vec<f32>,
    /// Frames of [`SHORT_FRAMING`](super::spectrum::SHORT_FRAMING) that were completed by this block, in order.
    pub short_spectra: Vec<PowerFrame>,
    /// Frames of [`LONG_FRAMING`](super::spectrum::LONG_FRAMING) that were completed by this block, in order.
    pub long_spectra: Vec<PowerFrame>,
}

/// A measuring device: blocks in, one reading out. A meter keeps compact features only, never the samples; the same
/// blocks give the same reading on any thread, and cutting the tape into other block sizes changes nothing.
pub trait Meter {
    /// What the meter has to say at the end of the tape.
    type Reading;
    /// Takes the next block; blocks arrive in order and without holes.
    fn push(&mut self, block: &Block);
    /// The tape is over.
    fn finish(self) -> Self::Reading;
}
