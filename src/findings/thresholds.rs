//! Every threshold that a finding compares with, in one table, each with its unit and its source.
//!
//! Conventions: "own choice" says that no published figure was found; the test beside each rule shows what it does. A band
//! may set any of them by name ([`Thresholds::with`]); rules ask [`Thresholds::of`] and never read the table themselves.

use std::collections::BTreeMap;

/// A threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// Name, with the unit.
    pub name: &'static str,
    /// Value.
    pub value: f64,
    /// Where the value comes from.
    pub source: &'static str,
}

const fn threshold(name: &'static str, value: f64, source: &'static str) -> Threshold {
    Threshold { name, value, source }
}

/// Share of clipped frames from which the recorder is asked to be turned down.
pub const CLIPPED_PERCENT: Threshold =
    threshold("clipped_percent", 0.001, "own choice: about two full-scale runs a minute at 48 kHz");
/// Share of clipped frames from which loudness and balance suffer.
pub const CLIPPED_HEAVILY_PERCENT: Threshold =
    threshold("clipped_heavily_percent", 0.1, "own choice: clipping in most loud bars");
/// Highest true peak that leaves room.
pub const TRUE_PEAK_DBTP: Threshold =
    threshold("true_peak_dbtp", -1.0, "EBU R 128: maximum permitted true peak level of programme material");
/// Low cut of the recorder from which the low end is out of its reach.
pub const LOW_CUT_HZ: Threshold = threshold(
    "low_cut_hz",
    60.0,
    "own choice: above the lowest open string of a four-string bass (E1 = 41.2 Hz) by half an octave",
);
/// Shortest tape that counts as a period when its playing share is judged.
pub const PERIOD_S: Threshold = threshold("period_s", 300.0, "own choice: shorter tapes are excerpts");
/// Playing share below which the passages deserve a look.
pub const PLAYING_SHARE_LOW_PERCENT: Threshold = threshold(
    "playing_share_low_percent",
    25.0,
    "plausibility band around the filmed rehearsals of Goolsby 1996, JRME 44(4)",
);
/// Playing share above which the passages deserve a look.
pub const PLAYING_SHARE_HIGH_PERCENT: Threshold = threshold(
    "playing_share_high_percent",
    80.0,
    "plausibility band around the filmed rehearsals of Goolsby 1996, JRME 44(4)",
);
/// Playing share that experienced teachers pass.
pub const PLAYING_SHARE_EXPERIENCED_PERCENT: Threshold = threshold(
    "playing_share_experienced_percent",
    50.0,
    "Goolsby 1996, JRME 44(4), abstract: more than half of the period",
);
/// Spread of the low end among good recordings where the target does not state its own.
pub const LOW_END_SPREAD_DB: Threshold =
    threshold("low_end_spread_db", 3.0, "own choice: doubling of power; used only when the target states no spread");
/// How far beyond the spread the low end counts as swamping the room.
pub const LOW_END_SWAMPING_DB: Threshold =
    threshold("low_end_swamping_db", 3.0, "own choice: another doubling of power beyond the spread");
/// Lead-in before the first take from which a missing tuning passage means something.
pub const LEAD_IN_S: Threshold =
    threshold("lead_in_s", 20.0, "own choice: a shorter lead-in may have begun after the tuning");
/// Difference between takes that is worth a note.
pub const TAKES_APART_LU: Threshold =
    threshold("takes_apart_lu", 6.0, "own choice: a step that everyone in the room notices");
/// Confidence of a yes or no that carries no probability.
pub const YES_NO_CONFIDENCE: Threshold =
    threshold("yes_no_confidence", 0.9, "own choice, not calibrated: detectors state yes or no only");

/// Offset of a player from the band from which the player is told.
pub const OUT_OF_TUNE_CENTS: Threshold = threshold(
    "out_of_tune_cents",
    10.0,
    "handbook figure, from memory: about 10 to 25 cents in melodic context before listeners call it out of tune",
);
/// Offset from which tuning comes first of all.
pub const FAR_OUT_OF_TUNE_CENTS: Threshold =
    threshold("far_out_of_tune_cents", 20.0, "own choice: inside the 10 to 25 cents at which everyone hears it");
/// The near end of an offset's interval must lie beyond this.
pub const TUNING_SURE_CENTS: Threshold = threshold(
    "tuning_sure_cents",
    4.0,
    "own median error on mixes that no weight was fitted to is 1 to 4 cents; frequency difference that trained ears \
     notice: 1 to 8 cents (handbook figure, from memory)",
);
/// Offset under which a player is praised as in tune.
pub const IN_TUNE_CENTS: Threshold =
    threshold("in_tune_cents", 5.0, "own choice: half of the offset of which a player is told");
/// Middle of a player's open strings, as tuned, from which the player is told.
pub const TUNED_OFF_CENTS: Threshold = threshold(
    "tuned_off_cents",
    6.0,
    "own choice: beyond the difference that untrained ears notice (3 to 8 cents, handbook figure, from memory)",
);
/// One open string against the player's others from which it is named.
pub const STRING_OFF_CENTS: Threshold = threshold(
    "string_off_cents",
    10.0,
    "own choice: nine of ten open strings are read within 3 cents, the worst of a clean one was 9 cents off",
);
/// Change of a player's pitch over the tape from which a second tuning is asked for.
pub const PITCH_CHANGE_CENTS: Threshold = threshold(
    "pitch_change_cents",
    5.0,
    "own choice: strings go flat as a room warms by one to two degrees while winds go sharp by about 3 cents a degree",
);
/// Change of tempo where a part begins from which it is spoken of.
pub const PART_CHANGE_PERCENT: Threshold = threshold(
    "part_change_percent",
    2.5,
    "Drake and Botte, Perception & Psychophysics 54, 1993: 1.5 to 3 % for a run of even intervals",
);
/// Rush of the bars that lead into parts from which it is spoken of.
pub const LEAD_IN_PERCENT: Threshold =
    threshold("lead_in_percent", 1.5, "as for part_change_percent, its lower end: a median over several bars");
/// Change of tempo over a take from which it is spoken of.
pub const TEMPO_CHANGE_PERCENT: Threshold = threshold(
    "tempo_change_percent",
    3.0,
    "Drake and Botte 1993: a change of tempo is noticed from 3 % over six intervals, at best 1.5 %",
);
/// Change of tempo from which it is a main point.
pub const TEMPO_CHANGE_MAIN_PERCENT: Threshold =
    threshold("tempo_change_main_percent", 5.0, "own choice: well beyond the 3 % of Drake and Botte 1993");
/// Change of tempo under which a take is praised as steady.
pub const TEMPO_HELD_PERCENT: Threshold =
    threshold("tempo_held_percent", 1.5, "Drake and Botte 1993: the smallest change of tempo that anyone notices");
/// Bars that slipped in a take from which they are a main point.
pub const SLIPPED_BARS: Threshold = threshold("slipped_bars", 3.0, "own choice: one or two bars happen to everybody");
/// Share of bars with the hi-hat on 2 and 4 under which the drums are asked for it.
pub const HAT_LOW_PERCENT: Threshold =
    threshold("hat_low_percent", 50.0, "own choice: fewer bars with it than without");
/// Share of bars with the hi-hat on 2 and 4 above which it is praised.
pub const HAT_HIGH_PERCENT: Threshold = threshold("hat_high_percent", 80.0, "own choice: four bars of five");
/// Bass against drums from which it is spoken of.
pub const BASS_TO_DRUMS_MS: Threshold = threshold(
    "bass_to_drums_ms",
    10.0,
    "Friberg and Sundberg 1995: 6 ms or 2.5 % of the interval is noticed, 10 ms at 150 beats a minute",
);
/// Bass against drums is not spoken of when its interval is wider than this to either side.
pub const BASS_TO_DRUMS_SURE_MS: Threshold = threshold(
    "bass_to_drums_sure_ms",
    20.0,
    "own choice: where the distance was stated on mixes with known truth, it was 5 to 14 ms off",
);
/// Onsets of guitar and keys in a bar from which the comping is crowded.
pub const COMPING_CROWDED_PER_BAR: Threshold =
    threshold("comping_crowded_per_bar", 8.0, "own choice: a chord on every eighth of a bar of four");
/// How much louder one layer must be to cover another.
pub const COVERS_LU: Threshold =
    threshold("covers_lu", 6.0, "own choice: twice the difference under which no layer is said to stand in front");
/// Share of a tape that may be talk.
pub const TALK_SHARE_PERCENT: Threshold = threshold(
    "talk_share_percent",
    50.0,
    "79 filmed rehearsals (tradition of Yarbrough and Price, abstract): about half of the time is performance",
);

/// All of them, for documents, tests and the band's own values.
pub const ALL: &[Threshold] = &[
    CLIPPED_PERCENT,
    CLIPPED_HEAVILY_PERCENT,
    TRUE_PEAK_DBTP,
    LOW_CUT_HZ,
    PERIOD_S,
    PLAYING_SHARE_LOW_PERCENT,
    PLAYING_SHARE_HIGH_PERCENT,
    PLAYING_SHARE_EXPERIENCED_PERCENT,
    TALK_SHARE_PERCENT,
    LOW_END_SPREAD_DB,
    LOW_END_SWAMPING_DB,
    LEAD_IN_S,
    TAKES_APART_LU,
    YES_NO_CONFIDENCE,
    OUT_OF_TUNE_CENTS,
    FAR_OUT_OF_TUNE_CENTS,
    TUNING_SURE_CENTS,
    IN_TUNE_CENTS,
    TUNED_OFF_CENTS,
    STRING_OFF_CENTS,
    PITCH_CHANGE_CENTS,
    PART_CHANGE_PERCENT,
    LEAD_IN_PERCENT,
    TEMPO_CHANGE_PERCENT,
    TEMPO_CHANGE_MAIN_PERCENT,
    TEMPO_HELD_PERCENT,
    SLIPPED_BARS,
    HAT_LOW_PERCENT,
    HAT_HIGH_PERCENT,
    BASS_TO_DRUMS_MS,
    BASS_TO_DRUMS_SURE_MS,
    COMPING_CROWDED_PER_BAR,
    COVERS_LU,
];

/// The thresholds in use: the table, with what the band set otherwise.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Thresholds {
    own: BTreeMap<&'static str, f64>,
}

/// Why a band's thresholds cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ThresholdError {
    /// No threshold has this name.
    #[error("there is no threshold \"{name}\"; the nearest is \"{nearest}\"")]
    UnknownName {
        /// What was written.
        name: String,
        /// The known name that is nearest to it.
        nearest: &'static str,
    },
    /// The number cannot be a threshold.
    #[error("threshold \"{name}\" cannot be {got}: it must be a number{}", if *.may_be_negative { "" } else { ", 0 or more" })]
    OutOfRange {
        /// Which threshold.
        name: &'static str,
        /// What was written.
        got: f64,
        /// Levels against full scale are negative; everything else is a size.
        may_be_negative: bool,
    },
}

impl Thresholds {
    /// The table with the values of `own`, by name.
    ///
    /// # Errors
    /// A name that is not in the table (with the nearest one that is), or a number that cannot be a threshold.
    pub fn with(own: &BTreeMap<String, f64>) -> Result<Self, ThresholdError> {
        let mut kept = BTreeMap::new();
        for (name, value) in own {
            let known = ALL.iter().find(|t| t.name == name);
            let known =
                known.ok_or_else(|| ThresholdError::UnknownName { name: name.clone(), nearest: nearest(name) })?;
            let may_be_negative = known.value < 0.0;
            if !value.is_finite() || (*value < 0.0 && !may_be_negative) {
                return Err(ThresholdError::OutOfRange { name: known.name, got: *value, may_be_negative });
            }
            kept.insert(known.name, *value);
        }
        Ok(Self { own: kept })
    }

    /// The value in use for a row of the table.
    pub fn of(&self, threshold: Threshold) -> f64 {
        self.own.get(threshold.name).copied().unwrap_or(threshold.value)
    }

    /// What the band set otherwise than the table, by name.
    pub fn own(&self) -> impl Iterator<Item = (&'static str, f64)> + '_ {
        self.own.iter().map(|(name, value)| (*name, *value))
    }
}

/// The known name with the fewest letters to change.
fn nearest(name: &str) -> &'static str {
    ALL.iter().map(|t| t.name).min_by_key(|known| strsim::levenshtein(name, known)).unwrap_or_default()
}
