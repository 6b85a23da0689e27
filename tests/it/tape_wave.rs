//! WAVE files as recorders leave them: every sample format, half-written headers, more than 4 GiB, marks, dates.
//! Layouts by EBU Tech 3285 (bext), EBU Tech 3306 (RF64) and ITU-R BS.2088 (BW64).

use std::io::{Seek, SeekFrom, Write};
use std::path::PathBuf;

use ledgerline::tape::{DateSource, Mark, Tape, TapeError};

use super::tape_signal::*;

const RATE: u32 = 48_000;

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut out = id.to_vec();
    out.extend((body.len() as u32).to_le_bytes());
    out.extend(body);
    out.resize(out.len() + (body.len() & 1), 0);
    out
}

fn format(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let align = channels * bits.div_ceil(8);
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend((rate * u32::from(align)).to_le_bytes());
    body.extend(align.to_le_bytes());
    body.extend(bits.to_le_bytes());
    body
}

/// "RIFF" with its chunks; the size is right.
fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut out = b"RIFF".to_vec();
    out.extend((body.len() as u32 + 4).to_le_bytes());
    out.extend(b"WAVE");
    out.extend(body);
    out
}

fn samples16(frames: usize) -> Vec<u8> {
    synth(0, RATE, frames).iter().flat_map(|x| ((x * 32_768.0).round() as i16).to_le_bytes()).collect()
}

fn plain(frames: usize) -> Vec<u8> {
    riff(&[chunk(b"fmt ", &format(1, 1, RATE, 16)), chunk(b"data", &samples16(frames))])
}

fn on_disk(bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("tape.wav");
    std::fs::write(&path, bytes).unwrap();
    (dir, path)
}

fn decode_bytes(bytes: &[u8]) -> Result<Decoded, TapeError> {
    let (_dir, path) = on_disk(bytes);
    decode(&path)
}

fn put_u32(bytes: &mut [u8], at: usize, value: u32) {
    bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
}

/// Offset of the data size in [`plain`].
const DATA_SIZE_AT: usize = 12 + 8 + 16 + 4;

fn assert_is_the_clip(d: &Decoded, frames: usize) {
    assert_eq!(d.channels[0].len(), frames);
    assert!(worst_steps(&d.channels[0], 0, RATE, 16) <= 0.51);
}

#[test]
fn every_sample_format_is_scaled_to_full_scale_one() {
    let x = synth(0, RATE, 1000);
    let packed = |f: &dyn Fn(f64) -> Vec<u8>| -> Vec<u8> { x.iter().flat_map(|v| f(f64::from(*v))).collect() };
    let rows: Vec<(&str, u16, u16, Vec<u8>, f64)> = vec![
        ("pcm_u8", 1, 8, packed(&|v| vec![(v * 128.0 + 128.0).round() as u8]), 1.0 / 256.0),
        ("pcm_s16le", 1, 16, packed(&|v| ((v * 32_768.0).round() as i16).to_le_bytes().to_vec()), 1.0 / 65_536.0),
        ("pcm_s24le", 1, 24, packed(&|v| ((v * 8_388_608.0).round() as i32).to_le_bytes()[..3].to_vec()), 1.0 / 1.6e7),
        ("pcm_s32le", 1, 32, packed(&|v| ((v * 2_147_483_648.0).round() as i32).to_le_bytes().to_vec()), 1e-7),
        ("pcm_f32le", 3, 32, packed(&|v| (v as f32).to_le_bytes().to_vec()), 1e-9),
        ("pcm_f64le", 3, 64, packed(&|v| v.to_le_bytes().to_vec()), 1e-9),
    ];
    for (codec, tag, bits, data, step) in rows {
        for extensible in [false, true] {
            let mut fmt = format(if extensible { 0xFFFE } else { tag }, 1, RATE, bits);
            if extensible {
                fmt.extend(22u16.to_le_bytes());
                fmt.extend(bits.to_le_bytes());
                fmt.extend(4u32.to_le_bytes());
                fmt.extend(tag.to_le_bytes());
                fmt.extend(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71");
            }
            let d = decode_bytes(&riff(&[chunk(b"fmt ", &fmt), chunk(b"data", &data)])).unwrap();
            assert_eq!((d.info.codec.as_str(), d.channels[0].len()), (codec, 1000));
            for (heard, meant) in d.channels[0].iter().zip(&x) {
                assert!(f64::from((heard - meant).abs()) <= step * 1.01, "{codec}: {heard} {meant}");
            }
        }
    }
}

#[test]
fn a_recorder_that_lost_power_leaves_zero_sizes_and_everything_is_read() {
    for (what, riff_size, data_size) in [
        ("both zero", 0, 0),
        ("riff size zero", 0, 2 * 20_000),
        ("riff size too small", 36, 2 * 20_000),
        ("both unknown", u32::MAX, u32::MAX),
        ("a size written half way", 5000, 4000),
    ] {
        let mut bytes = plain(20_000);
        put_u32(&mut bytes, 4, riff_size);
        put_u32(&mut bytes, DATA_SIZE_AT, data_size);
        let d = decode_bytes(&bytes).unwrap();
        assert_is_the_clip(&d, 20_000);
        let sound = data_size == 40_000;
        assert_eq!(d.info.warnings.iter().any(|w| w == "header_rebuilt"), !sound, "{what}");
        assert_eq!(d.info.declared_frames, sound.then_some(20_000), "{what}");
    }
}

#[test]
fn a_truncated_wave_file_is_read_to_its_end_and_says_so() {
    let mut bytes = plain(20_000);
    bytes.truncate(bytes.len() - 7001);
    let d = decode_bytes(&bytes).unwrap();
    assert_is_the_clip(&d, 20_000 - 3501);
    assert_eq!(d.info.declared_frames, Some(20_000));
    assert_eq!(d.summary.warnings, ["truncated"]);
}

#[test]
fn an_empty_data_chunk_is_no_tape() {
    let error = decode_bytes(&plain(0)).unwrap_err();
    assert!(matches!(error, TapeError::ZeroFrames { .. }), "{error}");
    let with_list =
        riff(&[chunk(b"fmt ", &format(1, 1, RATE, 16)), chunk(b"data", b""), chunk(b"LIST", b"INFOICMT\x02\0\0\0a\0")]);
    assert!(matches!(decode_bytes(&with_list).unwrap_err(), TapeError::ZeroFrames { .. }));
}

#[test]
fn rf64_and_bw64_take_their_sizes_from_ds64() {
    for name in [b"RF64", b"BW64"] {
        let data = samples16(5000);
        let mut ds64 = Vec::new();
        for n in [0u64, data.len() as u64, 5000] {
            ds64.extend(n.to_le_bytes());
        }
        ds64.extend(0u32.to_le_bytes());
        let mut bytes = riff(&[chunk(b"ds64", &ds64), chunk(b"fmt ", &format(1, 1, RATE, 16)), chunk(b"data", &data)]);
        bytes.extend(chunk(b"LIST", b"INFOICRD\x0a\0\0\x002026-03-12"));
        bytes[..4].copy_from_slice(name);
        put_u32(&mut bytes, 4, u32::MAX);
        put_u32(&mut bytes, 12 + 8 + 28 + 8 + 16 + 4, u32::MAX);
        let d = decode_bytes(&bytes).unwrap();
        assert_is_the_clip(&d, 5000);
        assert_eq!(d.info.declared_frames, Some(5000));
        assert!(d.info.warnings.is_empty());
        assert_eq!(d.info.recorded_at.as_deref(), Some("2026-03-12"));
    }
}

/// A sparse file: a header, a hole of zeros of more than 4 GiB, the clip at the very end.
fn sparse(head: &[u8], data_len: u64) -> (tempfile::TempDir, PathBuf) {
    let (dir, path) = on_disk(head);
    let mut file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    let tail = samples16(1000);
    file.seek(SeekFrom::Start(head.len() as u64 + data_len - tail.len() as u64)).unwrap();
    file.write_all(&tail).unwrap();
    (dir, path)
}

#[test]
fn more_than_four_gib_are_declared_and_reached() {
    // 20 channels of 64-bit float keep the number of frames small; the hole takes no room on the disk.
    let data_len: u64 = 160 * 27_000_000;
    assert!(data_len > 1 << 32);
    let mut ds64 = Vec::new();
    for n in [data_len + 100, data_len, 27_000_000] {
        ds64.extend(n.to_le_bytes());
    }
    ds64.extend(0u32.to_le_bytes());
    let mut head = riff(&[chunk(b"ds64", &ds64), chunk(b"fmt ", &format(3, 20, RATE, 64))]);
    head.extend(b"data\xff\xff\xff\xff");
    head[..4].copy_from_slice(b"RF64");
    let (_dir, path) = sparse(&head, data_len);
    let tape = Tape::open_hashed(&source(&path), String::new()).unwrap();
    assert_eq!(tape.info().declared_frames, Some(27_000_000));
    assert!(tape.info().warnings.is_empty(), "{:?}", tape.info().warnings);
}

#[test]
fn a_plain_header_over_four_gib_has_wrapped_and_the_file_length_counts() {
    let data_len: u64 = (1 << 32) + 160_000;
    let mut head = riff(&[chunk(b"fmt ", &format(3, 20, RATE, 64))]);
    head.extend(b"data");
    head.extend((data_len as u32).to_le_bytes());
    let (_dir, path) = sparse(&head, data_len);
    let mut tape = Tape::open_hashed(&source(&path), String::new()).unwrap();
    assert_eq!(tape.info().warnings, ["header_rebuilt"]);
    // The wrapped size would end after 1000 frames.
    let first = tape.next_block().unwrap().unwrap();
    assert!(first.channels[0].len() > 1000);
}

#[test]
fn many_channels_come_in_short_blocks() {
    let frames = 20_000;
    let bytes = riff(&[chunk(b"fmt ", &format(1, 64, RATE, 16)), chunk(b"data", &vec![0; frames * 64 * 2])]);
    // Decoding checks the length of every block on the way.
    let d = decode_bytes(&bytes).unwrap();
    assert!(d.channels.len() == 64 && d.channels.iter().all(|c| c.len() == frames));
}

#[test]
fn a_header_that_lies_about_its_size_allocates_nothing() {
    let mut bytes = plain(1000);
    put_u32(&mut bytes, DATA_SIZE_AT, 0xFFFF_FFF0);
    let d = decode_bytes(&bytes).unwrap();
    assert_is_the_clip(&d, 1000);
    assert_eq!(d.summary.warnings, ["truncated"]);
    let mut list = riff(&[chunk(b"fmt ", &format(1, 1, RATE, 16))]);
    list.extend(b"cue \xff\xff\xff\x7f\xff\xff\xff\xff");
    assert!(matches!(decode_bytes(&list).unwrap_err(), TapeError::ZeroFrames { .. }));
}

fn bext(date: &[u8; 10], time: &[u8; 8]) -> Vec<u8> {
    let mut body = vec![0; 602];
    body[..9].copy_from_slice(b"rehearsal");
    body[320..330].copy_from_slice(date);
    body[330..338].copy_from_slice(time);
    chunk(b"bext", &body)
}

fn cue(id: u32, frame: u32) -> Vec<u8> {
    let mut out = Vec::new();
    for n in [id, 0, u32::from_le_bytes(*b"data"), 0, 0, frame] {
        out.extend(n.to_le_bytes());
    }
    out
}

fn labelled(kind: &[u8; 4], id: u32, text: &[u8]) -> Vec<u8> {
    let mut body = id.to_le_bytes().to_vec();
    body.extend(text);
    chunk(kind, &body)
}

#[test]
fn marks_and_broadcast_date_are_read_before_and_after_the_data() {
    let mut cues = 3u32.to_le_bytes().to_vec();
    cues.extend([cue(7, 24_000), cue(2, 12_000), cue(9, 36_000)].concat());
    let mut region = 9u32.to_le_bytes().to_vec();
    region.extend(4800u32.to_le_bytes());
    region.extend(b"rgn \0\0\0\0\0\0\0\0");
    let mut adtl = b"adtl".to_vec();
    adtl.extend(labelled(b"labl", 7, b"shout chorus\0"));
    adtl.extend(labelled(b"note", 2, b"odd\0"));
    adtl.extend(chunk(b"ltxt", &region));
    adtl.extend(labelled(b"labl", 9, b"solo\0"));
    let (before, after) = (chunk(b"cue ", &cues), chunk(b"LIST", &adtl));
    let parts = [chunk(b"fmt ", &format(1, 1, RATE, 16)), chunk(b"data", &samples16(48_000))];
    let file = riff(&[bext(b"2026-03-12", b"15:30:05"), before, parts.concat(), after]);
    let d = decode_bytes(&file).unwrap();
    assert_is_the_clip(&d, 48_000);
    let mark = |at_s, length_s, label: &str| Mark { at_s, length_s, label: label.to_owned() };
    assert_eq!(d.info.marks, [mark(0.25, None, "odd"), mark(0.5, None, "shout chorus"), mark(0.75, Some(0.1), "solo")]);
    assert_eq!(d.info.recorded_at.as_deref(), Some("2026-03-12T15:30:05"));
    assert_eq!(d.info.recorded_at_source, Some(DateSource::Bext));
}

#[test]
fn an_odd_chunk_is_padded_and_the_next_one_found() {
    let file = riff(&[
        chunk(b"junk", b"odd"),
        chunk(b"fmt ", &format(1, 1, RATE, 8)),
        chunk(b"data", &[128; 1001]),
        chunk(b"LIST", b"INFOICRD\x0a\0\0\x002026-03-12"),
    ]);
    let d = decode_bytes(&file).unwrap();
    assert_eq!(d.channels[0], vec![0.0; 1001]);
    assert_eq!(d.info.recorded_at.as_deref(), Some("2026-03-12"));
}

#[test]
fn samples_that_are_not_finite_become_zero_with_a_warning() {
    let values = [0.5f32, f32::NAN, f32::INFINITY, -0.25, f32::NEG_INFINITY];
    let wave = |v: &[f32]| {
        let data: Vec<u8> = v.iter().flat_map(|x| x.to_le_bytes()).collect();
        riff(&[chunk(b"fmt ", &format(3, 1, RATE, 32)), chunk(b"data", &data)])
    };
    let d = decode_bytes(&wave(&values)).unwrap();
    assert_eq!(d.channels[0], [0.5, 0.0, 0.0, -0.25, 0.0]);
    assert_eq!(d.summary.warnings, ["samples_not_finite"]);
    let all = decode_bytes(&wave(&[f32::NAN; 100])).unwrap();
    assert_eq!(all.channels[0], [0.0; 100]);
    assert_eq!(all.summary.warnings, ["no_sample_finite"]);
    // Unscaled integers are samples; what lies beyond them made the resampler panic (found by fuzzing).
    let huge: Vec<f32> = (0..4000).map(|i| if i % 3 == 0 { f32::MAX } else { -2_147_483_648.0 }).collect();
    let data: Vec<u8> = huge.iter().flat_map(|x: &f32| x.to_le_bytes()).collect();
    let huge = riff(&[chunk(b"fmt ", &format(3, 1, 8_000, 32)), chunk(b"data", &data)]);
    let huge = decode_bytes(&huge).unwrap();
    assert_eq!((huge.channels[0][99], huge.channels[0][100]), (0.0, -2_147_483_648.0));
    assert_eq!(huge.summary.warnings, ["samples_not_finite"]);
}

#[test]
fn rates_and_channel_counts_outside_the_range_are_refused_with_the_values() {
    let wave = |channels, rate| {
        let data = vec![0; 200 * usize::from(channels)];
        riff(&[chunk(b"fmt ", &format(1, channels, rate, 16)), chunk(b"data", &data)])
    };
    for rate in [0, 3999, 768_001] {
        let error = decode_bytes(&wave(1, rate)).unwrap_err();
        assert!(matches!(error, TapeError::SampleRateOutOfRange { got_hz, .. } if got_hz == rate), "{error}");
    }
    let error = decode_bytes(&wave(65, RATE)).unwrap_err();
    assert!(matches!(error, TapeError::ChannelsOutOfRange { got: 65, max: 64, .. }), "{error}");
    for (channels, rate) in [(1, 4000), (1, 768_000), (64, RATE), (2, 47_999)] {
        assert_eq!(decode_bytes(&wave(channels, rate)).unwrap().channels.len(), usize::from(channels), "{rate}");
    }
}

#[test]
fn mono_is_the_mean_of_all_channels() {
    let data: Vec<u8> = (0..1000).flat_map(|_| [0.5f32, -0.25, 0.05]).flat_map(f32::to_le_bytes).collect();
    let d = decode_bytes(&riff(&[chunk(b"fmt ", &format(3, 3, RATE, 32)), chunk(b"data", &data)])).unwrap();
    assert!(d.mono.iter().all(|m| (m - 0.1).abs() < 1e-7));
}

#[test]
fn an_unknown_format_tag_is_named() {
    let file = riff(&[chunk(b"fmt ", &format(0x0161, 2, RATE, 16)), chunk(b"data", &[0; 4000])]);
    let error = decode_bytes(&file).unwrap_err();
    assert!(matches!(&error, TapeError::UnsupportedCodec { codec, .. } if codec == "windows media"), "{error}");
    assert!(error.hint().is_some());
}

#[test]
fn mpeg_audio_in_a_wave_file_is_read() {
    let mp3 = std::fs::read(fixture("no_info.mp3")).unwrap();
    let file = riff(&[chunk(b"fmt ", &format(0x55, 2, RATE, 16)), chunk(b"data", &mp3)]);
    let d = decode_bytes(&file).unwrap();
    assert_eq!(d.channels, decode_fixture("no_info.mp3").channels);
}
