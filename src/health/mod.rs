//! What a recording can be trusted for: clipping, gain riding, hum, bandwidth, noise, dead channels, DC.
//!
//! Conventions: every field is a [`Measured`]; `trusted_for` is the verdict that other rooms ask for.

pub mod clipping;
mod cut_tail;
pub mod hum;
pub mod levels;
mod low_cut;
mod over_talk;
pub mod riding;
pub mod spectrum;
mod verdict;

use std::sync::Arc;

use crate::dsp::shelf::Shelf;
use crate::dsp::{Block, Meter};
use crate::stats::Measured;

/// Changes whenever a number of this room may move.
pub const METHOD: &str = "health-3";

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
    /// The highest sample comes within 0.3 dB of full scale or passes it (a codec overshoots): the recorder, or whatever
    /// made the file, may have been overloaded there, also where no rail shows.
    pub reaches_full_scale: bool,
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

/// Listens to the recording chain while the tape runs by.
#[derive(Clone, Default)]
pub struct HealthMeter {
    sample_rate_hz: u32,
    clipping: clipping::ClippingMeter,
    levels: levels::LevelMeter,
    riding: riding::RidingMeter,
    hum: hum::HumMeter,
    bandwidth: spectrum::BandwidthMeter,
}

impl HealthMeter {
    /// A meter at rest that keeps what it can on a shelf.
    pub fn on(shelf: Option<Arc<dyn Shelf>>) -> Self {
        Self { riding: riding::RidingMeter::on(shelf), ..Self::default() }
    }
}

impl Meter for HealthMeter {
    type Reading = HealthReading;

    fn push(&mut self, block: &Block) {
        self.sample_rate_hz = block.sample_rate_hz;
        self.clipping.push(block);
        self.levels.push(block);
        for spectrum in &block.long_spectra {
            self.riding.push(spectrum);
            // Histograms over the tape gain nothing from neighbours that share three quarters of their samples.
            if spectrum.index % 2 == 0 {
                self.hum.push(spectrum);
            }
            if spectrum.index % 4 == 0 {
                self.bandwidth.push(spectrum);
            }
        }
    }

    fn finish(mut self) -> HealthReading {
        self.levels.end();
        HealthReading(self)
    }
}

/// What was heard of the recording chain.
pub struct HealthReading(HealthMeter);

impl HealthReading {
    /// The verdicts; `talk` and `takes` are the passages of those kinds, s: a recorder is judged by both too.
    pub fn judge(&self, talk: &[(f64, f64)], takes: &[(f64, f64)]) -> Health {
        let heard = &self.0;
        let silent = heard.levels.silent();
        let gain_riding = heard.riding.finish(talk, takes);
        let sounding = |reading: Measured| if silent { Measured::absent("digital_silence") } else { reading };
        let unset = || Trust { ok: false, reason: String::new() };
        let mut health = Health {
            noise_floor_dbfs: heard.levels.noise_floor(gain_riding.value == Some(true)),
            gain_riding,
            clipped_percent: heard.clipping.finish(),
            reaches_full_scale: heard.clipping.reaches_full_scale(),
            low_cut_hz: sounding(heard.bandwidth.low_cut()),
            high_cut_hz: sounding(heard.bandwidth.high_cut(heard.sample_rate_hz)),
            hum_hz: sounding(heard.hum.finish()),
            dc_offset: heard.levels.dc_offset(),
            dead_channels: heard.levels.dead_channels(),
            balance: unset(),
            low_end: unset(),
            loudness_over_time: unset(),
            tuning: unset(),
            time: unset(),
        };
        verdict::judge(&mut health, silent);
        health
    }
}
