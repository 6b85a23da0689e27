//! Every container and codec: frames, alignment, fidelity, date. The clips were made by other programs (see
//! fixtures/tape/make.sh), so decoding them is a check against the outside.

use ledgerline::tape::DateSource;

use super::tape_signal::*;

/// Name, codec, rate, channels, frames, least signal-to-error ratio in dB.
type Row = (&'static str, &'static str, u32, usize, usize, f64);

const LOSSY: [Row; 26] = [
    ("aac.m4a", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("aac_index_first.m4a", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("aac_fragmented.mp4", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("aac.mov", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("aac_44k.m4a", "aac-lc", 44_100, 2, 180_810, 20.0),
    ("aac_24k.m4a", "aac-lc", 24_000, 2, 98_400, 14.0),
    ("aac.aac", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("aac.mka", "aac-lc", 48_000, 2, 196_800, 20.0),
    ("cbr.mp3", "mp3", 48_000, 2, 196_800, 20.0),
    ("vbr_44k.mp3", "mp3", 44_100, 2, 180_810, 15.0),
    ("no_info.mp3", "mp3", 48_000, 2, 196_800, 20.0),
    ("mono16k.mp3", "mp3", 16_000, 1, 65_600, 15.0),
    ("layer2.mp2", "mp2", 48_000, 2, 196_511, 20.0),
    ("vorbis.ogg", "vorbis", 48_000, 2, 196_800, 15.0),
    ("vorbis_44k.ogg", "vorbis", 44_100, 2, 180_810, 15.0),
    ("vorbis.webm", "vorbis", 48_000, 2, 196_800, 15.0),
    ("opus.opus", "opus", 48_000, 2, 196_800, 15.0),
    ("opus.webm", "opus", 48_000, 2, 196_800, 15.0),
    ("opus.m4a", "opus", 48_000, 2, 196_800, 15.0),
    ("silk.ogg", "opus", 48_000, 1, 196_800, 3.0),
    ("silk60.ogg", "opus", 48_000, 1, 196_800, 3.0),
    ("hybrid.ogg", "opus", 48_000, 1, 196_800, 3.0),
    ("hybrid_stereo.ogg", "opus", 48_000, 2, 196_800, 3.0),
    ("ima.wav", "adpcm_ima_wav", 48_000, 1, 196_800, 20.0),
    ("mulaw.wav", "pcm_mulaw", 48_000, 1, 48_000, 25.0),
    ("f64.wav", "pcm_f64le", 48_000, 1, 24_000, 80.0),
];

/// Name, codec, rate, channels, frames, bits. Exact to half a step of the format (rounding by the maker).
const LOSSLESS: [(&str, &str, u32, usize, usize, u32); 9] = [
    ("mono16.flac", "flac", 48_000, 1, 196_800, 16),
    ("stereo16_44k.flac", "flac", 44_100, 2, 66_150, 16),
    ("stereo24.flac", "flac", 48_000, 2, 48_000, 24),
    ("flac.oga", "flac", 48_000, 1, 48_000, 16),
    ("flac.mka", "flac", 48_000, 1, 48_000, 16),
    ("alac.m4a", "alac", 48_000, 1, 196_800, 16),
    ("alac24.m4a", "alac", 48_000, 2, 24_000, 24),
    ("aiff16.aiff", "pcm_s16be", 48_000, 1, 48_000, 16),
    ("caf16.caf", "pcm_s16le", 48_000, 1, 48_000, 16),
];

/// Containers without an exact end keep at most one packet of padding.
fn tail_allowed(name: &str) -> usize {
    match name {
        "aac.aac" | "aac.mka" | "vorbis.webm" | "opus.webm" => 1024,
        "no_info.mp3" | "layer2.mp2" => 1152,
        "ima.wav" => 2041,
        _ => 0,
    }
}

#[test]
fn lossy_clips_have_their_frames_in_time_and_near_the_signal() {
    let mut bad = Vec::new();
    for (name, codec, rate, channels, frames, least_db) in LOSSY {
        let d = decode_fixture(name);
        let got = d.channels[0].len();
        let late: Vec<i64> = (0..channels).map(|c| late_by_frames(&d.channels[c], c, rate)).collect();
        let mono_late = mono_late(&d);
        let skip = rate as usize / 10;
        let snr = (0..channels)
            .map(|c| snr_db(&d.channels[c], c, rate, skip..frames.min(got) - skip))
            .fold(f64::INFINITY, f64::min);
        let within = i64::from(rate) / 1000;
        println!("{name}: {got} late {late:?} mono {mono_late} snr {snr:.1}");
        let good = d.info.codec == codec
            && d.info.sample_rate_hz == rate
            && d.channels.len() == channels
            && (frames..=frames + tail_allowed(name)).contains(&got)
            && late.iter().all(|l| l.abs() <= within)
            && mono_late.abs() <= 48
            && snr >= least_db
            && d.summary.gaps.is_empty()
            && d.summary.warnings.is_empty()
            && d.info.warnings.is_empty();
        if !good {
            bad.push(format!("{name}: {:?} {got} late {late:?}/{mono_late} snr {snr:.1} {:?}", d.info, d.summary));
        }
    }
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

/// The mono mix of two channels holds both; its delay is found against the left signal.
fn mono_late(d: &Decoded) -> i64 {
    late_by_frames(&d.mono, 0, 48_000)
}

#[test]
fn lossless_clips_are_exact() {
    for (name, codec, rate, channels, frames, bits) in LOSSLESS {
        let d = decode_fixture(name);
        assert_eq!((d.info.codec.as_str(), d.info.sample_rate_hz, d.channels.len()), (codec, rate, channels), "{name}");
        assert_eq!(d.channels[0].len(), frames, "{name}");
        assert_eq!(d.info.declared_frames.unwrap_or(frames as u64), frames as u64, "{name}");
        for (c, heard) in d.channels.iter().enumerate() {
            let worst = worst_steps(heard, c, rate, bits);
            // The maker rounds to 16 bits and cuts to 24.
            assert!(worst <= if bits == 16 { 0.51 } else { 1.01 }, "{name} channel {c}: {worst} steps");
        }
    }
}

#[test]
fn five_lossless_containers_give_the_same_samples() {
    // Encoders: flac (reference), ffmpeg (ALAC, AIFF, CAF, FLAC in Ogg and Matroska). Two codecs and six demuxers agree.
    let (flac, alac) = (decode_fixture("mono16.flac"), decode_fixture("alac.m4a"));
    assert_eq!(flac.channels, alac.channels);
    let first_second = &flac.channels[0][..48_000];
    for name in ["aiff16.aiff", "caf16.caf", "flac.oga", "flac.mka"] {
        assert_eq!(decode_fixture(name).channels[0], first_second, "{name}");
    }
}

#[test]
fn dates_come_from_tags() {
    for (name, date) in [
        ("mono16.flac", "2026-03-12"),
        ("alac.m4a", "2026-03-13"),
        ("aac.m4a", "2026-03-14"),
        ("cbr.mp3", "2026-03-15"),
        ("vorbis.ogg", "2026-03-16"),
        ("opus.opus", "2026-03-17"),
    ] {
        let info = decode_fixture(name).info;
        assert_eq!(info.recorded_at.as_deref(), Some(date), "{name}");
        assert_eq!(info.recorded_at_source, Some(DateSource::Tags), "{name}");
    }
}

#[test]
fn the_name_of_a_file_does_not_decide_how_it_is_read() {
    let dir = tempfile::tempdir().unwrap();
    for (name, disguise) in [("mono16.flac", "a.mp3"), ("cbr.mp3", "b.wav"), ("aac.m4a", "c.flac"), ("vorbis.ogg", "d")]
    {
        let path = dir.path().join(disguise);
        std::fs::copy(fixture(name), &path).unwrap();
        assert_eq!(decode(&path).unwrap().channels, decode_fixture(name).channels, "{name} as {disguise}");
    }
}
