//! Side by side: tuning of bass and guitar against the band, and how the tempo of the takes held.

use super::super::canvas::{Align, Area, Canvas, Type};
use super::super::dots::{self, Look, Mark, Row};
use super::super::theme::{SOFT_INK, TypeSizes};
use super::super::words;
use crate::report::{PlayerTuning, Report, TakeFacts, TakeTuning};
use crate::stats::Measured;

/// Cents that count as in tune, and percent that count as held: the zones of the two scales.
const IN_TUNE_CENTS: f64 = 5.0;
const HELD_PERCENT: f64 = 1.5;
const GAP: f32 = 50.0;

type Pick = fn(&TakeTuning) -> &PlayerTuning;
const PLAYERS: [(&str, Pick); 2] = [("bass", |t| &t.bass), ("guitar", |t| &t.guitar)];

/// The planned rows.
pub struct Players {
    tuning: Vec<Row>,
    time: Vec<Row>,
    is_band: bool,
    shown: (usize, usize),
}

impl Players {
    /// Plans at most `most` rows a side: of many takes the longest.
    pub fn plan(report: &Report, most: usize) -> Self {
        let is_band = words::finite(&report.tuning.concert_pitch_hz).is_some();
        let takes = longest_in_order(&report.takes, most);
        let tuning = tuning_rows(report, is_band, most);
        let time = if takes.is_empty() {
            vec![Row { label: String::new(), marks: Vec::new(), said: "no playing was found".into() }]
        } else {
            takes.iter().map(|i| time_row(*i, &report.takes[*i])).collect()
        };
        Self { tuning, time, is_band, shown: (takes.len(), report.takes.len()) }
    }

    /// Pixels that the part needs.
    pub fn height(&self, sizes: &TypeSizes) -> f32 {
        super::part_heading_height(sizes) + dots::height(self.tuning.len().max(self.time.len()), sizes)
    }

    /// Draws it from the top of `area`.
    pub fn draw(&self, c: &mut Canvas, area: Area, sizes: &TypeSizes) {
        let middle = (area.left + area.right) / 2.0;
        let left = Area { right: middle - GAP / 2.0, ..area };
        let right = Area { left: middle + GAP / 2.0, ..area };
        let against = if self.is_band { "the band" } else { "A = 440 Hz" };
        let top = super::part_heading(c, left, area.top, &format!("Tuning against {against} (cents)"), sizes);
        let reach = dots::reach(&self.tuning, 15.0, 5.0, 60.0);
        let look = Look {
            range: (-reach, reach),
            zone: (-IN_TUNE_CENTS, IN_TUNE_CENTS),
            ends: ("flat", "sharp"),
            unit: "",
            gutters: (215.0, 115.0),
        };
        dots::draw(c, Area { top, ..left }, &self.tuning, &look, sizes);
        let heading = match self.shown {
            (shown, all) if shown < all => format!("Tempo over the {shown} longest takes (%)"),
            _ => "Tempo over each take (%)".to_owned(),
        };
        let top = super::part_heading(c, right, area.top, &heading, sizes);
        let reach = dots::reach(&self.time, 5.0, 5.0, 30.0);
        let look = Look {
            range: (-reach, reach),
            zone: (-HELD_PERCENT, HELD_PERCENT),
            ends: ("slows down", "speeds up"),
            unit: "",
            gutters: (165.0, 225.0),
        };
        let bottom = dots::draw(c, Area { top, ..right }, &self.time, &look, sizes);
        if self.time.iter().any(|r| r.said.contains("hat")) {
            let kind = Type::regular(sizes.small, SOFT_INK);
            c.text(right.right, bottom - sizes.small * 0.3, "hat: on 2 and 4", kind, Align::Right);
        }
    }
}

fn longest_in_order(takes: &[TakeFacts], most: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..takes.len()).collect();
    let length = |i: &usize| takes[*i].end_s - takes[*i].start_s;
    order.sort_by(|a, b| length(b).total_cmp(&length(a)).then(a.cmp(b)));
    order.truncate(most);
    order.sort_unstable();
    order
}

/// Rows of each player; a player without any value gets one row that says why.
fn tuning_rows(report: &Report, is_band: bool, most: usize) -> Vec<Row> {
    let of = |t: &TakeFacts, pick: Pick| -> Measured {
        let p = pick(&t.tuning);
        if is_band { p.offset_from_band_cents.clone() } else { p.offset_from_a440_cents.clone() }
    };
    let told = PLAYERS.iter().filter(|(_, pick)| report.takes.iter().any(|t| words::finite(&of(t, *pick)).is_some()));
    let silent = PLAYERS.len() - told.count();
    let each = most.saturating_sub(silent).max(1) / (PLAYERS.len() - silent).max(1);
    let mut rows = Vec::new();
    for (name, pick) in PLAYERS {
        let known: Vec<(usize, Measured)> = report
            .takes
            .iter()
            .enumerate()
            .map(|(i, t)| (i, of(t, pick)))
            .filter(|(_, m)| words::finite(m).is_some())
            .collect();
        if known.is_empty() {
            let why = report.takes.first().map(|t| words::why_absent(&of(t, pick)));
            let why = why.unwrap_or_else(|| "no playing was found".to_owned());
            rows.push(Row { label: words::capital(name), marks: Vec::new(), said: format!("not said: {why}") });
            continue;
        }
        for (i, m) in spread_over(known, each) {
            let label = format!("{}, take {}", words::capital(name), i + 1);
            let said = words::finite(&m).map_or_else(String::new, |v| words::number(v, 0, true));
            rows.push(Row { label, marks: vec![(Mark::Now, m)], said });
        }
    }
    rows
}

/// At most `most` of them, the first and the last among them.
fn spread_over<T>(items: Vec<T>, most: usize) -> Vec<T> {
    let n = items.len();
    if n <= most || most < 2 {
        return items.into_iter().take(most.max(1)).collect();
    }
    let keep: Vec<usize> = (0..most).map(|k| k * (n - 1) / (most - 1)).collect();
    items.into_iter().enumerate().filter(|(i, _)| keep.contains(i)).map(|(_, item)| item).collect()
}

fn time_row(index: usize, take: &TakeFacts) -> Row {
    let label = match words::finite(&take.tempo.bpm) {
        Some(bpm) => format!("{}: {} bpm", index + 1, words::number(bpm, 0, false)),
        None => format!("{}", index + 1),
    };
    let drift = &take.tempo.drift_percent;
    if words::finite(drift).is_none() {
        return Row { label, marks: Vec::new(), said: format!("not said: {}", words::why_absent(drift)) };
    }
    let change = words::finite(drift).map_or_else(String::new, |v| words::number(v, 1, true));
    let hat = words::finite(&take.feel.hat_on_2_and_4_percent);
    let hat = hat.map_or_else(String::new, |v| format!("; hat {} %", words::number(v, 0, false)));
    let said = format!("{change}{hat}");
    Row { label, marks: vec![(Mark::Now, drift.clone())], said }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_many_takes_first_and_last_stay() {
        assert_eq!(spread_over((0..9).collect(), 3), [0, 4, 8]);
        assert_eq!(spread_over((0..2).collect(), 3), [0, 1]);
        assert_eq!(spread_over((0..5).collect(), 1), [0]);
    }
}
