//! Reports become the season: pure, the same for any order of the reports.
//!
//! Conventions: one entry a local date. Of folders that hold the same tape bytes the first by name counts. Values that
//! depend on the recorder come from the recorder that heard the most playing that day; the others count for times.

use std::collections::{BTreeMap, BTreeSet};

use super::combine::{Weighted, combine};
use super::festival::festival;
use super::festival_plan::FestivalPlan;
use super::habits::habits;
use super::measures::{Hears, Measure, measures, take_seconds};
use super::trends::{recorder_changed, trends};
use super::types::{
    LeftOut, Recorder, Rehearsal, SEASON_SCHEMA_NAME, SEASON_SCHEMA_REVISION, SEASON_SCHEMA_VERSION, Season, TapeRef,
};
use crate::report::folder::date_of;
use crate::report::{Report, Schema};
use crate::stats::{Measured, median};

/// A report folder and what was read from it.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Name of the folder.
    pub folder: String,
    /// The report, or the code of why it could not be read.
    pub report: Result<Report, String>,
}

/// The season of `entries`, without a festival.
pub fn build_season(entries: &[Entry]) -> Season {
    build_season_for(entries, None)
}

/// The season of `entries`, on the way to a festival.
pub fn build_season_for(entries: &[Entry], plan: Option<&FestivalPlan>) -> Season {
    let mut sorted: Vec<&Entry> = entries.iter().collect();
    sorted.sort_by(|a, b| a.folder.cmp(&b.folder));
    sorted.dedup_by(|a, b| a.folder == b.folder);
    let mut left_out = Vec::new();
    let mut days: BTreeMap<String, Vec<Tape>> = BTreeMap::new();
    let mut seen = Seen::default();
    let copies = copies(&sorted);
    for entry in sorted {
        match admit(entry, &mut seen, &copies) {
            Ok((date, tape)) => days.entry(date).or_default().push(tape),
            Err(why) => left_out.push(why),
        }
    }
    let all: Vec<(String, Vec<Tape>)> = days.into_iter().map(|(date, tapes)| (date, in_time_order(tapes))).collect();
    let rehearsals: Vec<Rehearsal> = with_known_measures(all.iter().map(|(d, t)| rehearsal(d, t)).collect());
    let trends = trends(&rehearsals);
    let seen_in: Vec<(&str, Vec<(&str, &Report)>)> =
        all.iter().map(|(d, t)| (d.as_str(), t.iter().map(|t| (t.folder, t.report)).collect())).collect();
    let schema = Schema {
        name: SEASON_SCHEMA_NAME.to_owned(),
        version: SEASON_SCHEMA_VERSION,
        revision: SEASON_SCHEMA_REVISION,
    };
    let festival = plan.map(|plan| festival(plan, &rehearsals, &seen_in));
    let (charts, takes_without_chart) = super::charts::charts(&seen_in);
    Season {
        schema,
        rehearsals,
        trends,
        habits: habits(&seen_in),
        festival,
        left_out,
        charts,
        takes_without_chart,
        charts_method: super::charts::CHARTS_METHOD.to_owned(),
    }
}

/// A report that takes part.
#[derive(Clone, Copy)]
struct Tape<'a> {
    folder: &'a str,
    report: &'a Report,
}

/// Content hash to the folder that holds it first.
type Seen<'a> = BTreeMap<&'a str, &'a str>;

/// Folders whose recording another folder holds in a better form, with that folder.
///
/// The same file name, the same moment to the second and the same length within [`SAME_LENGTH_S`] are one recording that was
/// stored again. The higher sample rate counts, then more channels, then the first folder by name.
fn copies<'a>(sorted: &[&'a Entry]) -> BTreeMap<&'a str, &'a str> {
    let mut groups: BTreeMap<(&str, &str), Vec<(&'a str, &'a Report)>> = BTreeMap::new();
    for entry in sorted {
        let Ok(report) = &entry.report else { continue };
        let Some(at) = report.tape.recorded_at.as_deref().filter(|at| has_time(at)) else { continue };
        groups.entry((at, report.tape.file_name.as_str())).or_default().push((entry.folder.as_str(), report));
    }
    let mut found = BTreeMap::new();
    for group in groups.into_values() {
        let quality = |r: &Report| (r.tape.sample_rate_hz, r.tape.channels);
        let Some(best) = group.iter().rev().max_by_key(|(_, r)| quality(r)) else { continue };
        for (folder, report) in &group {
            let same_length = (report.tape.duration_s - best.1.tape.duration_s).abs() <= SAME_LENGTH_S;
            if *folder != best.0 && same_length && report.tape.content_hash != best.1.tape.content_hash {
                found.insert(*folder, best.0);
            }
        }
    }
    found
}

/// A time of day that something stated; midnight is a date without a time.
fn has_time(recorded_at: &str) -> bool {
    recorded_at.parse::<jiff::civil::DateTime>().is_ok_and(|at| at.time() != jiff::civil::Time::midnight())
}

/// Encoders pad a recording by less than this, seconds.
const SAME_LENGTH_S: f64 = 2.0;

/// A dated report that is here for the first time, or why the folder takes no part.
fn admit<'a>(
    entry: &'a Entry,
    seen: &mut Seen<'a>,
    copies: &BTreeMap<&str, &str>,
) -> Result<(String, Tape<'a>), LeftOut> {
    let out = |file_name: Option<&str>, reason: &str, same_as: Option<&str>| LeftOut {
        folder: entry.folder.clone(),
        file_name: file_name.map(str::to_owned),
        reason: reason.to_owned(),
        same_as: same_as.map(str::to_owned),
    };
    let report = entry.report.as_ref().map_err(|code| out(None, code, None))?;
    let name = Some(report.tape.file_name.as_str());
    let date = date_of(report.tape.recorded_at.as_deref()).ok_or_else(|| out(name, "no_date", None))?;
    if let Some(first) = seen.get(report.tape.content_hash.as_str()) {
        return Err(out(name, "same_bytes", Some(first)));
    }
    if let Some(better) = copies.get(entry.folder.as_str()) {
        return Err(out(name, "same_recording", Some(better)));
    }
    seen.insert(&report.tape.content_hash, &entry.folder);
    Ok((date.to_string(), Tape { folder: &entry.folder, report }))
}

fn in_time_order(mut tapes: Vec<Tape>) -> Vec<Tape> {
    tapes.sort_by(|a, b| (&a.report.tape.recorded_at, a.folder).cmp(&(&b.report.tape.recorded_at, b.folder)));
    tapes
}

/// Measures that no rehearsal has a value of are taken out.
fn with_known_measures(mut rehearsals: Vec<Rehearsal>) -> Vec<Rehearsal> {
    let known: BTreeSet<String> = rehearsals
        .iter()
        .flat_map(|r| r.values.iter().filter(|(_, m)| m.value.is_some()).map(|(id, _)| id.clone()))
        .collect();
    for r in &mut rehearsals {
        r.values.retain(|id, _| known.contains(id));
    }
    rehearsals
}

fn rehearsal(date: &str, tapes: &[Tape]) -> Rehearsal {
    let main = main_recorder(tapes);
    let heard_by_main: Vec<Tape> = tapes.iter().copied().filter(|t| recorder_key(t.report) == main).collect();
    let mut values = BTreeMap::new();
    let mut methods = BTreeMap::new();
    for m in measures() {
        let of = if m.hears == Hears::Recorder { &heard_by_main[..] } else { tapes };
        let (value, method) = day_value(&m, of);
        if value.value.is_some() {
            methods.insert(m.id.to_owned(), method);
        }
        values.insert(m.id.to_owned(), value);
    }
    let tape_ref = |t: &Tape| TapeRef {
        folder: t.folder.to_owned(),
        file_name: t.report.tape.file_name.clone(),
        content_hash: t.report.tape.content_hash.clone(),
        recorded_at_source: t.report.tape.recorded_at_source.clone(),
    };
    Rehearsal {
        date: date.to_owned(),
        tapes: tapes.iter().map(tape_ref).collect(),
        values,
        methods,
        recorder: recorder(&main, &heard_by_main),
        warnings: day_warnings(tapes, heard_by_main.len()),
    }
}

/// One value of the day, and the methods behind it. Tapes measured by different methods are not mixed.
fn day_value(m: &Measure, tapes: &[Tape]) -> (Measured, String) {
    let readings: Vec<(String, Vec<Weighted>)> =
        tapes.iter().map(|t| (method_key(t.report, m.families), (m.read)(t.report))).collect();
    let with_value = |r: &&(String, Vec<Weighted>)| r.1.iter().any(|w| w.measured.value.is_some());
    let keys: BTreeSet<&String> = readings.iter().filter(with_value).map(|(key, _)| key).collect();
    if keys.len() > 1 {
        return (Measured::absent("mixed_methods"), String::new());
    }
    let key = keys.first().map(|k| (*k).clone()).unwrap_or_default();
    let all: Vec<Weighted> = readings.into_iter().flat_map(|(_, r)| r).collect();
    (combine(&all, m.rule, "no_takes"), key)
}

/// One value of some reports, whatever their methods; the caller keeps them apart.
pub(super) fn day_value_of(m: &Measure, reports: &[Report]) -> Measured {
    let all: Vec<Weighted> = reports.iter().flat_map(|r| (m.read)(r)).collect();
    combine(&all, m.rule, "no_takes")
}

/// `family=id` of each family, in the order of the row.
pub(super) fn method_key(report: &Report, families: &[&str]) -> String {
    let id = |family: &str| report.methods.iter().find(|m| m.family == family).map_or("unknown", |m| m.id.as_str());
    families.iter().map(|f| format!("{f}={}", id(f))).collect::<Vec<_>>().join(" ")
}

pub(super) type RecorderKey = (u32, u16, String);

/// What tells one recorder from another.
pub(super) fn recorder_key(report: &Report) -> RecorderKey {
    (report.tape.sample_rate_hz, report.tape.channels, report.tape.codec.clone())
}

/// Do both tapes come from recorders that hear alike?
pub fn same_recorder(a: &Report, b: &Report) -> bool {
    let of = |r: &Report| Recorder {
        sample_rate_hz: r.tape.sample_rate_hz,
        channels: r.tape.channels,
        codec: r.tape.codec.clone(),
        low_cut_hz: r.health.low_cut_hz.value,
    };
    let (a, b) = (of(a), of(b));
    !recorder_changed(a.low_cut_hz, &a, &b)
}

/// The recorder that heard the most playing; of two that heard as much, the first by rate, channels and codec.
fn main_recorder(tapes: &[Tape]) -> RecorderKey {
    let mut heard: BTreeMap<RecorderKey, f64> = BTreeMap::new();
    for t in tapes {
        *heard.entry(recorder_key(t.report)).or_default() += take_seconds(t.report);
    }
    let mut best: Option<(RecorderKey, f64)> = None;
    for (key, seconds) in heard {
        if best.as_ref().is_none_or(|(_, most)| seconds > *most) {
            best = Some((key, seconds));
        }
    }
    best.map(|(key, _)| key).unwrap_or_default()
}

fn recorder(key: &RecorderKey, tapes: &[Tape]) -> Recorder {
    let cuts: Vec<f64> = tapes.iter().filter_map(|t| t.report.health.low_cut_hz.value).collect();
    Recorder { sample_rate_hz: key.0, channels: key.1, codec: key.2.clone(), low_cut_hz: median(&cuts) }
}

fn day_warnings(tapes: &[Tape], heard_by_main: usize) -> Vec<String> {
    let mut found = Vec::new();
    if tapes.iter().any(|t| t.report.tape.recorded_at_source.as_deref() == Some("file_time")) {
        found.push("date_uncertain");
    }
    if heard_by_main < tapes.len() {
        found.push("levels_from_one_recorder_only");
        found.push("recorders_may_overlap");
    }
    let names: BTreeSet<&str> = tapes.iter().map(|t| t.report.tape.file_name.as_str()).collect();
    if names.len() < tapes.len() {
        // Perhaps a new version of the same recording; then the folder of the old one should go.
        found.push("two_tapes_of_one_name");
    }
    found.sort_unstable();
    found.into_iter().map(str::to_owned).collect()
}
