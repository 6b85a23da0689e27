//! The method id of every family that this program measures.

use crate::measure::balance::{MicCurve, Target};
use crate::measure::{balance, close, exposure, forms, layers, loudness, time, together, tone, tuning};
use crate::report::{CLOSE_MARK, Method, Program};
use crate::{health, passages};

/// Method ids in the order of the report. A balance against a learnt target is another method than one against the published
/// average, one with a microphone's correction another than one without: their excesses cannot be compared.
pub fn methods(target: Option<&Target>, mic_curve: Option<&MicCurve>) -> Vec<Method> {
    let marks = target.map(Target::mark).into_iter().chain(mic_curve.map(MicCurve::mark));
    let balance = marks.fold(balance::METHOD.to_owned(), |id, mark| format!("{id}+{mark}"));
    [
        ("health", health::METHOD),
        ("passages", passages::METHOD),
        ("loudness", loudness::METHOD),
        ("balance", balance.as_str()),
        ("tuning", tuning::METHOD_ID),
        ("time", time::METHOD_ID),
        ("layers", layers::METHOD),
        ("exposure", exposure::METHOD),
        ("together", together::METHOD),
        ("tone", tone::METHOD),
        ("harmony", tuning::HARMONY_METHOD_ID),
        ("close", close::METHOD),
        ("forms", forms::METHOD),
    ]
    .map(|(family, id)| Method { family: family.to_owned(), id: id.to_owned() })
    .to_vec()
}

/// The same where recordings close to players were heard: what they say is by another method.
pub fn with_close(methods: Vec<Method>) -> Vec<Method> {
    let moved = ["tuning", "time", "layers"];
    let marked = |m: Method| {
        if moved.contains(&m.family.as_str()) { Method { id: format!("{}{CLOSE_MARK}", m.id), ..m } } else { m }
    };
    methods.into_iter().map(marked).collect()
}

/// This program.
pub fn program() -> Program {
    Program { name: env!("CARGO_PKG_NAME").to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() }
}
