//! What was heard of a player in a take, and how far it can be believed.
//!
//! Conventions: cents; `systematic_cents` is a 95 % half-width that more notes do not take away, set so that the truth lies
//! inside the stated interval on tapes with known truth.

use super::bass::BassNote;
use super::circle::wrap;
use super::guitar::GuitarHeard;
use super::leaning::{Leaning, LeaningTake, lean};
use super::offset::BassOffset;
use super::played_strings::PlayedString;
use super::settled::Settled;
use super::strings_say::StringsSay;
use super::trend::{CellReading, NoteOffset, drift_between, level, unwrap_offsets};
use crate::dsp::partials::weighted_median;
use crate::stats::Measured;

/// A bass is clear up to this half-width of its 95 % interval, cents. Where the clearer of both lines was taken, 5 to 9 came out
/// alike (457 takes, in sight).
const CLEAR_CENTS: f64 = 6.0;

/// Notes of one player in one take.
pub struct Heard {
    /// Offsets.
    pub notes: Vec<NoteOffset>,
    /// Readings for the drift.
    pub readings: Vec<CellReading>,
    /// The strings of a bass.
    pub strings: Vec<PlayedString>,
    /// Half of the 95 % interval of the take's offset, where the notes' scatter does not tell it.
    pub half_width_cents: Option<f64>,
    /// Known accuracy (95 %), cents.
    pub systematic_cents: f64,
    /// From where the player was read to where the open strings say that it stands.
    pub strings_say: Vec<StringsSay>,
    /// Why there are no notes.
    pub reason: &'static str,
}

/// What basses differ by beyond what the model of a take knows of them, half of a 95 % interval, cents, unless their own open strings
/// were heard.
const BASSES_DIFFER_MORE: f64 = 3.2;
/// A bass whose partials agree less than this is not clear; a take of one is off by this much more a unit, half of a 95 % interval,
/// cents. Of 661 takes of basses that come to rest, nineteen in twenty are off by 3.4 cents at most where they agree by 0.92 and more, by 4.5 from
/// 0.81, by 5.5 from 0.65, by 6.7 from 0.59 and by 12 below.
const CLEAR_AGREEMENT: f64 = 0.75;
const UNCLEAR_CENTS: f64 = 45.0;
/// What guitars differ by between the pitch of short chords and the one that a string comes to, half of a 95 % interval, cents: of 234
/// takes told with their tape left out of the fit the truth is inside on 225 so; of the takes of a recorded guitar that is left
/// out of it, on 95 in 100 of one and on 41 of the other.
const GUITARS_DIFFER: f64 = 5.0;
/// A guitar whose interval is wider than this on either side is not told, cents: without open strings that leaves 5 to its chords.
const GUITAR_MOST_UNCERTAIN: f64 = 7.07;

impl Heard {
    /// Nobody, and why.
    pub fn none(reason: &'static str) -> Self {
        Self {
            notes: Vec::new(),
            readings: Vec::new(),
            strings: Vec::new(),
            half_width_cents: None,
            systematic_cents: 0.0,
            strings_say: Vec::new(),
            reason,
        }
    }

    /// The bass: its notes, moved so that their median is the offset that all partials agree on.
    pub fn of_bass(notes: &[BassNote], offset: Option<(&BassOffset, &Settled)>) -> Self {
        let Some((offset, settled)) = offset else { return Self::none("no_bass_heard") };
        let triples: Vec<(f64, f64, f64)> =
            notes.iter().map(|n| ((n.start_s + n.end_s) / 2.0, n.cents, n.weight)).collect();
        let half_width = bass_half_width_cents(offset, settled);
        Self {
            notes: moved_to(unwrap_offsets(&triples), settled.cents),
            readings: settled.readings.clone(),
            strings: settled.strings.clone(),
            half_width_cents: Some(half_width),
            systematic_cents: half_width,
            strings_say: settled.strings_say.clone(),
            reason: "no_bass_heard",
        }
    }

    /// This bass where it is clear or none was heard; else between this and `other`, the same bass along another line, by their precisions.
    /// What they are wrong about they mostly share: the interval is no narrower for two that agree, and wider for two that do not.
    pub fn or_between(self, other: impl FnOnce() -> Self) -> Self {
        let Some(half) = self.half_width_cents.filter(|half| *half > CLEAR_CENTS) else { return self };
        let other = other();
        let Some(other_half) = other.half_width_cents else { return self };
        let (first, second) = ((half, self.centre(), self), (other_half, other.centre(), other));
        let ((half, at, mut clearer), (other_half, other_at, _)) =
            if other_half < half { (second, first) } else { (first, second) };
        let share = half.powi(2) / (half.powi(2) + other_half.powi(2));
        let apart = wrap(other_at - at);
        let cents = share * apart;
        clearer.notes.iter_mut().for_each(|n| n.cents += cents);
        clearer.strings_say.iter_mut().for_each(|s| s.cents -= cents);
        // Spread of what either says, and of the two.
        let within = (1.0 - share) * half.powi(2) + share * other_half.powi(2);
        clearer.systematic_cents = (within + share * (1.0 - share) * (1.96 * apart).powi(2)).sqrt();
        clearer.half_width_cents = Some(clearer.systematic_cents);
        clearer
    }

    /// Middle of the notes, by their weights.
    fn centre(&self) -> f64 {
        weighted_median(&self.notes.iter().map(|n| (n.cents, n.weight)).collect::<Vec<_>>()).unwrap_or(0.0)
    }

    /// Lets the takes of one player, which begin at `starts_s`, lean on the open strings; `tuned_s` are the moments before which it
    /// was heard tuning.
    pub fn lean_on_strings(takes: &mut [Self], starts_s: &[f64], tuned_s: &[f64], leaning: Leaning) {
        let readings: Vec<CellReading> = takes.iter().flat_map(|h| h.readings.iter().copied()).collect();
        let drift = drift_between(&readings, starts_s, tuned_s);
        let mut heard: Vec<(&mut Self, f64)> =
            takes.iter_mut().filter_map(|h| h.half_width_cents.map(|half| (h, half))).collect();
        let known: Vec<LeaningTake> =
            heard.iter().map(|(h, half)| LeaningTake { sigma: half / 1.96, said: h.strings_say.clone() }).collect();
        for ((take, _), leant) in heard.iter_mut().zip(lean(&known, leaning, drift)) {
            take.notes.iter_mut().for_each(|n| n.cents += leant.cents);
            take.half_width_cents = Some(1.96 * leant.sigma);
            take.systematic_cents = 1.96 * leant.sigma;
        }
    }

    /// Offset of the take with its interval.
    pub fn level(&self) -> Measured {
        let by_scatter = level(&self.notes, self.systematic_cents, self.reason);
        match (by_scatter.value, self.half_width_cents) {
            (Some(value), Some(half)) => {
                let mut out = Measured::symmetric(value, half, by_scatter.n.unwrap_or(0));
                out.warnings = by_scatter.warnings;
                out
            }
            _ => by_scatter,
        }
    }

    /// The guitar: its notes, moved so that their median is the offset that its keys agree on.
    /// `strings`: where its open strings say that it stands, from the nearest semitone.
    pub fn of_guitar(guitar: Option<&GuitarHeard>, strings: &[StringsSay]) -> Self {
        let Some(guitar) = guitar else {
            return Self::none(if strings.is_empty() { "no_guitar_heard" } else { "guitar_not_clear" });
        };
        let triples: Vec<(f64, f64, f64)> = guitar.notes.iter().map(|n| (n.at_s, n.cents, n.weight)).collect();
        let offsets = moved_to(unwrap_offsets(&triples), guitar.cents);
        let readings = guitar
            .notes
            .iter()
            .zip(&offsets)
            .map(|(n, o)| CellReading {
                at_s: n.at_s,
                cell: ((n.cents - o.cents) / 100.0).round().max(0.0) as u32,
                cents: o.cents,
                weight: n.weight,
            })
            .collect();
        let half_width = guitar_half_width_cents(guitar);
        Self {
            notes: offsets,
            readings,
            strings: Vec::new(),
            half_width_cents: Some(half_width),
            systematic_cents: half_width,
            strings_say: strings.iter().map(|s| StringsSay { cents: wrap(s.cents - guitar.cents), ..*s }).collect(),
            reason: "no_guitar_heard",
        }
    }

    /// A guitar, or none where it is not clear enough to be told.
    pub fn if_clear(self) -> Self {
        let unclear = self.half_width_cents.is_some_and(|half| half > GUITAR_MOST_UNCERTAIN);
        if unclear { Self::none("guitar_not_clear") } else { self }
    }
}

/// Notes moved together so that their weighted median lies at `cents` (on the circle of a semitone).
fn moved_to(mut notes: Vec<NoteOffset>, cents: f64) -> Vec<NoteOffset> {
    let pairs: Vec<(f64, f64)> = notes.iter().map(|n| (n.cents, n.weight)).collect();
    if let Some(middle) = weighted_median(&pairs) {
        // The target on the side of the circle on which it is reported.
        notes.iter_mut().for_each(|n| n.cents += cents - middle);
    }
    notes
}

/// Half of the 95 % interval of a take's bass offset: what the fit says, what basses differ by, and more where the bass shares
/// its partials with others.
fn bass_half_width_cents(offset: &BassOffset, settled: &Settled) -> f64 {
    let shared = 100.0 * (0.17 - offset.low_share).max(0.0);
    let differ = if settled.by_own_strings { 0.0 } else { BASSES_DIFFER_MORE };
    let unclear = UNCLEAR_CENTS * (CLEAR_AGREEMENT - settled.agreement).max(0.0);
    settled.half_width.hypot(differ).hypot(shared).hypot(unclear)
}

/// The same for the guitar.
fn guitar_half_width_cents(guitar: &GuitarHeard) -> f64 {
    guitar.half_width.hypot(GUITARS_DIFFER)
}

#[cfg(test)]
mod tests {
    use super::super::guitar::GuitarNote;
    use super::super::leaning::GUITARS;
    use super::*;

    fn bass(weight: f64) -> Vec<BassNote> {
        let note =
            |i: u32| BassNote { start_s: f64::from(i) * 0.5, end_s: f64::from(i) * 0.5 + 0.4, cents: 3307.0, weight };
        (0..20).map(note).collect()
    }

    #[test]
    fn a_bass_is_known_as_well_as_its_strings_and_its_partials_tell() {
        let offset = BassOffset { cents: 7.0, low_share: 0.5 };
        let settled = Settled {
            cents: 9.0,
            half_width: 2.0,
            agreement: 0.9,
            by_own_strings: false,
            readings: Vec::new(),
            strings: Vec::new(),
            strings_say: Vec::new(),
        };
        assert!(Heard::of_bass(&bass(0.2), None).notes.is_empty());
        let well = Heard::of_bass(&bass(0.2), Some((&offset, &settled)));
        assert_eq!(well.notes.len(), 20);
        let level = well.level();
        assert!((level.value.unwrap() - 9.0).abs() < 1e-9, "the notes stand at 7 by themselves");
        assert!((level.high.unwrap() - 9.0 - 2f64.hypot(BASSES_DIFFER_MORE)).abs() < 1e-9, "{level:?}");
        let strings = Settled { by_own_strings: true, ..settled.clone() };
        let known = Heard::of_bass(&bass(0.2), Some((&offset, &strings))).level();
        assert!((known.high.unwrap() - 11.0).abs() < 1e-9, "its own strings tell what it differs by: {known:?}");
        let unclear = Settled { agreement: 0.5, ..strings.clone() };
        let wide = Heard::of_bass(&bass(0.2), Some((&offset, &unclear))).level();
        assert!((wide.half_width() - 2f64.hypot(11.25)).abs() < 1e-9, "its partials do not agree: {wide:?}");
        let shared = BassOffset { low_share: 0.1, ..offset };
        assert!(Heard::of_bass(&bass(0.2), Some((&shared, &settled))).level().high.unwrap() > 15.0);
    }

    #[test]
    fn a_bass_that_is_not_clear_stands_between_two_lines() {
        let heard = |cents: f64, half: Option<f64>| Heard {
            half_width_cents: half,
            notes: (0..9).map(|i| NoteOffset { at_s: f64::from(i), cents, weight: 0.3 }).collect(),
            strings_say: vec![StringsSay { cents: 1.0, sigma: 1.8, minutes: 0.5, sounded_s: 0.0 }],
            ..Heard::none("no_bass_heard")
        };
        let told = |first: Option<f64>, other: Option<f64>| {
            let both = heard(10.0, first).or_between(|| heard(-5.0, other));
            (both.centre(), both.half_width_cents, both.centre() + both.strings_say[0].cents)
        };
        assert_eq!(heard(10.0, Some(4.0)).or_between(|| panic!("not needed")).half_width_cents, Some(4.0));
        assert_eq!(heard(10.0, None).or_between(|| panic!("no bass was heard")).half_width_cents, None);
        // As sure as each other: in the middle. The other twice as sure: four times the weight. Variance of a mixture: (0.2 x 12 x 12 +
        // 0.8 x 6 x 6) + 0.2 x 0.8 x (1.96 x 15)^2, by hand.
        let (cents, half, strings) = told(Some(8.0), Some(8.0));
        assert!((cents - 2.5).abs() < 1e-9 && (half.unwrap() - 16.736).abs() < 1e-3, "{cents} {half:?}");
        assert!((strings - 11.0).abs() < 1e-9, "{strings}");
        let (cents, half, strings) = told(Some(12.0), Some(6.0));
        assert!((cents + 2.0).abs() < 1e-9 && (half.unwrap() - 13.9963).abs() < 1e-3, "{cents} {half:?}");
        let agreed = heard(10.0, Some(12.0)).or_between(|| heard(10.0, Some(6.0)));
        assert!((agreed.half_width_cents.unwrap() - 57.6f64.sqrt()).abs() < 1e-9, "{:?}", agreed.half_width_cents);
        assert!((strings + 4.0).abs() < 1e-9, "what the strings say stays where it is: {strings}");
        assert_eq!(told(Some(9.0), None), (10.0, Some(9.0), 11.0));
        // The short way round the circle of a semitone.
        let round = heard(48.0, Some(8.0)).or_between(|| heard(-48.0, Some(8.0)));
        assert!((wrap(round.centre()).abs() - 50.0).abs() < 1e-9, "{}", round.centre());
    }

    #[test]
    fn a_guitar_that_is_not_clear_is_not_told() {
        let heard = |half_width: f64| {
            let notes = (0..40).map(|i| GuitarNote { at_s: f64::from(i), cents: 5009.0, weight: 0.3 }).collect();
            GuitarHeard { notes, cents: 7.5, half_width }
        };
        let told = |half_width: f64, strings: &[StringsSay]| {
            let mut takes = [Heard::of_guitar(Some(&heard(half_width)), strings)];
            Heard::lean_on_strings(&mut takes, &[0.0], &[], GUITARS);
            let [take] = takes;
            take.if_clear()
        };
        assert_eq!(told(9.0, &[]).reason, "guitar_not_clear");
        assert!((told(3.0, &[]).level().value.unwrap() - 7.5).abs() < 1e-9);
        // Its open strings make it clear, and it leans on them.
        let by_strings = told(9.0, &[StringsSay { cents: 2.0, sigma: 1.8, minutes: 0.5, sounded_s: 0.0 }]).level();
        assert!((by_strings.value.unwrap() - 2.0).abs() < 1.5 && by_strings.half_width() < 6.0, "{by_strings:?}");
        assert_eq!(Heard::of_guitar(None, &[]).reason, "no_guitar_heard");
        let tuned = [StringsSay { cents: 2.0, sigma: 1.8, minutes: 0.5, sounded_s: 0.0 }];
        assert_eq!(Heard::of_guitar(None, &tuned).reason, "guitar_not_clear", "it is in the room");
    }
}
