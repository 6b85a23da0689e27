//! Is a report folder still what a new review would write? Then the tape need not be measured again.

use std::path::Path;

use super::read::read_report;
use super::types::{Method, Program, REPORT_SCHEMA_REVISION, Report, SheetFacts};
use super::write::CURVES_FILE;

/// What a new review of the tape would carry.
#[derive(Clone, Copy, Debug)]
pub struct Expected<'a> {
    /// Content hash of the tape.
    pub content_hash: &'a str,
    /// Method id of every family, in any order.
    pub methods: &'a [Method],
    /// The program.
    pub program: &'a Program,
    /// File names of the pictures.
    pub pictures: &'a [&'a str],
    /// Key of the other recordings of the date.
    pub company: Option<&'a str>,
    /// The band sheet that holds now.
    pub sheet: Option<&'a SheetFacts>,
}

/// True when `dir` holds a readable report of the same tape bytes, by the same methods and program and schema, with its
/// curves and every expected picture (not empty).
pub fn is_current(dir: &Path, expected: &Expected) -> bool {
    let there = |name: &str| dir.join(name).metadata().is_ok_and(|m| m.is_file() && m.len() > 0);
    there(CURVES_FILE)
        && expected.pictures.iter().all(|name| there(name))
        && read_report(dir).is_ok_and(|report| same_making(&report, expected))
}

/// At the end of the id of a method where recordings close to players were heard; whether they were is told by the company's key.
pub const CLOSE_MARK: &str = "+close";

/// The same tape, measured in the same way?
pub fn same_making(report: &Report, expected: &Expected) -> bool {
    let sorted = |methods: &[Method]| {
        let mut list: Vec<(String, String)> =
            methods.iter().map(|m| (m.family.clone(), m.id.trim_end_matches(CLOSE_MARK).to_owned())).collect();
        list.sort();
        list
    };
    report.tape.content_hash == expected.content_hash
        && report.program == *expected.program
        && report.schema.revision == REPORT_SCHEMA_REVISION
        && report.recorded_with.as_ref().map(|w| w.key.as_str()) == expected.company
        && report.sheet.as_ref().map(|s| (&s.file, &s.key)) == expected.sheet.map(|s| (&s.file, &s.key))
        && sorted(&report.methods) == sorted(expected.methods)
}

/// A short hash of bytes, for keys: 16 hex digits of BLAKE3.
pub fn short_hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().as_str()[..16].to_owned()
}
