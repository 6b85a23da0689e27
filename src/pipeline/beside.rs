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
    let mut powers: Vec<PowerMeter> = (0..=sources.len()).map(|_| PowerMeter::default()).collect();
    let (lines, found, tunings) = laid(room, sources, stop, |samples, on| {
        powers.iter_mut().zip(samples).for_each(|(meter, x)| meter.push(x, on));
    })?;
    let voices: Vec<Voice> = sources.iter().map(|s| s.voice).collect();
    let means: Vec<f64> = powers.iter().map(PowerMeter::mean).collect();
    let mut meter = CloseMeter::new(&voices, &room.takes, &means);
    stream(room, sources, (&lines, false), stop, |samples| meter.hop(samples))?;
    Ok(Beside { reading: meter.finish(), lines: found, tunings })
}

/// Pitches by recording.
type Tunings = Vec<Option<TuningReading>>;
/// Where each recording is at the room's start, and its seconds a second of the room.
type Lines = Vec<(f64, f64)>;

/// The line of each recording so that the player's sound lies upon the room's, with the lag that the last hearing found beside the line
/// before; `also` as in [`lags`], once.
fn laid(
    room: &Room,
    sources: &[Source],
    stop: &AtomicBool,
    also: impl FnMut(&[&[f32]], bool),
) -> Result<(Lines, Vec<Option<LagLine>>, Tunings), Unheard> {
    let coarse: Lines = sources.iter().map(|s| s.line).collect();
    let (found, tunings) = lags(room, sources, (&coarse, true), stop, also)?;
    let lines = refined(&coarse, &found);
    if !found.iter().flatten().any(|lag| lag.slope.abs() > MOVING) {
        return Ok((lines, found, tunings));
    }
    let (found, _) = lags(room, sources, (&lines, false), stop, |_, _| ())?;
    Ok((refined(&lines, &found), found, tunings))
}

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

fn refined(lines: &[(f64, f64)], found: &[Option<LagLine>]) -> Lines {
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

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::plan::{Look, find_tapes, look_into};
    use super::*;
    use crate::demo::rng::Rng;
    use crate::tape::write_wav::{WavFile, WavSample, WavSpec};

    const RATE: usize = ANALYSIS_RATE_HZ as usize;

    /// Strokes of noise that die away, one every quarter of a second or so, some ten times as loud as others.
    fn strokes(seconds: usize) -> Vec<f32> {
        let mut dice = Rng::keyed(7, &[]);
        let mut out = vec![0.0f32; seconds * RATE];
        let mut at = 0;
        while at < out.len() {
            let (loud, length) = (0.02 + 0.03 * dice.white().powi(4), RATE / 6);
            let end = (at + length).min(out.len());
            for (i, x) in out[at..end].iter_mut().enumerate() {
                *x += loud * dice.white() * (-(i as f32) / 1500.0).exp();
            }
            at += RATE / 4 + dice.below(4000);
        }
        out
    }

    fn tape(folder: &Path, name: &str, samples: &[f32]) -> LookedInto {
        let spec = WavSpec {
            channels: 1,
            sample_rate_hz: ANALYSIS_RATE_HZ,
            sample: WavSample::Float32,
            date: None,
            marks: Vec::new(),
        };
        let mut file = WavFile::create(&folder.join(name), spec).unwrap();
        file.write(&[samples]).unwrap();
        file.finish().unwrap();
        let found = find_tapes(&[folder.join(name)]).unwrap();
        match look_into(&found[0], &AtomicBool::new(false)) {
            Look::Ready(looked) => looked,
            _ => panic!("{name} cannot be read"),
        }
    }

    /// The samples of a recorder whose clock runs `rate` times as fast.
    fn by_another_clock(samples: &[f32], rate: f64) -> Vec<f32> {
        let mut placer = Placer::new(0.0, 1.0 / rate);
        placer.push(samples);
        placer.finish();
        let mut out = Vec::new();
        placer.give(samples.len(), &mut out);
        out
    }

    #[test]
    fn a_clock_that_is_far_off_is_heard_to_some_hundredths_of_a_millionth() {
        let folder = tempfile::tempdir().unwrap();
        let sound = strokes(60);
        let room = tape(folder.path(), "room.wav", &sound);
        for ppm in [0.0, 80.0, -60.0] {
            let rate = 1.0 + 1e-6 * ppm;
            let close = tape(folder.path(), &format!("close{ppm}.wav"), &by_another_clock(&sound, rate));
            let source = Source {
                voice: Voice::Drums,
                looked: &close,
                channels: Vec::new(),
                line: (0.002, 1.0),
                keep_tuning: false,
            };
            let room = Room { looked: &room, channels: Vec::new(), takes: vec![(0.0, 60.0)] };
            let mut heard = 0;
            let laid = laid(&room, &[source], &AtomicBool::new(false), |_, _| heard += 1);
            let Ok((lines, found, _)) = laid else { panic!("not heard") };
            let (start_s, found_rate) = lines[0];
            assert_eq!(heard, (60 * RATE).div_ceil(HOP), "the first hearing only");
            assert!((found_rate - rate).abs() < 0.03e-6, "{ppm}: {}", 1e6 * (found_rate - 1.0));
            assert!(start_s.abs() < 3e-6, "{ppm}: {start_s}");
            assert!(found[0].is_some_and(|lag| lag.direct && lag.slope.abs() < MOVING), "{ppm}: {:?}", found[0]);
        }
    }
}
