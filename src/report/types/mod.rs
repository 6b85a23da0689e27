//! Types of report.json and curves.json, a file a family.

mod balance;
mod curves;
mod findings;
mod passages;
mod take;
mod tape;
mod time;
mod tuning;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Measured;

pub use balance::*;
pub use curves::*;
pub use findings::*;
pub use passages::*;
pub use take::*;
pub use tape::*;
pub use time::*;
pub use tuning::*;

/// Name in the `schema` block of report.json.
pub const REPORT_SCHEMA_NAME: &str = "ledgerline.report";
/// Removing, renaming or re-meaning a field raises this.
pub const REPORT_SCHEMA_VERSION: u32 = 1;
/// Adding a field raises this.
pub const REPORT_SCHEMA_REVISION: u32 = 7;

/// Which contract a file follows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Schema {
    /// Name of the contract.
    pub name: String,
    /// A reader refuses a higher version.
    pub version: u32,
    /// A reader ignores unknown fields of a higher revision.
    pub revision: u32,
}

/// The report of one tape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// Which contract this file follows.
    pub schema: Schema,
    /// Who wrote it.
    pub program: Program,
    /// What was assumed because nobody said otherwise, in plain words.
    pub assumed: Vec<String>,
    /// The band sheet that held for this tape; absent without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<SheetFacts>,
    /// Method id of each family.
    pub methods: Vec<Method>,
    /// The tape.
    pub tape: TapeFacts,
    /// Other recordings of the same date, and where they lie on this one; absent when there are none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded_with: Option<RecordedWith>,
    /// What the recording can be trusted for.
    pub health: HealthFacts,
    /// How the tape was spent, in time order, half-open, without holes.
    pub passages: Vec<PassageFacts>,
    /// Seconds of each kind.
    pub time_use: TimeUse,
    /// The takes, in time order.
    pub takes: Vec<TakeFacts>,
    /// Tuning over the whole tape.
    pub tuning: TuningFacts,
    /// Balance over the takes.
    pub balance: BalanceFacts,
    /// Note by note, how strong the bass sounds; only compared with another tape or target of the same player.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tone: Option<ToneFacts>,
    /// What to turn on the amplifiers; empty when nothing is wrong.
    pub amp_advice: Vec<AmpAdvice>,
    /// Noise exposure; only with a calibration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exposure: Option<Exposure>,
    /// Ranked statements, the most important first.
    pub findings: Vec<Finding>,
}

/// What reports before the revision that brought a field have in its place.
fn not_measured() -> Measured {
    Measured::absent("not_measured")
}
