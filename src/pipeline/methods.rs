//! The method id of every family that this program measures.

use crate::measure::{balance, loudness, time, tuning};
use crate::report::{Method, Program};
use crate::{health, passages};

/// Method ids in the order of the report.
pub fn methods() -> Vec<Method> {
    [
        ("health", health::METHOD),
        ("passages", passages::METHOD),
        ("loudness", loudness::METHOD),
        ("balance", balance::METHOD),
        ("tuning", tuning::METHOD_ID),
        ("time", time::METHOD_ID),
    ]
    .map(|(family, id)| Method { family: family.to_owned(), id: id.to_owned() })
    .to_vec()
}

/// This program.
pub fn program() -> Program {
    Program { name: env!("CARGO_PKG_NAME").to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() }
}
