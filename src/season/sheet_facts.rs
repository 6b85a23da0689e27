//! The facts that stand on each player's sheet, in one table, and how they are read from a report.

use super::combine::{Rule, Weighted, combine};
use super::habit_rows::{change_over_takes, starts};
use super::measures::{Hears, measure};
use super::sheets::Toward;
use crate::report::{LayerLevels, Report};
use crate::stats::Measured;

/// One line of the table of facts.
pub struct Fact {
    /// What it is.
    pub label: &'static str,
    /// Unit as it is printed.
    pub unit: &'static str,
    /// Which way is better.
    pub toward: Toward,
    /// What keeps it from being compared.
    pub hears: Hears,
    /// Families whose methods move it.
    pub families: &'static [&'static str],
    /// How it is read.
    pub read: fn(&Report) -> Measured,
}

const TUNING: &[&str] = &["passages", "tuning"];
const TIME: &[&str] = &["passages", "time"];
const LAYERS: &[&str] = &["passages", "layers"];
const COMPING: &[&str] = &["passages", "time", "layers"];

const fn fact(
    label: &'static str,
    unit: &'static str,
    toward: Toward,
    hears: Hears,
    families: &'static [&'static str],
    read: fn(&Report) -> Measured,
) -> Fact {
    Fact { label, unit, toward, hears, families, read }
}

/// The facts of a player, in the order of the sheet.
pub fn facts(player: &str) -> Vec<Fact> {
    use Hears::{Anything, Recorder};
    use Toward::{Higher, Lower, Neither, Zero};
    let start = "tuning as the rehearsal begins";
    let level = "loudness in the band";
    let by_layer = |read| fact(level, "LU", Neither, Recorder, LAYERS, read);
    match player {
        "bass" => vec![
            fact(start, "cents", Zero, Anything, TUNING, |r| or_absent(starts(r, "bass", |t| &t.bass))),
            fact("tuning over the takes", "cents", Zero, Anything, TUNING, |r| {
                season_value(r, "bass_offset_from_band_cents")
            }),
            fact("change of pitch, first take to last", "cents", Zero, Anything, TUNING, |r| {
                or_absent(change_over_takes(r, &r.tuning.instruments.bass))
            }),
            fact("bass after the drums", "ms", Zero, Anything, TIME, |r| season_value(r, "bass_to_drums_ms")),
            by_layer(|r| layer(r, |l| &l.bass)),
            fact("low end of the band against the target", "dB", Neither, Recorder, &["passages", "balance"], |r| {
                season_value(r, "low_end_excess_db")
            }),
        ],
        "guitar" => vec![
            fact(start, "cents", Zero, Anything, TUNING, |r| or_absent(starts(r, "guitar", |t| &t.guitar))),
            fact("tuning over the takes", "cents", Zero, Anything, TUNING, |r| {
                season_value(r, "guitar_offset_from_band_cents")
            }),
            fact("change of pitch, first take to last", "cents", Zero, Anything, TUNING, |r| {
                or_absent(change_over_takes(r, &r.tuning.instruments.guitar))
            }),
            fact("loudness of guitar and keys in the band", "LU", Neither, Recorder, LAYERS, |r| {
                layer(r, |l| &l.comping)
            }),
        ],
        "piano" => vec![
            fact("loudness of guitar and keys in the band", "LU", Neither, Recorder, LAYERS, |r| {
                layer(r, |l| &l.comping)
            }),
            fact("hits of guitar and keys in a bar", "a bar", Neither, Anything, COMPING, |r| {
                season_value(r, "comping_onsets_per_bar")
            }),
            fact("pitch of the piano against the band", "cents", Neither, Anything, TUNING, |r| {
                r.tuning.instruments.piano.offset_from_band_cents.clone()
            }),
        ],
        _ => vec![
            fact("bars with the hi-hat on 2 and 4", "%", Higher, Anything, TIME, |r| {
                season_value(r, "hat_on_2_and_4_percent")
            }),
            fact("change of tempo over a take, either way", "%", Lower, Anything, TIME, |r| {
                season_value(r, "drift_size_percent")
            }),
            fact("unsteadiness from beat to beat", "% of a beat", Lower, Anything, TIME, |r| {
                season_value(r, "steadiness_percent")
            }),
            fact("kick against the ride cymbal", "dB", Neither, Recorder, TIME, |r| {
                let of_take = |t: &crate::report::TakeFacts| Weighted {
                    measured: t.feel.kick_re_ride_db.clone(),
                    weight: t.end_s - t.start_s,
                };
                combine(&r.takes.iter().map(of_take).collect::<Vec<_>>(), Rule::Mean, "no_takes")
            }),
            by_layer(|r| layer(r, |l| &l.drums)),
        ],
    }
}

fn or_absent(m: Option<Measured>) -> Measured {
    m.unwrap_or_else(|| Measured::absent("no_note_heard"))
}

/// A measure of the season, of this tape alone.
fn season_value(report: &Report, id: &str) -> Measured {
    measure(id).map_or_else(|| Measured::absent("not_measured"), |m| combine(&(m.read)(report), m.rule, "no_takes"))
}

/// A layer against the band over all parts, by their length.
fn layer(report: &Report, pick: fn(&LayerLevels) -> &Measured) -> Measured {
    let parts = report.takes.iter().flat_map(|t| &t.parts);
    let readings: Vec<Weighted> = parts
        .filter_map(|p| {
            let measured = pick(p.layers_re_band_lu.as_ref()?).clone();
            Some(Weighted { measured, weight: p.end_s - p.start_s })
        })
        .collect();
    combine(&readings, Rule::Mean, "no_takes")
}
