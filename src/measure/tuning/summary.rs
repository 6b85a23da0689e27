//! From notes to the figures of takes and of the tape.
//!
//! Conventions: as in [`super`]; intervals are 95 %.

use rayon::prelude::*;

use crate::dsp::whose::{BassStretch, WhoPlays, Whose};
use crate::passages::{Passage, PassageKind};
use crate::stats::Measured;
use crate::units::TUNING_A4_HZ;

use super::TuningReading;
use super::band::{BandPitch, band_pitch};
use super::bass::bass_notes;
use super::circle::wrap;
use super::compact::{HOP_S, PeakStore, frame_at, moment_s};
use super::guitar::guitar as find_guitar;
use super::heard::Heard;
use super::hints::{TuningHints, near_pitch};
use super::leaning::{BASSES, GUITARS};
use super::line::{LongTermLevel, Run, bass_runs};
use super::offset::bass_offset;
use super::own_line::own_runs;
use super::played_strings::PlayedString;
use super::settled::settled;
use super::strings::{OpenString, StringPlayer, last_of_each, soundings};
use super::strings_say::guitar_strings_say;
use super::trend::{CellReading, NoteOffset, curve, level, retunings, trend};
use super::tuned_before::tuned_before;
use super::walk::walking_runs;

/// Tuning of one player in a take.
#[derive(Clone, Debug)]
pub struct PlayerTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
    /// Cents from the band's own pitch in this take, plus = sharp.
    pub offset_from_band_cents: Measured,
}

/// Tuning in a take.
#[derive(Clone, Debug)]
pub struct TakeTuning {
    /// Bass.
    pub bass: PlayerTuning,
    /// Guitar.
    pub guitar: PlayerTuning,
    /// Piano.
    pub piano: PlayerTuning,
    /// Horns as a group.
    pub horns: PlayerTuning,
    /// The bass's strings against its own offset, low to high; empty where no bass was heard.
    pub bass_strings: Vec<PlayedString>,
}

/// Tuning of one player over the tape.
#[derive(Clone, Debug)]
pub struct InstrumentTuning {
    /// Cents from equal temperament at A4 = 440 Hz, plus = sharp.
    pub offset_from_a440_cents: Measured,
    /// Cents from the band's own pitch, plus = sharp.
    pub offset_from_band_cents: Measured,
    /// Drift, cents a minute, plus = going sharp.
    pub drift_cents_per_min: Measured,
    /// Offset at the first note, cents from A4 = 440 Hz.
    pub at_start_cents: Measured,
    /// Offset at the last note, cents from A4 = 440 Hz.
    pub at_end_cents: Measured,
    /// When it was retuned, seconds from the start of the tape.
    pub retuned_at_s: Vec<f64>,
    /// How long it tuned before the first take, seconds, from the first open string to the last in each passage; absent with
    /// "no_tuning_heard". `None` for players that have no strings to tune.
    pub tuned_before_first_take_s: Option<Measured>,
}

/// All that this family has to say of a tape.
#[derive(Clone, Debug)]
pub struct TapeTuning {
    /// What A4 is to the fixed-pitch and wind instruments, Hz.
    pub concert_pitch_hz: Measured,
    /// One a take, in time order.
    pub takes: Vec<TakeTuning>,
    /// Bass over the tape.
    pub bass: InstrumentTuning,
    /// Guitar over the tape.
    pub guitar: InstrumentTuning,
    /// Piano over the tape; fixed pitch, so that drift is the difference between takes at most.
    pub piano: InstrumentTuning,
    /// One list a passage; empty but in tuning passages.
    pub strings: Vec<Vec<OpenString>>,
    /// Bass, cents from A4 = 440 Hz, one a second; `None` where nothing was heard.
    pub bass_cents: Vec<Option<f64>>,
    /// Guitar, cents from A4 = 440 Hz, one a second; `None` where nothing was heard.
    pub guitar_cents: Vec<Option<f64>>,
    /// What fixed-pitch and wind instruments agree on, cents from A4 = 440 Hz, one a second; `None` where nothing was heard.
    pub band_cents: Vec<Option<f64>>,
}

/// Who is where in each take, in cents from A4 = 440 Hz: whether bass and guitar were in tune with the band.
///
/// # Input
/// What [`super::TuningMeter`] kept of a tape, and the passages of the tape in time order.
///
/// # Output
/// Offsets in cents, plus = sharp, modulo a semitone (offsets beyond 35 cents carry a warning), with 95 % intervals that
/// hold the scatter of the notes and the known accuracy of the method; open strings in tuning passages; drift; retunings.
///
/// # Not measurable
/// "no_bass_heard", "bass_not_clear", "no_guitar_heard", "guitar_not_clear", "no_horns_heard", "horns_not_clear", "no_piano_heard", "too_few_notes".
///
/// # Method and source
/// See the modules: evidence of partials, as far as the layers leave them to the bass, and Viterbi path for the bass line, a network where that is
/// not clear; robust fits of partials; likelihoods over keys; takes of bass and
/// guitar lean on the open strings heard shortly before and after them, as far as the drift between lets them.
pub fn measure_tuning(reading: &TuningReading, passages: &[Passage]) -> TapeTuning {
    measure_tuning_with(reading, passages, &TuningHints::default())
}

/// As [`measure_tuning`], with what a band sheet knows.
pub fn measure_tuning_with(reading: &TuningReading, passages: &[Passage], hints: &TuningHints) -> TapeTuning {
    let store = &reading.store;
    let takes_s = Passage::spans(passages, PassageKind::Take);
    let takes: Vec<(usize, usize)> = takes_s.iter().map(|t| store.span(*t)).collect();
    let sounded: Vec<Vec<OpenString>> = passages
        .iter()
        .map(|p| match p.kind {
            PassageKind::Tuning => soundings(&store.view(), p.start_s, p.end_s, hints.bass_strings),
            _ => Vec::new(),
        })
        .collect();
    let strings: Vec<Vec<OpenString>> = sounded.iter().map(|s| last_of_each(s)).collect();
    let sounded = sounded.concat();
    let first_take_s = takes_s.first().map_or(f64::INFINITY, |t| t.0);
    let before = |player| Some(tuned_before(&sounded, first_take_s, player));
    let reader = TakeReader {
        store,
        long_term: LongTermLevel::of(store, &takes),
        sounded: &sounded,
        whose: hints.whose.as_ref(),
    };
    let heard = |at: usize| reader.read(takes[at], takes_s[at], hints.players_of(at));
    let ((mut bass, mut guitar), bands): ((Vec<_>, Vec<_>), Vec<_>) =
        (0..takes.len()).into_par_iter().map(heard).unzip();
    let starts_s: Vec<f64> = takes_s.iter().map(|t| t.0).collect();
    // Starts of the takes before which, since the take before, the player was heard tuning.
    let tuned_s = |player: StringPlayer| -> Vec<f64> {
        let gaps = takes_s.iter().zip(takes_s.iter().skip(1)).map(|(before, take)| (before.1, take.0));
        gaps.filter(|(from, to)| tuned_between(passages, &strings, player, *from, *to).1).map(|gap| gap.1).collect()
    };
    Heard::lean_on_strings(&mut bass, &starts_s, &tuned_s(StringPlayer::Bass), BASSES);
    Heard::lean_on_strings(&mut guitar, &starts_s, &tuned_s(StringPlayer::Guitar), GUITARS);
    let guitar: Vec<Heard> = guitar.into_iter().map(Heard::if_clear).collect();
    let bass_strings: Vec<Vec<PlayedString>> = bass.iter().map(|b: &Heard| b.strings.clone()).collect();
    let seconds = (store.frames() as f64 * HOP_S).ceil() as usize;
    let follow = |heard: &[Heard], player: StringPlayer| {
        let moment = |a, b| tuned_between(passages, &strings, player, a, b);
        Followed::over(heard, &takes_s, &bands, seconds, moment)
    };
    let bass = follow(&bass, StringPlayer::Bass);
    let guitar = follow(&guitar, StringPlayer::Guitar);
    let bass_levels: Vec<&Measured> =
        bass.levels.iter().enumerate().map(|(at, b)| hints.close_bass_of(at).unwrap_or(b)).collect();
    let takes: Vec<TakeTuning> = bands
        .iter()
        .zip(bass_levels.iter().zip(&guitar.levels).zip(&bass_strings))
        .map(|(band, ((b, g), strings))| TakeTuning {
            bass: player(b, &band.band),
            guitar: player(g, &band.band),
            piano: player(&band.piano, &band.band),
            horns: player(&band.horns, &band.band),
            bass_strings: strings.clone(),
        })
        .collect();
    let mut bass_over_tape = bass.instrument;
    if (0..takes.len()).any(|at| hints.close_bass_of(at).is_some()) {
        let against: Vec<&Measured> = takes.iter().map(|t| &t.bass.offset_from_band_cents).collect();
        bass_over_tape.offset_from_a440_cents = mean_over(&bass_levels, &takes_s, "no_bass_heard");
        bass_over_tape.offset_from_band_cents = mean_over(&against, &takes_s, "band_pitch_unknown");
    }
    let found = TapeTuning {
        concert_pitch_hz: concert_pitch(&bands, &takes_s),
        takes,
        bass: InstrumentTuning { tuned_before_first_take_s: before(StringPlayer::Bass), ..bass_over_tape },
        guitar: InstrumentTuning { tuned_before_first_take_s: before(StringPlayer::Guitar), ..guitar.instrument },
        piano: piano(&bands, &takes_s),
        band_cents: band_curve(&bands, &takes_s, seconds),
        strings,
        bass_cents: bass.curve,
        guitar_cents: guitar.curve,
    };
    hints.concert_pitch_hz.map_or(found.clone(), |hz| near_pitch(found, hz))
}

/// Reads takes, each by itself.
struct TakeReader<'a> {
    store: &'a PeakStore,
    long_term: LongTermLevel,
    /// Every sounding of an open string on the tape.
    sounded: &'a [OpenString],
    whose: Option<&'a Whose>,
}

impl TakeReader<'_> {
    /// Bass and guitar in a take of frames `first..end`, and where the band stands.
    fn read(&self, (first, end): (usize, usize), take_s: (f64, f64), players: WhoPlays) -> ((Heard, Heard), BandPitch) {
        let store = &self.store.view();
        let of_bass = self.whose.map(|whose| whose.bass.between(moment_s(first), moment_s(end)));
        let among_all = || bass_runs(store, &self.long_term, first, end);
        let runs = of_bass.as_ref().map_or_else(among_all, |whose| own_runs(store, whose, (first, end)));
        // Where neither of them plays, the others are all the band there is.
        let whose = self.whose.filter(|_| players.keys || players.horns).map(|whose| &whose.keys_and_horns);
        let band = band_pitch(store, (first, end), whose).played_by(players);
        let at = band.band.value;
        let along = |runs: &[Run]| bass_along(store, runs, at, of_bass.as_ref(), self.sounded);
        let bass = match players.bass {
            true => along(&runs).or_between(|| along(&walking_runs(store, &self.long_term, first, end))),
            false => Heard::none(self.why_no_bass()),
        };
        let said = guitar_strings_say(self.sounded, take_s);
        let chords = find_guitar(store, &runs, first, end, at, !said.is_empty());
        ((bass, Heard::of_guitar(chords.as_ref(), &said)), band)
    }

    /// A bass whose strings were heard is in the room, and may be too soft to be told.
    fn why_no_bass(&self) -> &'static str {
        let in_the_room = self.sounded.iter().any(|s| s.player == StringPlayer::Bass);
        if in_the_room { "bass_not_clear" } else { "no_bass_heard" }
    }
}

/// The bass along a line; `band_cents` is where the band stands, `whose` the power is, if known.
fn bass_along(
    store: &PeakStore,
    runs: &[Run],
    band_cents: Option<f64>,
    whose: Option<&BassStretch>,
    sounded: &[OpenString],
) -> Heard {
    let offset = bass_offset(store, runs, band_cents)
        .and_then(|o| settled(store, runs, o.cents, band_cents, whose, sounded).map(|s| (o, s)));
    Heard::of_bass(&bass_notes(store, runs), offset.as_ref().map(|(o, s)| (o, s)))
}

fn player(offset: &Measured, band: &Measured) -> PlayerTuning {
    PlayerTuning { offset_from_a440_cents: offset.clone(), offset_from_band_cents: difference(offset, band) }
}

/// `a` minus `b` on the circle of a semitone, their errors taken as independent.
fn difference(a: &Measured, b: &Measured) -> Measured {
    match (a.value, b.value) {
        (Some(x), Some(y)) => {
            let value = wrap(x - y);
            let n = a.n.unwrap_or(0).min(b.n.unwrap_or(0));
            let mut out = Measured::symmetric(value, a.half_width().hypot(b.half_width()), n);
            out.warnings.clone_from(&a.warnings);
            out
        }
        (None, _) => a.clone(),
        _ => Measured::absent("band_pitch_unknown"),
    }
}

/// Mean of values by the length of their takes.
fn mean_over(values: &[&Measured], takes_s: &[(f64, f64)], none: &str) -> Measured {
    let known: Vec<(f64, f64, f64, u64)> = values
        .iter()
        .zip(takes_s)
        .filter_map(|(m, t)| Some((m.value?, m.half_width(), t.1 - t.0, m.n.unwrap_or(0))))
        .collect();
    let total: f64 = known.iter().map(|k| k.2).sum();
    if total <= 0.0 {
        return Measured::absent(none);
    }
    let value = known.iter().map(|k| k.0 * k.2).sum::<f64>() / total;
    let half = known.iter().map(|k| k.1 * k.2).sum::<f64>() / total;
    let between = known.iter().map(|k| (k.0 - value).abs()).fold(0.0, f64::max);
    Measured::symmetric(value, half.max(between), known.iter().map(|k| k.3).sum())
}

fn concert_pitch(bands: &[BandPitch], takes_s: &[(f64, f64)]) -> Measured {
    let cents = mean_over(&bands.iter().map(|b| &b.band).collect::<Vec<_>>(), takes_s, "no_steady_tones_heard");
    let hz = |c: f64| TUNING_A4_HZ * 2f64.powf(c / 1200.0);
    Measured { value: cents.value.map(hz), low: cents.low.map(hz), high: cents.high.map(hz), ..cents }
}

fn piano(bands: &[BandPitch], takes_s: &[(f64, f64)]) -> InstrumentTuning {
    let own: Vec<&Measured> = bands.iter().map(|b| &b.piano).collect();
    let against: Vec<Measured> = bands.iter().map(|b| difference(&b.piano, &b.band)).collect();
    let end = |m: Option<&&Measured>| m.map_or(Measured::absent("no_piano_heard"), |m| (*m).clone());
    InstrumentTuning {
        offset_from_a440_cents: mean_over(&own, takes_s, "no_piano_heard"),
        offset_from_band_cents: mean_over(&against.iter().collect::<Vec<_>>(), takes_s, "no_piano_heard"),
        drift_cents_per_min: Measured::absent("fixed_pitch"),
        at_start_cents: end(own.first()),
        at_end_cents: end(own.last()),
        retuned_at_s: Vec::new(),
        tuned_before_first_take_s: None,
    }
}

/// The curves of the takes on the seconds of the tape.
fn band_curve(bands: &[BandPitch], takes_s: &[(f64, f64)], seconds: usize) -> Vec<Option<f64>> {
    let mut out = vec![None; seconds];
    for (band, (start_s, _)) in bands.iter().zip(takes_s) {
        let own = out.iter_mut().skip((frame_at(*start_s) as f64 * HOP_S) as usize);
        own.zip(&band.curve).for_each(|(o, c)| *o = *c);
    }
    out
}

struct Followed {
    instrument: InstrumentTuning,
    curve: Vec<Option<f64>>,
    /// One a take.
    levels: Vec<Measured>,
}

impl Followed {
    fn over(
        heard: &[Heard],
        takes_s: &[(f64, f64)],
        bands: &[BandPitch],
        seconds: usize,
        moment: impl Fn(f64, f64) -> (f64, bool),
    ) -> Self {
        let none = heard.iter().find(|h| h.notes.is_empty()).map_or("too_few_notes", |h| h.reason);
        let levels: Vec<Measured> = heard.iter().map(Heard::level).collect();
        let retuned_at_s = retunings(&levels, takes_s, moment);
        let all: Vec<NoteOffset> = heard.iter().flat_map(|h| h.notes.iter().copied()).collect();
        let readings: Vec<CellReading> = heard.iter().flat_map(|h| h.readings.iter().copied()).collect();
        let systematic = heard.iter().filter(|h| !h.notes.is_empty()).map(|h| h.systematic_cents).fold(0.0, f64::max);
        let line = trend(&all, &readings, &retuned_at_s, systematic, none);
        let whole = level(&all, systematic, none);
        let whole = if retuned_at_s.is_empty() { whole } else { whole.with_warning("retuned_on_the_way") };
        let against: Vec<Measured> = levels.iter().zip(bands).map(|(l, b)| difference(l, &b.band)).collect();
        let instrument = InstrumentTuning {
            offset_from_a440_cents: whole,
            offset_from_band_cents: mean_over(&against.iter().collect::<Vec<_>>(), takes_s, none),
            drift_cents_per_min: line.drift_cents_per_min,
            at_start_cents: line.at_start_cents,
            at_end_cents: line.at_end_cents,
            retuned_at_s,
            tuned_before_first_take_s: None,
        };
        Self { instrument, curve: curve(&all, &levels, takes_s, seconds), levels }
    }
}

/// The last moment of tuning by this player between two takes, else the middle of the gap; and whether there was one.
fn tuned_between(
    passages: &[Passage],
    strings: &[Vec<OpenString>],
    player: StringPlayer,
    from_s: f64,
    to_s: f64,
) -> (f64, bool) {
    passages
        .iter()
        .zip(strings)
        .filter(|(p, s)| p.start_s >= from_s - 0.5 && p.end_s <= to_s + 0.5 && s.iter().any(|x| x.player == player))
        .map(|(p, _)| (p.end_s, true))
        .next_back()
        .unwrap_or(((from_s + to_s) / 2.0, false))
}
