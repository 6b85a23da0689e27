//! Passages of a tape, and how its time was spent.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::passages::PassageKind;
use crate::stats::Measured;

/// A stretch of the tape, half-open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
}

/// A stretch of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PassageFacts {
    /// What it is.
    pub kind: PassageKind,
    /// First second.
    pub start_s: f64,
    /// End, not included.
    pub end_s: f64,
    /// Probability that the kind is right, 0..=1.
    pub confidence: f64,
    /// Open strings heard, on tuning passages.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strings: Vec<OpenString>,
}

/// The last sounding of an open string.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OpenString {
    /// "bass" or "guitar".
    pub instrument: String,
    /// Sounding pitch, MIDI note number.
    pub string_midi: u8,
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
}

/// Seconds of each kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimeUse {
    /// Playing.
    pub take_s: f64,
    /// Talk.
    pub talk_s: f64,
    /// Tuning.
    pub tuning_s: f64,
    /// Quiet.
    pub quiet_s: f64,
    /// Anything else.
    #[serde(default)]
    pub other_s: f64,
}

impl TimeUse {
    /// Seconds of each kind in `passages`.
    pub fn of(passages: &[crate::passages::Passage]) -> Self {
        let mut used = Self::default();
        for passage in passages {
            let seconds = passage.end_s - passage.start_s;
            match passage.kind {
                PassageKind::Take => used.take_s += seconds,
                PassageKind::Talk => used.talk_s += seconds,
                PassageKind::Tuning => used.tuning_s += seconds,
                PassageKind::Quiet => used.quiet_s += seconds,
                PassageKind::Other => used.other_s += seconds,
            }
        }
        used
    }

    /// Share of the whole that is playing, percent; `None` for an empty tape.
    pub fn playing_percent(&self) -> Option<f64> {
        let whole = self.take_s + self.talk_s + self.tuning_s + self.quiet_s + self.other_s;
        (whole > 0.0).then(|| 100.0 * self.take_s / whole)
    }
}
