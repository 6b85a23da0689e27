//! `ledgerline` measures recordings of school jazz-band rehearsals: how the period was spent, loudness, balance, tuning
//! and time, as PNG charts and JSON reports.
//!
//! # Conventions
//! Times are seconds from the start of the tape; spans are half-open. Samples are `f32`, full scale = 1.0; power is mean
//! square. Every measured number is a [`stats::Measured`]: a value with its 95 % interval, or nothing with a reason.
//!
//! # Rooms
//! Data flows one way: [`tape`] -> ([`health`], [`dsp`]) -> [`passages`] -> [`measure`] -> [`findings`] -> [`report`] ->
//! [`chart`], [`season`]. Rooms in one row never import each other; only tape, report, chart, season and cli touch files.

#![warn(missing_docs)]

pub mod chart;
pub mod cli;
pub mod demo;
pub mod dsp;
pub mod findings;
pub mod health;
pub mod measure;
pub mod passages;
pub mod pipeline;
pub mod report;
pub mod season;
pub mod sheet;
pub mod stats;
pub mod tape;
pub mod units;
