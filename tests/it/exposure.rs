//! Noise exposure against the published formulas, tables and worked examples.

use ledgerline::measure::exposure::formulas::{NIOSH, OSHA, energy_mean_db, lex_8h_dba};
use ledgerline::measure::exposure::{Calibration, ExposureReading, Session, measure_exposure};

/// NIOSH publication 98-126, table 1-1: minutes that fill the dose; printed there cut to whole minutes and seconds, here by
/// its own formula T = 480 / 2^((L - 85) / 3).
#[test]
fn niosh_98_126_table_of_allowed_minutes() {
    let table = [
        (82.0, 960.0),
        (85.0, 480.0),
        (88.0, 240.0),
        (90.0, 151.19),
        (91.0, 120.0),
        (92.0, 95.24),
        (94.0, 60.0),
        (95.0, 47.62),
        (97.0, 30.0),
        (98.0, 23.81),
        (100.0, 15.0),
        (103.0, 7.5),
        (105.0, 4.72),
        (106.0, 3.75),
        (109.0, 1.88),
        (110.0, 1.49),
        (112.0, 0.94),
        (115.0, 0.47),
    ];
    for (level, minutes) in table {
        let got = 60.0 * NIOSH.hours_allowed(level);
        assert!((got - minutes).abs() < 0.006, "{level} dB(A): {got} min");
    }
}

/// OSHA 29 CFR 1910.95, table G-16a: reference duration in hours, to the digits printed. 83 dB(A) is printed as 21.1 and 21.2.
#[test]
fn osha_1910_95_table_g_16a_reference_durations() {
    let table = [
        (80.0, 32.0),
        (81.0, 27.9),
        (82.0, 24.3),
        (83.0, 21.1),
        (84.0, 18.4),
        (85.0, 16.0),
        (86.0, 13.9),
        (87.0, 12.1),
        (88.0, 10.6),
        (89.0, 9.2),
        (90.0, 8.0),
        (91.0, 7.0),
        (92.0, 6.1),
        (93.0, 5.3),
        (94.0, 4.6),
        (95.0, 4.0),
        (96.0, 3.5),
        (97.0, 3.0),
        (98.0, 2.6),
        (99.0, 2.3),
        (100.0, 2.0),
        (105.0, 1.0),
        (110.0, 0.5),
        (115.0, 0.25),
        (120.0, 0.125),
        (130.0, 0.031),
    ];
    for (level, hours) in table {
        let got = OSHA.hours_allowed(level);
        let last_digit = if hours < 0.2 { 0.001 } else { 0.1 };
        assert!((got - hours).abs() < 0.5 * last_digit + 0.011, "{level} dB(A): {got} h");
    }
}

/// OSHA 29 CFR 1910.95 appendix A, table A-1: dose to eight-hour level.
#[test]
fn osha_table_a_1_dose_to_level() {
    let table = [
        (10.0, 73.4),
        (25.0, 80.0),
        (50.0, 85.0),
        (75.0, 87.9),
        (93.0, 89.5),
        (100.0, 90.0),
        (120.0, 91.3),
        (150.0, 92.9),
        (200.0, 95.0),
        (300.0, 97.9),
        (400.0, 100.0),
        (500.0, 101.6),
        (999.0, 106.6),
    ];
    for (dose, level) in table {
        let got = OSHA.time_weighted_average_dba(dose).unwrap();
        assert!((got - level).abs() <= 0.051, "{dose} %: {got}");
    }
    assert_eq!(OSHA.time_weighted_average_dba(0.0), None);
}

/// A mixed day computed from the published definitions by hand: 30 min at 95, 45 at 88, 15 at 100, 60 at 75 dB(A).
const MIXED: [(f64, f64); 4] = [(95.0, 0.5), (88.0, 0.75), (100.0, 0.25), (75.0, 1.0)];

#[test]
fn a_mixed_day_has_the_doses_of_the_definitions() {
    let niosh = NIOSH.dose_percent(MIXED, None);
    let osha = OSHA.dose_percent(MIXED, None);
    assert!((niosh - 182.986).abs() < 0.001, "{niosh}");
    assert!((NIOSH.time_weighted_average_dba(niosh).unwrap() - 87.624).abs() < 0.001);
    assert!((osha - 33.667).abs() < 0.001, "{osha}");
    assert!((OSHA.time_weighted_average_dba(osha).unwrap() - 82.147).abs() < 0.001);
    assert!((lex_8h_dba(MIXED).unwrap() - 87.583).abs() < 0.001);
    // Levels under a threshold do not count: without the 75 dB(A), and then without the 88 as well.
    assert!((OSHA.dose_percent(MIXED, Some(80.0)) - (33.667 - 1.5625)).abs() < 0.001);
    assert!((OSHA.dose_percent(MIXED, Some(90.0)) - 25.0).abs() < 0.001);
}

/// Directive 2003/10/EC: pairs of level and time with one daily exposure level, as the European health authorities print them.
#[test]
fn directive_2003_10_ec_pairs_of_level_and_time() {
    let pairs = [
        (85.0, 8.0, 85.0),
        (88.0, 4.0, 85.0),
        (91.0, 2.0, 85.0),
        (94.0, 1.0, 85.0),
        (97.0, 0.5, 85.0),
        (100.0, 0.25, 85.0),
        (83.0, 4.0, 80.0),
        (92.0, 0.5, 80.0),
        (95.0, 0.25, 80.0),
        (90.0, 4.0, 87.0),
        (99.0, 0.5, 87.0),
    ];
    for (level, hours, daily) in pairs {
        let got = lex_8h_dba([(level, hours)]).unwrap();
        assert!((got - daily).abs() < 0.06, "{level} dB(A) for {hours} h: {got}");
    }
}

/// ISO 9612:2009 annex D (task-based): planning 1.5 h, welding 5 h, cutting 1.5 h; LEX,8h 84.3 dB, expanded uncertainty 2.7 dB
/// (clause C.2 with u2 = 1.5 dB, u3 = 1.0 dB, durations exact, factor 1.65).
#[test]
fn iso_9612_annex_d_task_based() {
    let (welding, cutting) = ([80.1, 82.2, 79.6], [86.5, 92.4, 89.3, 93.2, 87.8, 86.2]);
    let (weld, cut) = (energy_mean_db(welding).unwrap(), energy_mean_db(cutting).unwrap());
    assert!((weld - 80.8).abs() < 0.05 && (cut - 90.1).abs() < 0.05, "{weld} {cut}");
    let daily = lex_8h_dba([(70.0, 1.5), (weld, 5.0), (cut, 1.5)]).unwrap();
    assert!((daily - 84.294).abs() < 0.001, "{daily}");
    let sampling = |levels: &[f64]| {
        let mean = levels.iter().sum::<f64>() / levels.len() as f64;
        levels.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / (levels.len() * (levels.len() - 1)) as f64
    };
    let part = |levels: &[f64], level: f64, hours: f64| {
        let sensitivity = hours / 8.0 * 10f64.powf((level - daily) / 10.0);
        sensitivity.powi(2) * (sampling(levels) + 1.5f64.powi(2) + 1.0)
    };
    let expanded = 1.65 * (part(&welding, weld, 5.0) + part(&cutting, cut, 1.5)).sqrt();
    assert!((expanded - 2.7).abs() < 0.05, "{expanded}");
}

/// ISO 9612:2009 annexes E (job-based, 7.5 h) and F (full-day, 9.25 h); the standard rounds on the way: 0.1 dB.
#[test]
fn iso_9612_annexes_e_and_f() {
    for (levels, hours, mean, daily, u1) in [
        ([88.1, 86.1, 89.7, 86.5, 91.1, 86.7], 7.5, 88.4, 88.1, 2.0),
        ([88.0, 91.9, 87.6, 90.4, 89.0, 88.4], 9.25, 89.5, 90.1, 1.6),
    ] {
        let equivalent = energy_mean_db(levels).unwrap();
        assert!((equivalent - mean).abs() < 0.05, "{equivalent}");
        let got = lex_8h_dba([(equivalent, hours)]).unwrap();
        assert!((got - daily).abs() < 0.1, "{got}");
        let plain = levels.iter().sum::<f64>() / 6.0;
        let spread = (levels.iter().map(|l| (l - plain).powi(2)).sum::<f64>() / 5.0).sqrt();
        assert!((spread - u1).abs() < 0.06, "{spread}");
    }
}

/// The mixed day as a recording: an hour and a half of its 2.5 h are heard, then scaled to the session.
#[test]
fn a_recording_has_the_doses_of_its_levels_for_the_length_of_the_session() {
    let second = |dba: f64| 10f64.powf((dba - 110.0) / 10.0);
    let powers: Vec<f64> =
        MIXED.iter().flat_map(|(level, hours)| vec![second(*level); (hours * 1200.0).round() as usize]).collect();
    let reading = ExposureReading::new(powers);
    let calibration = Calibration { offset_db: 110.0, half_width_db: 2.0, warnings: vec!["readings_disagree"] };
    let session = Session { hours: Some(2.5), osha_threshold_dba: 0.0 };
    let got = measure_exposure(&reading, &calibration, session);
    let close = |got: Option<f64>, want: f64| assert!((got.unwrap() - want).abs() < 0.01, "{got:?} {want}");
    close(got.leq_dba.value, 92.635);
    close(got.niosh_dose_percent.value, 182.986);
    close(got.osha_dose_percent.value, 33.667);
    close(got.lex_8h_dba.value, 87.583);
    // Two decibels up are 2^(2/3) times the NIOSH dose and 2^(2/5) times the OSHA dose.
    close(got.niosh_dose_percent.high, 182.986 * 2f64.powf(2.0 / 3.0));
    close(got.osha_dose_percent.low, 33.667 * 2f64.powf(-2.0 / 5.0));
    assert_eq!(got.leq_dba.warnings, ["readings_disagree"]);
    let own = measure_exposure(&reading, &calibration, Session { hours: None, ..session });
    assert!((own.session_hours - 2.5 / 3.0).abs() < 1e-9);
    close(own.niosh_dose_percent.value, 182.986 / 3.0);
    let silence = measure_exposure(&ExposureReading::new(vec![0.0; 60]), &calibration, session);
    assert_eq!(silence.leq_dba.reason.as_deref(), Some("silence"));
    assert_eq!(silence.niosh_dose_percent.value, None);
}
