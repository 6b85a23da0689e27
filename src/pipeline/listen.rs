//! Excerpts to listen to: as recorded, and with the advised change on the bass layer alone, equally loud.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::plan::{self, Look};
use super::stream::{self, StreamError};
use super::{PipelineError, ReviewOptions, compose, sheet_wishes, sheets};
use crate::dsp::layer_filter::filter_layer;
use crate::dsp::masks::{MASK_STEP_SAMPLES, MaskGrid, MaskStep};
use crate::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING, SpectrumStream};
use crate::dsp::{ANALYSIS_RATE_HZ, Block, Meter, Resampler};
use crate::findings::AmpCorners;
use crate::measure::balance::{BalanceMeter, HearingLimits, Target};
use crate::measure::layers::LayerMeter;
use crate::measure::loudness::LoudnessMeter;
use crate::measure::tone::{Control, ControlChange};
use crate::tape::Tape;
use crate::tape::write_wav::{WavFile, WavSample, WavSpec};
use crate::units::db_to_amplitude;

/// Length of an excerpt, seconds.
const EXCERPT_S: f64 = 25.0;
/// Highest true peak of both files, dBTP: a little under the -1 that is promised.
const PEAK_DBTP: f64 = -1.2;
/// Bins of the grid on which shares are read, each 5.9 Hz: up to 6 kHz.
const GRID_BINS: usize = 1024;
const GRID_HZ: f64 = 48_000.0 / 8192.0;

/// What is to be listened to.
#[derive(Clone, Debug)]
pub struct ListenOptions {
    /// Folder for the two files.
    pub out: PathBuf,
    /// Target and microphone, as a review has them.
    pub review: ReviewOptions,
    /// Changes of the low, mid and high controls and of the level to try instead of the advice, dB.
    pub tried_db: [Option<f64>; 4],
}

/// What was written.
#[derive(Clone, Debug)]
pub struct ListenOutcome {
    /// The excerpt as recorded.
    pub as_recorded: PathBuf,
    /// With the change; `None` when nothing was advised.
    pub changed: Option<PathBuf>,
    /// Start of the excerpt on the tape, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// What was changed, in words.
    pub change: String,
    /// Change of the low end that was promised for the excerpt, dB.
    pub promised_db: Option<f64>,
    /// Change that the second file shows, dB.
    pub shown_db: Option<f64>,
    /// Loudness of both files, LUFS.
    pub lufs: Vec<f64>,
    /// True peaks of both files, dBTP.
    pub true_peak_dbtp: Vec<f64>,
}

/// Writes the excerpts.
///
/// # Errors
/// A tape that cannot be read, no take on it, or a folder that cannot be written to.
pub fn listen(path: &Path, options: &ListenOptions, stop: &AtomicBool) -> Result<ListenOutcome, PipelineError> {
    let failed = |message: String| PipelineError::Listen { message };
    let found = plan::find_tapes(&[path.to_owned()])?;
    let look = found.first().map_or(Look::Stopped, |t| plan::look_into(t, stop));
    let (sheets, _, _) = sheets::sheets_of(&[path.to_owned()], std::slice::from_ref(&look));
    let sheet = sheets.into_iter().flatten().next();
    let review = sheet_wishes::with_sheet(&options.review, sheet.as_ref());
    let looked = match look {
        Look::Ready(tape) => tape,
        Look::Failed(failure) => return Err(failed(failure.message)),
        Look::Stopped => return Err(PipelineError::Stopped),
    };
    let open = || Tape::open_hashed(&looked.source, looked.content_hash.clone()).map_err(|e| failed(e.to_string()));
    let mut tape = open()?;
    let measured = stream::measure(&mut tape, stop, &mut |_| {}).map_err(|e| match e {
        StreamError::Stopped => PipelineError::Stopped,
        StreamError::Tape(error) => failed(error.to_string()),
        StreamError::Meter => failed(format!("{}: measuring broke down", looked.file_name)),
    })?;
    let (tone, scratch) = (measured.0.tone.clone(), Arc::clone(&measured.0.scratch));
    let whole = compose::measured(tape.info(), &looked.source, &review, (sheet.as_ref(), Ok(None)), measured);
    let span =
        whole.clearest_span(EXCERPT_S).ok_or_else(|| failed(format!("{}: no take to listen to", looked.file_name)))?;
    let tried = tried(options, &review.bass_amp);
    let changes = if tried.is_empty() { whole.low_end_changes() } else { tried };
    let excerpt = cut(&mut open()?, span, stop).map_err(|e| e.unwrap_or(PipelineError::Stopped))?;
    let mut versions = vec![excerpt.channels.clone()];
    if !changes.is_empty() {
        versions.push(turned(&excerpt, &changes));
    }
    let promised_db = tone.low_re_mid_change_db(&[span], &changes);
    scratch.check().map_err(|e| failed(e.to_string()))?;
    write(&looked.file_name, &excerpt, versions, &changes, options, promised_db)
}

/// The changes that are to be tried.
fn tried(options: &ListenOptions, corners: &AmpCorners) -> Vec<ControlChange> {
    let controls = [
        (Control::Low, corners.low_hz),
        (Control::Mid, corners.mid_hz),
        (Control::High, corners.high_hz),
        (Control::Level, 0.0),
    ];
    let one = |((control, corner_hz), db): ((Control, f64), &Option<f64>)| {
        db.map(|change_db| ControlChange { control, corner_hz, change_db })
    };
    controls.into_iter().zip(&options.tried_db).filter_map(one).collect()
}

struct Excerpt {
    channels: Vec<Vec<f32>>,
    sample_rate_hz: u32,
    span: (f64, f64),
    steps: Vec<MaskStep>,
    edges_hz: Vec<f64>,
}

/// The samples of a span, and the shares of the layers up to its end.
fn cut(tape: &mut Tape, span: (f64, f64), stop: &AtomicBool) -> Result<Excerpt, Option<PipelineError>> {
    let rate = tape.info().sample_rate_hz;
    let (mut short, mut long) = (SpectrumStream::new(SHORT_FRAMING), SpectrumStream::new(LONG_FRAMING));
    let mut layers = LayerMeter::tapped();
    let (first, end) = ((span.0 * f64::from(rate)) as u64, (span.1 * f64::from(rate)) as u64);
    let mut excerpt = Excerpt {
        channels: Vec::new(),
        sample_rate_hz: rate,
        span,
        steps: Vec::new(),
        edges_hz: layers.mask_edges_hz(),
    };
    while let Some(mut block) = tape.next_block().map_err(|e| Some(PipelineError::Listen { message: e.to_string() }))? {
        if stop.load(std::sync::atomic::Ordering::Relaxed) {
            return Err(None);
        }
        short.push(&block.mono, &mut block.short_spectra);
        long.push(&block.mono, &mut block.long_spectra);
        layers.push(&block);
        excerpt.steps.extend(layers.take_masks());
        excerpt.channels.resize(block.channels.len(), Vec::new());
        for (kept, channel) in excerpt.channels.iter_mut().zip(&block.channels) {
            let from = first.saturating_sub(block.start_frame).min(channel.len() as u64) as usize;
            let to = end.saturating_sub(block.start_frame).min(channel.len() as u64) as usize;
            kept.extend_from_slice(&channel[from..to.max(from)]);
        }
        // The layers answer some seconds late.
        if block.start_frame as f64 / f64::from(rate) > span.1 + 4.0 {
            break;
        }
    }
    layers.flush();
    excerpt.steps.extend(layers.take_masks());
    Ok(excerpt)
}

/// The excerpt with the bass layer changed.
fn turned(excerpt: &Excerpt, changes: &[ControlChange]) -> Vec<Vec<f32>> {
    let grid = MaskGrid::new(&excerpt.edges_hz, GRID_HZ, GRID_BINS);
    let step_s = MASK_STEP_SAMPLES as f64 / f64::from(ANALYSIS_RATE_HZ);
    let share = |time_s: f64, hz: f64| {
        let at = ((excerpt.span.0 + time_s) / step_s).round().max(0.0) as usize;
        let step = excerpt.steps.get(at.min(excerpt.steps.len().saturating_sub(1)));
        step.map_or(0.0, |s| grid.share(&s.bass, (hz / GRID_HZ).round() as usize))
    };
    let response = |hz: f64| changes.iter().map(|c| c.response_db(hz.max(1.0))).sum();
    excerpt.channels.iter().map(|c| filter_layer(c, excerpt.sample_rate_hz, share, response)).collect()
}

/// Loudness and true peak of a whole excerpt.
fn loudness(channels: &[Vec<f32>], sample_rate_hz: u32) -> (Option<f64>, Option<f64>) {
    let mut meter = LoudnessMeter::new();
    meter.push(&Block { sample_rate_hz, channels: channels.to_vec(), ..Block::default() });
    let reading = meter.finish();
    let end = reading.duration_s();
    (reading.integrated_lufs(0.0, end).value, reading.true_peak_dbtp(0.0, end).value)
}

/// Low end against middle of an excerpt, dB.
fn low_re_mid_db(channels: &[Vec<f32>], sample_rate_hz: u32) -> Option<f64> {
    let count = channels.len().max(1) as f32;
    let frames = channels.first().map_or(0, Vec::len);
    let mono: Vec<f32> = (0..frames).map(|i| channels.iter().map(|c| c[i]).sum::<f32>() / count).collect();
    let mut resampler = Resampler::new(sample_rate_hz).ok()?;
    let mut at_rate = Vec::new();
    resampler.push(&mono, &mut at_rate);
    resampler.finish(&mut at_rate);
    let mut long = SpectrumStream::new(LONG_FRAMING);
    let mut block = Block { sample_rate_hz, channels: channels.to_vec(), ..Block::default() };
    long.push(&at_rate, &mut block.long_spectra);
    long.finish(&mut block.long_spectra);
    let mut meter = BalanceMeter::new();
    meter.push(&block);
    let end = frames as f64 / f64::from(sample_rate_hz);
    meter.finish().over(&[(0.0, end)], &Target::published_average(), HearingLimits::default()).low_re_mid_db.value
}

fn write(
    name: &str,
    excerpt: &Excerpt,
    mut versions: Vec<Vec<Vec<f32>>>,
    changes: &[ControlChange],
    options: &ListenOptions,
    promised_db: Option<f64>,
) -> Result<ListenOutcome, PipelineError> {
    let failed = |message: String| PipelineError::Listen { message };
    let rate = excerpt.sample_rate_hz;
    let before: Vec<(Option<f64>, Option<f64>)> = versions.iter().map(|v| loudness(v, rate)).collect();
    let levels: Option<Vec<(f64, f64)>> = before.iter().map(|(l, p)| Some(((*l)?, (*p)?))).collect();
    let levels = levels.ok_or_else(|| failed(format!("{name}: the excerpt is silent")))?;
    // As loud as the first, unless one of them would then peak too high.
    let wanted = levels.iter().map(|(lufs, peak)| lufs + (PEAK_DBTP - peak)).fold(levels[0].0, f64::min);
    let lows: Vec<Option<f64>> = versions.iter().map(|v| low_re_mid_db(v, rate)).collect();
    for (version, (lufs, _)) in versions.iter_mut().zip(&levels) {
        let gain = db_to_amplitude(wanted - lufs) as f32;
        version.iter_mut().flatten().for_each(|x| *x *= gain);
    }
    std::fs::create_dir_all(&options.out).map_err(|e| failed(format!("{}: {e}", options.out.display())))?;
    let stem = Path::new(name).file_stem().map_or_else(|| name.to_owned(), |s| s.to_string_lossy().into_owned());
    let at = excerpt.span.0.round() as u64;
    let mut files = Vec::new();
    for (version, what) in versions.iter().zip(["as-recorded", "bass-changed"]) {
        let path = options.out.join(format!("{stem}_at-{:02}m{:02}s_{what}.wav", at / 60, at % 60));
        save(&path, version, rate).map_err(|e| failed(format!("{}: {e}", path.display())))?;
        files.push(path);
    }
    let after: Vec<(Option<f64>, Option<f64>)> = versions.iter().map(|v| loudness(v, rate)).collect();
    let shown_db = lows.get(1).copied().flatten().zip(lows[0]).map(|(b, a)| b - a);
    let words = |c: &ControlChange| match c.control {
        Control::Level => format!("level {:+.1} dB", c.change_db),
        _ => format!("{:?} control at {:.0} Hz {:+.1} dB", c.control, c.corner_hz, c.change_db).to_lowercase(),
    };
    let mut files = files.into_iter();
    Ok(ListenOutcome {
        as_recorded: files.next().unwrap_or_default(),
        changed: files.next(),
        start_s: excerpt.span.0,
        end_s: excerpt.span.1,
        change: changes.iter().map(words).collect::<Vec<_>>().join(", "),
        promised_db: promised_db.filter(|_| !changes.is_empty()),
        shown_db,
        lufs: after.iter().filter_map(|a| a.0).collect(),
        true_peak_dbtp: after.iter().filter_map(|a| a.1).collect(),
    })
}

fn save(path: &Path, channels: &[Vec<f32>], sample_rate_hz: u32) -> Result<(), crate::tape::write_wav::WavError> {
    let spec = WavSpec {
        sample_rate_hz,
        channels: channels.len() as u16,
        sample: WavSample::Pcm24,
        date: None,
        marks: Vec::new(),
    };
    let mut file = WavFile::create(path, spec)?;
    file.write(&channels.iter().map(Vec::as_slice).collect::<Vec<_>>())?;
    file.finish()
}
