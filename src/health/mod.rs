//! What a recording can be trusted for: clipping, gain riding, hum, bandwidth, noise, dead channels, DC.
//!
//! Conventions: every field is a [`Measured`]; `trusted_for` is the verdict that other rooms ask for.

use crate::stats::Measured;

/// May a family of measures be believed on this recording?
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trust {
    /// True when the family may be believed.
    pub ok: bool,
    /// Why not, or what to keep in mind; empty when all is well.
    pub reason: String,
}

/// The recording chain as heard in the recording.
#[derive(Clone, Debug)]
pub struct Health {
    /// The recorder turned its own level up and down.
    pub gain_riding: Measured<bool>,
    /// Share of frames that sit on a clipping rail, percent.
    pub clipped_percent: Measured,
    /// Where the recording stops hearing bass, Hz (-6 dB against the band above).
    pub low_cut_hz: Measured,
    /// Where the recording stops hearing treble, Hz.
    pub high_cut_hz: Measured,
    /// Mains hum frequency, 50 or 60 Hz; absent when there is none.
    pub hum_hz: Measured,
    /// Level of the quietest stretches, dBFS (mean square, full-scale sine = -3.01).
    pub noise_floor_dbfs: Measured,
    /// Offset of the waveform from zero, full scale = 1.0, the worst channel.
    pub dc_offset: Measured,
    /// Channels without signal beside channels with signal, counted from 1.
    pub dead_channels: Vec<u16>,
    /// Verdict for balance.
    pub balance: Trust,
    /// Verdict for the low end.
    pub low_end: Trust,
    /// Verdict for loudness over time.
    pub loudness_over_time: Trust,
    /// Verdict for tuning.
    pub tuning: Trust,
    /// Verdict for time.
    pub time: Trust,
}
