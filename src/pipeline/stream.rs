//! One tape through all meters: decoded once, in blocks, with threads of meters beside the decoding thread.
//!
//! Conventions: every meter sees every block in order, so no result depends on how the threads are scheduled.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::{ScopedJoinHandle, scope};

use super::ease;
use crate::dsp::shelf::Shelf;
use crate::dsp::spectrum::{LONG_FRAMING, SHORT_FRAMING, SpectrumStream};
use crate::dsp::{Block, Meter};
use crate::health::{Health, HealthMeter};
use crate::measure::balance::{BalanceMeter, BalanceReading};
use crate::measure::exposure::{ExposureMeter, ExposureReading};
use crate::measure::layers::{LayerMeter, LayerReading};
use crate::measure::loudness::{LoudnessMeter, LoudnessReading};
use crate::measure::time::{TimeFeatures, TimeMeter};
use crate::measure::tone::{ToneMeter, ToneReading};
use crate::measure::tuning::{TuningMeter, TuningReading};
use crate::passages::{Passage, PassageKind, PassageMeter};
use crate::tape::{Scratch, Tape, TapeError, TapeSummary};

/// Blocks that may wait for a slow meter; bounds the memory, a second each. Shorter blocks, or fewer,
/// leave a processor idle while the others wait for each other.
const QUEUE_BLOCKS: usize = 12;

/// What all meters have to say about one tape.
pub struct Readings {
    /// The recording chain.
    pub health: Health,
    /// How the tape was spent.
    pub passages: Vec<Passage>,
    /// Loudness.
    pub loudness: LoudnessReading,
    /// Third-octave bands.
    pub balance: BalanceReading,
    /// Who plays how loud.
    pub layers: LayerReading,
    /// Whose the low end is, and the notes of the bass.
    pub tone: ToneReading,
    /// Spectral peaks for the tuning.
    pub tuning: TuningReading,
    /// Onset strengths for the time.
    pub time: TimeFeatures,
    /// A-weighted levels.
    pub exposure: ExposureReading,
    /// Where most of it lies; to be [checked](Scratch::check) once they have been used.
    pub scratch: Arc<Scratch>,
}

/// Why a tape gave no readings.
#[derive(Debug)]
pub enum StreamError {
    /// Somebody asked to stop.
    Stopped,
    /// The tape could not be read.
    Tape(TapeError),
    /// A meter broke down: our own mistake, contained to this tape.
    Meter,
}

/// Streams the tape through all meters. `progress` gets the seconds decoded so far.
pub fn measure(
    tape: &mut Tape,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(f64),
) -> Result<(Readings, TapeSummary), StreamError> {
    let scratch = Arc::new(Scratch::default());
    let shelf = || Some(Arc::clone(&scratch) as Arc<dyn Shelf>);
    let (loudness, health, passages) =
        (LoudnessMeter::on(shelf()), HealthMeter::on(shelf()), PassageMeter::on(shelf()));
    let (balance, tuning, time) = (BalanceMeter::on(shelf()), TuningMeter::on(shelf()), TimeMeter::on(shelf()));
    let layers = shelf();
    scope(|threads| {
        let (give_back, used) = channel();
        let (to_native, blocks) = queue(&give_back);
        let native = threads.spawn(move || run(loudness, health, blocks));
        let (to_spectral, blocks) = queue(&give_back);
        let spectral = threads.spawn(move || run(passages, Pair(balance, ExposureMeter::default()), blocks));
        let (to_players, blocks) = queue(&give_back);
        let players = threads.spawn(move || run(tuning, time, blocks));
        let (to_layers, blocks) = queue(&give_back);
        let layers = threads.spawn(move || run_layers(layers, blocks));
        let decoded = decode(tape, stop, progress, &[to_native, to_spectral, to_players, to_layers], &used);
        let (native, players, layers) = (joined(native), joined(players), joined(layers));
        // The passages are still being found, and need room of their own.
        ease::give_back();
        let spectral = joined(spectral);
        decoded?;
        let (loudness, health) = native?;
        let (passages, (balance, exposure)) = spectral?;
        let (tuning, time) = players?;
        let (layers, tone) = layers?;
        let spans = |kind| Passage::spans(&passages, kind);
        let health = health.judge(&spans(PassageKind::Talk), &spans(PassageKind::Take));
        Ok((
            Readings { health, passages, loudness, balance, layers, tone, tuning, time, exposure, scratch },
            tape.summary(),
        ))
    })
}

/// Blocks on their way to a thread of meters, and the way back for the last one that holds a block.
struct Queue {
    blocks: Receiver<Arc<Block>>,
    give_back: Sender<Block>,
}

fn queue(give_back: &Sender<Block>) -> (SyncSender<Arc<Block>>, Queue) {
    let (to_meters, blocks) = sync_channel(QUEUE_BLOCKS);
    (to_meters, Queue { blocks, give_back: give_back.clone() })
}

impl Queue {
    fn each(self, mut work: impl FnMut(&Block)) {
        while let Ok(block) = self.blocks.recv() {
            work(&block);
            if let Some(block) = Arc::into_inner(block) {
                // Nobody listens any more once the tape is over; then the block just goes.
                let _ = self.give_back.send(block);
            }
        }
    }
}

/// Two meters as one.
struct Pair<A, B>(A, B);

impl<A: Meter, B: Meter> Meter for Pair<A, B> {
    type Reading = (A::Reading, B::Reading);

    fn push(&mut self, block: &Block) {
        self.0.push(block);
        self.1.push(block);
    }

    fn finish(self) -> Self::Reading {
        (self.0.finish(), self.1.finish())
    }
}

/// The layers, and the tone that uses their shares; a thread of their own.
fn run_layers(shelf: Option<Arc<dyn Shelf>>, blocks: Queue) -> (LayerReading, ToneReading) {
    let mut layers = LayerMeter::tapped_on(shelf.clone());
    let mut tone = ToneMeter::on(shelf, &layers.mask_edges_hz());
    blocks.each(|block| {
        layers.push(block);
        tone.push(block, layers.take_masks());
    });
    layers.flush();
    tone.push(&Block::default(), layers.take_masks());
    (layers.finish(), tone.finish())
}

/// Two meters that share a thread.
fn run<A: Meter, B: Meter>(mut a: A, mut b: B, blocks: Queue) -> (A::Reading, B::Reading) {
    blocks.each(|block| {
        a.push(block);
        b.push(block);
    });
    (a.finish(), b.finish())
}

fn joined<T>(thread: ScopedJoinHandle<'_, T>) -> Result<T, StreamError> {
    thread.join().map_err(|_| StreamError::Meter)
}

/// Decodes to the end, adds the shared spectra and hands every block to every thread of meters.
fn decode(
    tape: &mut Tape,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(f64),
    meters: &[SyncSender<Arc<Block>>],
    used: &Receiver<Block>,
) -> Result<(), StreamError> {
    let mut short = SpectrumStream::new(SHORT_FRAMING);
    let mut long = SpectrumStream::new(LONG_FRAMING);
    let mut next_frame = 0;
    let mut next_mono = 0;
    let rate = tape.info().sample_rate_hz;
    while let Some(mut block) = tape.next_block().map_err(StreamError::Tape)? {
        if stop.load(Ordering::Relaxed) {
            return Err(StreamError::Stopped);
        }
        for mut done in used.try_iter() {
            short.recycle(&mut done.short_spectra);
            long.recycle(&mut done.long_spectra);
            tape.recycle(&mut done);
        }
        short.push(&block.mono, &mut block.short_spectra);
        long.push(&block.mono, &mut block.long_spectra);
        next_frame = block.start_frame + block.channels.first().map_or(0, Vec::len) as u64;
        next_mono = block.mono_start_frame + block.mono.len() as u64;
        send(block, meters)?;
        progress(next_frame as f64 / f64::from(rate));
    }
    let mut last =
        Block { start_frame: next_frame, sample_rate_hz: rate, mono_start_frame: next_mono, ..Block::default() };
    short.finish(&mut last.short_spectra);
    long.finish(&mut last.long_spectra);
    send(last, meters)
}

fn send(block: Block, meters: &[SyncSender<Arc<Block>>]) -> Result<(), StreamError> {
    let block = Arc::new(block);
    for meter in meters {
        // A closed channel means that the thread of meters broke down.
        meter.send(Arc::clone(&block)).map_err(|_| StreamError::Meter)?;
    }
    Ok(())
}
