//! Speed and memory of a whole review, against the floor counted in the same run.
//!
//! `cargo bench --bench speed -- TAPE [TAPE ...]` (a 60-minute stereo 48 kHz FLAC is what the figures in README.md are from;
//! `benches/make_hour.sh` makes one from the demo band's tapes). For every tape, three times in turn: the floor on one
//! thread (decode alone, two STFTs of the mono mix, K-weighting and block sums by the ebur128 crate), then the real binary with all its files. Raw results
//! go to `benches/runs/<date>-speed.json`. Peak memory is the kernel's high-water mark of the binary (Linux only, else null).

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use ebur128::{EbuR128, Mode};
use ledgerline::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING, SpectrumStream};
use serde_json::{Value, json};
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

const ROUNDS: usize = 3;

fn main() {
    let tapes: Vec<PathBuf> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).map(PathBuf::from).collect();
    if tapes.is_empty() {
        eprintln!("speed: give one or more tapes; nothing measured");
        return;
    }
    let results: Vec<Value> = tapes.iter().map(|t| bench(t)).collect();
    let today = jiff::Timestamp::now().strftime("%Y-%m-%d").to_string();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/runs");
    std::fs::create_dir_all(&folder).expect("benches/runs can be made");
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let run = json!({"date": today, "program": env!("CARGO_PKG_VERSION"), "cores": cores, "tapes": results});
    let path = folder.join(format!("{today}-speed.json"));
    std::fs::write(&path, format!("{run:#}\n")).expect("the run can be written");
    println!("raw results: {}", path.display());
}

fn bench(tape: &Path) -> Value {
    let name = tape.file_name().map(|n| n.to_string_lossy().into_owned());
    let mut rounds = Vec::new();
    let mut ratios = Vec::new();
    for _ in 0..ROUNDS {
        let floor = floor(tape);
        let review = review(tape);
        let floor_s = floor.decode_s + floor.stft_s + floor.loudness_s;
        println!(
            "{}: {:.0} s of tape; floor {:.2} s (decode {:.2}, STFTs {:.2}, loudness {:.2}); review {:.2} s = {:.2} x floor, {:.0} x real time, {} MiB",
            name.as_deref().unwrap_or(""),
            floor.tape_s,
            floor_s,
            floor.decode_s,
            floor.stft_s,
            floor.loudness_s,
            review.wall_s,
            review.wall_s / floor_s,
            floor.tape_s / review.wall_s,
            review.peak_mib.map_or("?".to_owned(), |m| format!("{m:.0}")),
        );
        ratios.push(review.wall_s / floor_s);
        rounds.push(json!({
            "tape_s": floor.tape_s, "decode_s": floor.decode_s, "stft_s": floor.stft_s, "loudness_s": floor.loudness_s,
            "review_wall_s": review.wall_s, "review_peak_mib": review.peak_mib, "review_re_floor": review.wall_s / floor_s,
        }));
    }
    ratios.sort_by(f64::total_cmp);
    json!({"tape": name, "review_re_floor_median": ratios[ratios.len() / 2], "rounds": rounds})
}

struct Floor {
    tape_s: f64,
    decode_s: f64,
    stft_s: f64,
    loudness_s: f64,
}

/// What no review can do without, on one thread.
fn floor(tape: &Path) -> Floor {
    let source =
        MediaSourceStream::new(Box::new(std::fs::File::open(tape).expect("the tape opens")), Default::default());
    let mut format = symphonia::default::get_probe()
        .probe(&Hint::new(), source, FormatOptions::default(), MetadataOptions::default())
        .expect("the tape is audio");
    let params = format.default_track(TrackType::Audio).expect("a track").codec_params.clone().expect("a codec");
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(params.audio().expect("audio"), &AudioDecoderOptions::default())
        .expect("a decoder");
    let (mut short, mut long) = (SpectrumStream::new(SHORT_FRAMING), SpectrumStream::new(LONG_FRAMING));
    let (mut decode, mut stft, mut meter) = (Duration::ZERO, Duration::ZERO, Duration::ZERO);
    let (mut channels, mut spectra) = (Vec::<Vec<f32>>::new(), Vec::new());
    let mut loudness: Option<EbuR128> = None;
    let (mut frames, mut rate) = (0u64, 1u32);
    loop {
        let start = Instant::now();
        let Some(packet) = format.next_packet().expect("packets") else { break };
        let buffer = decoder.decode(&packet).expect("packets decode");
        rate = buffer.spec().rate();
        buffer.copy_to_vecs_planar(&mut channels);
        decode += start.elapsed();
        let count = channels.len() as f32;
        let mono: Vec<f32> =
            (0..channels[0].len()).map(|i| channels.iter().map(|c| c[i]).sum::<f32>() / count).collect();
        let start = Instant::now();
        short.push(&mono, &mut spectra);
        long.push(&mono, &mut spectra);
        spectra.clear();
        stft += start.elapsed();
        let start = Instant::now();
        let planes: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
        loudness
            .get_or_insert_with(|| EbuR128::new(planes.len() as u32, rate, Mode::I).expect("a meter"))
            .add_frames_planar_f32(&planes)
            .expect("frames are taken");
        meter += start.elapsed();
        frames += channels[0].len() as u64;
    }
    std::hint::black_box(loudness.map(|l| l.loudness_global()));
    let tape_s = frames as f64 / f64::from(rate);
    Floor { tape_s, decode_s: decode.as_secs_f64(), stft_s: stft.as_secs_f64(), loudness_s: meter.as_secs_f64() }
}

struct Review {
    wall_s: f64,
    peak_mib: Option<f64>,
}

/// The whole program as a user starts it.
fn review(tape: &Path) -> Review {
    let out = tempfile::tempdir().expect("a temporary folder");
    let start = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_ledgerline"))
        .args(["review", "--out"])
        .arg(out.path())
        .arg(tape)
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_mib = None;
    let code = loop {
        peak_mib = high_water_mib(&status).or(peak_mib);
        if let Some(code) = child.try_wait().expect("the program can be waited for") {
            break code;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let wall_s = start.elapsed().as_secs_f64();
    assert!(code.success(), "the review failed: {code}");
    Review { wall_s, peak_mib }
}

fn high_water_mib(status: &str) -> Option<f64> {
    let text = std::fs::read_to_string(status).ok()?;
    let line = text.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kib| kib / 1024.0)
}
