//! Lets the health and the passage meters hear samples, as the pipeline does.

use ledgerline::dsp::resample::Resampler;
use ledgerline::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING, SpectrumStream};
use ledgerline::dsp::{ANALYSIS_RATE_HZ, Block, Meter};
use ledgerline::health::{Health, HealthMeter};
use ledgerline::passages::{Passage, PassageKind, PassageMeter};

/// Mean of the channels at the analysis rate.
fn mono(channels: &[Vec<f32>], rate_hz: u32) -> Vec<f32> {
    let scale = 1.0 / channels.len() as f32;
    let native: Vec<f32> = (0..channels[0].len()).map(|i| channels.iter().map(|c| c[i]).sum::<f32>() * scale).collect();
    if rate_hz == ANALYSIS_RATE_HZ {
        return native;
    }
    let mut out = Vec::new();
    let mut resampler = Resampler::new(rate_hz).unwrap();
    resampler.push(&native, &mut out);
    resampler.finish(&mut out);
    out
}

/// What both meters say of a tape that comes in blocks of `block_frames` (mono mix).
pub fn hear_in_blocks(channels: &[Vec<f32>], rate_hz: u32, block_frames: usize) -> (Health, Vec<Passage>) {
    let mono = mono(channels, rate_hz);
    let (mut short, mut long) = (SpectrumStream::new(SHORT_FRAMING), SpectrumStream::new(LONG_FRAMING));
    let (mut health, mut passages) = (HealthMeter::default(), PassageMeter::default());
    let blocks = mono.len().div_ceil(block_frames);
    let native = |i: usize| (i * channels[0].len()) / blocks;
    for i in 0..blocks {
        let (from, to) = (i * block_frames, ((i + 1) * block_frames).min(mono.len()));
        let mut block = Block {
            start_frame: native(i) as u64,
            sample_rate_hz: rate_hz,
            channels: channels.iter().map(|c| c[native(i)..native(i + 1)].to_vec()).collect(),
            mono_start_frame: from as u64,
            mono: mono[from..to].to_vec(),
            ..Block::default()
        };
        short.push(&block.mono, &mut block.short_spectra);
        long.push(&block.mono, &mut block.long_spectra);
        if i + 1 == blocks {
            short.finish(&mut block.short_spectra);
            long.finish(&mut block.long_spectra);
        }
        health.push(&block);
        passages.push(&block);
    }
    let passages = passages.finish();
    let spans = |kind| Passage::spans(&passages, kind);
    (health.finish().judge(&spans(PassageKind::Talk), &spans(PassageKind::Take)), passages)
}

/// As [`hear_in_blocks`], a quarter of a second a block.
pub fn hear(channels: &[Vec<f32>], rate_hz: u32) -> (Health, Vec<Passage>) {
    hear_in_blocks(channels, rate_hz, 12_000)
}

/// Kinds and spans in short, for messages.
pub fn shown(passages: &[Passage]) -> String {
    passages.iter().map(|p| format!("{:?} {:.1}..{:.1}", p.kind, p.start_s, p.end_s)).collect::<Vec<_>>().join(", ")
}

/// What a passage list says at a time.
pub fn kind_at(passages: &[Passage], at_s: f64) -> Option<PassageKind> {
    passages.iter().find(|p| p.start_s <= at_s && at_s < p.end_s).map(|p| p.kind)
}

/// Fails unless the passages cover `0..duration_s` in order and without holes.
pub fn assert_covers(passages: &[Passage], duration_s: f64) {
    let mut at = 0.0;
    for p in passages {
        assert_eq!(p.start_s, at, "hole or overlap: {}", shown(passages));
        assert!(p.end_s > p.start_s && (0.0..=1.0).contains(&p.confidence), "{}", shown(passages));
        at = p.end_s;
    }
    assert!((at - duration_s).abs() < 1e-3, "ends at {at}, not {duration_s}");
}
