//! How the eighths of a chart go.

use schemars::JsonSchema;
use serde::Serialize;

/// How the eighths of a chart go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Feel {
    /// Long and short eighths, ride and hi-hat.
    Swing,
    /// Even eighths.
    Straight,
    /// Even eighths, Latin patterns.
    Latin,
    /// Even eighths over a backbeat.
    Rock,
    /// Sixteenths over a backbeat.
    Funk,
    /// Long and short eighths over a backbeat.
    Shuffle,
    /// Slow.
    Ballad,
}

impl Feel {
    /// All of them with their words.
    pub const ALL: [(Self, &'static str); 7] = [
        (Self::Swing, "swing"),
        (Self::Straight, "straight"),
        (Self::Latin, "latin"),
        (Self::Rock, "rock"),
        (Self::Funk, "funk"),
        (Self::Shuffle, "shuffle"),
        (Self::Ballad, "ballad"),
    ];

    /// The word of the sheet.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(feel, _)| *feel == self).map_or("", |(_, word)| word)
    }
}
