//! The time measures in the words of the report.

use crate::measure::time::{self, TakeTime};
use crate::report::{BarPicture, FeelFacts, SlippedBar, Span, TempoFacts, TimeDetail};

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

/// Where in a take and in the bar time is kept or lost.
pub fn time_detail(time: &TakeTime) -> TimeDetail {
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
    }
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
