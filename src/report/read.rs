//! Reads our files back: refuses what it cannot understand, ignores what was added later, brings old versions up to date.
//!
//! Conventions: the schema block is looked at before anything else. A higher `version` is refused with both numbers; a
//! higher `revision` only has fields more, which are passed over; a lower `version` goes through [`super::migrate`].

use std::path::Path;

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::error::ReportError;
use super::migrate::{CURVES_STEPS, FIRST_VERSION, REPORT_STEPS, Step, migrate};
use super::types::{Curves, REPORT_SCHEMA_NAME, REPORT_SCHEMA_VERSION, Report, Schema};
use super::write::{CURVES_FILE, CURVES_SCHEMA_NAME, CURVES_SCHEMA_VERSION, CurvesFile, REPORT_FILE};

/// What a reader must know of a kind of file.
#[derive(Clone, Copy, Debug)]
pub struct Contract {
    /// Name in the schema block.
    pub name: &'static str,
    /// Highest version that is understood.
    pub version: u32,
    /// Steps from version 1 up to `version`.
    pub steps: &'static [Step],
}

/// The contract of report.json.
pub const REPORT: Contract = Contract { name: REPORT_SCHEMA_NAME, version: REPORT_SCHEMA_VERSION, steps: REPORT_STEPS };
/// The contract of curves.json.
pub const CURVES: Contract = Contract { name: CURVES_SCHEMA_NAME, version: CURVES_SCHEMA_VERSION, steps: CURVES_STEPS };

/// Reads report.json of the folder `dir`.
///
/// # Errors
/// Every variant of [`ReportError`] but the two of writing, each with the path.
pub fn read_report(dir: &Path) -> Result<Report, ReportError> {
    read_file(&dir.join(REPORT_FILE), &REPORT)
}

/// Reads curves.json of the folder `dir`.
///
/// # Errors
/// Every variant of [`ReportError`] but the two of writing, each with the path.
pub fn read_curves(dir: &Path) -> Result<Curves, ReportError> {
    read_file::<CurvesFile>(&dir.join(CURVES_FILE), &CURVES).map(|file| file.curves)
}

/// Reads a file of ours from the disk.
///
/// # Errors
/// [`ReportError::Read`], or what [`parse`] says.
pub fn read_file<T: DeserializeOwned>(path: &Path, contract: &Contract) -> Result<T, ReportError> {
    let bytes = std::fs::read(path).map_err(|source| ReportError::Read { path: path.to_owned(), source })?;
    parse(&bytes, path, contract)
}

/// The part that every version of every file has.
#[derive(Deserialize)]
struct Head {
    schema: Schema,
}

/// Understands the bytes of a file of ours; `path` is only named in errors.
///
/// # Errors
/// `Malformed`, `WrongSchema`, `VersionTooHigh`, `VersionUnknown`.
pub fn parse<T: DeserializeOwned>(bytes: &[u8], path: &Path, contract: &Contract) -> Result<T, ReportError> {
    let malformed = |source: serde_json::Error| ReportError::Malformed {
        path: path.to_owned(),
        expected: contract.name,
        line: source.line(),
        column: source.column(),
        source,
    };
    let head: Head = serde_json::from_slice(bytes).map_err(malformed)?;
    check_head(&head.schema, path, contract)?;
    if head.schema.version == contract.version {
        return serde_json::from_slice(bytes).map_err(malformed);
    }
    let tree = serde_json::from_slice(bytes).map_err(malformed)?;
    serde_json::from_value(migrate(tree, head.schema.version, contract.steps)).map_err(malformed)
}

fn check_head(schema: &Schema, path: &Path, contract: &Contract) -> Result<(), ReportError> {
    let path = path.to_owned();
    if schema.name != contract.name {
        return Err(ReportError::WrongSchema { path, got: schema.name.clone(), expected: contract.name });
    }
    if schema.version > contract.version {
        let (name, got, supported) = (contract.name, schema.version, contract.version);
        return Err(ReportError::VersionTooHigh { path, name, got, supported });
    }
    if schema.version < FIRST_VERSION {
        let (name, got, first) = (contract.name, schema.version, FIRST_VERSION);
        return Err(ReportError::VersionUnknown { path, name, got, first });
    }
    Ok(())
}
