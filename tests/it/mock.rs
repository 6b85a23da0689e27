//! Mock reports and curves: a plausible rehearsal, an empty tape, and an extreme one. All names are invented.
//!
//! Built from JSON, so that fields added to the contract with a default need no change here.

use jiff::civil::date;
use ledgerline::chart::{
    Better, FestivalAmp, FestivalGoal, FestivalPicture, SeasonChart, SeasonPicture, SeasonPoint, SeasonSeries,
    SheetMark, SheetPicture, SheetRow,
};
use ledgerline::report::{Curves, LayerCurves, PartTime, PassageFacts, Report, TakeFacts, ThirdOctave};
use ledgerline::stats::Measured;
use serde_json::{Value, json};

fn absent(reason: &str) -> Value {
    json!({"value": null, "reason": reason})
}

fn m(value: f64, half: f64) -> Value {
    json!({"value": value, "low": value - half, "high": value + half, "n": 40})
}

/// A value in 0..1 that depends on `i` alone.
fn wobble(i: usize) -> f64 {
    let x = (i as f64 * 12.9898).sin() * 43758.5453;
    x - x.floor()
}

fn take(start_s: f64, end_s: f64, title: &str, lufs: Value, tempo: Value) -> Value {
    let player = json!({"offset_from_a440_cents": absent("not_measured_yet"), "offset_from_band_cents": absent("not_measured_yet")});
    let no = || absent("not_measured_yet");
    json!({
        "start_s": start_s, "end_s": end_s, "title": title, "parts": [],
        "loudness": {"integrated_lufs": lufs, "range_lu": m(7.4, 0.6), "true_peak_dbtp": m(-3.1, 0.2)},
        "tempo": {"bpm": tempo, "drift_percent": no(), "steadiness_percent": no(), "beat_times_s": [], "beat_in_bar": []},
        "feel": {"swing_ratio": no(), "hat_on_2_and_4_percent": no(), "backbeat_heavy": no(), "kick_re_ride_db": no(),
            "bass_to_drums_ms": no(), "comping_onsets_per_bar": no()},
        "tuning": {"bass": player, "guitar": player, "piano": player, "horns": player},
    })
}

fn instrument(reason: &str) -> Value {
    let no = || absent(reason);
    json!({"offset_from_a440_cents": no(), "offset_from_band_cents": no(), "drift_cents_per_min": no(),
        "at_start_cents": no(), "at_end_cents": no(), "retuned_at_s": []})
}

fn passage(kind: &str, start_s: f64, end_s: f64) -> Value {
    json!({"kind": kind, "start_s": start_s, "end_s": end_s, "confidence": 0.93})
}

/// Mid-band frequencies from 20 Hz to 20 kHz (IEC 61260-1, base 10).
pub fn third_octave(level: impl Fn(f64) -> Option<f64>, target: bool) -> Vec<ThirdOctave> {
    (13..=43)
        .map(|k| 10f64.powf(f64::from(k) / 10.0))
        .map(|mid_hz| {
            let t = -1.1 * (mid_hz / 1000.0).log2() - 0.35 * (mid_hz / 1000.0).log2().powi(2);
            let some = |v: f64| target.then_some(v);
            ThirdOctave {
                mid_hz,
                level_db: level(mid_hz),
                target_low_db: some(t - 3.0),
                target_db: some(t),
                target_high_db: some(t + 3.0),
            }
        })
        .collect()
}

fn verdict(ok: bool, reason: &str) -> Value {
    json!({"ok": ok, "reason": reason})
}

fn base(duration_s: f64, file_name: &str) -> Value {
    let no = || absent("not_measured_yet");
    json!({
        "schema": {"name": "ledgerline.report", "version": 1, "revision": 0},
        "program": {"name": "ledgerline", "version": "0.1.0"},
        "assumed": [], "methods": [],
        "tape": {"file_name": file_name, "content_hash": "00", "duration_s": duration_s, "sample_rate_hz": 48000,
            "channels": 2, "codec": "pcm", "recorded_at": null, "recorded_at_source": null},
        "health": {"gain_riding": {"value": false, "n": 1}, "clipped_percent": m(0.0, 0.0), "low_cut_hz": no(),
            "high_cut_hz": no(), "hum_hz": no(), "noise_floor_dbfs": no(), "dc_offset": no(), "dead_channels": [],
            "trusted_for": {"balance": verdict(true, ""), "low_end": verdict(true, ""),
                "loudness_over_time": verdict(true, ""), "tuning": verdict(true, ""), "time": verdict(true, "")}},
        "passages": [], "time_use": {"take_s": 0.0, "talk_s": 0.0, "tuning_s": 0.0, "quiet_s": 0.0, "other_s": 0.0},
        "takes": [],
        "tuning": {"concert_pitch_hz": no(), "instruments": {"bass": instrument("not_measured_yet"),
            "guitar": instrument("not_measured_yet"), "piano": instrument("not_measured_yet")}},
        "balance": {"third_octave": [], "tilt_db_per_octave": no(), "low_end_excess_db": no(),
            "low_end_share": {"bass": no(), "kick": no(), "other": no()}, "standing_out": [],
            "target": {"name": "", "source": ""}},
        "amp_advice": [], "findings": [],
    })
}

fn report(value: Value) -> Report {
    serde_json::from_value(value).unwrap()
}

fn time_use(report: &mut Report) {
    use ledgerline::passages::PassageKind as K;
    let sum = |kind: K| {
        report.passages.iter().filter(|p| p.kind == kind).map(|p: &PassageFacts| p.end_s - p.start_s).sum::<f64>()
    };
    let (take_s, talk_s, tuning_s) = (sum(K::Take), sum(K::Talk), sum(K::Tuning));
    let (quiet_s, other_s) = (sum(K::Quiet), sum(K::Other));
    report.time_use = ledgerline::report::TimeUse { take_s, talk_s, tuning_s, quiet_s, other_s };
}

/// Curves that are loud in takes, softer in talk, and nothing in quiet.
pub fn curves_for(report: &Report) -> Curves {
    use ledgerline::passages::PassageKind as K;
    let hops = report.tape.duration_s.ceil() as usize;
    let level = |i: usize| {
        let t = i as f64 + 0.5;
        let kind = report.passages.iter().find(|p| p.start_s <= t && t < p.end_s).map(|p| p.kind)?;
        let slow = (t / 19.0).sin() * 3.0 + (t / 47.0).sin() * 2.0;
        match kind {
            K::Take => Some(-17.0 + slow + 2.0 * wobble(i)),
            K::Talk => Some(-36.0 + 7.0 * wobble(i)),
            K::Tuning => Some(-33.0 + 3.0 * wobble(i)),
            K::Other => Some(-30.0 + 8.0 * wobble(i)),
            K::Quiet => None,
        }
    };
    let short: Vec<Option<f64>> = (0..hops).map(level).collect();
    let nothing = vec![None; hops];
    Curves {
        hop_s: 1.0,
        momentary_max_lufs: short.iter().enumerate().map(|(i, v)| v.map(|v| v + 1.5 + 2.5 * wobble(i + 7))).collect(),
        short_term_lufs: short,
        low_end_excess_db: nothing.clone(),
        layers_lufs: LayerCurves {
            bass: nothing.clone(),
            drums: nothing.clone(),
            comping: nothing.clone(),
            horns: nothing.clone(),
        },
        tempo_bpm: nothing.clone(),
        bass_cents: nothing.clone(),
        guitar_cents: nothing.clone(),
        band_cents: nothing,
    }
}

/// Fifty minutes with five takes, a heavy low end, three findings.
pub fn plausible() -> (Report, Curves) {
    let mut v = base(3012.0, "2025-10-14 Tuesday band room.m4a");
    v["tape"]["recorded_at"] = json!("2025-10-14T15:40:00");
    v["tape"]["recorded_at_source"] = json!("tags");
    v["assumed"] = json!([
        "no band sheet was found beside the tape",
        "concert pitch 440 Hz",
        "charts are numbered in the order played"
    ]);
    let spans = [(212.0, 498.0), (690.0, 1010.0), (1180.0, 1370.0), (1655.0, 2105.0), (2390.0, 2870.0)];
    let titles =
        ["Harbour Lights", "Slow Train Uphill", "Harbour Lights, shout", "Copper Kettle", "Ballad for a Rainy Tuesday"];
    let lufs = [-17.2, -16.4, -15.1, -16.8, -18.3];
    let takes: Vec<Value> =
        (0..5).map(|i| take(spans[i].0, spans[i].1, titles[i], m(lufs[i], 0.4), absent("not_measured_yet"))).collect();
    v["takes"] = json!(takes);
    v["passages"] = json!([
        passage("other", 0.0, 40.0),
        passage("talk", 40.0, 95.0),
        passage("tuning", 95.0, 180.0),
        passage("talk", 180.0, 212.0),
        passage("take", 212.0, 498.0),
        passage("talk", 498.0, 640.0),
        passage("quiet", 640.0, 655.0),
        passage("talk", 655.0, 690.0),
        passage("take", 690.0, 1010.0),
        passage("talk", 1010.0, 1130.0),
        passage("other", 1130.0, 1180.0),
        passage("take", 1180.0, 1370.0),
        passage("talk", 1370.0, 1520.0),
        passage("tuning", 1520.0, 1570.0),
        passage("talk", 1570.0, 1655.0),
        passage("take", 1655.0, 2105.0),
        passage("talk", 2105.0, 2300.0),
        passage("quiet", 2300.0, 2350.0),
        passage("talk", 2350.0, 2390.0),
        passage("take", 2390.0, 2870.0),
        passage("talk", 2870.0, 2950.0),
        passage("quiet", 2950.0, 3012.0),
    ]);
    v["balance"]["low_end_excess_db"] = m(5.6, 0.9);
    v["balance"]["tilt_db_per_octave"] = m(-3.2, 0.3);
    v["balance"]["low_end_share"] = json!({"bass": m(0.71, 0.08), "kick": m(0.19, 0.05), "other": m(0.10, 0.05)});
    v["balance"]["standing_out"] = json!([{"hz": 98.0, "db": m(6.4, 1.0), "kind": "every_note"}]);
    v["balance"]["target"] = json!({"name": "neutral target shipped with the program", "source": "crude"});
    v["health"]["low_cut_hz"] = m(38.0, 4.0);
    v["health"]["high_cut_hz"] = m(15500.0, 300.0);
    v["health"]["trusted_for"]["loudness_over_time"] =
        verdict(true, "the recorder sat close to the drums, so distant players read low");
    v["health"]["trusted_for"]["tuning"] = verdict(false, "not_measured_yet");
    v["health"]["trusted_for"]["time"] = verdict(false, "not_measured_yet");
    let evidence = json!([{"start_s": 2390.0, "end_s": 2870.0, "measure": "balance.low_end_excess_db",
        "value": m(5.6, 0.9), "threshold": 3.0}]);
    let finding = |id: &str, player: &str, severity: u8, statement: &str, ask: &str| {
        json!({"id": id, "player": player, "severity": severity, "statement": statement, "ask": ask,
            "evidence": evidence, "confidence": 0.9})
    };
    v["findings"] = json!([
        finding(
            "low_end_heavy",
            "bass",
            3,
            "The low end is 5.6 dB above the target in every take, and seven tenths of it is the bass amplifier",
            "Turn the low control of the bass amplifier down a quarter turn, play the shout chorus again and listen from the last row"
        ),
        finding(
            "take_louder",
            "band",
            2,
            "The shout chorus of take 3 is 3 LU louder than the ballad, and nothing is in between",
            "Ask for a true mezzo-piano in the second chorus of Harbour Lights"
        ),
        finding("talk_share", "band", 1, "Talk took 17 minutes, most of it before the second and the fourth take", ""),
    ]);
    let mut r = report(v);
    r.balance.third_octave = third_octave(
        |hz| {
            let octave = (hz / 1000.0).log2();
            let hump = 7.5 * (-((hz / 90.0).log2() / 1.1).powi(2)).exp();
            let dull = if hz > 5000.0 { -2.2 * (hz / 5000.0).log2() * 2.0 } else { 0.0 };
            (hz > 36.0 && hz < 15000.0)
                .then_some(-1.1 * octave - 0.35 * octave * octave + hump + dull + 1.4 * wobble(hz as usize))
        },
        true,
    );
    time_use(&mut r);
    let c = curves_for(&r);
    (r, c)
}

/// A tape with nothing on it: every value is absent.
pub fn empty(duration_s: f64) -> (Report, Curves) {
    let mut v = base(duration_s, "take.wav");
    v["passages"] = json!([passage("quiet", 0.0, duration_s)]);
    v["balance"]["low_end_excess_db"] = absent("no_takes");
    for family in ["balance", "low_end", "loudness_over_time", "tuning", "time"] {
        v["health"]["trusted_for"][family] = verdict(false, "silent");
    }
    let mut r = report(v);
    r.balance.third_octave = third_octave(|_| None, false);
    time_use(&mut r);
    let c = curves_for(&r);
    (r, c)
}

/// Ten hours, sixty takes, names too long for any line, letters that the font lacks, numbers that are none.
pub fn extreme() -> (Report, Curves) {
    let name = format!("練習 {} last.flac", "a very long folder-like name_".repeat(12));
    let mut v = base(36000.0, &name);
    v["tape"]["recorded_at"] = json!("2026-01-31T09:05:00");
    v["tape"]["recorded_at_source"] = json!("file_time");
    let long = "an assumption that takes a whole line and then some more of the next one as well".to_owned();
    v["assumed"] = json!(vec![long; 9]);
    let mut passages = Vec::new();
    let mut takes = Vec::new();
    for i in 0..60 {
        let start = 600.0 * f64::from(i);
        let end = start + 60.0 + 400.0 * wobble(i as usize);
        let title =
            ["Очень длинное название пьесы для большого оркестра", "曲名", "", "Etude in F♯, the second, with repeats"]
                [i as usize % 4];
        let lufs = if i % 7 == 3 { absent("too_short") } else { m(-60.0 + f64::from(i), 3.0) };
        takes.push(take(start, end, title, lufs, m(140.0 + f64::from(i), 2.0)));
        passages.push(passage("take", start, end));
        passages.push(passage(["talk", "tuning", "other", "quiet"][i as usize % 4], end, start + 600.0));
    }
    v["takes"] = json!(takes);
    v["passages"] = json!(passages);
    v["balance"]["low_end_excess_db"] = m(-41.5, 12.0);
    v["health"]["low_cut_hz"] = m(250.0, 20.0);
    v["health"]["high_cut_hz"] = m(3400.0, 100.0);
    for family in ["balance", "low_end", "loudness_over_time", "tuning", "time"] {
        v["health"]["trusted_for"][family] = verdict(false, &"a reason as long as the day without any end ".repeat(6));
    }
    let words = "Donaudampfschifffahrtsgesellschaftskapitän ".repeat(20);
    v["findings"] = json!(
        (0..9)
            .map(|i| json!({"id": "x", "player": "band", "severity": i % 4,
        "statement": words.clone(), "ask": words.clone(), "evidence": [], "confidence": 0.5}))
            .collect::<Vec<_>>()
    );
    let mut r = report(v);
    r.balance.third_octave = third_octave(|hz| Some(if hz < 500.0 { 55.0 } else { -70.0 }), true);
    r.balance.third_octave[4].level_db = Some(f64::NAN);
    r.balance.third_octave[5].target_db = Some(f64::INFINITY);
    for (i, t) in r.takes.iter_mut().enumerate().filter(|(i, _)| i % 5 == 0) {
        t.tuning.bass.offset_from_band_cents.value = Some(i as f64 - 30.0);
        t.loudness.true_peak_dbtp.value = Some(f64::NEG_INFINITY);
    }
    time_use(&mut r);
    let mut c = curves_for(&r);
    for (i, v) in c.short_term_lufs.iter_mut().enumerate().filter(|(i, _)| i % 97 == 0) {
        *v = Some(if i % 2 == 0 { f64::NAN } else { f64::NEG_INFINITY });
    }
    (r, c)
}

/// A chart that is played at every `every`th rehearsal of nine.
fn season_chart(name: &str, bpm: f64, every: usize) -> SeasonChart {
    let values = |from: f64, to: f64| -> Vec<Option<f64>> {
        (0..9).map(|i| (i % every == 0).then_some(from + (to - from) * i as f64 / 8.0)).collect()
    };
    SeasonChart {
        name: name.to_owned(),
        tempo_bpm: values(bpm, bpm + 12.0),
        drift_percent: values(6.2, -0.4),
        bass_cents: values(-14.0, 2.0),
    }
}

/// Nine rehearsals, five measures, one with a change of method and one with gaps.
pub fn season() -> SeasonPicture {
    let rehearsals = vec![
        date(2025, 9, 2),
        date(2025, 9, 9),
        date(2025, 9, 16),
        date(2025, 9, 30),
        date(2025, 10, 7),
        date(2025, 10, 14),
        date(2025, 10, 28),
        date(2025, 11, 4),
        date(2025, 11, 11),
    ];
    let series = |title: &str, unit: &str, from: f64, to: f64, half: f64, better, verdict: &str| SeasonSeries {
        title: title.to_owned(),
        unit: unit.to_owned(),
        values: (0..9)
            .map(|i| {
                let value = from + (to - from) * i as f64 / 8.0 + (wobble(i + 3) - 0.5) * 2.0 * half;
                Some(SeasonPoint { value, low: value - half, high: value + half })
            })
            .collect(),
        better,
        broken_before: Vec::new(),
        verdict: verdict.to_owned(),
    };
    let mut all = vec![
        series(
            "Share of the period spent playing",
            "percent",
            46.0,
            63.0,
            2.0,
            Better::Up,
            "Better by 2 % a week; more than the noise.",
        ),
        series(
            "Low end above the target",
            "dB",
            7.2,
            3.1,
            1.0,
            Better::Zero,
            "Better by 0.4 dB a week; more than the noise.",
        ),
        series("Loudness of the loudest take", "LUFS", -15.0, -15.4, 0.5, Better::Neither, ""),
        series(
            "Difference between loud and soft takes",
            "LU",
            2.1,
            4.0,
            0.6,
            Better::Up,
            "No change beyond the noise.",
        ),
        series("Time spent tuning", "minutes", 5.1, 3.2, 0.4, Better::Down, ""),
    ];
    all[2].broken_before = vec![(4, "new recorder".to_owned())];
    all[3].values[2] = None;
    all[3].values[6] = None;
    let lines = |said: &[&str]| said.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
    SeasonPicture {
        rehearsals,
        series: all,
        changed: lines(&[
            "Share of the tape spent playing: +2.1 % a week (better)",
            "Low end against the target: −0.4 dB a week",
        ]),
        returns: lines(&[
            "Guitar starts sharp: 7 of 9 rehearsals, median +9 cents.",
            "Bass falls from the first take to the last: 6 of 8 rehearsals, median −4 cents.",
        ]),
        notes: lines(&["No rehearsal between 16 Sep and 30 Sep, nor between 14 Oct and 28 Oct."]),
        charts: vec![season_chart("Gravel in the Custard", 138.0, 1), season_chart("chart B", 96.0, 2)],
    }
}

/// The takes of a report, shortened to `n`.
pub fn with_takes(mut report: Report, n: usize) -> Report {
    let first: TakeFacts = report.takes[0].clone();
    report.takes.resize(n, first);
    report
}

/// A quarter of an hour with one take, all columns of the table, and nothing assumed.
pub fn short() -> (Report, Curves) {
    let mut v = base(903.0, "sax section, sectional rehearsal.wav");
    v["tape"]["recorded_at"] = json!("2025-12-01");
    v["takes"] = json!([take(60.0, 840.0, "Étude in B♭", m(-19.94, 0.25), m(132.4, 0.8))]);
    v["passages"] = json!([passage("tuning", 0.0, 60.0), passage("take", 60.0, 840.0), passage("talk", 840.0, 903.0)]);
    for (player, cents) in [("bass", -11.6), ("guitar", 6.2)] {
        v["takes"][0]["tuning"][player]["offset_from_band_cents"] = m(cents, 2.0);
    }
    v["balance"]["low_end_excess_db"] = m(0.4, 1.2);
    let mut r = report(v);
    r.balance.third_octave = third_octave(|hz| Some(-1.3 * (hz / 1000.0).log2()), true);
    time_use(&mut r);
    let c = curves_for(&r);
    (r, c)
}

/// [`plausible`] with the tuning measured: the bass starts flat and is tuned again, the guitar goes sharp, and one take has
/// too little guitar to say.
pub fn tuned() -> (Report, Curves) {
    let (mut r, mut c) = plausible();
    let against = |cents: f64, half: f64| ledgerline::stats::Measured::symmetric(cents, half, 80);
    let bass = [-18.4, -17.0, -2.1, -4.4, -7.9];
    let guitar = [1.2, 4.0, 6.5, 8.1, 12.4];
    for (i, take) in r.takes.iter_mut().enumerate() {
        for (t, cents, half) in [(&mut take.tuning.bass, bass[i], 1.8), (&mut take.tuning.guitar, guitar[i], 3.5)] {
            t.offset_from_band_cents = against(cents, half);
            t.offset_from_a440_cents = against(cents - 4.0, half);
        }
        for t in c.bass_cents[take.start_s as usize..take.end_s as usize].iter_mut().enumerate() {
            *t.1 = (t.0 % 37 > 2).then_some(bass[i] - 4.0 + 3.0 * (wobble(t.0 / 4) - 0.5));
        }
        for t in c.guitar_cents[take.start_s as usize..take.end_s as usize].iter_mut().enumerate() {
            *t.1 = (t.0 % 90 > 25).then_some(guitar[i] - 4.0 + 6.0 * (wobble(t.0 / 7 + 3) - 0.5));
        }
    }
    r.takes[1].tuning.guitar.offset_from_band_cents = ledgerline::stats::Measured::absent("too_few_notes");
    r.tuning.concert_pitch_hz = against(439.0, 0.4);
    r.tuning.instruments.bass.retuned_at_s = vec![1525.0];
    r.tuning.instruments.guitar.drift_cents_per_min = against(0.3, 0.1);
    r.tuning.instruments.bass.tuned_before_first_take_s = Some(against(85.0, 1.5));
    r.tuning.instruments.guitar.tuned_before_first_take_s =
        Some(ledgerline::stats::Measured::absent("no_tuning_heard"));
    for (at, instrument, strings) in [(2, "bass", [28, 33, 38, 43]), (13, "guitar", [40, 45, 50, 55])] {
        r.passages[at].strings = (strings.iter().zip([-24.0, -15.0, -12.0, -30.0]))
            .map(|(midi, cents)| ledgerline::report::OpenString {
                instrument: instrument.to_owned(),
                string_midi: *midi,
                offset_from_a440_cents: against(cents + 8.0 * f64::from(u8::from(at > 2)), 1.0),
            })
            .collect();
    }
    (r, c)
}

/// [`plausible`] with the time measured: one take slows down and has two bars that slipped, one has no steady tempo.
pub fn timed() -> (Report, Curves) {
    use ledgerline::report::{BarPicture, SlippedBar};
    let (mut r, mut c) = plausible();
    let tempi = [126.0, 66.0, 0.0, 168.0, 240.0];
    let drifts = [-3.1, 0.2, 0.0, 1.8, -0.4];
    for (i, take) in r.takes.iter_mut().enumerate() {
        if tempi[i] == 0.0 {
            take.tempo.bpm = Measured::absent("too_few_beats");
            continue;
        }
        take.tempo.bpm = Measured::symmetric(tempi[i], 0.3, 200);
        take.tempo.drift_percent = Measured::symmetric(drifts[i], 0.5, 200);
        take.tempo.beat_times_s = vec![take.start_s + 2.0, take.end_s - 2.0];
        take.feel.swing_ratio = Measured::symmetric(2.1, 0.1, 90);
        take.feel.hat_on_2_and_4_percent = Measured::new(92.0, 80.0, 97.0, 40);
        take.feel.bass_to_drums_ms = Measured::symmetric(12.0, 3.0, 90);
        let length = take.end_s - take.start_s;
        for t in take.start_s as usize + 2..take.end_s as usize - 2 {
            let share = (t as f64 - take.start_s) / length - 0.5;
            c.tempo_bpm[t] = Some(tempi[i] * (1.0 + (drifts[i] * share + 1.2 * (wobble(t / 3) - 0.5)) / 100.0));
        }
        let row = |on: &[usize], share: f64| {
            (0..48).map(|p| if on.contains(&p) { share } else { 0.06 * wobble(p) }).collect::<Vec<f64>>()
        };
        take.time_detail.bar_picture = BarPicture {
            bars: [40, 30, 0, 140, 140][i],
            beats: 4,
            kick: row(&[0, 12, 24, 36], 0.5),
            snare: row(&[20, 44], 0.3),
            cymbals: row(&[0, 12, 20, 24, 36, 44], 0.95),
            hi_hat_closing: row(&[12, 36], 0.9),
            bass: row(&[0, 12, 24, 36], 0.98),
        };
    }
    let slip = |bar: u32, start_s: f64, change: f64| SlippedBar {
        bar,
        start_s,
        end_s: start_s + 1.9,
        change_percent: Measured::symmetric(change, 1.0, 4),
    };
    r.takes[0].time_detail.slipped_bars = vec![slip(17, 250.0, 4.0), slip(33, 400.0, -5.0)];
    (r, c)
}

/// [`plausible`] with parts: horns in front in the second part of each take and not heard in the third; the last take even.
pub fn layered() -> (Report, Curves) {
    use ledgerline::report::{LayerLevels, PartFacts, PartSource};
    let (mut r, c) = plausible();
    let last = r.takes.len() - 1;
    for (i, take) in r.takes.iter_mut().enumerate() {
        let length = (take.end_s - take.start_s) / 3.0;
        take.form_bars =
            Some(if i == 0 { Measured::new(12.0, 12.0, 12.0, 5) } else { Measured::absent("form_not_repeated") });
        take.parts = (0..3)
            .map(|k| {
                let m = |lu: f64| Measured::symmetric(lu, 2.5, 30);
                let horns = match k {
                    _ if i == last => m(-6.0),
                    0 => m(-6.5),
                    1 => m(-1.5),
                    _ => Measured::absent("covered"),
                };
                let re_band = LayerLevels { bass: m(-5.5), drums: m(-7.0), comping: m(-6.2), horns };
                PartFacts {
                    label: (k + 1).to_string(),
                    source: PartSource::Found,
                    start_s: take.start_s + f64::from(k) * length,
                    end_s: take.start_s + f64::from(k + 1) * length,
                    same_form_as: (k == 2).then(|| "1".to_owned()),
                    loudness_lufs: m(-17.0),
                    low_end_excess_db: None,
                    layers_lufs: re_band.clone(),
                    layers_re_band_lu: Some(re_band),
                    layers_from_close: Vec::new(),
                    time: Some(PartTime {
                        bpm: Measured::symmetric(140.0, 0.6, 60),
                        drift_percent: Measured::symmetric(0.4, 0.6, 60),
                        steadiness_percent: Measured::symmetric(1.1, 0.3, 60),
                        swing_ratio: Measured::symmetric([2.4, 2.1, 1.4][k as usize], 0.1, 60),
                        hat_on_2_and_4_percent: Measured::symmetric([92.0, 88.0, 15.0][k as usize], 6.0, 15),
                        backbeat_heavy: Measured::plain(k == 2, 15),
                        kick_re_ride_db: Measured::symmetric(-4.0, 2.0, 15),
                    }),
                }
            })
            .collect();
    }
    (r, c)
}

/// A player's sheet with every kind of row.
pub fn sheet(player: &str) -> SheetPicture {
    let row = |label: &str, unit: &str, now: f64, before: Option<f64>, half: f64, mark: SheetMark| SheetRow {
        label: label.to_owned(),
        unit: unit.to_owned(),
        now: Measured::symmetric(now, half, 40),
        before: before.map_or_else(|| Measured::absent("no_note_heard"), |v| Measured::symmetric(v, half, 40)),
        mark,
    };
    SheetPicture {
        player: player.to_owned(),
        practise: "Check each string against the piano before the first note, then once more after the first chart."
            .into(),
        because: "The bass is 16 cents flat of the band in takes 1 and 2.".into(),
        listen: vec![(212.0, 498.0), (690.0, 1010.0)],
        also: vec!["The bass falls by 6 cents from the first take to the last.".into()],
        praise: vec!["The band took 85 s to tune before the first take.".into()],
        rows: vec![
            row("tuning as the rehearsal begins", "cents", -16.0, Some(-24.0), 2.0, SheetMark::Better),
            row("tuning over the takes", "cents", -9.0, Some(-8.0), 3.0, SheetMark::Same),
            row("change of pitch, first take to last", "cents", -6.0, Some(-1.0), 1.5, SheetMark::FurtherAway),
            row("bass after the drums", "ms", 12.0, None, 9.0, SheetMark::NoPair),
            row("loudness in the band", "LU", -5.2, Some(-2.1), 2.4, SheetMark::Changed),
            row("low end of the band against the target", "dB", 2.2, Some(5.6), 0.9, SheetMark::NotComparable),
        ],
        last_date: Some("2025-10-07".into()),
    }
}

/// A festival in sight: one goal met, one out of reach, one that cannot be told; a run-through that fits; two changes.
pub fn festival() -> FestivalPicture {
    let m = |v: f64, half: f64| Measured::symmetric(v, half, 9);
    let goal =
        |title: &str, unit: &str, ends: (Option<f64>, Option<f64>), values: [Measured; 3], now: &str, then: &str| {
            let [start, at, expected] = values;
            FestivalGoal {
                title: title.into(),
                unit: unit.into(),
                at_least: ends.0,
                at_most: ends.1,
                start,
                now: at,
                expected,
                met_now: now.into(),
                will_be_met: then.into(),
            }
        };
    let change = |date: &str, what: &str, before: f64, after: f64, said: &str| FestivalAmp {
        date: date.into(),
        what: what.into(),
        before: m(before, 0.7),
        after: m(after, 0.7),
        change: m(after - before, 1.0),
        said: said.into(),
    };
    FestivalPicture {
        date: date(2025, 11, 29),
        weeks_left: Some(18.0 / 7.0),
        rehearsals: Some((date(2025, 9, 2), date(2025, 11, 11), 9)),
        goals: vec![
            goal(
                "bass against the band",
                "cents",
                (Some(-5.0), Some(5.0)),
                [m(-16.0, 3.5), m(-2.0, 3.0), m(1.0, 3.5)],
                "yes",
                "yes",
            ),
            goal(
                "tempo drift, either way",
                "%",
                (None, Some(2.0)),
                [m(6.4, 0.4), m(4.1, 0.4), m(3.3, 0.8)],
                "no",
                "no",
            ),
            goal(
                "bars with the hi-hat on 2 and 4",
                "%",
                (Some(80.0), None),
                [
                    Measured::new(0.0, 0.0, 6.0, 9),
                    Measured::new(90.0, 75.0, 100.0, 9),
                    Measured::absent("too_far_ahead"),
                ],
                "cannot tell",
                "cannot tell",
            ),
        ],
        slot_minutes: 20.0,
        charts: vec![
            ("Harbour Lights".into(), Measured::new(4.6, 4.5, 4.8, 3)),
            ("Slow Train Uphill".into(), Measured::new(5.3, 5.2, 5.5, 3)),
            ("Copper Kettle".into(), Measured::new(6.1, 6.0, 6.4, 3)),
        ],
        changes: Measured::new(1.5, 0.8, 2.4, 6),
        total: Measured::new(17.5, 16.5, 19.1, 3),
        fits: "yes".into(),
        amp: vec![
            change(
                "2025-09-30",
                "bass amplifier: low turned down a quarter turn",
                6.4,
                3.1,
                "less low end than before",
            ),
            change("2025-10-14", "advised: bass level down 2 dB", 3.1, 2.7, "no change beyond the noise"),
        ],
    }
}
