//! A take in which the band stops, falls apart or starts afresh: each stretch is read by itself, with the tempo of the
//! clearest one as a hint for the others.
//!
//! Conventions: spans are seconds on the tape.
//!
//! Limits: a stretch shorter than [`SHORTEST_PIECE_S`] or with fewer than twelve beats stays without a tempo.

use super::beats::{BeatTrack, decode};
use super::features::TimeFeatures;
use super::hypotheses::TimeHints;

/// Shortest stretch that is read by itself, s.
pub const SHORTEST_PIECE_S: f64 = 6.0;
/// Music without a beat at either end that is read by itself, s.
const UNCOVERED_S: f64 = 10.0;
/// Tempi that differ by more than this share are read again with the clearest one as a hint.
const SAME_TEMPO: f64 = 0.08;
/// Fewest beats of the clearest piece where the whole has no steady beat.
const FEWEST_OF_CLEAREST: usize = 32;
/// Share of the beats' time found in one reading that the pieces must reach.
const LEAST_COVER: f64 = 0.8;

/// The take read in pieces, or `None` where it has no break or the pieces say less than the whole.
pub fn by_pieces(features: &TimeFeatures, span: (f64, f64), hints: &TimeHints, whole: &BeatTrack) -> Option<BeatTrack> {
    let edges = edges(span, whole);
    if edges.len() < 3 {
        return None;
    }
    let spans: Vec<(f64, f64)> = edges.windows(2).map(|w| (w[0], w[1])).collect();
    let read = |(a, b): (f64, f64), hints: &TimeHints| -> Option<BeatTrack> {
        (b - a >= SHORTEST_PIECE_S).then(|| decode(features, a, b, hints).ok()?.validated().ok())?
    };
    let mut pieces: Vec<Option<BeatTrack>> = spans.iter().map(|s| read(*s, hints)).collect();
    let clearest = pieces.iter().flatten().max_by(|a, b| a.weight().total_cmp(&b.weight()))?;
    // Many short stretches are many chances to take noise for a beat.
    let clear = clearest.level_probability >= super::CERTAIN_FROM && clearest.times_s.len() >= FEWEST_OF_CLEAREST;
    if !clear && whole.clone().validated().is_err() {
        return None;
    }
    let (bpm, meter) = (clearest.usual_bpm()?, clearest.meter);
    let hint = TimeHints { marked_bpm: hints.marked_bpm.or(Some(bpm)), beats_in_bar: Some(meter) };
    for (piece, span) in pieces.iter_mut().zip(&spans) {
        let agrees = piece
            .as_ref()
            .is_some_and(|p| p.meter == meter && p.usual_bpm().is_some_and(|own| (own / bpm).ln().abs() < SAME_TEMPO));
        if !agrees {
            *piece = read(*span, &hint);
        }
    }
    let track = joined(pieces.into_iter().flatten())?;
    (track.covered_s() >= LEAST_COVER * whole.covered_s()).then_some(track)
}

/// Where the pieces begin and end: the span's ends, the middles of its breaks, and long stretches without a beat.
fn edges(span: (f64, f64), whole: &BeatTrack) -> Vec<f64> {
    let mut edges = vec![span.0];
    let (Some(first), Some(last)) = (whole.times_s.first(), whole.times_s.last()) else { return edges };
    if first - span.0 > UNCOVERED_S {
        edges.push(first - 1.0);
    }
    edges.extend(
        whole.restarts.iter().filter(|at| **at > 0).map(|at| (whole.times_s[at - 1] + whole.times_s[*at]) / 2.0),
    );
    if span.1 - last > UNCOVERED_S {
        edges.push(last + 1.0);
    }
    edges.push(span.1);
    edges
}

/// The pieces one after the other.
fn joined(pieces: impl Iterator<Item = BeatTrack>) -> Option<BeatTrack> {
    pieces.reduce(|mut all, piece| {
        let (a, b) = (all.times_s.len() as f64, piece.times_s.len() as f64);
        let mean = |x: f64, y: f64| (a * x + b * y) / (a + b);
        all.clarity = mean(all.clarity, piece.clarity);
        all.onset_sd_s = mean(all.onset_sd_s, piece.onset_sd_s);
        all.level_probability = mean(all.level_probability, piece.level_probability);
        all.phase_probability = mean(all.phase_probability, piece.phase_probability);
        all.restarts.extend(piece.restarts.iter().map(|r| r + all.times_s.len()));
        all.times_s.extend(piece.times_s);
        all.in_bar.extend(piece.in_bar);
        all
    })
}

impl BeatTrack {
    /// How much a piece can be trusted to know the tempo: beats by how sure their level is.
    fn weight(&self) -> f64 {
        self.times_s.len() as f64 * self.level_probability
    }

    fn usual_bpm(&self) -> Option<f64> {
        self.usual_length_s().map(|length_s| 60.0 / length_s)
    }

    /// Seconds between beats that follow each other.
    fn covered_s(&self) -> f64 {
        (1..self.times_s.len())
            .filter(|i| !self.restarts.contains(i))
            .map(|i| self.times_s[i] - self.times_s[i - 1])
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::super::beats::tests::track_of as track;
    use super::*;

    #[test]
    fn pieces_end_in_the_middle_of_a_break_and_before_a_long_start_without_a_beat() {
        let times: Vec<f64> = (0..20).map(|i| 20.0 + 0.5 * f64::from(i) + if i < 10 { 0.0 } else { 6.0 }).collect();
        let whole = track(times, vec![0, 10]);
        assert_eq!(edges((0.0, 38.0), &whole), [0.0, 19.0, 27.75, 38.0]);
        assert_eq!(edges((15.0, 50.0), &whole), [15.0, 27.75, 36.5, 50.0]);
        assert!((whole.covered_s() - 9.0).abs() < 1e-9);
    }

    #[test]
    fn joined_pieces_keep_their_restarts() {
        let one = track((0..8).map(f64::from).collect(), vec![0]);
        let two = track((0..8).map(|i| 20.0 + f64::from(i)).collect(), vec![0, 5]);
        let all = joined([one, two].into_iter()).unwrap();
        assert_eq!(all.restarts, [0, 8, 13]);
        assert_eq!(all.times_s.len(), 16);
        assert_eq!(all.in_bar.len(), 16);
    }
}
