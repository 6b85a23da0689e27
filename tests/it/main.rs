//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod charts;
mod cross_check_loudness;
mod demo;
mod findings;
mod golden;
mod mock;
mod mock_reports;
mod one_way;
mod oracle_loudness;
mod property_loudness;
mod reference_bands;
mod reference_loudness;
mod report;
mod season;
mod strict;
mod tape_damage;
mod tape_discover;
mod tape_formats;
mod tape_signal;
mod tape_wave;
mod test_signals;
mod time_fixtures;
mod time_scorer;
mod time_synthetic;
mod whole_program;
