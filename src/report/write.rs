//! Writes the files of a report folder, each under a temporary name in the same folder, then renamed.
//!
//! Conventions: report.json is laid out for reading, curves.json is compact; keys in the order of the types, numbers at
//! their resolution (see [`super::resolution`]). The same data gives the same bytes. A reader never sees half a file;
//! report.json is renamed last, so a folder with a report.json has its curves.

use std::io::Write;
use std::path::Path;

use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::error::ReportError;
use super::pretty::pretty;
use super::rounding::rounded;
use super::types::{Curves, Report, Schema};

/// Name of the report in its folder.
pub const REPORT_FILE: &str = "report.json";
/// Name of the curves in the folder.
pub const CURVES_FILE: &str = "curves.json";
/// Name in the `schema` block of curves.json.
pub const CURVES_SCHEMA_NAME: &str = "ledgerline.curves";
/// Removing, renaming or re-meaning a curve raises this.
pub const CURVES_SCHEMA_VERSION: u32 = 1;
/// Adding a curve raises this.
pub const CURVES_SCHEMA_REVISION: u32 = 1;

/// curves.json as it lies on the disk: the curves with their schema block in front.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurvesFile {
    /// Which contract this file follows.
    pub schema: Schema,
    /// The curves.
    #[serde(flatten)]
    pub curves: Curves,
}

impl CurvesFile {
    /// `curves` with the schema block of this program.
    pub fn new(curves: Curves) -> Self {
        let schema = Schema {
            name: CURVES_SCHEMA_NAME.to_owned(),
            version: CURVES_SCHEMA_VERSION,
            revision: CURVES_SCHEMA_REVISION,
        };
        Self { schema, curves }
    }
}

/// Writes report.json and curves.json into `dir`, which is made if it does not exist.
///
/// # Errors
/// [`ReportError::NotFinite`] when a number that must be there is NaN or infinite; [`ReportError::Write`] from the disk.
/// In both cases an earlier report.json is still whole.
pub fn write_report(dir: &Path, report: &Report, curves: &Curves) -> Result<(), ReportError> {
    let report_bytes = report_bytes(report).map_err(not_finite(dir, REPORT_FILE))?;
    let curves_bytes = curves_bytes(curves).map_err(not_finite(dir, CURVES_FILE))?;
    std::fs::create_dir_all(dir).map_err(|source| ReportError::Write { path: dir.to_owned(), source })?;
    write_atomic(&dir.join(CURVES_FILE), &curves_bytes)?;
    write_atomic(&dir.join(REPORT_FILE), &report_bytes)
}

/// The report as report.json will hold it: what is drawn beside it says the same on the edge of a class, too.
///
/// # Errors
/// [`ReportError::NotFinite`] when a number that must be there is NaN or infinite; `dir` is where it was to go.
pub fn as_stored(dir: &Path, report: &Report) -> Result<Report, ReportError> {
    rounded(report).map_err(not_finite(dir, REPORT_FILE))
}

/// The bytes of report.json.
///
/// # Errors
/// When a number that must be there is NaN or infinite.
pub fn report_bytes(report: &Report) -> Result<Vec<u8>, serde_json::Error> {
    laid_out(report)
}

/// The bytes of curves.json. A point that is NaN or infinite becomes null.
///
/// # Errors
/// When `hop_s` is NaN or infinite.
pub fn curves_bytes(curves: &Curves) -> Result<Vec<u8>, serde_json::Error> {
    let file = CurvesFile::new(rounded(curves)?);
    let mut text = serde_json::to_string(&file)?;
    text.push('\n');
    Ok(text.into_bytes())
}

/// Any of our files, rounded and laid out for reading.
///
/// # Errors
/// When a number that must be there is NaN or infinite.
pub fn laid_out<T: Serialize + DeserializeOwned>(data: &T) -> Result<Vec<u8>, serde_json::Error> {
    let compact = serde_json::to_string(&rounded(data)?)?;
    Ok(pretty(&compact).into_bytes())
}

/// Puts `bytes` at `path`: a temporary name in the same folder, flushed to the disk, then renamed over what was there.
///
/// # Errors
/// [`ReportError::Write`] with `path`; the temporary file is removed and what was there before stays.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    let failed = |source| ReportError::Write { path: path.to_owned(), source };
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut file = temporary().tempfile_in(folder).map_err(failed)?;
    file.write_all(bytes).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist(path).map_err(|e| failed(e.error))?;
    sync_folder(folder);
    Ok(())
}

/// In front of a file that is being written.
pub(super) const WRITING_PREFIX: &str = ".writing-";

fn temporary() -> tempfile::Builder<'static, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(WRITING_PREFIX).suffix(".part");
    #[cfg(unix)]
    {
        // A temporary file is private by default; a report is as readable as any file that the user makes (the umask counts).
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder
}

/// Makes the rename itself last through a power cut. Not every file system can; the file is whole either way.
fn sync_folder(folder: &Path) {
    #[cfg(unix)]
    if let Ok(handle) = std::fs::File::open(folder) {
        let _ = handle.sync_all();
    }
    #[cfg(not(unix))]
    let _ = folder;
}

fn not_finite(dir: &Path, name: &str) -> impl FnOnce(serde_json::Error) -> ReportError {
    let path = dir.join(name);
    move |source| ReportError::NotFinite { path, source }
}
