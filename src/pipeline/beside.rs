//! The room's recording and recordings close to single players, heard once more side by side on one clock.
//!
//! Conventions: first to find the exact lines (the alignment of whole tapes is good to a millisecond, this to some hundredths),
//! once more where a clock was so far off that it blurred what was found, then to measure. Blocks only; what is kept is what the
//! meters keep. Only tapes with a close recording pay for it.

use std::sync::atomic::{AtomicBool, Ordering};

use super::plan::LookedInto;
use crate::dsp::placer::Placer;
use crate::dsp::{ANALYSIS_RATE_HZ, Meter};
use crate::measure::close::{CloseMeter, CloseReading, HOP, LagLine, LagMeter, PowerMeter, Voice};
use crate::measure::tuning::{TuningMeter, TuningReading};
use crate::tape::{Tape, TapeError};

/// A recording, or one channel of one, close to a player.
#[derive(Clone)]
pub struct Source<'a> {
    /// Whom it hears.
    pub voice: Voice,
    /// The recording.
    pub looked: &'a LookedInto,
    /// The channels that are listened to, from 0; empty for all.
    pub channels: Vec<usize>,
    /// Where it is at the room's start, s of its own clock, and its seconds a second of the room.
    pub line: (f64, f64),
    /// Its pitches are to be kept.
    pub keep_tuning: bool,
}

/// The room's recording.
pub struct Room<'a> {
    /// Its files.
    pub looked: &'a LookedInto,
    /// The channels that are listened to; empty for all.
    pub channels: Vec<usize>,
    /// Its takes, s.
    pub takes: Vec<(f64, f64)>,
}

/// What was heard.
pub struct Beside {
    /// Onsets and levels.
    pub reading: CloseReading,
    /// Each recording's line upon the room's; absent where the sound itself gave none.
    pub lines: Vec<Option<LagLine>>,
    /// Pitches of those recordings that were to be kept.
    pub tunings: Tunings,
}

/// Why nothing was heard.
pub enum Unheard {
    /// Somebody asked to stop.
    Stopped,
    /// A recording could not be read again.
    Tape(TapeError),
}

impl From<TapeError> for Unheard {
    fn from(error: TapeError) -> Self {
        Self::Tape(error)
    }
}

/// A lag that moves faster than this is looked for again from the line that was found: within a stretch of [`LagMeter`] it had moved
/// by several microseconds, to its loud moments rather than to its middle. 40 to 80 millionths left the line up to 0.4 millionths
/// off, and the treble of cymbals incoherent (`benches/README.md`).
const MOVING: f64 = 1e-6;

/// Hears everything at least twice.
pub fn listen(room: &Room, sources: &[Source], stop: &AtomicBool) -> Result<Beside, Unheard> {
    let coarse: Vec<(f64, f64)> = sources.iter().map(|s| s.line).collect();
    let mut powers: Vec<PowerMeter> = (0..=sources.len()).map(|_| PowerMeter::default()).collect();
    let (mut found, tunings) = lags(room, sources, (&coarse, true), stop, |samples, on| {
        powers.iter_mut().zip(samples).for_each(|(meter, x)| meter.push(x, on));
    })?;
    let mut lines = refined(&coarse, &found);
    if found.iter().flatten().any(|lag| lag.slope.abs() > MOVING) {
        found = lags(room, sources, (&lines, false), stop, |_, _| ())?.0;
        lines = refined(&lines, &found);
    }
    let voices: Vec<Voice> = sources.iter().map(|s| s.voice).collect();
    let means: Vec<f64> = powers.iter().map(PowerMeter::mean).collect();
    let mut meter = CloseMeter::new(&voices, &room.takes, &means);
    stream(room, sources, (&lines, false), stop, |samples| meter.hop(samples))?;
    Ok(Beside { reading: meter.finish(), lines: found, tunings })
}

/// Pitches by recording.
type Tunings = Vec<Option<TuningReading>>;

/// What is left of each recording's lag beside `lines`; `also` gets each hop, and whether a take is on.
fn lags(
    room: &Room,
    sources: &[Source],
    lines: (&[(f64, f64)], bool),
    stop: &AtomicBool,
    mut also: impl FnMut(&[&[f32]], bool),
) -> Result<(Vec<Option<LagLine>>, Tunings), Unheard> {
    let mut meters: Vec<LagMeter> = sources.iter().map(|s| LagMeter::new(s.voice.range_hz())).collect();
    let mut hop = 0;
    let tunings = stream(room, sources, lines, stop, |samples| {
        let at_s = (hop * HOP) as f64 / f64::from(ANALYSIS_RATE_HZ);
        let on = room.takes.iter().any(|t| at_s >= t.0 && at_s < t.1);
        hop += 1;
        also(samples, on);
        meters.iter_mut().zip(&samples[1..]).for_each(|(meter, x)| meter.push(samples[0], x, on));
    })?;
    Ok((meters.into_iter().map(LagMeter::finish).collect(), tunings))
}

fn refined(lines: &[(f64, f64)], found: &[Option<LagLine>]) -> Vec<(f64, f64)> {
    lines.iter().zip(found).map(|(line, lag)| moved(*line, lag.as_ref())).collect()
}

/// The line so that the player's sound lies upon the room's.
fn moved((start_s, rate): (f64, f64), lag: Option<&LagLine>) -> (f64, f64) {
    lag.map_or((start_s, rate), |lag| (start_s - rate * lag.lag_s, rate * (1.0 - lag.slope)))
}

/// A close recording on its way.
struct Feed {
    tape: Tape,
    placer: Placer,
    tuning: Option<TuningMeter>,
    over: bool,
}

impl Feed {
    fn open(source: &Source, (start_s, rate): (f64, f64), tuning: bool) -> Result<Self, TapeError> {
        let tape = open(source.looked, &source.channels)?;
        let placer = Placer::new(start_s * f64::from(ANALYSIS_RATE_HZ), rate);
        Ok(Self { tape, placer, tuning: (tuning && source.keep_tuning).then(TuningMeter::new), over: false })
    }

    fn give(&mut self, out: &mut Vec<f32>) -> Result<(), TapeError> {
        while !self.placer.can_give(HOP) {
            self.read()?;
        }
        out.clear();
        self.placer.give(HOP, out);
        Ok(())
    }

    fn read(&mut self) -> Result<(), TapeError> {
        match self.tape.next_block()? {
            Some(mut block) => {
                self.placer.push(&block.mono);
                if let Some(meter) = &mut self.tuning {
                    meter.push(&block);
                }
                self.tape.recycle(&mut block);
            }
            None => {
                self.placer.finish();
                self.over = true;
            }
        }
        Ok(())
    }
}

fn open(looked: &LookedInto, channels: &[usize]) -> Result<Tape, TapeError> {
    Ok(Tape::open_hashed(&looked.source, looked.content_hash.clone())?.only(channels))
}

/// Calls `each` with a hop of every recording, the room's first, from the room's start to its end; each lies along its line, and
/// pitches are kept when asked for.
fn stream(
    room: &Room,
    sources: &[Source],
    (lines, tuning): (&[(f64, f64)], bool),
    stop: &AtomicBool,
    mut each: impl FnMut(&[&[f32]]),
) -> Result<Tunings, Unheard> {
    let mut tape = open(room.looked, &room.channels)?;
    let mut feeds =
        sources.iter().zip(lines).map(|(s, line)| Feed::open(s, *line, tuning)).collect::<Result<Vec<_>, _>>()?;
    let mut held: Vec<f32> = Vec::new();
    let mut hops: Vec<Vec<f32>> = vec![Vec::with_capacity(HOP); feeds.len()];
    let mut over = false;
    while !over {
        match tape.next_block()? {
            Some(mut block) => {
                held.extend_from_slice(&block.mono);
                tape.recycle(&mut block);
            }
            None => {
                over = true;
                held.resize(held.len().next_multiple_of(HOP), 0.0);
            }
        }
        if stop.load(Ordering::Relaxed) {
            return Err(Unheard::Stopped);
        }
        let whole = held.len() / HOP * HOP;
        for own in held[..whole].chunks_exact(HOP) {
            for (feed, hop) in feeds.iter_mut().zip(&mut hops) {
                feed.give(hop)?;
            }
            let all: Vec<&[f32]> = [own].into_iter().chain(hops.iter().map(Vec::as_slice)).collect();
            each(&all);
        }
        held.drain(..whole);
    }
    // The pitches of a recording that goes on behind the room's end are of no use here, but its meter wants its end.
    Ok(feeds.into_iter().map(|feed| feed.tuning.map(Meter::finish)).collect())
}
