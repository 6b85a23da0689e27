//! The same chart in other takes and other weeks, from made-up harmony: chords of a form, a walking bass that wanders over the
//! notes of the chord, a melody that belongs to nothing, and noise. What rendered tapes give stands in benches/README.md.

use std::collections::BTreeMap;

use ledgerline::report::*;
use ledgerline::season::*;
use ledgerline::stats::Measured;

use crate::mock_reports::{Dice, Spec, mock_report};

/// Degree and kind of the chord of each bar; "7", "m" (minor seventh), "M" (major seventh), "o" (diminished).
type Form = &'static [(u8, char)];

// Common forms (trade knowledge, no source); B flat = 10. Five of the six are in one key.
const PLAIN: Form = &[
    (0, '7'),
    (0, '7'),
    (0, '7'),
    (0, '7'),
    (5, '7'),
    (5, '7'),
    (0, '7'),
    (0, '7'),
    (7, '7'),
    (5, '7'),
    (0, '7'),
    (0, '7'),
];
const JAZZ: Form = &[
    (0, '7'),
    (5, '7'),
    (0, '7'),
    (0, '7'),
    (5, '7'),
    (6, 'o'),
    (0, '7'),
    (9, '7'),
    (2, 'm'),
    (7, '7'),
    (0, '7'),
    (7, '7'),
];
const MINOR: Form = &[
    (0, 'm'),
    (0, 'm'),
    (0, 'm'),
    (0, 'm'),
    (5, 'm'),
    (5, 'm'),
    (0, 'm'),
    (0, 'm'),
    (8, '7'),
    (7, '7'),
    (0, 'm'),
    (0, 'm'),
];
const SONG: Form = &[
    (0, 'M'),
    (9, '7'),
    (2, 'm'),
    (7, '7'),
    (4, 'm'),
    (9, '7'),
    (2, 'm'),
    (7, '7'),
    (4, '7'),
    (4, '7'),
    (9, '7'),
    (9, '7'),
    (2, '7'),
    (2, '7'),
    (7, '7'),
    (7, '7'),
];
/// Title, form, key, tempo.
const CHARTS: [(&str, Form, u8, f64); 6] = [
    ("plain", PLAIN, 10, 128.0),
    ("jazz", JAZZ, 10, 136.0),
    ("minor", MINOR, 10, 124.0),
    ("plain in F", PLAIN, 5, 128.0),
    ("plain fast", PLAIN, 10, 196.0),
    ("song", SONG, 10, 140.0),
];

fn tones(kind: char) -> [u8; 4] {
    match kind {
        '7' => [0, 4, 7, 10],
        'm' => [0, 3, 7, 10],
        'M' => [0, 4, 7, 11],
        _ => [0, 3, 6, 9],
    }
}

fn word(strengths: &[f64; 12]) -> String {
    let most = strengths.iter().copied().fold(0.0, f64::max);
    strengths.iter().map(|s| char::from(b'0' + (9.0 * s / most).round() as u8)).collect()
}

/// `bars` of a form from `first_bar` on.
fn harmony(form: Form, key: u8, first_bar: usize, bars: usize, dice: &mut Dice) -> HarmonyFacts {
    let (mut chords, mut bass) = (Vec::new(), Vec::new());
    for beat in 0..4 * bars {
        let (degree, kind) = form[(first_bar + beat / 4) % form.len()];
        let class = |tone: u8| usize::from((key + degree + tone) % 12);
        let noise = |dice: &mut Dice| std::array::from_fn::<f64, 12, _>(|_| 0.4 * dice.uniform());
        let (mut above, mut below) = (noise(dice), noise(dice));
        for tone in tones(kind) {
            above[class(tone)] += 0.3 + 0.7 * dice.uniform();
        }
        above[(dice.next() % 12) as usize] += 0.8 * dice.uniform();
        let note = class(if beat % 4 == 0 { 0 } else { tones(kind)[(dice.next() % 4) as usize] });
        below[note] += 1.0;
        below[(note + 7) % 12] += 0.4;
        chords.push(word(&above));
        bass.push(word(&below));
    }
    HarmonyFacts { concert_pitch_cents: Measured::symmetric(2.0, 3.0, 4), chords, bass }
}

/// A rehearsal's report, untitled takes of these charts, drawn by `seed`.
fn report(date: &str, seed: u64, played: &[usize]) -> Entry {
    let mut dice = Dice(seed);
    let mut report = mock_report(&Spec::on(date, &format!("hash{seed}")));
    let usual = report.takes[0].clone();
    report.methods.push(Method { family: "harmony".into(), id: "harmony-1".into() });
    report.takes = played
        .iter()
        .enumerate()
        .map(|(at, chart)| {
            let (_, form, key, bpm) = CHARTS[*chart];
            // Every other take begins in the middle of the form; lengths and tempi differ.
            let first_bar = if dice.uniform() < 0.5 { 0 } else { (dice.next() % 12) as usize };
            let bars = 14 + (dice.next() % 30) as usize;
            TakeFacts {
                start_s: 100.0 * at as f64,
                end_s: 100.0 * at as f64 + 60.0,
                title: String::new(),
                marked: None,
                tempo: TempoFacts {
                    bpm: Measured::symmetric(bpm * (0.92 + 0.16 * dice.uniform()), 0.2, 40),
                    ..usual.tempo.clone()
                },
                harmony: Some(harmony(form, key, first_bar, bars, &mut dice)),
                ..usual.clone()
            }
        })
        .collect();
    Entry { folder: format!("{date}_{seed}"), report: Ok(report) }
}

fn date(week: u64) -> String {
    jiff::civil::date(2026, 1, 5).checked_add(jiff::Span::new().days(7 * week as i64)).unwrap().to_string()
}

/// Eight weeks of three charts each.
fn term() -> (Vec<Entry>, BTreeMap<(String, usize), usize>) {
    let (mut entries, mut truth) = (Vec::new(), BTreeMap::new());
    for week in 0..8 {
        let played: Vec<usize> = (0..3).map(|k| ((week + 2 * k) % 6) as usize).collect();
        let entry = report(&date(week), 11 + week, &played);
        truth.extend(played.iter().enumerate().map(|(at, chart)| ((entry.folder.clone(), at + 1), *chart)));
        entries.push(entry);
    }
    (entries, truth)
}

fn set_titles(entry: &mut Entry, titles: &[&str]) {
    let report = entry.report.as_mut().unwrap();
    report.takes.iter_mut().zip(titles).for_each(|(take, title)| take.title = (*title).to_owned());
}

#[test]
fn a_chart_lines_up_week_after_week_and_no_two_charts_are_mixed() {
    let (entries, truth) = term();
    let season = build_season(&entries);
    let group: BTreeMap<(String, usize), &str> = season
        .charts
        .iter()
        .flat_map(|c| c.takes.iter().map(|t| ((t.folder.clone(), t.take), c.name.as_str())))
        .collect();
    let takes: Vec<&(String, usize)> = truth.keys().collect();
    let (mut both, mut said, mut true_pairs) = (0, 0, 0);
    for (at, a) in takes.iter().enumerate() {
        for b in &takes[at + 1..] {
            let same = truth[*a] == truth[*b];
            let found = group.get(*a).is_some_and(|name| group.get(*b) == Some(name));
            true_pairs += usize::from(same);
            said += usize::from(found);
            both += usize::from(same && found);
        }
    }
    assert!(true_pairs > 30);
    assert_eq!(said, both, "two charts are taken for one: {group:?}");
    assert!(both as f64 >= 0.9 * true_pairs as f64, "{both} of {true_pairs}");
    assert!(season.charts.iter().all(|c| !c.titled && c.name.starts_with("chart ")));
    let known = season.charts.iter().map(|c| c.takes.len()).sum::<usize>() + season.takes_without_chart.len();
    assert_eq!(known, truth.len(), "every take is in one list");
}

#[test]
fn charts_do_not_depend_on_the_order_of_the_reports_and_later_tapes_rename_nothing() {
    let (entries, _) = term();
    let season = build_season(&entries);
    let turned: Vec<Entry> = entries.iter().rev().cloned().collect();
    assert_eq!(season, build_season(&turned));
    let before = build_season(&entries[..6]);
    assert!(!before.charts.is_empty());
    for chart in &before.charts {
        let now = season.charts.iter().find(|c| c.name == chart.name).unwrap();
        assert_eq!(
            now.takes[..chart.takes.len()].iter().map(|t| (&t.folder, t.take)).collect::<Vec<_>>(),
            chart.takes.iter().map(|t| (&t.folder, t.take)).collect::<Vec<_>>(),
            "{}",
            chart.name
        );
    }
}

#[test]
fn a_title_of_the_sheet_names_the_other_takes_probably() {
    let mut entries = vec![report(&date(0), 1, &[0, 5]), report(&date(1), 2, &[0, 5]), report(&date(2), 3, &[5, 0])];
    set_titles(&mut entries[1], &["", "Lantern"]);
    let season = build_season(&entries);
    let named = season.charts.iter().find(|c| c.name == "Lantern").unwrap();
    assert!(named.titled);
    let said: Vec<(&str, &str)> = named.takes.iter().map(|t| (t.called.as_str(), t.known_by.as_str())).collect();
    assert_eq!(said, [("probably Lantern", "harmony"), ("Lantern", "sheet"), ("probably Lantern", "harmony")]);
    assert!(named.takes.iter().all(|t| t.confidence > 0.9));
    // The other chart keeps its letter, whether this one has a title or not.
    let without =
        build_season(&[report(&date(0), 1, &[0, 5]), report(&date(1), 2, &[0, 5]), report(&date(2), 3, &[5, 0])]);
    let other = |s: &Season| s.charts.iter().find(|c| c.takes[0].take == 1).map(|c| c.name.clone());
    assert_eq!(other(&season), other(&without));
    assert_eq!(named.weeks.len(), 3);
    let report = entries[0].report.as_ref().unwrap();
    let (said, played) = (named.weeks[0].bpm.value.unwrap(), report.takes[1].tempo.bpm.value.unwrap());
    assert!((said - played).abs() < 1e-9);
}

#[test]
fn two_titles_are_two_charts_whatever_they_sound_like() {
    let mut entries: Vec<Entry> = (0..4).map(|w| report(&date(w), 20 + w, &[0])).collect();
    set_titles(&mut entries[0], &["One"]);
    set_titles(&mut entries[1], &["Two"]);
    let season = build_season(&entries);
    assert!(season.charts.iter().all(|c| {
        let titles = c.takes.iter().filter(|t| t.known_by == "sheet").count();
        titles == 1
    }));
    assert_eq!(season.charts.len(), 2);
}

#[test]
fn what_is_too_short_or_without_beat_or_alone_stays_unnamed_with_its_reason() {
    let mut entries = vec![report(&date(0), 1, &[0, 1, 5, 3]), report(&date(1), 2, &[0])];
    let takes = &mut entries[0].report.as_mut().unwrap().takes;
    let harmony = takes[1].harmony.as_mut().unwrap();
    harmony.chords.truncate(20);
    harmony.bass.truncate(20);
    takes[2].tempo.bpm = Measured::absent("no_steady_beat");
    let season = build_season(&entries);
    let reasons: Vec<(usize, &str)> = season.takes_without_chart.iter().map(|t| (t.take, t.reason.as_str())).collect();
    assert_eq!(reasons, [(2, "too_short"), (3, "no_steady_beat"), (4, "no_other_take_like_it")]);
    assert_eq!(season.charts.len(), 1);
    // Other methods are not held against each other.
    for method in entries[1].report.as_mut().unwrap().methods.iter_mut().filter(|m| m.family == "harmony") {
        method.id = "harmony-9".into();
    }
    assert!(build_season(&entries).charts.is_empty());
}

#[test]
fn a_take_counted_twice_as_fast_is_known_again_only_where_its_report_says_that_it_may_be() {
    for unsure in [true, false] {
        let mut entries = vec![report(&date(0), 1, &[5]), report(&date(1), 2, &[5])];
        let take = &mut entries[1].report.as_mut().unwrap().takes[0];
        let harmony = take.harmony.as_mut().unwrap();
        for words in [&mut harmony.chords, &mut harmony.bass] {
            *words = words.iter().flat_map(|w| [w.clone(), w.clone()]).collect();
        }
        take.tempo.bpm.value = take.tempo.bpm.value.map(|bpm| 2.0 * bpm);
        if unsure {
            take.tempo.bpm.warnings.push("half_or_double_possible".into());
        }
        assert_eq!(build_season(&entries).charts.len(), usize::from(unsure));
    }
}
