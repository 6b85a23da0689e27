//! The bass's amplifier from rehearsal to rehearsal, from reports without any sound behind them. What a low control does to each
//! note is worked out by the audio EQ cookbook (W3C Group Note, 8 June 2021).

use ledgerline::dsp::filters::Biquad;
use ledgerline::measure::tone::{FIRST_MIDI, NOTES, note_hz};
use ledgerline::pipeline::season_bass_changes;
use ledgerline::report::{BassNoteLevel, Report, ToneFacts};
use ledgerline::season::{Entry, build_season};
use ledgerline::stats::Measured;

use crate::mock_reports::{Spec, mock_report};

/// A rehearsal whose bass has `share` of the low end and sounds as `turned` makes it, dB by frequency.
fn rehearsal(date: &str, low_end_db: f64, share: f64, turned: impl Fn(f64) -> f64) -> Entry {
    let mut report: Report = mock_report(&Spec { low_end_db, ..Spec::on(date, date) });
    report.amp_advice.clear();
    let note = |i: usize| {
        let hz = note_hz(f64::from(FIRST_MIDI) + i as f64);
        let level = Some(-30.0 - 3.0 * (hz / 80.0).log2().abs() + ((i * 7 % 5) as f64) + turned(hz));
        BassNoteLevel { midi: FIRST_MIDI + i as u8, level_dbfs: level, n: 40, all_dbfs: level }
    };
    report.tone = Some(ToneFacts {
        bass_notes: (0..NOTES).map(note).collect(),
        low_re_own_target_db: Measured::absent("target_of_other_players"),
        bass_bands: vec![share / 6.0; 6].into_iter().chain(vec![0.01; 8]).collect(),
    });
    report.balance.low_end_share.bass = Measured::symmetric(share, 0.05, 60);
    Entry { folder: format!("{date}_rehearsal"), report: Ok(report) }
}

fn said(entries: &[Entry]) -> Vec<String> {
    season_bass_changes(&build_season(entries), entries)
}

fn low(db: f64) -> impl Fn(f64) -> f64 {
    move |hz| Biquad::low_shelf(48_000.0, 100.0, 1.0, db).magnitude_db(48_000.0, hz)
}

#[test]
fn a_low_control_that_was_turned_up_is_told_with_its_date_and_how_to_undo_it() {
    let weeks = [
        rehearsal("2026-03-07", 0.0, 0.85, |_| 0.0),
        rehearsal("2026-03-14", 0.1, 0.85, |_| -3.0),
        rehearsal("2026-03-21", 5.0, 0.9, low(6.0)),
    ];
    let said = said(&weeks);
    assert_eq!(said.len(), 1, "softer playing a week before is no knob: {said:?}");
    assert!(said[0].starts_with("Bass on 21 Mar against 14 Mar: 6."), "{said:?}");
    assert!(said[0].contains("on every note; turn low down by about 6."), "{said:?}");
}

#[test]
fn nothing_is_said_where_the_bass_is_covered_the_band_disagrees_or_the_recorder_is_another() {
    let before = || rehearsal("2026-03-14", 0.0, 0.85, |_| 0.0);
    assert!(said(&[before(), rehearsal("2026-03-21", 5.0, 0.4, low(6.0))]).is_empty());
    assert!(said(&[before(), rehearsal("2026-03-21", 0.0, 0.85, low(6.0))]).is_empty());
    let mut other = rehearsal("2026-03-21", 5.0, 0.85, low(6.0));
    other.report.as_mut().unwrap().tape.sample_rate_hz = 48_000 + 1;
    assert!(said(&[before(), other]).is_empty());
}

#[test]
fn one_note_that_booms_is_the_room_and_no_knob() {
    let peak = Biquad::peak(48_000.0, note_hz(34.0), 12.0, 10.0);
    let weeks = [
        rehearsal("2026-03-14", 0.0, 0.85, |_| 0.0),
        rehearsal("2026-03-21", 1.0, 0.85, |hz| peak.magnitude_db(48_000.0, hz)),
    ];
    let said = said(&weeks);
    assert!(said[0].contains("One bass note, Bb1, booms on 21 Mar") && said[0].contains("no knob"), "{said:?}");
}
