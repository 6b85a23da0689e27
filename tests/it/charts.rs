//! Pictures of mock reports: nothing overlaps or leaves the sheet, extremes draw, files are whole and the same every time.

use ledgerline::chart::{
    self, Drawn, Picture, draw_balance, draw_layers, draw_loudness, draw_page, draw_season, draw_time, draw_tuning,
    lay_out_balance, lay_out_festival, lay_out_layers, lay_out_loudness, lay_out_page, lay_out_season, lay_out_sheet,
    lay_out_time, lay_out_tuning,
};
use ledgerline::report::{Curves, Report};
use ledgerline::stats::Measured;

use crate::mock;

/// Text boxes reach from ascenders to descenders; a pixel of rounding is allowed.
const ROUNDING_PX: f32 = 1.0;

/// Every text stands inside the sheet less `margin`, and no two share a spot.
fn assert_clear_layout(name: &str, drawn: &Drawn, margin: f32) {
    let (width, height) = (drawn.picture.width as f32, drawn.picture.height as f32);
    assert!(drawn.texts.len() > 3, "{name}: hardly any text");
    for t in &drawn.texts {
        let a = t.area;
        let inside = a.left >= margin && a.right <= width - margin && a.top >= margin && a.bottom <= height - margin;
        assert!(inside, "{name}: {:?} at {a:?} leaves the sheet", t.text);
    }
    for (i, t) in drawn.texts.iter().enumerate() {
        for u in &drawn.texts[i + 1..] {
            let apart = t.area.grown(-ROUNDING_PX);
            assert!(
                !apart.overlaps(&u.area),
                "{name}: {:?} {:?} and {:?} {:?} overlap",
                t.text,
                t.area,
                u.text,
                u.area
            );
        }
    }
}

/// All tapes that the pictures must survive.
fn tapes() -> Vec<(&'static str, Report, Curves)> {
    let named = |name, (r, c): (Report, Curves)| (name, r, c);
    let (plausible, curves) = mock::plausible();
    let mut no_takes = plausible.clone();
    no_takes.takes.clear();
    let mut no_curves = curves.clone();
    no_curves.short_term_lufs.clear();
    no_curves.momentary_max_lufs.clear();
    let mut odd_hop = curves.clone();
    odd_hop.hop_s = 0.0;
    let mut no_length = plausible.clone();
    no_length.tape.duration_s = f64::NAN;
    let mut all = vec![
        named("plausible", (plausible.clone(), curves.clone())),
        named("ten silent seconds", mock::empty(10.0)),
        named("nothing at all", mock::empty(0.0)),
        named("ten hours", mock::extreme()),
        named("no takes", (no_takes, curves.clone())),
        named("no curves", (plausible.clone(), no_curves)),
        named("hop of zero", (plausible.clone(), odd_hop)),
        named("length not finite", (no_length, curves.clone())),
        named("quarter of an hour", mock::short()),
        named("tuned", mock::tuned()),
        named("timed", mock::timed()),
        named("layered", mock::layered()),
    ];
    for n in [1, 2, 6, 12, 60] {
        all.push(("many takes", mock::with_takes(plausible.clone(), n), curves.clone()));
    }
    all
}

#[test]
fn no_text_overlaps_another_or_leaves_the_margins_on_any_tape() {
    for (name, report, curves) in tapes() {
        // 90 px at 200 dpi is what an A4 sheet and its printer need.
        assert_clear_layout(name, &lay_out_page(&report, &curves).unwrap(), 90.0);
        assert_clear_layout(name, &lay_out_loudness(&report, &curves).unwrap(), 20.0);
        assert_clear_layout(name, &lay_out_balance(&report).unwrap(), 20.0);
        assert_clear_layout(name, &lay_out_tuning(&report, &curves).unwrap(), 20.0);
        assert_clear_layout(name, &lay_out_time(&report, &curves).unwrap(), 20.0);
        assert_clear_layout(name, &lay_out_layers(&report).unwrap(), 20.0);
    }
    assert_clear_layout("season", &lay_out_season(&mock::season()).unwrap(), 20.0);
    assert_clear_layout("festival", &lay_out_festival(&mock::festival()).unwrap(), 90.0);
}

#[test]
fn no_text_overlaps_on_a_players_sheet_of_any_tape() {
    for (name, report, curves) in tapes() {
        for player in ["bass", "guitar", "piano", "drums"] {
            let drawn = lay_out_sheet(&mock::sheet(player), &report, &curves).unwrap();
            assert_clear_layout(&format!("{name}, {player}"), &drawn, 90.0);
        }
    }
    let (report, curves) = mock::tuned();
    let words = "Donaudampfschifffahrtsgesellschaftskapitän ".repeat(12);
    let long = chart::SheetPicture {
        practise: words.clone(),
        because: words.clone(),
        also: vec![words.clone(); 3],
        praise: vec![words; 3],
        ..mock::sheet("bass")
    };
    assert_clear_layout("long words", &lay_out_sheet(&long, &report, &curves).unwrap(), 90.0);
    let bare = chart::SheetPicture {
        practise: String::new(),
        because: String::new(),
        listen: Vec::new(),
        also: Vec::new(),
        praise: Vec::new(),
        rows: Vec::new(),
        last_date: None,
        ..mock::sheet("piano")
    };
    let drawn = lay_out_sheet(&bare, &report, &curves).unwrap();
    assert_clear_layout("bare", &drawn, 90.0);
    assert!(words_of(&drawn).contains("Nothing on this tape asks for work of yours."));
}

#[test]
fn a_players_sheet_says_what_to_practise_where_to_listen_and_what_changed() {
    let (report, curves) = mock::tuned();
    let said = words_of(&lay_out_sheet(&mock::sheet("bass"), &report, &curves).unwrap());
    for wanted in [
        "One thing to practise",
        "Check each string against the piano",
        "Listen on the tape at 3:32 to 8:18 and 11:30 to 16:50.",
        "Went well",
        "Since the last rehearsal, 7 Oct",
        "−16 ± 2 cents",
        "better",
        "further away",
        "about the same",
        "not comparable",
        "not said",
        "qualified hearing-conservation professional",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
}

#[test]
fn the_festival_sheet_says_goals_answers_slot_and_amplifier() {
    let said = words_of(&lay_out_festival(&mock::festival()).unwrap());
    for wanted in [
        "On the way to the festival",
        "2 weeks and 4 days after the last rehearsal",
        "Bass against the band; goal: within 5 cents",
        "goal: at most 2 %",
        "goal: at least 80 %",
        "start 6.4 ± 0.4, now 4.1 ± 0.4 %",
        "expected 2.5 to 4.1 %",
        "met now: no; at the festival: no",
        "met now: cannot tell; at the festival: cannot tell",
        "not foretold: too far ahead to say",
        "Charts and changes take 17.5 minutes (16.5 to 19.1); the slot is 20 minutes. Fits: yes.",
        "end of the slot",
        "bass amplifier: low turned down a quarter turn",
        "Low end before +6.4 ± 0.7 dB, after +3.1 ± 0.7 dB: change −3.3 ± 1.0 dB; less low end than before.",
        "not sound pressure",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
    // A share from nothing to all has no sign, whatever its margins; cents on both sides of zero have.
    let mut shares = mock::festival();
    let hat = shares.goals.iter_mut().find(|g| g.at_least == Some(80.0)).unwrap();
    hat.start = ledgerline::stats::Measured::symmetric(0.0, 7.0, 9);
    hat.now = ledgerline::stats::Measured::symmetric(98.0, 5.0, 9);
    let said = words_of(&lay_out_festival(&shares).unwrap());
    assert!(said.contains("0 % 50 % 100 %") && !said.contains("+50"), "{said}");
    let bare = chart::FestivalPicture {
        weeks_left: None,
        rehearsals: None,
        goals: Vec::new(),
        charts: Vec::new(),
        total: ledgerline::stats::Measured::absent("no_charts_named"),
        amp: Vec::new(),
        ..mock::festival()
    };
    let drawn = lay_out_festival(&bare).unwrap();
    assert_clear_layout("bare festival", &drawn, 90.0);
    let said = words_of(&drawn);
    assert!(said.contains("No goals were set.") && said.contains("cannot be timed: no charts were named"), "{said}");
}

#[test]
fn the_layout_check_sees_an_overlap() {
    let (report, curves) = mock::plausible();
    let mut drawn = lay_out_page(&report, &curves).unwrap();
    let twin = drawn.texts[0].clone();
    drawn.texts.push(twin);
    assert!(std::panic::catch_unwind(|| assert_clear_layout("twin", &drawn, 90.0)).is_err());
}

#[test]
fn the_page_fits_letter_and_a4_and_its_smallest_type_is_nine_points() {
    let (report, curves) = mock::plausible();
    let drawn = lay_out_page(&report, &curves).unwrap();
    let p = &drawn.picture;
    // US Letter is 8.5 x 11 inches (ANSI/ASME Y14.1); A4 is 210 x 297 mm (ISO 216), 1654 pixels wide at 200 dpi.
    assert_eq!((p.width, p.height, p.dpi), (1700, 2200, 200));
    let a4 = 210.0 / 25.4 * 200.0;
    let (left, right) =
        drawn.texts.iter().fold((f32::MAX, 0f32), |(l, r), t| (l.min(t.area.left), r.max(t.area.right)));
    assert!(f64::from(right - left) < a4 - 2.0 * 0.25 * 200.0, "leaves a quarter inch for the printer on A4");
    // A text box is 1.01 em high; 9 points are 25 pixels at 200 dpi.
    for t in &drawn.texts {
        assert!(t.area.height() >= 25.0, "{:?} is smaller than 9 points", t.text);
    }
}

fn words_of(drawn: &Drawn) -> String {
    drawn.texts.iter().map(|t| t.text.replace('\u{a0}', " ")).collect::<Vec<_>>().join(" ")
}

#[test]
fn the_page_says_what_a_director_asks_for() {
    let (report, curves) = mock::plausible();
    let said = words_of(&lay_out_page(&report, &curves).unwrap());
    for wanted in [
        "Tuesday, 14 October 2025",
        "50 min 12 s long",
        "The band played 29 min of 50 min (57 %)",
        "Turn the low control of the bass amplifier down",
        "a louder sound is nearer 0",
        "The low end is 5.6 dB above the target (95 % range 4.7 to 6.5)",
        "this recorder does not hear below 38 Hz and above 15.5 kHz",
        "not sound pressure",
        "qualified hearing-conservation professional",
        "Concert pitch 440 Hz",
        "5: −18.3",
        "Tempo over each take (%)",
        "tuning and time: no, not measured by this version",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
}

#[test]
fn absence_is_said_in_words_and_never_as_a_number() {
    let (report, curves) = mock::empty(10.0);
    let page = words_of(&lay_out_page(&report, &curves).unwrap());
    for wanted in [
        "No playing was found",
        "not said, no playing was found",
        "Nothing to ask for",
        "not said: no playing was found",
    ] {
        assert!(page.contains(wanted), "{wanted:?} is missing in: {page}");
    }
    assert!(words_of(&lay_out_loudness(&report, &curves).unwrap()).contains("No loudness to show"));
    assert!(words_of(&lay_out_balance(&report).unwrap()).contains("No balance to show: no playing was found"));
    let (extreme, curves) = mock::extreme();
    for said in [words_of(&lay_out_page(&extreme, &curves).unwrap()), words_of(&lay_out_balance(&extreme).unwrap())] {
        assert!(!said.contains("NaN") && !said.contains("inf") && !said.contains("null"), "{said}");
    }
}

#[test]
fn the_tuning_picture_says_flat_and_sharp_in_words_and_why_a_player_is_not_judged() {
    let (report, curves) = mock::tuned();
    let said = words_of(&lay_out_tuning(&report, &curves).unwrap());
    for wanted in [
        "Tuning of bass and guitar against the rest of the band",
        "18 flat in take 1, 8 flat in take 5.",
        "In tune in take 1, 12 sharp in take 5.",
        "Goes sharp by 0.3 cents a minute.",
        "Pitch jumped (tuned again?) at 25:25.",
        "Tuned before the first take, 85 s.",
        "No tuning was heard before the first take.",
        "2: not said",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
    let (mut apart, curves) = mock::tuned();
    let statement = "The notes on the bass's E string are 12 cents flat of its other notes in every take.";
    assert!(!words_of(&lay_out_tuning(&apart, &curves).unwrap()).contains("E string are"));
    apart.findings[0].id = "bass_string_apart".into();
    apart.findings[0].player = "bass".into();
    apart.findings[0].statement = statement.into();
    let said = words_of(&lay_out_tuning(&apart, &curves).unwrap());
    assert!(said.contains(statement), "{statement:?} is missing in: {said}");
    let (mut silent, curves) = mock::plausible();
    for take in &mut silent.takes {
        take.tuning.guitar.offset_from_a440_cents = Measured::absent("no_guitar_heard");
    }
    let said = words_of(&lay_out_tuning(&silent, &curves).unwrap());
    assert!(
        said.contains("against A = 440 Hz") && said.contains("Nothing to show for the guitar: no guitar was heard.")
    );
}

#[test]
fn the_layers_picture_says_who_stands_in_front_and_who_is_not_heard() {
    let (mut report, _) = mock::layered();
    let said = words_of(&lay_out_layers(&report).unwrap());
    for wanted in
        ["Horns in front in part 2.", "Horns not heard over the others in part 3.", "No layer stands clearly in front."]
    {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
    let (silent, _) = mock::empty(10.0);
    assert!(words_of(&lay_out_layers(&silent).unwrap()).contains("No layers to show: no playing was found."));

    report.takes.truncate(2);
    let said = words_of(&lay_out_layers(&report).unwrap());
    for wanted in
        ["Form of 12 bars, 5 times round. Parts 1 and 3 on the same changes.", "Take 2 Parts 1 and 3 on the same"]
    {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
}

#[test]
fn the_loudness_picture_says_which_part_has_the_changes_of_an_earlier_one() {
    let (mut report, curves) = mock::layered();
    report.takes.truncate(1);
    report.tape.duration_s = report.takes[0].end_s;
    let drawn = lay_out_loudness(&report, &curves).unwrap();
    assert_clear_layout("one take", &drawn, 20.0);
    let said = words_of(&drawn);
    assert!(said.contains("part 3, changes of 1") && !said.contains("part 2, changes"), "{said}");
}

#[test]
fn the_time_picture_says_what_the_tempo_did_and_where_to_look() {
    let (report, curves) = mock::timed();
    let said = words_of(&lay_out_time(&report, &curves).unwrap());
    for wanted in [
        "Take 1: 126.0 beats a minute",
        "Slows down by 3.1 %.",
        "Eighths swing 2.1 to 1.",
        "Hi-hat on 2 and 4 in 92 % of the bars.",
        "Bass 12 ms behind the drums.",
        "Look at bars 17 and 33.",
        "bar 17",
        "Where in the bar they play: take 4, 140 bars",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in: {said}");
    }
    let (silent, curves) = mock::empty(10.0);
    assert!(words_of(&lay_out_time(&silent, &curves).unwrap()).contains("No tempo to show: no playing was found."));
}

#[test]
fn with_a_calibration_its_own_caution_stands_on_the_page() {
    let (mut report, curves) = mock::plausible();
    let caution = "Not a sound level meter and no substitute for one.";
    let level = || ledgerline::stats::Measured::symmetric(92.0, 2.0, 3000);
    report.exposure = Some(ledgerline::report::Exposure {
        leq_dba: level(),
        niosh_dose_percent: level(),
        osha_dose_percent: level(),
        lex_8h_dba: level(),
        caution: caution.to_owned(),
        session_hours: Some(1.5),
        session_hours_source: "sheet".into(),
        osha_threshold_dba: Some(80.0),
    });
    assert!(words_of(&lay_out_page(&report, &curves).unwrap()).contains(caution));
}

#[test]
fn the_same_input_gives_the_same_pixels_on_any_thread() {
    let (report, curves) = mock::plausible();
    let first = draw_page(&report, &curves).unwrap();
    let others: Vec<Picture> = std::thread::scope(|s| {
        let drawn: Vec<_> = (0..2).map(|_| s.spawn(|| draw_page(&report, &curves).unwrap())).collect();
        drawn.into_iter().map(|t| t.join().unwrap()).collect()
    });
    assert!(others.iter().all(|p| *p == first));
}

#[test]
fn pictures_have_their_stated_sizes_and_are_not_blank() {
    let (report, curves) = mock::plausible();
    let ink = |p: &Picture| p.rgb.chunks_exact(3).filter(|c| c[0] < 100).count();
    let all = [
        (draw_loudness(&report, &curves).unwrap(), (1600, 900)),
        (draw_balance(&report).unwrap(), (1600, 900)),
        (draw_tuning(&report, &curves).unwrap(), (1600, 900)),
        (draw_time(&report, &curves).unwrap(), (1600, 900)),
        (draw_layers(&report).unwrap(), (1600, 900)),
        (draw_season(&mock::season()).unwrap(), (1600, 1716)),
    ];
    for (p, size) in &all {
        assert_eq!((p.width, p.height), *size);
        assert_eq!(p.rgb.len(), 3 * size.0 as usize * size.1 as usize);
        assert!(ink(p) > 5000);
    }
}

#[test]
fn a_value_that_is_not_finite_draws_nothing() {
    let (report, curves) = mock::plausible();
    let holes = |bad: Option<f64>| {
        let mut c = curves.clone();
        for v in c.short_term_lufs.iter_mut().skip(300).take(100) {
            *v = bad;
        }
        draw_loudness(&report, &c).unwrap()
    };
    let absent = holes(None);
    assert!(holes(Some(f64::NAN)) == absent && holes(Some(f64::NEG_INFINITY)) == absent);
    assert!(absent != draw_loudness(&report, &curves).unwrap());
    let band = |bad: Option<f64>| {
        let mut r = report.clone();
        r.balance.third_octave[20].level_db = bad;
        draw_balance(&r).unwrap()
    };
    assert!(band(Some(f64::NAN)) == band(None) && band(None) != draw_balance(&report).unwrap());
    let rehearsal = |bad: Option<chart::SeasonPoint>| {
        let mut s = mock::season();
        s.series[1].values[3] = bad;
        draw_season(&s).unwrap()
    };
    let nan = chart::SeasonPoint { value: f64::NAN, low: 1.0, high: 2.0 };
    assert!(rehearsal(Some(nan)) == rehearsal(None) && rehearsal(None) != draw_season(&mock::season()).unwrap());
}

#[test]
fn files_are_whole_leave_no_part_behind_and_come_out_the_same_twice() {
    let (report, curves) = mock::plausible();
    let dir = tempfile::tempdir().unwrap();
    let read = || {
        let paths = chart::write_all(&report, &curves, dir.path()).unwrap();
        paths.iter().map(|p| std::fs::read(p).unwrap()).collect::<Vec<_>>()
    };
    let first = read();
    assert_eq!(first, read());
    chart::write_season(&mock::season(), dir.path()).unwrap();
    let mut names: Vec<_> =
        std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    assert_eq!(
        names,
        ["balance.png", "layers.png", "loudness.png", "page.png", "season.png", "time.png", "tuning.png"]
    );
    let decoded = png::Decoder::new(first[0].as_slice()).read_info().unwrap();
    assert_eq!((decoded.info().width, decoded.info().height), (1700, 2200));
    let density = decoded.info().pixel_dims.unwrap();
    assert_eq!((density.xppu, density.unit), (7874, png::Unit::Meter)); // 200 dpi
}

#[test]
fn a_folder_that_cannot_be_written_is_an_error_with_its_path() {
    let (report, curves) = mock::empty(10.0);
    let dir = tempfile::tempdir().unwrap();
    let missing = dir.path().join("nowhere");
    let error = chart::write_all(&report, &curves, &missing).unwrap_err();
    assert!(matches!(&error, chart::ChartError::Write { path, .. } if path.starts_with(&missing)), "{error}");
}

#[test]
fn a_season_without_rehearsals_or_with_odd_numbers_still_draws() {
    let mut season = mock::season();
    season.series[0].values = vec![None; 9];
    if let Some(p) = &mut season.series[1].values[3] {
        (p.value, p.low) = (f64::NAN, f64::INFINITY);
    }
    season.series[2].values.clear();
    season.series[3].broken_before = [0, 99].map(|b| (b, "new method".to_owned())).to_vec();
    season.series.extend(mock::season().series);
    assert_clear_layout("odd season", &lay_out_season(&season).unwrap(), 20.0);
    let none = chart::SeasonPicture {
        rehearsals: Vec::new(),
        series: Vec::new(),
        changed: Vec::new(),
        returns: Vec::new(),
        notes: Vec::new(),
        charts: Vec::new(),
    };
    assert!(words_of_season(&none).contains("No rehearsal yet"));
    season.rehearsals.truncate(1);
    assert!(words_of_season(&season).contains("One day of rehearsal"));
}

fn words_of_season(season: &chart::SeasonPicture) -> String {
    lay_out_season(season).unwrap().texts.iter().map(|t| t.text.clone()).collect::<Vec<_>>().join(" ")
}
