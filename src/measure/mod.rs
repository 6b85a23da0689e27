//! The measurements, one family a file or folder. Siblings never import each other.

pub mod time;
