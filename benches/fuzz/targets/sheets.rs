//! Any text as a band sheet or as a microphone's response. The first byte says which.
#![no_main]

#[path = "common.rs"]
mod common;

use ledgerline::measure::balance::MicCurve;
use ledgerline::sheet::{Known, read_curve, read_sheet};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((kind, bytes)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(bytes);
    common::must_not_panic(|| {
        if kind % 4 == 0 {
            if let Ok(curve) = read_curve(&text).map(|points| MicCurve::from_points(&points).expect("what was read is a curve")) {
                let (low, high) = curve.range_hz();
                assert!(low < high && curve.response_db(low).is_some_and(f64::is_finite));
            }
        } else {
            let read = read_sheet(&text, &Known::default());
            for problem in &read.problems {
                assert!(!problem.to_string().is_empty());
            }
        }
    });
});
