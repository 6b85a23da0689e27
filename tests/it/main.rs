//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod cross_check_loudness;
mod one_way;
mod oracle_loudness;
mod property_loudness;
mod reference_bands;
mod reference_loudness;
mod test_signals;
