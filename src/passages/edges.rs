//! Where exactly a take begins: at the first stroke after the gap that lies before it.
//!
//! Conventions: subframes are the short spectra, 21.3 ms apart; levels are those of 120 Hz..9 kHz.

use super::PassageKind;
use super::features::{FRAMES_A_SECOND, Frame, SUBFRAMES};
use super::spans::Span;

/// The gap is sought from this long before the course of classes turns to this long after, s. The classifier hears the
/// music coming and turns early rather than late.
const BEFORE_S: f64 = 0.5;
const AFTER_S: f64 = 1.6;
/// A gap is this quiet against the deepest point of the search, dB; the earliest one counts.
const GAP_SLACK_DB: f64 = 3.0;
/// The first stroke stands this far above the gap, dB.
const STROKE_DB: f64 = 8.0;
/// Subframes that a gap must last, 85 ms.
const GAP_SUBFRAMES: usize = 4;

/// Moves the start of every take to its first stroke. Spans keep at least one frame.
pub fn refine(spans: &mut [Span], frames: &[Frame]) {
    for at in 1..spans.len() {
        let (before, take) = (spans[at - 1], spans[at]);
        if take.kind != PassageKind::Take || before.kind == PassageKind::Take {
            continue;
        }
        if let Some(start) = first_stroke(frames, take.from) {
            let start = start.clamp(before.from + 1, take.to - 1);
            spans[at - 1].to = start;
            spans[at].from = start;
        }
    }
}

/// Frame of the first stroke after the gap near frame `turn`; `None` when there is no gap.
fn first_stroke(frames: &[Frame], turn: usize) -> Option<usize> {
    let from = turn.saturating_sub((BEFORE_S * FRAMES_A_SECOND) as usize);
    let to = (turn + (AFTER_S * FRAMES_A_SECOND) as usize).min(frames.len());
    let level: Vec<f64> = frames[from..to].iter().flat_map(|f| f.wide.map(Frame::level_dbfs)).collect();
    // The level of a gap is its loudest subframe, so that a pause of the envelope inside a word is none.
    let gap: Vec<f64> = level.windows(GAP_SUBFRAMES).map(|w| w.iter().copied().fold(f64::MIN, f64::max)).collect();
    let deepest = gap.iter().copied().fold(f64::MAX, f64::min);
    let start = gap.iter().position(|l| *l <= deepest + GAP_SLACK_DB)?;
    let stroke = (start..level.len()).find(|i| level[*i] >= deepest + STROKE_DB)?;
    Some(from + stroke / SUBFRAMES)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(wide_dbfs: f64) -> Frame {
        Frame { wide: [(2.0 * (wide_dbfs + 120.0)) as u8; SUBFRAMES], ..Frame::default() }
    }

    #[test]
    fn a_take_starts_at_the_stroke_after_the_gap_not_where_the_course_turned() {
        let mut frames = vec![frame(-40.0); 40]; // a speaker
        frames.extend(vec![frame(-70.0); 8]); // the gap
        frames.extend(vec![frame(-30.0); 60]); // the band
        let talk = Span { kind: PassageKind::Talk, from: 0, to: 41 };
        let mut spans = [talk, Span { kind: PassageKind::Take, from: 41, to: 108 }];
        refine(&mut spans, &frames);
        assert_eq!((spans[0].to, spans[1].from), (48, 48));
    }

    #[test]
    fn without_a_gap_the_start_stays() {
        let frames = vec![frame(-40.0); 100];
        let mut spans =
            [Span { kind: PassageKind::Talk, from: 0, to: 50 }, Span { kind: PassageKind::Take, from: 50, to: 100 }];
        refine(&mut spans, &frames);
        assert_eq!(spans[1].from, 50);
    }
}
