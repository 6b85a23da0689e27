//! Open strings in tuning passages: which ones were heard, when, and where each stood.
//!
//! Conventions: offsets in cents from equal temperament at A4 = 440 Hz, plus = sharp; strings by their sounding MIDI number.
//!
//! Method: in each frame the string is chosen that explains the peaks best (peaks explained, less peaks left over, less
//! partials missing); frames in a row on one string are a sounding. Its pitch is the mean of the first ten partials over
//! its second half, weighted by strength, number and how steadily they stand, near the pitch that a period detector names: on bright
//! basses the upper ones lead, up to 8 cents above the lowest three.
//!
//! Limits: a string more than 95 cents off its nominal pitch is not recognised; strings tuned to other pitches are not known. Of a bass that
//! sounds one or two strings while a guitar tunes nothing is told.

use std::collections::BTreeSet;
use std::ops::Range;

use crate::dsp::partials::weighted_median;
use crate::dsp::peaks::Peak;
use crate::stats::Measured;
use crate::units::midi_to_hz;

use super::compact::{HOP_S, PeakStore, frame_at};

/// Who owns a string.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StringPlayer {
    /// Bass, upright or electric.
    Bass,
    /// Guitar.
    Guitar,
}

/// Open strings that are looked for: four-string bass with low B and high C, guitar (standard tunings, sounding pitch).
pub const OPEN_STRINGS: [(StringPlayer, u8); 12] = [
    (StringPlayer::Bass, 23),
    (StringPlayer::Bass, 28),
    (StringPlayer::Bass, 33),
    (StringPlayer::Bass, 38),
    (StringPlayer::Bass, 43),
    (StringPlayer::Bass, 48),
    (StringPlayer::Guitar, 40),
    (StringPlayer::Guitar, 45),
    (StringPlayer::Guitar, 50),
    (StringPlayer::Guitar, 55),
    (StringPlayer::Guitar, 59),
    (StringPlayer::Guitar, 64),
];

/// Strings that only some basses have: low B and high C.
const RARE_STRINGS: [u8; 2] = [23, 48];

/// Can a string be there? Four strings on the bass leave out low B and high C, five bring one of them, six both.
fn possible(midi: u8, bass_strings: Option<u8>) -> bool {
    bass_strings.is_none_or(|n| n > RARE_FROM_STRINGS || !RARE_STRINGS.contains(&midi))
}

/// A bass with more strings than this has one that is rare.
const RARE_FROM_STRINGS: u8 = 4;

/// One sounding of an open string in a tuning passage.
#[derive(Clone, Debug)]
pub struct OpenString {
    /// Whose string.
    pub player: StringPlayer,
    /// Sounding pitch, MIDI number.
    pub string_midi: u8,
    /// Start of the sounding, seconds from the start of the tape.
    pub sounded_at_s: f64,
    /// Its end, seconds.
    pub ended_at_s: f64,
    /// Offset from A4 = 440 Hz; the count is that of the frames.
    pub offset_from_a440_cents: Measured,
}

/// A string is looked for this far around its nominal pitch, cents.
const REACH_CENTS: f64 = 95.0;
/// A peak is explained by a partial when it lies within this distance of a multiple of the fundamental, cents.
const EXPLAINED_CENTS: f64 = 25.0;
/// Partials that may explain a peak.
const PARTIALS: u32 = 12;
/// Partials that must not be missing: the first four, and two odd ones more, which two strings of the guitar that ring together do not have
/// between them (A2 with E2, which are the 2nd and 3rd of A1).
const NEEDED: [usize; 6] = [1, 2, 3, 4, 5, 7];
/// Partials whose pitch is measured: of the first of them the strongest near the string's place, of the others what lies near
/// the middle of the first.
const FIRST_MEASURED: u32 = 6;
const MEASURED: u32 = 10;
/// Peaks weaker than this share of the frame's strongest are left out.
const WEAKEST: f32 = 0.04;
/// Peaks within this factor of the middle of a frame's peaks are noise; frames with fewer peaks than this have none to spare.
const NOISE_FACTOR: f32 = 2.5;
const FEW_PEAKS: usize = 20;
/// A sounding lasts at least this many frames (0.32 s).
const SHORTEST: usize = 8;
/// Frames in a row that a sounding may lose.
const GAP: usize = 3;
/// Share of the peaks' strength that the string must explain.
const LEAST_EXPLAINED: f64 = 0.6;
/// Attack that is skipped, frames, and share of a sounding that is: plucked strings begin sharp and come to rest.
const ATTACK: usize = 6;
const EARLY_SHARE: f64 = 0.5;
/// How well a sounding is known.
struct Accuracy {
    /// Half of the 95 % interval of a clean one, cents.
    floor: f64,
    /// How much of the spread of the partials, and of how they wander, comes on top.
    between: f64,
    within: f64,
}

/// Basses: of 1815 soundings of 17 basses in rendered rooms the truth is inside on 94 to 97 of 100, whether their partials agree to half a cent or are 5 apart.
const BASS: Accuracy = Accuracy { floor: 1.1, between: 1.1, within: 0.9 };
/// Guitars: a thin string of some stands up to 3 cents from where its partials agree; 94 of 100 of 1562.
const GUITAR: Accuracy = Accuracy { floor: 2.6, between: 1.0, within: 0.7 };

/// Partials further than this from the others are another string's, cents.
const NEAR_MIDDLE_CENTS: f64 = 20.0;
/// A partial counts by its amplitude to this power times its number. A period detector weighs by the squares of both: stiff upper partials
/// would then pull the pitch up. Chosen on 2962 strings of seven recorded basses and four sound fonts and 1578 of nine recorded guitars
/// and four, to meet the pitch that such a detector names without the room; a recorder's low cut takes the lowest partials from a bass.
const STRENGTH_POWER: f64 = 1.6;
/// A partial that wanders by this much counts half: beside a hum line, or under the string before.
const STEADY_CENTS: f64 = 6.0;
/// Reach for the strings that only some basses have, cents.
const RARE_REACH_CENTS: f64 = 60.0;

struct Sounding {
    string: usize,
    first: usize,
    end: usize,
}

/// Every sounding of an open string in `start_s..end_s`, in time order; `bass_strings` is how many the bass has, where that is
/// known.
pub fn soundings(store: &PeakStore, start_s: f64, end_s: f64, bass_strings: Option<u8>) -> Vec<OpenString> {
    let (first, end) = (frame_at(start_s), frame_at(end_s).min(store.frames()));
    let chosen: Vec<Option<usize>> =
        (first..end).map(|i| choose(&store.frame(i).collect::<Vec<_>>(), bass_strings)).collect();
    without_strays(stretches(&chosen, first).iter().filter_map(|s| measure(store, s)).collect())
}

/// Where a guitar tunes, so few strings of a bass are two of its own that ring together: of 1076 rendered tapes five had one or two such, beside
/// five or six of the guitar, and every bass that did tune had three or four.
const STRAY_STRINGS: usize = 2;
const GUITAR_TUNES_FROM: usize = 4;

/// The soundings without strings of a bass that only a tuning guitar can have made.
fn without_strays(mut heard: Vec<OpenString>) -> Vec<OpenString> {
    let strings_of = |player: StringPlayer| {
        let own = heard.iter().filter(|s| s.player == player).map(|s| s.string_midi);
        own.collect::<BTreeSet<u8>>().len()
    };
    if strings_of(StringPlayer::Bass) <= STRAY_STRINGS && strings_of(StringPlayer::Guitar) >= GUITAR_TUNES_FROM {
        heard.retain(|s| s.player != StringPlayer::Bass);
    }
    heard
}

/// The last sounding of each string, in the order of [`OPEN_STRINGS`].
pub fn last_of_each(heard: &[OpenString]) -> Vec<OpenString> {
    let last = |(player, midi): &(StringPlayer, u8)| {
        heard.iter().rfind(|s| s.player == *player && s.string_midi == *midi).cloned()
    };
    OPEN_STRINGS.iter().filter_map(last).collect()
}

/// The string that explains the frame best.
fn choose(peaks: &[Peak], bass_strings: Option<u8>) -> Option<usize> {
    let strongest = peaks.iter().map(|p| p.amplitude).fold(0.0, f32::max);
    let floor = NOISE_FACTOR * median_amplitude(peaks);
    let loud: Vec<Peak> =
        peaks.iter().copied().filter(|p| p.amplitude > WEAKEST * strongest && p.amplitude > floor).collect();
    let mut best: Option<(f64, usize)> = None;
    for (index, (_, midi)) in OPEN_STRINGS.iter().enumerate().filter(|(_, (_, m))| possible(*m, bass_strings)) {
        let reach = if RARE_STRINGS.contains(midi) { RARE_REACH_CENTS } else { REACH_CENTS };
        let nominal = midi_to_hz(f64::from(*midi));
        let Some((score, share)) = explain(&loud, nominal, reach, f64::from(strongest)) else { continue };
        if share >= LEAST_EXPLAINED && best.is_none_or(|b| score > b.0) {
            best = Some((score, index));
        }
    }
    best.map(|b| b.1)
}

/// Most of a frame's peaks are noise: their middle is the level of the noise.
fn median_amplitude(peaks: &[Peak]) -> f32 {
    let mut levels: Vec<f32> = peaks.iter().map(|p| p.amplitude).collect();
    levels.sort_by(f32::total_cmp);
    levels.get(levels.len() / 2).copied().filter(|_| levels.len() >= FEW_PEAKS).unwrap_or(0.0)
}

/// Score of a string, and the share of the peaks' strength that it explains.
fn explain(peaks: &[Peak], nominal_hz: f64, reach_cents: f64, strongest: f64) -> Option<(f64, f64)> {
    let f0 = fundamental_near(peaks, nominal_hz, reach_cents)?;
    let (mut explained, mut left) = (0.0, 0.0);
    let mut heard = [false; PARTIALS as usize + 1];
    for p in peaks {
        let strength = f64::from(p.amplitude).sqrt();
        let number = (f64::from(p.hz) / f0).round();
        let near = number >= 1.0
            && number <= f64::from(PARTIALS)
            && (1200.0 * (f64::from(p.hz) / (number * f0)).log2()).abs() < EXPLAINED_CENTS;
        if near {
            explained += strength;
            heard[number as usize] = true;
        } else {
            left += strength;
        }
    }
    if !(heard[1] || heard[2] && heard[3]) {
        return None;
    }
    let missing = NEEDED.iter().filter(|n| !heard[**n]).count() as f64;
    let score = explained - left - 0.5 * missing * strongest.sqrt();
    (explained > 0.0).then(|| (score, explained / (explained + left)))
}

/// Fundamental behind the strongest peaks near multiples of the nominal pitch.
fn fundamental_near(peaks: &[Peak], nominal_hz: f64, reach_cents: f64) -> Option<f64> {
    let mut guesses = Vec::new();
    for number in 1..=6u32 {
        let target = nominal_hz * f64::from(number);
        // Neighbouring partials must not be taken for this one.
        for p in peaks {
            let cents = 1200.0 * (f64::from(p.hz) / target).log2();
            if cents.abs() < reach_cents {
                guesses.push((cents, f64::from(p.amplitude).sqrt()));
            }
        }
    }
    weighted_median(&guesses).map(|c| nominal_hz * 2f64.powf(c / 1200.0))
}

/// Stretches on one string; a few frames in between may be lost.
fn stretches(chosen: &[Option<usize>], first: usize) -> Vec<Sounding> {
    let mut out: Vec<Sounding> = Vec::new();
    for (i, c) in chosen.iter().enumerate() {
        let Some(string) = *c else { continue };
        let frame = first + i;
        match out.last_mut() {
            Some(s) if s.string == string && frame - s.end <= GAP => s.end = frame + 1,
            _ => out.push(Sounding { string, first: frame, end: frame + 1 }),
        }
    }
    out.retain(|s| s.end - s.first >= SHORTEST);
    out
}

/// One partial of a sounding: where it stands, how it wanders, what it counts.
struct Partial {
    cents: f64,
    wander: f64,
    weight: f64,
}

fn measure(store: &PeakStore, sounding: &Sounding) -> Option<OpenString> {
    let (player, midi) = OPEN_STRINGS[sounding.string];
    let nominal = midi_to_hz(f64::from(midi));
    let length = sounding.end - sounding.first;
    let skip = ATTACK.max((EARLY_SHARE * length as f64) as usize).min(length / 2);
    let frames = sounding.first + skip..sounding.end - 1;
    let read = |number, around, reach| partial(store, frames.clone(), nominal, number, around, reach);
    let mut partials: Vec<Partial> = (1..=FIRST_MEASURED).filter_map(|n| read(n, 0.0, REACH_CENTS)).collect();
    let middle = weighted_median(&partials.iter().map(|p| (p.cents, p.weight)).collect::<Vec<_>>())?;
    partials.extend((FIRST_MEASURED + 1..=MEASURED).filter_map(|n| read(n, middle, EXPLAINED_CENTS)));
    let near = || partials.iter().filter(|p| (p.cents - middle).abs() < NEAR_MIDDLE_CENTS);
    let value = mean(near(), |p| p.cents);
    let within = mean(near(), |p| p.wander);
    // One that is left out may have been the string's own: it does not move the value, but tells that it is not certain.
    let between = mean(partials.iter(), |p| (p.cents - value).powi(2)).sqrt();
    let known = if player == StringPlayer::Bass { BASS } else { GUITAR };
    let half = known.floor.hypot(known.between * between).hypot(known.within * within);
    let count = (sounding.end - sounding.first - skip) as u64;
    Some(OpenString {
        player,
        string_midi: midi,
        sounded_at_s: sounding.first as f64 * HOP_S,
        ended_at_s: sounding.end as f64 * HOP_S,
        offset_from_a440_cents: Measured::symmetric(value, half, count),
    })
}

/// Mean of what partials have, by what they count.
fn mean<'a>(partials: impl Iterator<Item = &'a Partial>, of: impl Fn(&Partial) -> f64) -> f64 {
    let (sum, total) = partials.fold((0.0, 0.0), |(sum, total), p| (sum + p.weight * of(p), total + p.weight));
    sum / total
}

/// A partial of the string of `nominal` Hz, the strongest peak of each frame that lies within `reach` cents of `around`; none where
/// most frames have none.
fn partial(
    store: &PeakStore,
    frames: Range<usize>,
    nominal: f64,
    number: u32,
    around: f64,
    reach: f64,
) -> Option<Partial> {
    let target = nominal * f64::from(number);
    let strongest = |frame| {
        store
            .frame(frame)
            .map(|p| (1200.0 * (f64::from(p.hz) / target).log2(), f64::from(p.amplitude)))
            .filter(|(c, _)| (c - around).abs() < reach)
            .max_by(|a, b| a.1.total_cmp(&b.1))
    };
    let most = frames.len().div_ceil(2);
    let own: Vec<(f64, f64)> = frames.filter_map(strongest).collect();
    if own.len() < most {
        return None;
    }
    let cents = weighted_median(&own)?;
    let wander = weighted_median(&own.iter().map(|(c, a)| ((c - cents).abs(), *a)).collect::<Vec<_>>())?;
    let strength = own.iter().map(|(_, a)| a.powf(STRENGTH_POWER)).sum::<f64>() / own.len() as f64;
    let steady = 1.0 / (1.0 + (wander / STEADY_CENTS).powi(2));
    Some(Partial { cents, wander, weight: strength * steady * f64::from(number) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_strings_of_a_guitar_are_not_a_string_of_the_bass() {
        let tone = |midi: f64, n: u32, amplitude: f32| Peak { hz: (midi_to_hz(midi) * f64::from(n)) as f32, amplitude };
        // A2 is played while E2 still rings.
        let mut peaks: Vec<Peak> = (1..=7).map(|n| tone(45.0, n, 0.1 / n as f32)).collect();
        peaks.extend([tone(40.0, 1, 0.03), tone(40.0, 2, 0.06)]);
        peaks.sort_by(|a, b| a.hz.total_cmp(&b.hz));
        let chosen = choose(&peaks, None).map(|index| OPEN_STRINGS[index]);
        assert_eq!(chosen, Some((StringPlayer::Guitar, 45)));
        let bass: Vec<Peak> = (1..=8).map(|n| tone(33.0, n, 0.1 / n as f32)).collect();
        assert_eq!(choose(&bass, None).map(|index| OPEN_STRINGS[index]), Some((StringPlayer::Bass, 33)));
    }

    #[test]
    fn one_or_two_strings_of_a_bass_while_a_guitar_tunes_are_the_guitars_and_three_are_a_bass() {
        let string = |(player, string_midi): (StringPlayer, u8)| OpenString {
            player,
            string_midi,
            sounded_at_s: 0.0,
            ended_at_s: 1.0,
            offset_from_a440_cents: Measured::symmetric(0.0, 2.0, 20),
        };
        let basses = |bass: usize, guitar: usize| {
            let own = OPEN_STRINGS[1..=bass].iter().chain(&OPEN_STRINGS[6..6 + guitar]);
            // A string that sounds twice is one.
            let heard = own.chain(&OPEN_STRINGS[1..=bass.min(1)]).copied().map(string).collect();
            without_strays(heard).iter().filter(|s| s.player == StringPlayer::Bass).count()
        };
        assert_eq!([basses(1, 5), basses(2, 4)], [0, 0]);
        assert_eq!([basses(3, 6), basses(4, 6), basses(1, 3), basses(2, 0)], [4, 5, 2, 3]);
    }

    /// The D string of a bass for 1.2 s, its fundamental `low_cents` under its other partials.
    fn sounding(low_cents: f64) -> OpenString {
        let mut store = PeakStore::default();
        let peak = |n: u32| {
            let cents = if n == 1 { -low_cents } else { 0.0 };
            let hz = midi_to_hz(38.0 + cents / 100.0) * f64::from(n);
            Peak { hz: hz as f32, amplitude: 0.1 / n as f32 }
        };
        (0..30).for_each(|_| store.push(&(1..=8).map(peak).collect::<Vec<_>>()));
        soundings(&store, 0.0, 1.2, None).remove(0)
    }

    #[test]
    fn a_loud_partial_that_is_left_out_widens_the_interval() {
        let clear = sounding(0.0).offset_from_a440_cents;
        assert!(clear.value.unwrap().abs() < 0.3 && clear.half_width() < 1.3, "{clear:?}");
        let doubtful = sounding(24.0).offset_from_a440_cents;
        assert!(doubtful.value.unwrap().abs() < 1.0 && doubtful.half_width() > 9.0, "{doubtful:?}");
    }
}
