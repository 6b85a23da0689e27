//! Which files are tapes, which are errors, which are passed over; dates; recordings that a recorder split.

use std::path::{Path, PathBuf};

use ledgerline::tape::{DateSource, TapeError, TapeSource, discover, discover_counted, hash_source, looks_like_audio};

use super::tape_signal::*;

fn wav(path: &Path, rate: u32, seconds: f64) {
    let spec =
        hound::WavSpec { channels: 1, sample_rate: rate, bits_per_sample: 8, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for i in 0..(f64::from(rate) * seconds) as u32 {
        writer.write_sample((i % 100) as i8 - 50).unwrap();
    }
    writer.finalize().unwrap();
}

/// A WAVE header that declares `data_len` bytes of 8-bit mono, and a hole for the samples.
fn sparse_wav(path: &Path, rate: u32, data_len: u64) {
    let mut head = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
    head.extend(rate.to_le_bytes());
    head.extend(rate.to_le_bytes());
    head.extend(b"\x01\0\x08\0data");
    head.extend((data_len as u32).to_le_bytes());
    std::fs::write(path, &head).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.set_len(head.len() as u64 + data_len).unwrap();
}

/// Names of the pieces of each tape, in order.
fn names(found: &[Result<TapeSource, TapeError>]) -> Vec<Vec<String>> {
    let name = |p: &PathBuf| p.file_name().unwrap().to_string_lossy().into_owned();
    found.iter().map(|t| t.as_ref().unwrap().pieces.iter().map(name).collect()).collect()
}

fn found_in(dir: &tempfile::TempDir) -> Vec<Vec<String>> {
    names(&discover(&[dir.path().to_owned()]))
}

#[test]
fn a_folder_gives_tapes_in_order_and_errors_only_for_what_claims_to_be_audio() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    for name in ["take 2.wav", "take 10.wav", "Take 1.wav"] {
        wav(&at(name), 8000, 0.1);
    }
    std::fs::create_dir(at("folder.wav")).unwrap();
    std::fs::copy(fixture("cbr.mp3"), at("folder.wav").join("inside without extension")).unwrap();
    std::fs::write(at("notes.txt"), "bring mutes").unwrap();
    std::fs::write(at("band.toml"), "").unwrap();
    std::fs::write(at(".hidden.wav"), "text").unwrap();
    std::fs::write(at("text.wav"), "not a wave file at all").unwrap();
    std::fs::write(at("empty.wav"), "").unwrap();
    let found = discover_counted(&[dir.path().to_owned()]);
    assert_eq!(found.passed_over, 2);
    let (good, bad): (Vec<_>, Vec<_>) = found.tapes.into_iter().partition(Result::is_ok);
    assert_eq!(names(&good), [["Take 1.wav"], ["take 2.wav"], ["take 10.wav"], ["inside without extension"]]);
    let bad: Vec<TapeError> = bad.into_iter().map(Result::unwrap_err).collect();
    assert!(matches!(&bad[0], TapeError::EmptyFile { path } if path.ends_with("empty.wav")), "{bad:?}");
    assert!(matches!(&bad[1], TapeError::NotAudio { path, .. } if path.ends_with("text.wav")), "{bad:?}");
    assert_eq!(bad.len(), 2);
}

#[test]
fn what_the_user_names_is_an_error_when_it_is_no_audio_or_not_there() {
    let dir = tempfile::tempdir().unwrap();
    let text = dir.path().join("notes.txt");
    std::fs::write(&text, "bring mutes").unwrap();
    let found = discover(&[text, dir.path().join("absent.wav")]);
    assert!(matches!(found[0], Err(TapeError::Io { .. })), "{found:?}");
    assert!(matches!(found[1], Err(TapeError::NotAudio { .. })), "{found:?}");
}

#[test]
fn a_file_named_twice_or_linked_is_one_tape() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    wav(&path, 8000, 0.1);
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(dir.path(), dir.path().join("loop")).unwrap();
        std::os::unix::fs::symlink(&path, dir.path().join("b.wav")).unwrap();
    }
    let found = discover(&[path, dir.path().to_owned()]);
    assert_eq!(names(&found), [["a.wav"]]);
}

#[cfg(unix)]
#[test]
fn a_broken_link_that_claims_to_be_audio_is_an_error() {
    let dir = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(dir.path().join("gone.wav"), dir.path().join("link.wav")).unwrap();
    let found = discover(&[dir.path().to_owned()]);
    assert!(matches!(found.as_slice(), [Err(TapeError::Io { .. })]), "{found:?}");
}

#[test]
fn audio_is_known_by_its_first_bytes() {
    for entry in std::fs::read_dir(fixture("")).unwrap() {
        let path = entry.unwrap().path();
        assert_eq!(looks_like_audio(&path), !path.ends_with("make.sh"), "{}", path.display());
    }
    let dir = tempfile::tempdir().unwrap();
    let mut state = 1u32;
    let noise: Vec<u8> = (0..65_536)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        })
        .collect();
    let path = dir.path().join("noise.mp3");
    std::fs::write(&path, noise).unwrap();
    assert!(!looks_like_audio(&path));
}

#[test]
fn pieces_of_a_round_length_are_one_tape_and_sound_like_one() {
    let dir = tempfile::tempdir().unwrap();
    // 8 kHz, 8 bit: five minutes are 2.4 MB.
    for (name, seconds) in [("REC001_01.wav", 300.0), ("REC001_02.wav", 300.0), ("REC001_03.wav", 42.5)] {
        wav(&dir.path().join(name), 8000, seconds);
    }
    let found = discover(&[dir.path().to_owned()]);
    assert_eq!(names(&found), [["REC001_01.wav", "REC001_02.wav", "REC001_03.wav"]]);
    let d = decode_source(found[0].as_ref().unwrap()).unwrap();
    assert_eq!(d.channels[0].len(), 8000 * 642 + 4000);
    assert_eq!(d.info.file_name, "REC001_01.wav");
    // The ramp of the second piece begins right after the first: its first sample is -50, one frame after -50 + 99.
    let seam = 8000 * 300;
    assert_eq!(d.channels[0][seam], -50.0 / 128.0);
    assert_eq!(d.channels[0][seam - 1], 49.0 / 128.0);
}

#[test]
fn pieces_that_reach_the_size_limit_are_one_tape() {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in
        [("session-1.wav", (1u64 << 31) - 5000), ("session-2.wav", (1 << 31) - 5000), ("session-3.wav", 9000)]
    {
        sparse_wav(&dir.path().join(name), 48_000, bytes);
    }
    assert_eq!(found_in(&dir), [["session-1.wav", "session-2.wav", "session-3.wav"]]);
}

#[test]
fn ordinary_takes_are_never_joined() {
    let dir = tempfile::tempdir().unwrap();
    for (name, rate, seconds) in [
        ("01.wav", 8000, 120.0),
        ("02.wav", 8000, 95.0),
        // Full and round, but the next one is longer, or of another rate, or two numbers on.
        ("a_1.wav", 8000, 300.0),
        ("a_2.wav", 8000, 301.7),
        ("b_1.wav", 8000, 300.0),
        ("b_2.wav", 4000, 20.0),
        ("c_1.wav", 8000, 300.0),
        ("c_3.wav", 8000, 20.0),
    ] {
        wav(&dir.path().join(name), rate, seconds);
    }
    assert!(found_in(&dir).iter().all(|t| t.len() == 1), "{:?}", found_in(&dir));
}

#[test]
fn the_date_of_the_name_comes_before_the_time_of_the_file() {
    let dir = tempfile::tempdir().unwrap();
    let dated = dir.path().join("260312_0001.wav");
    let undated = dir.path().join("take.wav");
    for path in [&dated, &undated] {
        wav(path, 8000, 0.1);
        let time = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_772_900_000);
        std::fs::File::options().write(true).open(path).unwrap().set_modified(time).unwrap();
    }
    let info = decode(&dated).unwrap().info;
    assert_eq!((info.recorded_at.as_deref(), info.recorded_at_source), (Some("2026-03-12"), Some(DateSource::Name)));
    // 1 772 900 000 s after 1970 is 2026-03-07 16:13:20 UTC.
    let info = decode(&undated).unwrap().info;
    assert_eq!(
        (info.recorded_at.as_deref(), info.recorded_at_source),
        (Some("2026-03-07"), Some(DateSource::FileTime))
    );
}

#[test]
fn the_hash_is_that_of_the_bytes_of_all_pieces_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a"), dir.path().join("b"));
    std::fs::write(&a, "ab").unwrap();
    std::fs::write(&b, "c").unwrap();
    // BLAKE3 of "abc" (the algorithm authors' reference implementation).
    let expected = "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85";
    assert_eq!(hash_source(&TapeSource { pieces: vec![a.clone(), b.clone()] }).unwrap(), expected);
    assert_ne!(hash_source(&TapeSource { pieces: vec![b, a] }).unwrap(), expected);
}
