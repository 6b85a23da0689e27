//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod one_way;
mod reference_loudness;
mod test_signals;
