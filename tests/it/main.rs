//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod demo;
mod one_way;
