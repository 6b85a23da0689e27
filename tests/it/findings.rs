//! Findings: what each rule must say, what it must leave alone, and how all of them speak.

use ledgerline::findings::{Finding, FindingInputs, Player, Severity, TakeInput, find, thresholds};
use ledgerline::health::{Health, Trust};
use ledgerline::passages::{Passage, PassageKind};
use ledgerline::stats::Measured;

struct Tape {
    duration_s: f64,
    health: Health,
    passages: Vec<Passage>,
    takes: Vec<TakeInput>,
    low_end: Measured,
    spread: Option<f64>,
    share_bass: Measured,
}

fn trust() -> Trust {
    Trust { ok: true, reason: String::new() }
}

fn clean_health() -> Health {
    Health {
        gain_riding: Measured::plain(false, 1),
        clipped_percent: Measured::new(0.0, 0.0, 0.0001, 9),
        low_cut_hz: Measured::symmetric(35.0, 4.0, 9),
        high_cut_hz: Measured::symmetric(18_000.0, 100.0, 9),
        hum_hz: Measured::absent("no_hum"),
        noise_floor_dbfs: Measured::symmetric(-60.0, 1.0, 9),
        dc_offset: Measured::symmetric(0.0, 1e-5, 9),
        dead_channels: Vec::new(),
        balance: trust(),
        low_end: trust(),
        loudness_over_time: trust(),
        tuning: trust(),
        time: trust(),
    }
}

fn passages(spans: &[(PassageKind, f64)]) -> Vec<Passage> {
    let mut at = 0.0;
    spans
        .iter()
        .map(|&(kind, length)| {
            let p = Passage { kind, start_s: at, end_s: at + length, confidence: 0.95 };
            at += length;
            p
        })
        .collect()
}

/// A clean tape of a tuned band: half playing, nothing to ask.
fn clean() -> Tape {
    let passages = passages(&[
        (PassageKind::Talk, 300.0),
        (PassageKind::Tuning, 30.0),
        (PassageKind::Take, 200.0),
        (PassageKind::Talk, 170.0),
        (PassageKind::Take, 300.0),
    ]);
    let take = |p: &Passage| TakeInput {
        start_s: p.start_s,
        end_s: p.end_s,
        integrated_lufs: Measured::symmetric(-21.0, 0.5, 99),
        true_peak_dbtp: Measured::new(-5.0, -5.3, -4.9, 1),
    };
    Tape {
        duration_s: 1000.0,
        health: clean_health(),
        takes: passages.iter().filter(|p| p.kind == PassageKind::Take).map(take).collect(),
        passages,
        low_end: Measured::symmetric(0.5, 0.8, 99),
        spread: Some(2.5),
        share_bass: Measured::absent("not_measured_yet"),
    }
}

fn found(tape: &Tape) -> Vec<Finding> {
    find(&FindingInputs {
        duration_s: tape.duration_s,
        health: &tape.health,
        passages: &tape.passages,
        takes: &tape.takes,
        low_end_excess_db: &tape.low_end,
        low_end_spread_db: tape.spread,
        low_end_share_bass: &tape.share_bass,
    })
}

fn ids(tape: &Tape) -> Vec<&'static str> {
    found(tape).iter().map(|f| f.id).collect()
}

fn changed(change: impl Fn(&mut Tape)) -> Tape {
    let mut tape = clean();
    change(&mut tape);
    tape
}

const NOTES: [&str; 2] = ["playing_share", "tuned_before_first_take"];

#[test]
fn a_clean_tape_gets_notes_only() {
    assert_eq!(ids(&clean()), NOTES);
    assert!(found(&clean()).iter().all(|f| f.severity == Severity::Note && f.ask.is_empty()));
}

/// What is wrong with the tape, the finding that must come, a word of its ask.
type Fault = (fn(&mut Tape), &'static str, &'static str);

#[test]
fn each_fault_of_a_recording_asks_for_its_own_remedy() {
    let cases: [Fault; 6] = [
        (|t| t.health.clipped_percent = Measured::new(0.3, 0.2, 0.4, 9), "recording_clipped", "input down"),
        (|t| t.takes[1].true_peak_dbtp = Measured::new(0.4, 0.1, 0.5, 1), "recording_true_peak", "input down"),
        (|t| t.health.gain_riding = Measured::plain(true, 1), "recording_gain_riding", "automatic level off"),
        (|t| t.health.low_cut_hz = Measured::symmetric(140.0, 15.0, 9), "recording_low_cut", "low cut"),
        (|t| t.health.hum_hz = Measured::symmetric(50.0, 0.1, 9), "recording_hum", "outlet"),
        (|t| t.health.dead_channels = vec![2], "recording_dead_channel", "microphone"),
    ];
    for (change, id, remedy) in cases {
        let all = found(&changed(change));
        assert_eq!(all.iter().map(|f| f.id).collect::<Vec<_>>(), [id, NOTES[0], NOTES[1]]);
        assert!(all[0].ask.contains(remedy) && all[0].player == Player::Recording, "{}", all[0].ask);
    }
}

#[test]
fn a_clipped_tape_is_not_told_of_its_true_peak_as_well() {
    let both = changed(|t| {
        t.health.clipped_percent = Measured::new(0.3, 0.2, 0.4, 9);
        t.takes[0].true_peak_dbtp = Measured::new(0.4, 0.1, 0.5, 1);
    });
    assert!(ids(&both).contains(&"recording_clipped") && !ids(&both).contains(&"recording_true_peak"));
}

#[test]
fn a_low_cut_whose_interval_reaches_under_the_threshold_is_left_alone() {
    let unsure = changed(|t| t.health.low_cut_hz = Measured::symmetric(80.0, 30.0, 2));
    assert_eq!(ids(&unsure), NOTES);
}

#[test]
fn low_end_speaks_when_it_lies_beyond_the_spread_and_surely_on_that_side_of_the_target() {
    let low_end = |value: f64, half: f64| changed(|t| t.low_end = Measured::symmetric(value, half, 99));
    assert_eq!(ids(&low_end(2.4, 0.8)), NOTES, "inside the spread of 2.5 dB");
    assert_eq!(ids(&low_end(3.4, 3.5)), NOTES, "may lie under the target");
    let main = found(&low_end(3.4, 0.8));
    assert_eq!((main[0].id, main[0].severity, main[0].player), ("low_end_above_target", Severity::Main, Player::Band));
    assert_eq!(found(&low_end(6.5, 0.8))[0].severity, Severity::First);
    assert_eq!(ids(&low_end(-6.0, 0.8))[0], "low_end_below_target");
    let reserved = changed(|t| t.low_end = Measured::symmetric(-6.0, 0.8, 99).with_warning("low_cut_inside_low_end"));
    assert_eq!(ids(&reserved), NOTES, "the recorder may be the cause");
    assert_eq!(main[0].evidence.len(), 2);
    assert_eq!(main[0].evidence[0].threshold, 2.5);
    // 3.4 +- 0.8 against 2.5: 2.2 standard deviations, 98.6 % (standard normal table).
    assert!((main[0].confidence - 0.986).abs() < 0.001, "{}", main[0].confidence);
}

#[test]
fn low_end_is_not_judged_on_a_recording_that_does_not_hear_it() {
    let deaf = changed(|t| {
        t.low_end = Measured::symmetric(-9.0, 0.5, 99);
        t.health.low_end.ok = false;
    });
    assert_eq!(ids(&deaf), NOTES);
}

#[test]
fn low_end_is_the_bass_players_only_once_the_bass_is_measured_to_hold_most_of_it() {
    let share = |low: f64| {
        found(&changed(|t| {
            t.low_end = Measured::symmetric(6.0, 0.5, 99);
            t.share_bass = Measured::new(low + 0.1, low, low + 0.2, 9);
        }))[0]
            .player
    };
    assert_eq!((share(0.6), share(0.45)), (Player::Bass, Player::Band));
}

#[test]
fn a_playing_share_out_of_the_usual_asks_to_check_the_timeline_and_no_more() {
    let share = |take: f64| {
        changed(|t| {
            t.passages =
                passages(&[(PassageKind::Tuning, 10.0), (PassageKind::Take, take), (PassageKind::Talk, 990.0 - take)])
        })
    };
    for take in [200.0, 850.0] {
        let all = found(&share(take));
        assert_eq!((all[0].id, all[0].severity), ("playing_share_unusual", Severity::Minor));
        assert!(all[0].ask.contains("Check"));
    }
    for take in [260.0, 790.0] {
        assert!(ids(&share(take)).contains(&"playing_share"));
    }
    let excerpt = changed(|t| t.duration_s = 200.0);
    assert_eq!(ids(&excerpt), ["tuned_before_first_take"]);
}

#[test]
fn missing_tuning_is_said_only_when_there_was_time_to_hear_it() {
    let untuned = |lead: f64| {
        changed(|t| {
            t.passages =
                passages(&[(PassageKind::Talk, lead), (PassageKind::Take, 500.0), (PassageKind::Tuning, 500.0 - lead)]);
            t.takes[0].start_s = lead;
        })
    };
    assert_eq!(ids(&untuned(60.0))[0], "no_tuning_before_first_take");
    assert_eq!(ids(&untuned(15.0)), ["playing_share"]);
    assert_eq!(ids(&changed(|t| t.takes.clear())), ["playing_share"]);
}

#[test]
fn takes_far_apart_in_loudness_are_noted_with_both_takes() {
    let apart = |lu: f64| changed(|t| t.takes[1].integrated_lufs = Measured::symmetric(-21.0 + lu, 0.5, 99));
    assert_eq!(ids(&apart(6.5)), NOTES, "6.5 +- 0.71 reaches under 6");
    let all = found(&apart(7.0));
    let note = all.iter().find(|f| f.id == "takes_apart_in_loudness").unwrap();
    assert!(
        note.statement.contains("Take 2") && note.statement.contains("take 1") && note.statement.contains("7.0 LU")
    );
    assert_eq!(note.evidence.len(), 2);
    let riding = changed(|t| {
        t.takes[1].integrated_lufs = Measured::symmetric(-10.0, 0.5, 99);
        t.health.loudness_over_time.ok = false;
    });
    assert_eq!(ids(&riding), NOTES);
}

fn everything() -> Tape {
    changed(|t| {
        t.health.clipped_percent = Measured::new(0.3, 0.2, 0.4, 9);
        t.health.gain_riding = Measured::plain(true, 1);
        t.health.hum_hz = Measured::symmetric(50.0, 0.1, 9);
        t.health.dead_channels = vec![1, 3];
        t.health.low_cut_hz = Measured::symmetric(140.0, 15.0, 9);
        t.low_end = Measured::symmetric(8.0, 0.5, 99);
        t.takes[1].integrated_lufs = Measured::symmetric(-10.0, 0.5, 99);
        t.passages[1].kind = PassageKind::Talk;
    })
}

#[test]
fn findings_are_ranked_by_severity_and_the_same_every_time() {
    let all = found(&everything());
    assert!(all.len() >= 8, "{:?}", ids(&everything()));
    assert!(all.windows(2).all(|w| w[0].severity >= w[1].severity));
    assert_eq!(found(&everything()), all);
}

#[test]
fn every_finding_shows_evidence_inside_the_tape_and_a_probability() {
    for f in found(&everything()) {
        assert!(!f.evidence.is_empty() && (0.0..=1.0).contains(&f.confidence), "{}", f.id);
        for e in &f.evidence {
            assert!(0.0 <= e.start_s && e.start_s < e.end_s && e.end_s <= 1000.0, "{}", f.id);
            assert!(e.value.value.is_some(), "{}", f.id);
        }
        assert!(f.ask.matches(". ").count() == 0, "{}: more than one ask", f.id);
    }
}

/// The players are students: a list of words that no statement and no ask may hold.
#[test]
fn nobody_is_blamed() {
    let words =
        ["bad", "wrong", "fault", "blame", "fail", "poor", "awful", "lazy", "careless", "mistake", "sloppy", "never"];
    for tape in [everything(), clean(), changed(|t| t.low_end = Measured::symmetric(-8.0, 0.5, 9))] {
        for f in found(&tape) {
            let text = format!("{} {}", f.statement, f.ask).to_lowercase();
            assert!(words.iter().all(|w| !text.split(|c: char| !c.is_alphabetic()).any(|t| t == *w)), "{text}");
            assert!(f.statement.ends_with('.') && !text.contains('\u{2014}'), "{text}");
        }
    }
}

#[test]
fn every_threshold_has_a_source() {
    assert!(thresholds::ALL.iter().all(|t| t.source.len() > 10 && t.value.is_finite()));
}

#[test]
fn findings_stand_in_the_report_with_the_words_of_the_contract() {
    let f = found(&everything());
    let r = ledgerline::report::Finding::from(&f[0]);
    assert_eq!((r.player.as_str(), r.severity, r.id.as_str()), ("recording", 3, "recording_clipped"));
    assert_eq!(r.evidence[0].measure, "health.clipped_percent");
}
