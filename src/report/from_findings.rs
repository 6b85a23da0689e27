//! Findings as they stand in a report.

use super::types;
use crate::findings;

impl From<&findings::Finding> for types::Finding {
    fn from(found: &findings::Finding) -> Self {
        Self {
            id: found.id.to_owned(),
            player: found.player.as_str().to_owned(),
            severity: found.severity as u8,
            statement: found.statement.clone(),
            ask: found.ask.clone(),
            evidence: found.evidence.iter().map(types::Evidence::from).collect(),
            confidence: found.confidence,
        }
    }
}

impl From<&findings::Evidence> for types::Evidence {
    fn from(evidence: &findings::Evidence) -> Self {
        Self {
            start_s: evidence.start_s,
            end_s: evidence.end_s,
            measure: evidence.measure.clone(),
            value: evidence.value.clone(),
            threshold: evidence.threshold,
        }
    }
}
