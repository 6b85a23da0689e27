//! The measures that are followed over the season, in one table.
//!
//! Conventions: the unit is in the id. A measure that no report carries does not appear in the season; it comes in by itself
//! once reports have values. How several tapes of a day become one value stands beside each row.

use super::combine::{Rule, Weighted};
use crate::passages::PassageKind;
use crate::report::{Report, TakeFacts, Verdict};
use crate::stats::Measured;

/// What may break a line besides a new method.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hears {
    /// Times and pitches: the same on every recorder.
    Anything,
    /// Levels and balance: another recorder hears them otherwise.
    Recorder,
}

/// A row of the table.
#[derive(Clone, Copy)]
pub struct Measure {
    /// Id, with the unit.
    pub id: &'static str,
    /// What it is, in plain words, for the axis of a picture.
    pub title: &'static str,
    /// Unit as it is printed.
    pub unit: &'static str,
    /// Families whose methods move its numbers.
    pub families: &'static [&'static str],
    /// What may break its line.
    pub hears: Hears,
    /// How takes and tapes of a day are combined.
    pub rule: Rule,
    /// Its readings in a report.
    pub read: fn(&Report) -> Vec<Weighted>,
}

/// A row as it is written below: id, title, unit, families, hears, rule, read.
type Row =
    (&'static str, &'static str, &'static str, &'static [&'static str], Hears, Rule, fn(&Report) -> Vec<Weighted>);

use Hears::{Anything, Recorder};
use Rule::{Mean, PowerMean, Sum};

#[rustfmt::skip]
const ROWS: &[Row] = &[
    // Takes against everything else, over all tapes of the day.
    ("playing_share_percent", "share of the tape spent playing", "%", &["passages"], Anything, Mean, playing_share),
    // All tapes of the day together; two recorders that ran at the same time count twice (warned about).
    ("takes_minutes", "minutes of playing", "min", &["passages"], Anything, Sum, takes_minutes),
    // The loudness of all takes played one after the other.
    ("integrated_lufs", "loudness of the takes", "LUFS", &["passages", "loudness"], Recorder, PowerMean,
        |r| if_trusted(&r.health.trusted_for.loudness_over_time, by_take(r, |t| t.loudness.integrated_lufs.clone()))),
    // Mean over the takes by length: how wide a take is, not how far takes lie apart.
    ("range_lu", "loudness range of the takes", "LU", &["passages", "loudness"], Recorder, Mean,
        |r| if_trusted(&r.health.trusted_for.loudness_over_time, by_take(r, |t| t.loudness.range_lu.clone()))),
    // Mean of the tapes' excess in dB by seconds of playing.
    ("low_end_excess_db", "low end against the target", "dB", &["passages", "balance"], Recorder, Mean,
        |r| if_trusted(&r.health.trusted_for.low_end, by_tape(r, &r.balance.low_end_excess_db))),
    ("tilt_db_per_octave", "tilt of the spectrum", "dB/octave", &["passages", "balance"], Recorder, Mean,
        |r| if_trusted(&r.health.trusted_for.balance, by_tape(r, &r.balance.tilt_db_per_octave))),
    // Share of all frames of the day.
    ("clipped_percent", "clipped share of the recording", "%", &["health"], Recorder, Mean,
        |r| vec![Weighted { measured: r.health.clipped_percent.clone(), weight: r.tape.duration_s }]),
    ("bass_offset_from_a440_cents", "bass against A = 440 Hz", "cents", &["passages", "tuning"], Anything, Mean,
        |r| tuned(r, &r.tuning.instruments.bass.offset_from_a440_cents)),
    ("guitar_offset_from_a440_cents", "guitar against A = 440 Hz", "cents", &["passages", "tuning"], Anything, Mean,
        |r| tuned(r, &r.tuning.instruments.guitar.offset_from_a440_cents)),
    ("bass_offset_from_band_cents", "bass against the band", "cents", &["passages", "tuning"], Anything, Mean,
        |r| tuned(r, &r.tuning.instruments.bass.offset_from_band_cents)),
    ("guitar_offset_from_band_cents", "guitar against the band", "cents", &["passages", "tuning"], Anything, Mean,
        |r| tuned(r, &r.tuning.instruments.guitar.offset_from_band_cents)),
    // Size without sign, so that a take that rushes and one that drags do not cancel.
    ("drift_size_percent", "change of tempo over a take, either way", "%", &["passages", "time"], Anything, Mean,
        |r| timed(r, |t| size(&t.tempo.drift_percent))),
    ("steadiness_percent", "unsteadiness from beat to beat", "% of a beat", &["passages", "time"], Anything, Mean,
        |r| timed(r, |t| t.tempo.steadiness_percent.clone())),
    ("swing_ratio", "long to short eighth", "ratio", &["passages", "time"], Anything, Mean,
        |r| timed(r, |t| t.feel.swing_ratio.clone())),
    ("hat_on_2_and_4_percent", "bars with the hi-hat on 2 and 4", "%", &["passages", "time"], Anything, Mean,
        |r| timed(r, |t| t.feel.hat_on_2_and_4_percent.clone())),
    ("bass_to_drums_ms", "bass after the drums", "ms", &["passages", "time"], Anything, Mean,
        |r| timed(r, |t| t.feel.bass_to_drums_ms.clone())),
    ("comping_onsets_per_bar", "hits of guitar and keys in a bar", "a bar", &["passages", "time", "layers"], Anything, Mean,
        |r| timed(r, |t| t.feel.comping_onsets_per_bar.clone())),
];

/// The table, in its order.
pub fn measures() -> impl Iterator<Item = Measure> {
    ROWS.iter().map(|&(id, title, unit, families, hears, rule, read)| Measure {
        id,
        title,
        unit,
        families,
        hears,
        rule,
        read,
    })
}

/// The row called `id`.
pub fn measure(id: &str) -> Option<Measure> {
    measures().find(|m| m.id == id)
}

/// Seconds of playing on the tape.
pub fn take_seconds(report: &Report) -> f64 {
    report.passages.iter().filter(|p| p.kind == PassageKind::Take).map(|p| p.end_s - p.start_s).sum()
}

fn by_take(report: &Report, value: impl Fn(&TakeFacts) -> Measured) -> Vec<Weighted> {
    report.takes.iter().map(|t| Weighted { measured: value(t), weight: t.end_s - t.start_s }).collect()
}

fn by_tape(report: &Report, measured: &Measured) -> Vec<Weighted> {
    vec![Weighted { measured: measured.clone(), weight: take_seconds(report) }]
}

fn tuned(report: &Report, measured: &Measured) -> Vec<Weighted> {
    if_trusted(&report.health.trusted_for.tuning, by_tape(report, measured))
}

fn timed(report: &Report, value: impl Fn(&TakeFacts) -> Measured) -> Vec<Weighted> {
    if_trusted(&report.health.trusted_for.time, by_take(report, value))
}

/// A recording that cannot be trusted for a family says nothing about it.
fn if_trusted(verdict: &Verdict, readings: Vec<Weighted>) -> Vec<Weighted> {
    if verdict.ok {
        return readings;
    }
    let silenced = |r: Weighted| match r.measured.value {
        Some(_) => Weighted { measured: Measured::absent("recording_not_trusted"), weight: r.weight },
        None => r,
    };
    readings.into_iter().map(silenced).collect()
}

/// The size of a signed reading; an interval across zero starts at zero.
fn size(m: &Measured) -> Measured {
    let Some(value) = m.value else { return m.clone() };
    let ends = m.low.zip(m.high);
    let low = ends.map(|(l, h)| if l <= 0.0 && h >= 0.0 { 0.0 } else { l.abs().min(h.abs()) });
    let high = ends.map(|(l, h)| l.abs().max(h.abs()));
    Measured { value: Some(value.abs()), low, high, ..m.clone() }
}

/// Seconds of playing with the half-width of its 95 % interval, which takes each passage as right with its stated confidence.
fn playing_seconds(report: &Report) -> (f64, f64) {
    let variance: f64 =
        report.passages.iter().map(|p| (p.end_s - p.start_s).powi(2) * p.confidence * (1.0 - p.confidence)).sum();
    (take_seconds(report), 1.96 * variance.max(0.0).sqrt())
}

fn playing_share(report: &Report) -> Vec<Weighted> {
    let total: f64 = report.passages.iter().map(|p| p.end_s - p.start_s).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let (taken, half) = playing_seconds(report);
    let percent = |s: f64| (100.0 * s / total).clamp(0.0, 100.0);
    let n = report.passages.len() as u64;
    let measured = Measured::new(percent(taken), percent(taken - half), percent(taken + half), n);
    vec![Weighted { measured, weight: total }]
}

fn takes_minutes(report: &Report) -> Vec<Weighted> {
    let (taken, half) = playing_seconds(report);
    let high = (taken + half).min(report.tape.duration_s.max(taken));
    let measured = Measured::new(taken / 60.0, (taken - half).max(0.0) / 60.0, high / 60.0, report.takes.len() as u64);
    vec![Weighted { measured, weight: 1.0 }]
}
