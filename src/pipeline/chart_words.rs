//! The charts of the season in the words of its picture.

use crate::chart::SeasonChart;
use crate::season::{ChartPlayed, ChartWeek, Season};
use crate::stats::Measured;

/// The charts that more than one rehearsal played, one entry a rehearsal.
pub fn season_charts(season: &Season) -> Vec<SeasonChart> {
    let weekly = |chart: &&ChartPlayed| chart.weeks.iter().filter(|w| w.bpm.value.is_some()).count() > 1;
    season.charts.iter().filter(weekly).map(|chart| season_chart(season, chart)).collect()
}

fn season_chart(season: &Season, chart: &ChartPlayed) -> SeasonChart {
    let values = |read: fn(&ChartWeek) -> &Measured| -> Vec<Option<f64>> {
        let of = |date: &str| chart.weeks.iter().find(|w| w.date == date).and_then(|w| read(w).value);
        season.rehearsals.iter().map(|r| of(&r.date)).collect()
    };
    SeasonChart {
        name: chart.name.clone(),
        tempo_bpm: values(|w| &w.bpm),
        drift_percent: values(|w| &w.drift_percent),
        bass_cents: values(|w| &w.bass_offset_from_band_cents),
    }
}
