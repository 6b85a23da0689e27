//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod demo;
mod findings;
mod mock_reports;
mod one_way;
mod tuning;
mod oracle_loudness;
mod property_loudness;
mod reference_bands;
mod reference_loudness;
mod report;
mod season;
mod strict;
mod test_signals;
