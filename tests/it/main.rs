//! One integration binary, a module a layer.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod one_way;
mod tape_damage;
mod tape_discover;
mod tape_formats;
mod tape_signal;
mod tape_wave;
