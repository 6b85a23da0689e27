//! The low end in the words of the report: whose it is, over what, and what to turn.

use super::ReviewOptions;
use crate::findings::{
    Advice, AmpCorners, AmpInputs, AmpRow, BASS_SHARE, LowEndInputs, Player, StackBand, TakeInput, advise, low_of_bass,
    mid_and_high, rows_of_band, rows_of_close,
};
use crate::health::Health;
use crate::measure::balance::{Balance, BalanceReading, HearingLimits, Target};
use crate::measure::tone::{
    BassBands, Control, ControlChange, FEWEST_FOR_LOW, FIRST_MIDI, LowEndShares, NOTES, NoteSpectrum, ToneDifference,
    ToneKind, ToneReading, low_re_mid_change_of, note_hz, tone_difference,
};
use crate::report::{
    AmpAdvice, AmpControl, BassNoteLevel, LowEndShare, PartFacts, StandingOut, StandingOutKind, ToneFacts,
};
use crate::sheet::TapeSheet;
use crate::stats::Measured;

/// Reason of a comparison with the target's own bass when it has none.
const OTHER_PLAYERS: &str = "target_of_other_players";
/// 95 % half-width of the gain on one note, dB.
const NOTE_HALF_WIDTH_DB: f64 = 3.0;
/// Names of the notes.
const NAMES: [&str; 12] = ["C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B"];

/// The amplifiers of a tape.
pub struct Amps {
    bass: AmpCorners,
    guitar: AmpCorners,
    /// The player that this recording is close to.
    close: Option<Player>,
}

impl Amps {
    /// As the sheet says, else usual ones.
    pub fn of(options: &ReviewOptions, sheet: Option<&TapeSheet>) -> Self {
        let close = sheet.and_then(|s| s.recording.as_ref()?.close_to).and_then(|player| match player {
            crate::sheet::Player::Bass => Some(Player::Bass),
            crate::sheet::Player::Guitar => Some(Player::Guitar),
            _ => None,
        });
        Self { bass: options.bass_amp, guitar: options.guitar_amp, close }
    }
}

/// The low end of a tape.
pub struct LowEnd {
    /// Whose it is.
    pub shares: LowEndShares,
    /// Excess of every take.
    pub takes: Vec<Measured>,
    /// Excess of every part of every take.
    pub parts: Vec<Vec<Measured>>,
    notes: NoteSpectrum,
    own: ToneDifference,
    advice: Vec<Advice>,
    rows: Vec<AmpRow>,
    bass_bands: Option<BassBands>,
    corners: AmpCorners,
    excess_db: Measured,
}

/// Measures what the low end is made of and asks the solver what to turn.
pub fn measure_low_end(
    tone: &ToneReading,
    balance: &BalanceReading,
    (over_takes, target, limits): (&Balance, &Target, HearingLimits),
    health: &Health,
    takes: &[(f64, f64)],
    parts: &[Vec<(f64, f64)>],
    amps: &Amps,
) -> LowEnd {
    let notes = tone.note_spectrum(takes);
    let shares = shares_where_heard(tone.low_end_shares(takes), &over_takes.low_end_excess_db);
    let own = own_difference(target, &notes, shares.bass.value);
    let excess = |span: &(f64, f64)| balance.over(&[*span], target, limits).low_end_excess_db;
    let bass_bands = tone.bass_bands(takes);
    let inputs = AmpInputs {
        low_end_ok: health.low_end.ok,
        excess_db: &over_takes.low_end_excess_db,
        target_sd_db: target.low_end_sd_db(),
        shares: &shares,
        own: &own,
        low_end_change_db: &|changes| low_re_mid_change_of(bass_bands.as_ref()?, changes),
        corners: amps.bass,
    };
    let (advice, rows) = match amps.close {
        None => {
            let advice = advise(&inputs);
            let rows = rows_of_band(&inputs, &amps.guitar, &advice);
            (advice, rows)
        }
        Some(player) => (Vec::new(), close_rows(player, over_takes, target, &own, amps)),
    };
    LowEnd {
        takes: takes.iter().map(excess).collect(),
        parts: parts.iter().map(|p| p.iter().map(excess).collect()).collect(),
        shares,
        notes,
        own,
        advice,
        rows,
        bass_bands,
        corners: amps.bass,
        excess_db: over_takes.low_end_excess_db.clone(),
    }
}

/// The controls of a recording close to a player, against a target learnt from such recordings.
fn close_rows(player: Player, over_takes: &Balance, target: &Target, own: &ToneDifference, amps: &Amps) -> Vec<AmpRow> {
    let corners = if player == Player::Bass { &amps.bass } else { &amps.guitar };
    let found = if target.close_to.as_deref() == Some(player.as_str()) {
        let bands: Vec<StackBand> = over_takes
            .third_octave
            .iter()
            .filter_map(|b| Some(StackBand { hz: b.mid_hz, level_db: b.level_db?, target_db: b.target_db? }))
            .collect();
        let low = low_of_bass(own).filter(|_| player == Player::Bass);
        mid_and_high(&bands, corners).map(|rest| low.into_iter().chain(rest).collect())
    } else {
        Err("no_target_of_close_recordings")
    };
    rows_of_close(player, [&amps.bass, &amps.guitar], &found)
}

fn own_difference(target: &Target, notes: &NoteSpectrum, bass_share: Option<f64>) -> ToneDifference {
    if target.own_bass_db.len() != NOTES {
        return ToneDifference::absent(OTHER_PLAYERS);
    }
    let levels = |of: &[Option<f64>]| std::array::from_fn(|i| of.get(i).copied().flatten());
    // A target keeps only levels with enough partials behind them.
    let own = NoteSpectrum {
        level_dbfs: levels(&target.own_bass_db),
        n: [FEWEST_FOR_LOW; NOTES],
        all_dbfs: levels(&target.own_all_db),
    };
    // Targets written before revision 3 do not say how much of their low end was the bass.
    let lesser = target.own_bass_share.map_or(bass_share, |own| bass_share.map(|here| here.min(own)));
    let found = tone_difference(&own, notes).with_share(lesser);
    match target.own_bass_share {
        Some(share) if share < BASS_SHARE => {
            ToneDifference { low_db: Measured::absent("low_end_is_not_mostly_bass"), ..found }
        }
        _ => found,
    }
}

/// Where the low end is not heard, nobody's share of it is.
fn shares_where_heard(shares: LowEndShares, excess_db: &Measured) -> LowEndShares {
    match (&excess_db.value, &excess_db.reason) {
        (None, Some(reason)) => LowEndShares {
            bass: Measured::absent(reason),
            kick: Measured::absent(reason),
            other: Measured::absent(reason),
        },
        _ => shares,
    }
}

/// "Bb1" for MIDI 34; C4 is middle C.
pub fn note_name(midi: u8) -> String {
    format!("{}{}", NAMES[usize::from(midi % 12)], i32::from(midi / 12) - 1)
}

impl LowEnd {
    /// What the rules look at.
    pub fn inputs<'a>(&'a self, takes: &'a [TakeInput]) -> LowEndInputs<'a> {
        let note = if let ToneKind::OneNote { midi } = self.own.kind { Some(note_name(midi)) } else { None };
        LowEndInputs { takes, advice: &self.advice, own: &self.own, note, excess_db: &self.excess_db }
    }

    /// Whose the low end is.
    pub fn share_facts(&self) -> LowEndShare {
        let LowEndShares { bass, kick, other } = self.shares.clone();
        LowEndShare { bass, kick, other }
    }

    /// What stands out against the target's own bass.
    pub fn standing_out(&self) -> Vec<StandingOut> {
        match (self.own.kind, self.own.note_db) {
            (ToneKind::OneNote { midi }, Some(db)) => vec![StandingOut {
                hz: note_hz(f64::from(midi)),
                db: Measured::symmetric(
                    db,
                    NOTE_HALF_WIDTH_DB,
                    u64::from(self.notes.n[usize::from(midi - FIRST_MIDI)]),
                ),
                kind: StandingOutKind::OneNote,
                note: Some(note_name(midi)),
            }],
            (ToneKind::EveryNote, _) => vec![StandingOut {
                hz: self.corners.low_hz,
                db: self.own.low_db.clone(),
                kind: StandingOutKind::EveryNote,
                note: None,
            }],
            _ => Vec::new(),
        }
    }

    /// The notes of the bass.
    pub fn tone_facts(&self) -> ToneFacts {
        let note = |i: usize| BassNoteLevel {
            midi: FIRST_MIDI + i as u8,
            level_dbfs: self.notes.level_dbfs[i],
            n: self.notes.n[i],
            all_dbfs: self.notes.all_dbfs[i],
        };
        ToneFacts {
            bass_notes: (0..NOTES).map(note).collect(),
            low_re_own_target_db: self.own.low_db.clone(),
            bass_bands: self.bass_bands.map_or_else(Vec::new, |b| b.iter().map(|x| (x * 1e4).round() / 1e4).collect()),
        }
    }

    /// What to turn, for the ears.
    pub fn changes(&self) -> Vec<ControlChange> {
        self.advice.iter().map(|a| a.change).collect()
    }

    /// Every control: what to turn, or why nothing is said.
    pub fn advice_facts(&self) -> Vec<AmpAdvice> {
        let one = |row: &AmpRow| AmpAdvice {
            instrument: row.player.as_str().to_owned(),
            control: match row.control {
                Control::Low => AmpControl::Low,
                Control::Mid => AmpControl::Mid,
                Control::High => AmpControl::High,
                Control::Level => AmpControl::Level,
            },
            corner_hz: row.corner_hz,
            change_db: row.change_db.clone(),
            expected_low_end_excess_db: row.expected_db.clone(),
        };
        self.rows.iter().map(one).collect()
    }
}

/// The stretch of about `length_s` inside a take in which the low end of the curve (an entry a second) stands out most.
pub fn clearest_span(curve_db: &[Option<f64>], takes: &[(f64, f64)], length_s: f64) -> Option<(f64, f64)> {
    let mean = |from: f64, to: f64| {
        let inside = curve_db.iter().take(to as usize).skip(from.ceil() as usize).flatten();
        crate::stats::mean(&inside.copied().collect::<Vec<f64>>()).unwrap_or(f64::MIN)
    };
    let spans = takes.iter().flat_map(|&(start_s, end_s)| {
        let last = (end_s - length_s).max(start_s);
        let starts = (0..).map(move |i| start_s + f64::from(i)).take_while(move |s| *s <= last);
        starts.map(move |s| (s, (s + length_s).min(end_s)))
    });
    spans.max_by(|a, b| mean(a.0, a.1).total_cmp(&mean(b.0, b.1)))
}

/// The parts with their own low end.
pub fn low_end_of_parts(mut parts: Vec<PartFacts>, low_end: &[Measured]) -> Vec<PartFacts> {
    for (part, excess) in parts.iter_mut().zip(low_end) {
        part.low_end_excess_db = Some(excess.clone());
    }
    parts
}

/// What the report says about the microphone.
pub fn mic_words(options: &ReviewOptions) -> String {
    let Some(curve) = &options.mic_curve else {
        return "No microphone correction: balance is as the recorder heard it.".to_owned();
    };
    let (low, high) = curve.range_hz();
    format!(
        "Microphone correction applied to the balance from {low:.0} to {high:.0} Hz; bands beyond are as the recorder heard them."
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clearest_stretch_lies_inside_a_take_where_the_low_end_is_highest() {
        let curve: Vec<Option<f64>> =
            (0..100).map(|s| if s < 10 { None } else { Some(if (60..80).contains(&s) { 6.0 } else { 0.0 }) }).collect();
        assert_eq!(clearest_span(&curve, &[(10.0, 40.0), (50.0, 95.0)], 20.0), Some((60.0, 80.0)));
        assert_eq!(clearest_span(&curve, &[(10.0, 15.0)], 20.0), Some((10.0, 15.0)));
        assert_eq!(clearest_span(&curve, &[], 20.0), None);
    }

    #[test]
    fn notes_have_their_usual_names() {
        // MIDI 60 is middle C; the open strings of a bass are E1 A1 D2 G2.
        let names: Vec<String> = [60, 28, 33, 38, 43, 34].map(note_name).to_vec();
        assert_eq!(names, ["C4", "E1", "A1", "D2", "G2", "Bb1"]);
    }
}
