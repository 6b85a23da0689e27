//! Two recorders at one rehearsal through the whole program: another place, another clock, a later start.

use std::path::Path;

use assert_cmd::Command;
use ledgerline::demo::{self, RenderOptions, Stem, scenario::*, truth::DemoTruth};
use ledgerline::report::{Report, read_report};
use ledgerline::tape::write_wav::{WavFile, WavSample, WavSpec};

const RATE: u32 = 16_000;
/// The second recorder begins this late and its seconds are longer by this.
const LATE_S: f64 = 9.5;
const CLOCK_PPM: f64 = 80.0;

fn scenario(seed: u64) -> Scenario {
    let part = |label: &str, horns| Part { bars: Some(16), ..Part::new(label, horns) };
    let parts = vec![part("head", HornLine::Melody), part("shout", HornLine::Shout)];
    let take = Take { tempo: Tempo::steady(150.0), parts, ..Take::default() };
    let mut scenario = Scenario::school_band("two", seed);
    scenario.sample_rate_hz = RATE;
    scenario.items = vec![Item::Talk { length_s: 8.0 }, Item::Take(take), Item::Talk { length_s: 6.0 }];
    scenario
}

/// The players alone, summed with a gain for each, first channel.
fn mixed(stems: &[Stem], gain: impl Fn(&str) -> f32) -> Vec<f32> {
    let mut mix = vec![0.0; stems[0].channels[0].len()];
    for stem in stems {
        let gain = gain(stem.name);
        mix.iter_mut().zip(&stem.channels[0]).for_each(|(m, x)| *m += gain * x);
    }
    mix
}

/// What a recorder with a slower clock keeps of `samples` from `late_s` on (four-point interpolation).
fn elsewhere(samples: &[f32], late_s: f64, ppm: f64) -> Vec<f32> {
    let step = 1.0 + ppm * 1e-6;
    let first = late_s * f64::from(RATE);
    let count = ((samples.len() as f64 - 3.0 - first) / step) as usize;
    (0..count)
        .map(|i| {
            let at = first + i as f64 * step;
            let (k, t) = (at as usize, at.fract() as f32);
            let [a, b, c, d] = [samples[k - 1], samples[k], samples[k + 1], samples[k + 2]];
            b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
        })
        .collect()
}

/// Writes the channels with one gain for all; returns the gain.
fn write_all(path: &Path, channels: &[&[f32]]) -> f32 {
    let loudest = channels.iter().flat_map(|c| c.iter()).fold(0.0f32, |m, x| m.max(x.abs()));
    let spec = WavSpec {
        channels: channels.len() as u16,
        sample_rate_hz: RATE,
        sample: WavSample::Pcm16,
        date: None,
        marks: Vec::new(),
    };
    let mut file = WavFile::create(path, spec).unwrap();
    let gain = 0.5 / loudest;
    let levelled: Vec<Vec<f32>> = channels.iter().map(|c| c.iter().map(|x| x * gain).collect()).collect();
    file.write(&levelled.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
    file.finish().unwrap();
    gain
}

fn write(path: &Path, samples: &[f32]) -> f32 {
    write_all(path, &[samples])
}

/// The demo band's bass is soft; here its amplifier is turned up.
fn in_room(name: &str) -> f32 {
    if name == "bass" { 3.0 } else { 1.0 }
}

/// Integrated loudness of a span by another library.
fn lufs(samples: &[f32], gain: f32, span: (f64, f64)) -> f64 {
    let at = |s: f64| ((s * f64::from(RATE)) as usize).min(samples.len());
    let scaled: Vec<f32> = samples[at(span.0)..at(span.1)].iter().map(|x| x * gain).collect();
    let mut meter = ebur128::EbuR128::new(1, RATE, ebur128::Mode::I).unwrap();
    meter.add_frames_f32(&scaled).unwrap();
    meter.loudness_global().unwrap()
}

/// What the recording close to the bass says: its level in each part against another library on the stem alone; onsets; lengths.
fn assert_heard_close(room: &Report, band: &[Stem], gain: f32, channels: &[u16]) {
    let close = room.takes[0].close.as_ref().unwrap_or_else(|| panic!("nothing was heard close"));
    assert_eq!((close.recordings.len(), close.recordings[0].player.as_str()), (1, "bass"));
    assert_eq!(close.recordings[0].channels, channels);
    assert_eq!(close.drums_heard.as_deref(), Some("room"));
    let lag = &close.bass_to_drums_ms;
    assert!(lag.value.is_some_and(|v| v.abs() < 45.0) && lag.n.unwrap() >= 48, "{lag:?}");
    assert_eq!(room.takes[0].feel.bass_to_drums_ms, *lag);
    let share = &close.bass_note_length_percent;
    assert!(share.low.unwrap() <= share.value.unwrap() && (20.0..=100.0).contains(&share.value.unwrap()), "{share:?}");
    assert_eq!(close.comping_together_percent.reason.as_deref(), Some("no_close_recording"));
    let bass = band.iter().find(|s| s.name == "bass").unwrap();
    // A level that contradicts the mix, or that others cover, is not taken from the close recording.
    let told: Vec<_> = room.takes[0].parts.iter().filter(|p| p.layers_from_close == ["bass"]).collect();
    let all = room.takes[0]
        .parts
        .iter()
        .map(|p| (&p.layers_lufs.bass, lufs(&bass.channels[0], gain * in_room("bass"), (p.start_s, p.end_s))));
    assert!(!told.is_empty(), "{:?}", all.collect::<Vec<_>>());
    for part in told {
        let alone = lufs(&bass.channels[0], gain * in_room("bass"), (part.start_s, part.end_s));
        let truth = alone - part.loudness_lufs.value.unwrap();
        // Against the band: the demo band's changes of level read as a recorder that rides its gain in one of the tapes.
        let got = &part.layers_re_band_lu.as_ref().unwrap().bass;
        assert!((got.value.unwrap() - truth).abs() < 1.5, "{got:?} {truth}");
    }
}

fn review(tapes: &Path, out: &Path) -> String {
    let output =
        Command::new(env!("CARGO_BIN_EXE_ledgerline")).args(["review", "--out"]).args([out, tapes]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    said
}

fn report(out: &Path, name: &str) -> Report {
    read_report(&out.join(format!("2026-03-14_2026-03-14-{name}"))).unwrap()
}

#[test]
fn a_second_recorder_is_found_and_placed_and_another_tape_of_the_day_is_not() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let options = RenderOptions { stems: true, ..RenderOptions::default() };
    let band = demo::render_with(&scenario(21), &options);
    let gain = write(&tapes.path().join("2026-03-14 room.wav"), &mixed(&band.stems, in_room));
    let near = |name: &str| if name == "bass" { 12.0 } else { 0.4 };
    write(&tapes.path().join("2026-03-14 near.wav"), &elsewhere(&mixed(&band.stems, near), LATE_S, CLOCK_PPM));
    // The same chart at the same tempo, played by the same band: another playing.
    let again = demo::render_with(&scenario(22), &options);
    write(&tapes.path().join("2026-03-14 third.wav"), &mixed(&again.stems, |_| 1.0));
    std::fs::write(
        tapes.path().join("band.toml"),
        "[[recording]]\nfile = \"2026-03-14 near.wav\"\nclose_to = \"bass\"\n",
    )
    .unwrap();
    let said = review(tapes.path(), out.path());
    assert!(said.contains("3 tapes reviewed"), "{said}");

    let room = report(out.path(), "room").recorded_with.unwrap();
    assert_eq!(room.tapes.len(), 2);
    let near = room.tapes.iter().find(|t| t.file_name.contains("near")).unwrap();
    assert_eq!(near.close_to.as_deref(), Some("bass"));
    let offset = near.offset_s.value.unwrap_or_else(|| panic!("{near:?}"));
    let clock = near.clock_ppm.value.unwrap();
    // From end to end of what both heard: a demo take of some fifty seconds.
    for t in [0.0, 25.0, 50.0] {
        let here = offset + t * (1.0 + clock * 1e-6);
        let truth = LATE_S + t * (1.0 + CLOCK_PPM * 1e-6);
        assert!((here - truth).abs() < 0.005, "{t}: {here} {truth}\n{near:?}");
    }
    assert!(near.clock_ppm.low.unwrap() < CLOCK_PPM && near.clock_ppm.high.unwrap() > CLOCK_PPM, "{near:?}");
    assert!((near.common.unwrap().start_s - LATE_S).abs() < 0.02);
    assert_close_bass(&report(out.path(), "room"), &band.truth);
    assert_heard_close(&report(out.path(), "room"), &band.stems, gain, &[]);
    let methods = report(out.path(), "room").methods;
    assert!(methods.iter().any(|m| m.family == "layers" && m.id.ends_with("+close")), "{methods:?}");
    assert!(report(out.path(), "near").takes.iter().all(|t| t.close.is_none()), "the close recording is no room");
    let third = room.tapes.iter().find(|t| t.file_name.contains("third")).unwrap();
    assert_eq!(
        (third.offset_s.value, third.offset_s.reason.as_deref()),
        (None, Some("nothing_in_common")),
        "{third:?}"
    );
    let back = report(out.path(), "near").recorded_with.unwrap();
    let back = back.tapes.iter().find(|t| t.file_name.contains("room")).unwrap();
    assert!((back.offset_s.value.unwrap() + LATE_S).abs() < 0.006, "{back:?}");

    assert!(review(tapes.path(), out.path()).contains("3 unchanged"));
    std::fs::remove_file(tapes.path().join("2026-03-14 third.wav")).unwrap();
    assert!(review(tapes.path(), out.path()).contains("2 tapes reviewed"), "another tape of the day went away");

    // Without a sheet the recording that hears the bass alone is recognised, beside the one that hears it among others.
    assert_eq!(report(out.path(), "near").recorded_with.unwrap().heard_close_to, None, "the sheet says it");
    std::fs::remove_file(tapes.path().join("band.toml")).unwrap();
    review(tapes.path(), out.path());
    let (near, room) = (report(out.path(), "near"), report(out.path(), "room"));
    assert_eq!(near.recorded_with.unwrap().heard_close_to.as_deref(), Some("bass"));
    let with = room.recorded_with.as_ref().unwrap();
    assert_eq!((with.heard_close_to.as_deref(), with.tapes[0].heard_close_to.as_deref()), (None, Some("bass")));
    assert!(room.assumed.iter().any(|a| a.contains("near.wav stood close to the bass")), "{:?}", room.assumed);
    assert_close_bass(&room, &band.truth);
}

/// The room's report has the bass's tuning from the recorder close to it: the middle of its notes within a cent (0.7 here: the
/// partials of stiff strings sound sharp of their fundamental, which the truth counts from).
fn assert_close_bass(room: &Report, truth: &DemoTruth) {
    let take = &room.takes[0];
    assert_eq!(take.tuning.bass_close_recording.as_deref(), Some("2026-03-14 near.wav"));
    let notes = truth.notes["bass"].iter().filter(|n| n.at_s >= take.start_s && n.at_s < take.end_s);
    let mut cents: Vec<f64> = notes.map(|n| n.cents).collect();
    cents.sort_by(f64::total_cmp);
    let middle = cents[cents.len() / 2];
    let got = &take.tuning.bass.offset_from_a440_cents;
    assert!((got.value.unwrap() - middle).abs() <= 1.0, "{got:?} {middle}");
    assert!(got.low.unwrap() <= middle && got.high.unwrap() >= middle, "{got:?} {middle}");
}

#[test]
fn channels_of_one_recorder_have_their_roles_from_the_sheet() {
    let (tapes, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let options = RenderOptions { stems: true, ..RenderOptions::default() };
    let band = demo::render_with(&scenario(23), &options);
    let near = |name: &str| if name == "bass" { 6.0 } else { 0.2 };
    let (room, bass) = (mixed(&band.stems, in_room), mixed(&band.stems, near));
    let gain = write_all(&tapes.path().join("2026-03-14 two.wav"), &[&bass, &room]);
    let sheet = "[[recording]]\nfile = \"2026-03-14 two.wav\"\nchannels = [\"bass\", \"room\"]\n";
    std::fs::write(tapes.path().join("band.toml"), sheet).unwrap();
    review(tapes.path(), out.path());
    let two = report(out.path(), "two");
    assert_eq!(two.tape.channels, 2);
    // The room's channel alone is the tape: its loudness is that of the room's mix.
    let take = &two.takes[0];
    let truth = lufs(&room, gain, (take.start_s, take.end_s));
    assert!((take.loudness.integrated_lufs.value.unwrap() - truth).abs() < 0.1, "{truth} {:?}", take.loudness);
    assert_heard_close(&two, &band.stems, gain, &[1]);
    assert_eq!(take.tuning.bass_close_recording.as_deref(), Some("2026-03-14 two.wav"));
    assert!(review(tapes.path(), out.path()).contains("1 unchanged"));
    std::fs::write(tapes.path().join("band.toml"), sheet.replace("\"bass\"", "\"room\"")).unwrap();
    review(tapes.path(), out.path());
    assert!(report(out.path(), "two").takes[0].close.is_none());
}
