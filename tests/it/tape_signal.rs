//! The signal that tests/fixtures/tape/make.sh was given, and how far a decoded clip is from it.

use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use ledgerline::dsp::Block;
use ledgerline::tape::{BLOCK_S, Tape, TapeError, TapeInfo, TapeSource, TapeSummary};

/// Everything that came out of a tape.
#[derive(Debug)]
pub struct Decoded {
    pub info: TapeInfo,
    pub summary: TapeSummary,
    pub channels: Vec<Vec<f32>>,
    pub mono: Vec<f32>,
}

/// The signal at time `t`; channel 0 is left.
pub fn signal(channel: usize, t: f64) -> f64 {
    let (tone, level, period, click) =
        if channel == 0 { (220.0, 0.4, 0.7, 3000.0) } else { (277.0, 0.3, 0.45, 2000.0) };
    let since = t - period * (t / period).floor();
    0.2 * (2.0 * PI * tone * t).sin()
        + 0.15 * (2.0 * PI * (200.0 * t + 300.0 * t * t)).sin()
        + level * (-60.0 * since).exp() * (2.0 * PI * click * since).sin()
}

pub fn synth(channel: usize, rate: u32, frames: usize) -> Vec<f32> {
    (0..frames).map(|i| signal(channel, i as f64 / f64::from(rate)) as f32).collect()
}

pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/tape").join(name)
}

pub fn source(path: &Path) -> TapeSource {
    TapeSource { pieces: vec![path.to_owned()] }
}

/// Decodes a whole tape and checks on the way that its blocks follow each other.
pub fn decode_source(source: &TapeSource) -> Result<Decoded, TapeError> {
    let mut tape = Tape::open(source)?;
    let info = tape.info().clone();
    let mut channels = vec![Vec::new(); usize::from(info.channels)];
    let mut mono = Vec::new();
    while let Some(block) = tape.next_block()? {
        check_block(&block, &info, channels[0].len(), mono.len());
        for (all, new) in channels.iter_mut().zip(&block.channels) {
            all.extend_from_slice(new);
        }
        mono.extend_from_slice(&block.mono);
    }
    let summary = tape.summary();
    assert_eq!(summary.frames as usize, channels[0].len(), "summary and blocks disagree");
    let expected = channels[0].len() as f64 * 48_000.0 / f64::from(info.sample_rate_hz);
    assert!((mono.len() as f64 - expected).abs() <= 0.5 + 1e-9, "mono has {} of {expected} frames", mono.len());
    Ok(Decoded { info, summary, channels, mono })
}

fn check_block(block: &Block, info: &TapeInfo, frames: usize, mono: usize) {
    assert_eq!(block.sample_rate_hz, info.sample_rate_hz);
    assert_eq!((block.start_frame as usize, block.mono_start_frame as usize), (frames, mono));
    let n = block.channels[0].len();
    assert!(n > 0 && n as f64 <= f64::from(info.sample_rate_hz) * BLOCK_S, "block of {n} frames");
    assert!(n * block.channels.len() <= 1 << 19, "block of {n} frames and {} channels", block.channels.len());
    assert!(block.channels.iter().all(|c| c.len() == n));
    assert!(block.channels.iter().flatten().chain(&block.mono).all(|x| x.is_finite()));
}

pub fn decode(path: &Path) -> Result<Decoded, TapeError> {
    decode_source(&source(path))
}

pub fn decode_fixture(name: &str) -> Decoded {
    decode(&fixture(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// Frames by which `heard` is late against the signal, from the peak of the cross-correlation over the clip's middle.
pub fn late_by_frames(heard: &[f32], channel: usize, rate: u32) -> i64 {
    let reach = i64::from(rate) / 20;
    let (from, to) = (heard.len() as i64 / 4, heard.len() as i64 * 3 / 4);
    let reference = |i: i64| signal(channel, i as f64 / f64::from(rate));
    let reference: Vec<f64> = (from - reach..to + reach).map(reference).collect();
    (-reach..=reach)
        .map(|lag| {
            // heard[i + lag] against reference[i]
            let dot: f64 = (from..to)
                .step_by(11)
                .map(|i| f64::from(heard[i as usize]) * reference[(i - lag - from + reach) as usize])
                .sum();
            (lag, dot)
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(lag, _)| lag)
        .unwrap()
}

/// Signal to error ratio in dB over frames `range`, heard as it is.
pub fn snr_db(heard: &[f32], channel: usize, rate: u32, range: std::ops::Range<usize>) -> f64 {
    let (mut power, mut error) = (0.0, 0.0);
    for i in range {
        let s = signal(channel, i as f64 / f64::from(rate));
        power += s * s;
        error += (f64::from(heard[i]) - s).powi(2);
    }
    10.0 * (power / error.max(1e-30)).log10()
}

/// Largest difference to the signal in units of one step of `bits`.
pub fn worst_steps(heard: &[f32], channel: usize, rate: u32, bits: u32) -> f64 {
    let step = 2f64.powi(1 - bits as i32);
    let worst =
        heard.iter().enumerate().map(|(i, x)| (f64::from(*x) - signal(channel, i as f64 / f64::from(rate))).abs());
    worst.fold(0.0, f64::max) / step
}
