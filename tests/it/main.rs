//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod findings;
mod mock_reports;
mod one_way;
mod report;
mod season;
mod strict;
