//! Our scorer against the stored scores of mir_eval (fixtures of commit fe73b35, MIT, see the licence beside them).

use std::path::PathBuf;

use super::time_scorer::*;

fn folder(set: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/mir_eval").join(set)
}

fn events(set: &str, name: &str) -> Vec<f64> {
    let text = std::fs::read_to_string(folder(set).join(name)).unwrap();
    text.lines().filter(|l| !l.starts_with('#')).flat_map(str::split_whitespace).map(|w| w.parse().unwrap()).collect()
}

fn stored(set: &str, number: usize) -> serde_json::Value {
    let text = std::fs::read_to_string(folder(set).join(format!("output{number:02}.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

#[track_caller]
fn assert_score(got: f64, stored: &serde_json::Value, key: &str, number: usize) {
    let expected = stored[key].as_f64().unwrap();
    assert!((got - expected).abs() < 1e-12, "set {number}, {key}: {got} for {expected}");
}

#[test]
fn ten_beat_sets_score_as_mir_eval_stored_them() {
    for number in 0..10 {
        let reference = trimmed(&events("beat", &format!("ref{number:02}.txt")));
        let estimated = trimmed(&events("beat", &format!("est{number:02}.txt")));
        let expected = stored("beat", number);
        let (cemgil, best) = cemgil(&reference, &estimated);
        let [cml_c, cml_t, aml_c, aml_t] = continuity(&reference, &estimated);
        let check = |got: f64, key: &str| assert_score(got, &expected, key, number);
        check(f_measure(&reference, &estimated, 0.07).0, "F-measure");
        check(cemgil, "Cemgil");
        check(best, "Cemgil Best Metric Level");
        check(goto(&reference, &estimated), "Goto");
        check(p_score(&reference, &estimated), "P-score");
        check(cml_c, "Correct Metric Level Continuous");
        check(cml_t, "Correct Metric Level Total");
        check(aml_c, "Any Metric Level Continuous");
        check(aml_t, "Any Metric Level Total");
        check(information_gain(&reference, &estimated), "Information gain");
    }
}

#[test]
fn ten_onset_sets_score_as_mir_eval_stored_them() {
    for number in 0..10 {
        let reference = events("onset", &format!("ref{number:02}.txt"));
        let estimated = events("onset", &format!("est{number:02}.txt"));
        let (f, precision, recall) = f_measure(&reference, &estimated, 0.05);
        let expected = stored("onset", number);
        assert_score(f, &expected, "F-measure", number);
        assert_score(precision, &expected, "Precision", number);
        assert_score(recall, &expected, "Recall", number);
    }
}

fn tempo_row(name: &str) -> Result<([f64; 2], f64), String> {
    let text = std::fs::read_to_string(folder("tempo").join(name)).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|l| !l.starts_with('#') && !l.trim().is_empty())
        .map(|l| l.split_whitespace().map(|w| w.parse().unwrap()).collect())
        .collect();
    match rows.as_slice() {
        [row] => Ok(([row[0], row[1]], row[2])),
        _ => Err(format!("{name} has {} rows, one is allowed", rows.len())),
    }
}

#[test]
fn four_tempo_sets_score_as_mir_eval_stored_them() {
    for number in 0..4 {
        let (reference, weight) = tempo_row(&format!("ref{number:02}.lab")).unwrap();
        let (estimated, _) = tempo_row(&format!("est{number:02}.lab")).unwrap();
        let (score, one, both) = tempo_detection(reference, weight, estimated).unwrap();
        let expected = stored("tempo", number);
        assert_score(score, &expected, "P-score", number);
        assert_eq!((Some(one), Some(both)), (expected["One-correct"].as_bool(), expected["Both-correct"].as_bool()));
    }
}

#[test]
fn impossible_tempo_files_are_refused() {
    for name in ["bad00.lab", "bad01.lab", "bad02.lab"] {
        let answer = tempo_row(name).and_then(|(tempi, weight)| tempo_detection(tempi, weight, tempi));
        assert!(answer.is_err(), "{name}: {answer:?}");
    }
}

/// Identities of a half-second grid (values computed with mir_eval 0.8.2 after its trim at 5 s).
#[test]
fn shifts_and_levels_of_a_grid_score_as_they_must() {
    let grid = |start: f64, step: f64| -> Vec<f64> {
        trimmed(&(0..).map(|i| start + step * f64::from(i)).take_while(|t| *t < 59.9).collect::<Vec<_>>())
    };
    let reference = grid(0.0, 0.5);
    let rows = [
        (grid(0.0, 0.5), [1.0, 1.0, 1.0, 1.0]),
        (grid(0.069, 0.5), [1.0, 0.2259, 1.0, 1.0]),
        (grid(0.071, 0.5), [0.0, 0.2069, 1.0, 1.0]),
        (grid(0.0, 1.0), [0.6667, 0.6667, 0.0, 1.0]),
    ];
    for (estimated, [f, gauss, cml, aml]) in rows {
        let near = |got: f64, wanted: f64| assert!((got - wanted).abs() < 5e-5, "{got} for {wanted}");
        near(f_measure(&reference, &estimated, 0.07).0, f);
        near(cemgil(&reference, &estimated).0, gauss);
        let all = continuity(&reference, &estimated);
        near(all[1], cml);
        near(all[3], aml);
    }
}
