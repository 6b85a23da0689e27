//! Cut, flipped and emptied files: what is there is read, later times do not move, gaps are listed.

use std::path::PathBuf;

use ledgerline::tape::{Tape, TapeError};

use super::tape_signal::*;

fn bytes_of(name: &str) -> Vec<u8> {
    std::fs::read(fixture(name)).unwrap()
}

fn on_disk(bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("tape");
    std::fs::write(&path, bytes).unwrap();
    (dir, path)
}

fn decode_bytes(bytes: &[u8]) -> Result<Decoded, TapeError> {
    let (_dir, path) = on_disk(bytes);
    decode(&path)
}

/// The file without the last part of its bytes.
fn cut(name: &str, keep: f64) -> Vec<u8> {
    let mut bytes = bytes_of(name);
    bytes.truncate((bytes.len() as f64 * keep) as usize);
    bytes
}

/// Overwrites a stretch of bytes in the middle of the file with noise of a fixed seed.
fn smash(name: &str, at: f64, count: usize) -> Vec<u8> {
    let mut bytes = bytes_of(name);
    let from = (bytes.len() as f64 * at) as usize;
    let mut state = 12_345u32;
    for b in &mut bytes[from..from + count] {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *b = (state >> 24) as u8;
    }
    bytes
}

fn says(d: &Decoded, code: &str) -> bool {
    d.summary.warnings.iter().any(|w| w == code)
}

/// Found by mutated files: a packet of two billion frames, of which one is there, was followed by hours of silence.
#[test]
fn a_header_whose_packets_last_for_hours_brings_no_hours_of_silence() {
    let mut bytes = std::fs::read(fixture("caf16.caf")).unwrap();
    assert_eq!(&bytes[8..12], b"desc");
    assert_eq!(bytes[40..44], 1u32.to_be_bytes(), "frames a packet");
    bytes[40..44].copy_from_slice(&0x9200_0001u32.to_be_bytes());
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("long.caf");
    std::fs::write(&path, bytes).unwrap();
    if let Ok(d) = decode(&path) {
        assert!(d.summary.duration_s <= 3700.0, "{}", d.summary.duration_s);
        assert!(says(&d, "time_stamps_leap"));
    }
}

#[test]
fn truncated_files_keep_what_is_there_and_say_so() {
    for name in [
        "mono16.flac",
        "cbr.mp3",
        "vbr_44k.mp3",
        "no_info.mp3",
        "mono16k.mp3",
        "aac.aac",
        "aac_index_first.m4a",
        "aiff16.aiff",
        "layer2.mp2",
        "vorbis.ogg",
        "opus.opus",
        "silk.ogg",
        "aac_fragmented.mp4",
        "caf16.caf",
        "vorbis.webm",
    ] {
        let whole = decode_fixture(name);
        let half = decode_bytes(&cut(name, 0.6)).unwrap_or_else(|e| panic!("{name}: {e}"));
        let share = half.channels[0].len() as f64 / whole.channels[0].len() as f64;
        assert!((0.4..0.8).contains(&share), "{name}: {share}");
        let head = half.channels[0].len() * 9 / 10;
        let differing = (0..head).filter(|&i| (half.channels[0][i] - whole.channels[0][i]).abs() > 1e-4).count();
        assert_eq!(differing, 0, "{name}: {differing} of {head} frames changed");
        assert!(says(&half, "truncated") || says(&half, "frames_missing"), "{name}: {:?}", half.summary);
    }
}

#[test]
fn an_mpeg4_file_without_its_index_says_what_is_missing() {
    for name in ["aac.m4a", "alac.m4a", "opus.m4a", "aac.mov"] {
        let error = decode_bytes(&cut(name, 0.6)).unwrap_err();
        assert!(matches!(error, TapeError::IndexMissing { .. }), "{name}: {error}");
        assert!(error.hint().unwrap().contains("index"));
    }
}

#[test]
fn a_file_cut_before_its_first_sample_says_so() {
    let mut bytes = bytes_of("flac.oga");
    bytes.truncate(bytes.len() / 2);
    let error = decode_bytes(&bytes).unwrap_err();
    assert!(matches!(&error, TapeError::ZeroFrames { cause, .. } if cause.contains("ends before")), "{error}");
}

#[test]
fn a_truncated_file_with_its_index_first_knows_what_was_meant() {
    let d = decode_bytes(&cut("aac_index_first.m4a", 0.6)).unwrap();
    assert_eq!(d.info.declared_frames, Some(196_800));
    assert_eq!(d.summary.warnings, ["truncated"]);
}

#[test]
fn damage_in_the_middle_leaves_later_times_where_they_were() {
    // Name, bytes smashed, longest gap in seconds. Ogg loses whole pages, of a second here. Opus outside Ogg is not
    // among them: its packets carry no checksum, so damage is heard as noise.
    for (name, count, longest_s) in [
        ("mono16.flac", 2000, 0.5),
        ("aac.m4a", 900, 0.4),
        ("aac.aac", 900, 0.4),
        ("cbr.mp3", 900, 0.4),
        ("no_info.mp3", 900, 0.4),
        ("vbr_44k.mp3", 700, 0.6),
        ("layer2.mp2", 900, 0.4),
        ("vorbis.ogg", 300, 1.6),
        ("opus.opus", 300, 1.6),
        ("aac.mka", 900, 1.5),
    ] {
        let whole = decode_fixture(name);
        let hurt = decode_bytes(&smash(name, 0.5, count)).unwrap_or_else(|e| panic!("{name}: {e}"));
        let (a, b) = (&whole.channels[0], &hurt.channels[0]);
        assert!(a.len().abs_diff(b.len()) <= 1152, "{name}: {} frames became {}", a.len(), b.len());
        // All that is outside the gaps is as it was: nothing moved. A decoder takes up to 0.1 s to find back.
        let rate = whole.info.sample_rate_hz as usize;
        let seconds = |i: usize| i as f64 / rate as f64;
        let hole = |i: usize| hurt.summary.gaps.iter().any(|g| (g.start_s - 0.1..g.end_s + 0.1).contains(&seconds(i)));
        let (mut power, mut error) = (0.0, 0.0);
        for i in (0..a.len().min(b.len()) - rate / 10).filter(|i| !hole(*i)) {
            power += f64::from(a[i]).powi(2);
            error += f64::from(a[i] - b[i]).powi(2);
        }
        assert!(error < power * 1e-3, "{name}: what follows moved or changed, {error} of {power}, {:?}", hurt.summary);
        let gaps: f64 = hurt.summary.gaps.iter().map(|g| g.end_s - g.start_s).sum();
        assert!(gaps <= longest_s, "{name}: {gaps} s of gaps");
        println!("{name}: gaps {:?} {:?}", hurt.summary.gaps, hurt.summary.warnings);
    }
}

#[test]
fn a_gap_is_listed_where_the_damage_is() {
    for name in ["mono16.flac", "cbr.mp3", "aac.aac", "opus.opus"] {
        let d = decode_bytes(&smash(name, 0.5, 1500)).unwrap();
        let gap = d.summary.gaps.first().unwrap_or_else(|| panic!("{name}: no gap {:?}", d.summary));
        assert!((1.0..3.1).contains(&gap.start_s), "{name}: {gap:?}");
        let rate = f64::from(d.info.sample_rate_hz);
        let (from, to) = ((gap.start_s * rate).round() as usize, (gap.end_s * rate).round() as usize);
        assert!(d.channels[0][from..to].iter().all(|x| *x == 0.0), "{name}: a gap that is not silent");
    }
}

#[test]
fn a_long_run_of_damage_is_survived_and_a_file_of_damage_is_refused() {
    let d = decode_bytes(&smash("aac.m4a", 0.2, 40_000)).unwrap();
    assert_eq!(d.channels[0].len(), 196_800);
    assert!(says(&d, "packets_lost"));
    let mut all = bytes_of("opus.m4a");
    let start = all.windows(4).position(|w| w == b"mdat").unwrap() + 4;
    let end = all.windows(4).rposition(|w| w == b"moov").unwrap() - 4;
    all[start..end].fill(0xff);
    let error = decode_bytes(&all).unwrap_err();
    assert!(matches!(error, TapeError::ZeroFrames { .. }), "{error}");
}

#[test]
fn missing_frames_are_noticed_against_the_declared_length() {
    // Ten whole frames of 384 bytes taken out of a constant-rate file: no damage to be seen, only a wrong length.
    let mut bytes = bytes_of("cbr.mp3");
    let from = bytes.windows(2).rposition(|w| w == [0xff, 0xfb]).unwrap() - 384 * 20;
    bytes.drain(from..from + 384 * 10);
    let d = decode_bytes(&bytes).unwrap();
    assert_eq!(d.info.declared_frames, Some(196_800));
    assert!(says(&d, "frames_missing"), "{:?}", d.summary);
}

#[test]
fn he_aac_is_told_apart_and_its_lower_half_is_read() {
    // The maker's configuration for AAC-LC at 24 kHz is 13 10 56 e5 00; relabelled in place as what HE-AAC writes:
    // explicit (object type 5: 24 kHz core, 48 kHz out, then LC) and backward compatible (flag after 0x2b7 set).
    let plain = bytes_of("aac_24k.m4a");
    let at = plain.windows(5).position(|w| w == [0x13, 0x10, 0x56, 0xe5, 0x00]).unwrap();
    let explicit = [0x2b, 0x11, 0x88, 0x00, 0x00];
    let compatible = [0x13, 0x10, 0x56, 0xe5, 0x80];
    for (what, config) in [("explicit", explicit), ("backward compatible", compatible)] {
        let mut bytes = plain.clone();
        bytes[at..at + 5].copy_from_slice(&config);
        let d = decode_bytes(&bytes).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(d.info.codec, "he-aac", "{what}");
        assert_eq!(d.info.warnings, ["upper_band_missing_he_aac"], "{what}");
        assert_eq!(d.channels, decode_fixture("aac_24k.m4a").channels, "{what}");
    }
    assert!(decode_fixture("aac_24k.m4a").info.warnings.is_empty());
}

#[test]
fn he_aac_that_only_the_clock_gives_away_is_told_apart_and_keeps_its_length() {
    // Implicit signalling: the configuration says 24 kHz AAC-LC, the track's clock runs at twice that.
    let mut bytes = bytes_of("aac_24k.m4a");
    let at = |bytes: &[u8], id: &[u8; 4]| bytes.windows(4).position(|w| w == id).unwrap() + 4;
    let double = |bytes: &mut [u8], at: usize| {
        let value = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
        bytes[at..at + 4].copy_from_slice(&(value * 2).to_be_bytes());
    };
    let clock = at(&bytes, b"mdhd") + 12;
    double(&mut bytes, clock);
    double(&mut bytes, clock + 4);
    let edit = at(&bytes, b"elst") + 8;
    double(&mut bytes, edit + 4);
    let table = at(&bytes, b"stts") + 4;
    let entries = u32::from_be_bytes(bytes[table..table + 4].try_into().unwrap()) as usize;
    for entry in 0..entries {
        double(&mut bytes, table + 4 + entry * 8 + 4);
    }
    let rate = at(&bytes, b"mp4a") + 24;
    bytes[rate..rate + 4].copy_from_slice(&(48_000u32 << 16).to_be_bytes());
    let d = decode_bytes(&bytes).unwrap();
    assert_eq!((d.info.codec.as_str(), d.info.sample_rate_hz), ("he-aac", 24_000));
    assert_eq!(d.info.warnings, ["upper_band_missing_he_aac"]);
    assert_eq!(d.info.declared_frames, Some(98_400));
    assert_eq!(d.channels, decode_fixture("aac_24k.m4a").channels);
    assert!(d.summary.warnings.is_empty() && d.summary.gaps.is_empty(), "{:?}", d.summary);
}

#[test]
fn opus_gain_and_pre_skip_of_the_header_are_obeyed() {
    // Output gain is Q7.8 dB at offset 16 of OpusHead (RFC 7845 section 5.1); 0x0600 is +6 dB. The Ogg checksum is kept
    // right by the same program's rule: CRC-32 of polynomial 0x04c11db7 over the page with its checksum field zero.
    let mut bytes = bytes_of("opus.opus");
    let head = bytes.windows(8).position(|w| w == b"OpusHead").unwrap();
    bytes[head + 16..head + 18].copy_from_slice(&0x0600i16.to_le_bytes());
    let page = head + 19;
    bytes[22..26].fill(0);
    let crc = ogg_crc(&bytes[..page]);
    bytes[22..26].copy_from_slice(&crc.to_le_bytes());
    let (louder, plain) = (decode_bytes(&bytes).unwrap(), decode_fixture("opus.opus"));
    let factor = 10f32.powf(6.0 / 20.0);
    for (l, p) in louder.channels[0].iter().zip(&plain.channels[0]) {
        assert!((l - p * factor).abs() < 1e-5);
    }
}

fn ogg_crc(page: &[u8]) -> u32 {
    page.iter().fold(0u32, |crc, b| {
        (0..8).fold(crc ^ u32::from(*b) << 24, |c, _| if c >> 31 == 1 { c << 1 ^ 0x04c1_1db7 } else { c << 1 })
    })
}

#[test]
fn files_that_are_no_audio_get_their_own_error() {
    let text = "a shopping list\n".repeat(500);
    let error = decode_bytes(text.as_bytes()).unwrap_err();
    assert!(matches!(&error, TapeError::NotAudio { cause, .. } if cause.contains("text")), "{error}");
    assert!(matches!(decode_bytes(b"").unwrap_err(), TapeError::EmptyFile { .. }));
    assert!(matches!(decode_bytes(&[0; 5000]).unwrap_err(), TapeError::NotAudio { .. }));
    let absent = decode(&fixture("no such file.wav")).unwrap_err();
    assert!(matches!(absent, TapeError::Io { .. }) && absent.hint().is_some());
    let folder = decode(&fixture("")).unwrap_err();
    assert!(matches!(folder, TapeError::Io { .. }), "{folder}");
    let amr = decode_bytes(b"#!AMR\n\x3c\x00\x00\x00").unwrap_err();
    assert!(matches!(&amr, TapeError::UnsupportedCodec { codec, .. } if codec == "amr"), "{amr}");
}

#[test]
fn messages_name_the_file_first_and_carry_no_capital_or_full_stop() {
    for bytes in [&b""[..], b"text text text", b"#!AMR\n", b"RIFF\0\0\0\0WAVE"] {
        let (_dir, path) = on_disk(bytes);
        let message = decode(&path).unwrap_err().to_string();
        let rest = message.strip_prefix(&format!("{}: ", path.display())).unwrap_or_else(|| panic!("{message}"));
        assert!(rest.chars().next().unwrap().is_lowercase() || rest.starts_with("0 "), "{message}");
        assert!(!message.ends_with('.'), "{message}");
    }
}

#[test]
fn mutated_files_never_panic_or_hang_and_stay_near_their_length() {
    let names = [
        "mono16.flac",
        "aac.m4a",
        "aac_fragmented.mp4",
        "aac.aac",
        "cbr.mp3",
        "layer2.mp2",
        "vorbis.ogg",
        "vorbis.webm",
        "opus.opus",
        "silk.ogg",
        "hybrid_stereo.ogg",
        "opus.m4a",
        "alac24.m4a",
        "aiff16.aiff",
        "caf16.caf",
        "ima.wav",
        "flac.oga",
        "aac.mka",
    ];
    let mut state = 2_463_534_242u32;
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state as usize
    };
    let (mut read, mut refused, mut contained) = (0, 0, Vec::new());
    for name in names {
        let clean = bytes_of(name);
        for round in 0..16 {
            let mut bytes = clean.clone();
            // Half of the rounds aim at the head, where sizes and counts are.
            let reach = if round % 2 == 0 { 600.min(bytes.len()) } else { bytes.len() };
            for _ in 0..1 + random() % 12 {
                let at = random() % reach;
                bytes[at] = match random() % 3 {
                    0 => 0xff,
                    1 => bytes[at] ^ 1 << (random() % 8),
                    _ => random() as u8,
                };
            }
            if round % 5 == 4 {
                bytes.truncate(random() % bytes.len());
            }
            let (_dir, path) = on_disk(&bytes);
            let Ok(mut tape) = Tape::open(&source(&path)).inspect_err(|e| contained.extend(panicked(name, e))) else {
                refused += 1;
                continue;
            };
            let limit = u64::from(tape.info().sample_rate_hz) * 1300;
            let mut frames = 0;
            loop {
                match tape.next_block() {
                    Ok(Some(block)) => frames += block.channels[0].len() as u64,
                    Ok(None) => break,
                    Err(e) => {
                        contained.extend(panicked(name, &e));
                        break;
                    }
                }
                assert!(frames < limit, "{name}: {frames} frames out of {} bytes", bytes.len());
            }
            read += 1;
        }
    }
    println!("{read} read, {refused} refused, {} contained panics: {contained:?}", contained.len());
    assert!(read > 150 && read + refused == 16 * names.len());
}

fn panicked(name: &str, error: &TapeError) -> Option<String> {
    matches!(error, TapeError::DecoderPanic { .. }).then(|| format!("{name}: {error}"))
}
