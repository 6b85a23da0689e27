//! The season and the festival in the words of their pictures.

use crate::chart::{self, Better, FestivalAmp, FestivalGoal, FestivalPicture, SeasonSeries};
use crate::season::{self, Answer, Season, SeasonLine, TrendVerdict};
use crate::stats::Measured;

/// One measure over the weeks.
pub fn series(line: &SeasonLine, dates: &[&str]) -> SeasonSeries {
    let points = line.runs.iter().flatten();
    let mut values = vec![None; dates.len()];
    for point in points {
        if let Some(at) = dates.iter().position(|d| *d == point.date) {
            let (low, high) = (point.low.unwrap_or(point.value), point.high.unwrap_or(point.value));
            values[at] = Some(chart::SeasonPoint { value: point.value, low, high });
        }
    }
    SeasonSeries {
        title: line.title.to_owned(),
        unit: line.unit.to_owned(),
        values,
        better: better(line.measure),
        broken_before: line
            .breaks
            .iter()
            .filter_map(|b| Some((dates.iter().position(|d| *d == b.date)?, break_words(&b.reason).to_owned())))
            .collect(),
        verdict: verdict(line),
    }
}

/// Which way is better; loudness, tempo feel and minutes are facts, not goals. Nor is the low end while the only target is
/// a published average that is no big-band norm.
fn better(measure: &str) -> Better {
    match measure {
        "playing_share_percent" | "hat_on_2_and_4_percent" => Better::Up,
        "clipped_percent" | "drift_size_percent" | "steadiness_percent" => Better::Down,
        "bass_offset_from_band_cents" | "guitar_offset_from_band_cents" | "bass_to_drums_ms" => Better::Zero,
        _ => Better::Neither,
    }
}

/// Why values before and after a break cannot be compared, short enough for the picture.
fn break_words(reason: &str) -> &str {
    match reason {
        "method_changed" => "new method",
        "recorder_changed" => "new recorder",
        other => other,
    }
}

fn verdict(line: &SeasonLine) -> String {
    let Some(trend) = &line.trend else { return String::new() };
    let of = |verdict: TrendVerdict, slope: &Measured| match (verdict, slope.value) {
        (TrendVerdict::Up | TrendVerdict::Down, Some(slope)) => slope_words(slope, line.unit),
        (TrendVerdict::TooFew, _) => "too few rehearsals for a trend".to_owned(),
        _ => "no change beyond the noise".to_owned(),
    };
    let last = of(trend.verdict, &trend.slope_per_week);
    match trend.earlier.last() {
        Some(before) if trend.verdict == TrendVerdict::TooFew => {
            format!("before the break: {}", of(before.verdict, &before.slope_per_week))
        }
        _ => last,
    }
}

/// "+1.9 cents a week"; two places only where one would hide the change.
fn slope_words(slope: f64, unit: &str) -> String {
    let decimals = if slope.abs() < 0.2 { 2 } else { 1 };
    let sign = if slope < 0.0 { "\u{2212}" } else { "+" };
    format!("{sign}{:.decimals$} {unit} a week", slope.abs())
}

/// What changed beyond the noise, on any unbroken line; what is said of the band is not said again against A = 440 Hz.
pub fn changed(season: &Season) -> Vec<String> {
    let known = |id: &str| season.trends.iter().any(|t| t.measure == id);
    let mut said = Vec::new();
    for trend in &season.trends {
        let doubled = trend.measure.replace("from_a440", "from_band");
        let Some(m) = season::measure(&trend.measure) else { continue };
        if doubled != trend.measure && known(&doubled) {
            continue;
        }
        let last = (&trend.verdict, &trend.slope_per_week, trend.from_date.as_deref(), trend.to_date.as_deref());
        let earlier = trend
            .earlier
            .iter()
            .map(|l| (&l.verdict, &l.slope_per_week, Some(l.from_date.as_str()), Some(l.to_date.as_str())));
        for (verdict, slope, from, to) in earlier.chain([last]) {
            let (TrendVerdict::Up | TrendVerdict::Down, Some(value)) = (verdict, slope.value) else { continue };
            let when = match (from.and_then(short), to.and_then(short)) {
                (Some(from), Some(to)) if !trend.broken_at.is_empty() => format!(", {from} to {to}"),
                _ => String::new(),
            };
            said.push(format!(
                "{}: {}{when}{}",
                m.title,
                slope_words(value, m.unit),
                praise(&trend.measure, season, to)
            ));
        }
    }
    said
}

/// Praise where the way is towards what is better.
fn praise(measure: &str, season: &Season, to: Option<&str>) -> &'static str {
    let better = better(measure);
    let values: Vec<f64> = season
        .rehearsals
        .iter()
        .filter(|r| to.is_none_or(|to| r.date.as_str() <= to))
        .filter_map(|r| r.values.get(measure)?.value)
        .collect();
    let (Some(first), Some(last)) = (values.first(), values.last()) else { return "" };
    let nearer = match better {
        Better::Up => last > first,
        Better::Down => last < first,
        Better::Zero => last.abs() < first.abs(),
        Better::Neither => return "",
    };
    if nearer { " (better)" } else { "" }
}

pub fn short(date: &str) -> Option<String> {
    let day: jiff::civil::Date = date.parse().ok()?;
    const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    Some(format!("{} {}", day.day(), MONTHS[(day.month() - 1) as usize % 12]))
}

/// Weeks without a rehearsal, a changed recorder, several tapes a day, tapes that take no part.
pub fn notes(season: &Season) -> Vec<String> {
    let mut said = Vec::new();
    let days: Vec<jiff::civil::Date> = season.rehearsals.iter().filter_map(|r| r.date.parse().ok()).collect();
    let gaps: Vec<String> = days
        .windows(2)
        .filter(|pair| pair[0].until(pair[1]).is_ok_and(|gap| gap.get_days() > LONG_GAP_DAYS))
        .filter_map(|pair| Some(format!("{} and {}", short(&pair[0].to_string())?, short(&pair[1].to_string())?)))
        .collect();
    if !gaps.is_empty() {
        said.push(format!("No rehearsal between {}.", gaps.join(", nor between ")));
    }
    let mut recorders: Vec<&str> = season
        .trends
        .iter()
        .flat_map(|t| &t.broken_at)
        .filter(|b| b.reason == "recorder_changed")
        .map(|b| b.date.as_str())
        .collect();
    recorders.sort_unstable();
    recorders.dedup();
    for date in recorders {
        let date = short(date).unwrap_or_default();
        said.push(format!(
            "Another recorder from {date} on: loudness and balance before and after are not comparable."
        ));
    }
    let several = season.rehearsals.iter().filter(|r| r.tapes.len() > 1).count();
    if several > 0 {
        said.push(format!("{several} with more than one tape a day; they are put together."));
    }
    if !season.left_out.is_empty() {
        said.push(format!("{} take no part; season.json says why.", counted(season.left_out.len(), "report folder")));
    }
    said
}

/// More days than this between two rehearsals are told: a week was missed.
const LONG_GAP_DAYS: i32 = 10;

fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

fn answer(a: Answer) -> String {
    match a {
        Answer::Yes => "yes",
        Answer::No => "no",
        Answer::CannotTell => "cannot tell",
    }
    .to_owned()
}

/// The evidence sheet; `None` without a festival.
pub fn festival_picture(season: &Season) -> Option<FestivalPicture> {
    let f = season.festival.as_ref()?;
    let dates: Vec<jiff::civil::Date> = season.rehearsals.iter().filter_map(|r| r.date.parse().ok()).collect();
    let goal = |g: &season::GoalState| FestivalGoal {
        title: g.title.clone(),
        unit: g.unit.clone(),
        at_least: g.at_least,
        at_most: g.at_most,
        start: g.at_start.clone(),
        now: g.now.clone(),
        expected: g.at_festival.clone(),
        met_now: answer(g.met_now),
        will_be_met: answer(g.will_be_met),
    };
    let amp = |a: &season::AmpEffect| FestivalAmp {
        date: a.date.clone(),
        what: a.what.clone(),
        before: a.before_db.clone(),
        after: a.after_db.clone(),
        change: a.change_db.clone(),
        said: match a.verdict.as_str() {
            "less_low_end" => "less low end than before".to_owned(),
            "more_low_end" => "more low end than before".to_owned(),
            "no_change_beyond_noise" => "no change beyond the noise".to_owned(),
            _ => "no comparable rehearsal before and after".to_owned(),
        },
    };
    let run = &f.run_through;
    Some(FestivalPicture {
        date: f.date.parse().ok()?,
        weeks_left: f.weeks_left,
        rehearsals: Some((*dates.first()?, *dates.last()?, dates.len())),
        goals: f.goals.iter().map(goal).collect(),
        slot_minutes: run.slot_minutes,
        charts: run.charts.iter().map(|c| (c.title.clone(), c.minutes.clone())).collect(),
        changes: run.changes_minutes.clone(),
        total: run.total_minutes.clone(),
        fits: answer(run.fits),
        amp: f.amp.iter().map(amp).collect(),
    })
}
