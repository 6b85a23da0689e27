//! The time measures in the words of the report.

use rayon::prelude::*;

use crate::measure::time::{self, TakeTime, TimeFeatures};
use crate::report::{BarPicture, PartChange, PartFacts, PartTime, SlippedBar, Span, TimeDetail};
use crate::report::{FeelFacts, TempoFacts};
use crate::stats::Measured;

/// Tempo of a take.
pub fn tempo_facts(tempo: &time::TempoFacts) -> TempoFacts {
    TempoFacts {
        bpm: tempo.bpm.clone(),
        drift_percent: tempo.drift_percent.clone(),
        steadiness_percent: tempo.steadiness_percent.clone(),
        beat_times_s: tempo.beat_times_s.clone(),
        beat_in_bar: tempo.beat_in_bar.clone(),
    }
}

/// Feel of a take.
pub fn feel_facts(feel: &time::FeelFacts) -> FeelFacts {
    FeelFacts {
        swing_ratio: feel.swing_ratio.clone(),
        hat_on_2_and_4_percent: feel.hat_on_2_and_4_percent.clone(),
        backbeat_heavy: feel.backbeat_heavy.clone(),
        kick_re_ride_db: feel.kick_re_ride_db.clone(),
        bass_to_drums_ms: feel.bass_to_drums_ms.clone(),
        comping_onsets_per_bar: feel.comping_onsets_per_bar.clone(),
    }
}

/// Where in a take and in the bar time is kept or lost. `parts`: those of the take; `marked_bpm`: what the band sheet asks for.
pub fn time_detail(time: &TakeTime, parts: &[PartFacts], marked_bpm: Option<f64>) -> TimeDetail {
    let slipped = |s: &time::SlippedBar| SlippedBar {
        bar: s.bar,
        start_s: s.start_s,
        end_s: s.end_s,
        change_percent: s.change_percent.clone(),
    };
    let picture = &time.bar_picture;
    TimeDetail {
        slipped_bars: time.slipped_bars.iter().map(slipped).collect(),
        without_beat: time.without_beat.iter().map(|&(start_s, end_s)| Span { start_s, end_s }).collect(),
        bar_picture: BarPicture {
            bars: picture.bars,
            beats: picture.beats,
            kick: picture.kick.clone(),
            snare: picture.snare.clone(),
            cymbals: picture.cymbals.clone(),
            hi_hat_closing: picture.hi_hat_closing.clone(),
            bass: picture.bass.clone(),
        },
        bass_to_drums_at_most_ms: time.feel.bass_to_drums_at_most_ms.clone(),
        bass_to_drums_spread_ms: time.feel.bass_to_drums_spread_ms.clone(),
        phrase_steadiness_percent: time.phrase_steadiness_percent.clone(),
        onset_spread_ms: time.onset_spread_ms.clone(),
        re_marked_tempo_percent: re_marked_percent(&time.tempo.bpm, marked_bpm),
        part_changes: part_changes(time, parts),
        lead_in_percent: time.lead_in_percent(&starts_of_parts(parts)),
        published_swing_ratio: time.tempo.bpm.value.map(time::swing::published_ratio),
        crowded_bars: Vec::new(),
    }
}

/// Tempo against the marked one, percent.
fn re_marked_percent(bpm: &Measured, marked_bpm: Option<f64>) -> Measured {
    let Some(marked) = marked_bpm.filter(|m| *m > 0.0) else { return Measured::absent("no_marked_tempo") };
    let percent = |v: f64| 100.0 * (v / marked - 1.0);
    Measured { value: bpm.value.map(percent), low: bpm.low.map(percent), high: bpm.high.map(percent), ..bpm.clone() }
}

/// Starts of the parts, s; the first begins no change.
fn starts_of_parts(parts: &[PartFacts]) -> Vec<f64> {
    parts.iter().skip(1).map(|p| p.start_s).collect()
}

/// The changes of tempo where parts begin, with the parts' labels.
fn part_changes(time: &TakeTime, parts: &[PartFacts]) -> Vec<PartChange> {
    let named = |change: time::PartChange| {
        // The first part begins no change.
        let part = parts.get(change.start + 1)?;
        Some(PartChange {
            label: part.label.clone(),
            bar: change.bar,
            at_s: change.at_s,
            change_percent: change.change_percent,
            stands_out: change.stands_out,
        })
    };
    time.part_changes(&starts_of_parts(parts)).into_iter().filter_map(named).collect()
}

/// Time and kit of every part.
pub fn part_times(features: &TimeFeatures, take: &TakeTime, spans: &[(f64, f64)]) -> Vec<PartTime> {
    let of = |&(start_s, end_s): &(f64, f64)| {
        let part = time::measure_part(features, take, start_s, end_s);
        PartTime {
            bpm: part.tempo.bpm,
            drift_percent: part.tempo.drift_percent,
            steadiness_percent: part.tempo.steadiness_percent,
            swing_ratio: part.swing_ratio,
            hat_on_2_and_4_percent: part.kit.hat_on_2_and_4_percent,
            backbeat_heavy: part.kit.backbeat_heavy,
            kick_re_ride_db: part.kit.kick_re_ride_db,
        }
    };
    spans.par_iter().map(of).collect()
}

/// Local tempo, one value a hop: the point of the takes' curves that lies nearest to the middle of the hop, if any lies in it.
pub fn tempo_curve(takes: &[TakeTime], hop_s: f64, hops: usize) -> Vec<Option<f64>> {
    let mut curve: Vec<Option<(f64, f64)>> = vec![None; hops];
    for &(at_s, bpm) in takes.iter().flat_map(|t| &t.tempo.curve) {
        let Some(slot) = curve.get_mut((at_s / hop_s).max(0.0) as usize) else { continue };
        let off_middle = (at_s / hop_s).fract() - 0.5;
        if slot.is_none_or(|(kept, _): (f64, f64)| off_middle.abs() < kept.abs()) {
            *slot = Some((off_middle, bpm));
        }
    }
    curve.into_iter().map(|slot| slot.map(|(_, bpm)| bpm)).collect()
}
