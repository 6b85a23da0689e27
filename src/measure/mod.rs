//! The measurements, one family a file or folder. Siblings never import each other.

pub mod balance;
pub mod close;
pub mod exposure;
pub mod forms;
pub mod layers;
pub mod loudness;
pub mod time;
pub mod together;
pub mod tone;
pub mod tuning;
