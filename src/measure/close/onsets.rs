//! Onsets of one player in a recording close to that player.
//!
//! Conventions: the onset of a note is, by rule, where its sound has a tenth of its largest amplitude; seconds on the clock of
//! the envelope. Method: candidates are the moments at which the sound of the milliseconds to come is largest against those
//! before; the onset is the first crossing of a tenth of the note's top. Where the note before still sounds, the first crossing of
//! a little more than that, and from there back along the rise to a tenth.
//! Limits: a note that does not rise by [`Look::least_rise`] above what sounds before is not seen.

use super::envelope::Envelope;

/// How onsets are looked for.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// A note has its top within this many milliseconds.
    pub top_ms: usize,
    /// Its top is at least this many times what sounds before.
    pub least_rise: f32,
    /// What sounds before: the milliseconds from this one to the third before a candidate.
    pub before_ms: usize,
    /// The share of the top that is looked for.
    pub share: f32,
    /// Back along the rise where the note before still sounds.
    pub back: bool,
}

/// A bass: its tops come late, and its notes run into each other.
pub const BASS: Look = Look { top_ms: 100, least_rise: 1.8, before_ms: 30, share: 0.1, back: true };
/// Cymbals and sticks: they rise within a millisecond, and a third of the top is mostly the stroke that is loudest when two fall together.
pub const DRUMS: Look = Look { top_ms: 30, least_rise: 2.0, before_ms: 25, share: 0.3, back: false };
/// Cymbals heard through the whole band.
pub const DRUMS_IN_ROOM: Look = Look { top_ms: 30, least_rise: 1.6, before_ms: 25, share: 0.3, back: false };
/// Chords of guitar or piano.
pub const CHORDS: Look = Look { top_ms: 60, least_rise: 2.0, before_ms: 25, share: 0.1, back: false };

/// Milliseconds right before a candidate that do not count as before it.
const NOT_BEFORE_MS: usize = 3;
/// The rise is measured up to this share of the way to the top, and followed back by no more than so many milliseconds.
const RISE_SHARE: f32 = 0.6;
const MOST_BACK_MS: f64 = 12.0;
/// Onsets are at least this far apart.
const APART_MS: usize = 80;
/// Tops this far under the loud ones are no notes (-26 dB).
const LEAST_TOP: f32 = 0.05;
/// How far above what sounds before.
const ABOVE_BEFORE: f32 = 1.25;

/// An onset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// When, s.
    pub at_s: f64,
    /// Largest amplitude of the note.
    pub top: f32,
}

/// Onsets from `start_s` to `end_s`, in time order.
pub fn onsets(envelope: &Envelope, start_s: f64, end_s: f64, look: Look) -> Vec<Onset> {
    let (peaks, first_s) = envelope.peaks(start_s, end_s);
    let n = peaks.len();
    if n < look.before_ms + look.top_ms + 2 {
        return Vec::new();
    }
    let tops = largest_ahead(&peaks, look.top_ms);
    let sounding = largest_ahead(&peaks, look.before_ms - NOT_BEFORE_MS);
    let usual: Vec<f64> = tops.iter().map(|t| f64::from(*t)).collect();
    let floor = LEAST_TOP * crate::stats::quantile(&usual, 0.9).unwrap_or(0.0) as f32;
    let before = |at: usize| sounding[at - look.before_ms];
    let rise = |at: usize| tops[at] / before(at).max(1e-9);
    let mut order: Vec<usize> =
        (look.before_ms..n - 1).filter(|&at| tops[at] > floor && rise(at) > look.least_rise).collect();
    order.sort_by(|a, b| rise(*b).total_cmp(&rise(*a)).then(a.cmp(b)));
    let mut taken = vec![false; n];
    let mut out = Vec::new();
    for at in order {
        if taken[at] {
            continue;
        }
        taken[at.saturating_sub(APART_MS.max(look.top_ms))..(at + APART_MS).min(n)].fill(true);
        // Candidates up to a top's length before a note lead to the same onset.
        let new = |at_s: f64| out.iter().all(|o: &Onset| (o.at_s - at_s).abs() * 1000.0 >= APART_MS as f64);
        let place = start_of(&peaks, at - 2, (tops[at], before(at)), look);
        if let Some(at_s) = place.map(|p| first_s + p / 1000.0).filter(|at_s| new(*at_s)) {
            out.push(Onset { at_s, top: tops[at] });
        }
    }
    out.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    out
}

/// Where a note begins that has its top and what sounds before it.
fn start_of(peaks: &[f32], from: usize, (top, before): (f32, f32), look: Look) -> Option<f64> {
    let wanted = look.share * top;
    let seen = wanted.max(ABOVE_BEFORE * before);
    let place = crossing(peaks, from, look.top_ms, seen)?;
    if !look.back || seen <= wanted {
        return Some(place);
    }
    let high = seen + RISE_SHARE * (top - seen);
    let Some(later) = crossing(peaks, place as usize, look.top_ms, high) else { return Some(place) };
    let back = f64::from(seen - wanted) * (later - place) / f64::from(high - seen).max(1e-9);
    Some(place - back.clamp(0.0, MOST_BACK_MS))
}

/// First place from `from` on at which the peaks reach `level`, on a straight line between the middles of milliseconds.
fn crossing(peaks: &[f32], from: usize, within: usize, level: f32) -> Option<f64> {
    let end = (from + within + 2).min(peaks.len());
    let at = (from.max(1)..end).find(|i| peaks[*i] >= level)?;
    let (low, high) = (peaks[at - 1], peaks[at]);
    let part = if high > low { ((level - low) / (high - low)).clamp(0.0, 1.0) } else { 0.0 };
    Some(at as f64 - 0.5 + f64::from(part))
}

/// The largest of each value and the `count - 1` that follow.
fn largest_ahead(values: &[f32], count: usize) -> Vec<f32> {
    let mut queue: std::collections::VecDeque<usize> = std::collections::VecDeque::new();
    let mut out = vec![0.0; values.len()];
    for i in (0..values.len()).rev() {
        while queue.back().is_some_and(|j| values[*j] <= values[i]) {
            queue.pop_back();
        }
        queue.push_back(i);
        while queue.front().is_some_and(|j| *j >= i + count) {
            queue.pop_front();
        }
        out[i] = queue.front().map_or(0.0, |j| values[*j]);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::envelope::Range;
    use super::*;

    /// Decaying notes of `hz` at `times`, each rising straight over `rise_s`.
    fn notes(hz: f64, times: &[f64], rise_s: f64) -> Vec<f32> {
        let note = |t: f64| if t < 0.0 { 0.0 } else { (t / rise_s).min(1.0) * (-t / 0.25).exp() };
        (0..48_000 * 3)
            .map(|i| {
                let t = f64::from(i) / 48_000.0;
                let last = times.iter().rev().find(|at| **at <= t);
                last.map_or(0.0, |at| 0.5 * note(t - at) * (std::f64::consts::TAU * hz * (t - at)).cos()) as f32
            })
            .collect()
    }

    #[test]
    fn onsets_lie_where_a_tenth_of_the_top_is_reached() {
        let times = [0.5, 0.9, 1.31, 1.7, 2.2];
        for (range, hz, rise_s) in [(Range::Below(1000.0), 247.0, 0.006), (Range::Above(3000.0), 6000.0, 0.001)] {
            let mut envelope = Envelope::new(range);
            envelope.push(&notes(hz, &times, rise_s));
            let look = if hz < 400.0 { BASS } else { DRUMS };
            let found = onsets(&envelope, 0.0, 3.0, look);
            assert_eq!(found.len(), times.len(), "{hz}: {found:?}");
            for (onset, at) in found.iter().zip(times) {
                let off_ms = 1000.0 * (onset.at_s - at - 0.1 * rise_s);
                assert!(off_ms.abs() < 1.5, "{hz} {at}: {off_ms} ms");
            }
        }
    }

    #[test]
    fn neither_the_periods_of_a_low_note_nor_the_time_before_a_note_are_onsets() {
        // One pulse a period of 24 ms; each note rings on until the next one, half as loud by then.
        let times = [0.3, 0.65, 1.0, 1.35, 1.7, 2.05, 2.4];
        let x: Vec<f32> = (0..48_000 * 3)
            .map(|i| {
                let t = f64::from(i) / 48_000.0;
                let since = times.iter().rev().find(|at| **at <= t).map_or(-1.0, |at| t - at);
                let pulse = (0.5 + 0.5 * (std::f64::consts::TAU * 41.2 * since).cos()).powi(8);
                if since < 0.0 { 0.0 } else { (0.5 * (-since / 0.5).exp() * pulse) as f32 }
            })
            .collect();
        let mut envelope = Envelope::new(Range::Below(1000.0));
        envelope.push(&x);
        let found = onsets(&envelope, 0.0, 3.0, BASS);
        let near = |o: &Onset| times.iter().any(|at| (o.at_s - at).abs() < 0.01);
        assert!(!found.is_empty() && found.iter().all(near), "{found:?}");
    }

    #[test]
    fn silence_and_steady_sound_have_no_onset() {
        let mut envelope = Envelope::new(Range::Below(1000.0));
        envelope.push(&vec![0.0; 96_000]);
        assert!(onsets(&envelope, 0.0, 2.0, BASS).is_empty());
        let tone: Vec<f32> = (0..96_000).map(|i| (i as f32 * 0.02).sin() * 0.3).collect();
        envelope.push(&tone);
        assert!(onsets(&envelope, 2.2, 4.0, BASS).is_empty());
    }
}
