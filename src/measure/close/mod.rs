//! Players with a recorder close to them, beside a recording of the whole room: the same playing heard twice.
//!
//! Conventions: [`CloseMeter`] takes hops of all recordings on the room's clock at the analysis rate, the room's first; moments
//! are those at the room's recorder, the way of the sound through the air included (2.9 ms a metre): bass minus drums is what is
//! heard there, and differs from what the players hear by their difference in distance.
//! Limits: a close recording whose player is softer in it than a neighbour is none.

mod agree;
mod bands;
mod coded;
mod dominance;
mod envelope;
mod gains;
mod lag;
mod levels;
mod onsets;
mod power;
mod transfer;

pub use agree::{BassDrums, Comping, NoteLengths};
pub use lag::{LagLine, LagMeter};
pub use levels::{HOP, TakeLevels};
pub use power::PowerMeter;

use envelope::{Envelope, Range};
use levels::LevelMeter;

use crate::stats::Measured;

/// Changes whenever a number of this family may move.
pub const METHOD: &str = "close-6";

/// Whom a recorder stood close to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Voice {
    /// Bass.
    Bass,
    /// Drums.
    Drums,
    /// Guitar.
    Guitar,
    /// Piano or another keyboard.
    Piano,
    /// Horns.
    Horns,
}

impl Voice {
    /// Frequencies in which this player is laid on the room recording, Hz.
    pub fn range_hz(self) -> (f64, f64) {
        match self {
            Self::Bass => (40.0, 800.0),
            Self::Drums => (1500.0, 5500.0),
            Self::Guitar | Self::Piano | Self::Horns => (200.0, 3000.0),
        }
    }

    /// Frequencies in which its onsets are seen.
    fn onset_range(self) -> Range {
        match self {
            Self::Bass => Range::Below(1000.0),
            Self::Drums => Range::Above(3000.0),
            Self::Guitar | Self::Piano | Self::Horns => Range::Above(250.0),
        }
    }
}

/// Cymbals above the rest of the band.
const ROOM_DRUMS: Range = Range::Above(5000.0);

/// Reason where the line between two recordings is not certain.
const NOT_LAID: &str = "not_laid_exactly";

/// A take as both sides heard it.
pub struct CloseMeter {
    voices: Vec<Voice>,
    takes: Vec<(f64, f64)>,
    mean_powers: Vec<f64>,
    envelopes: Vec<Envelope>,
    room: Envelope,
    /// The take that is being heard.
    running: Option<(usize, LevelMeter)>,
    levels: Vec<Option<TakeLevels>>,
    hops: usize,
}

/// What the meter kept.
pub struct CloseReading {
    voices: Vec<Voice>,
    takes: Vec<(f64, f64)>,
    envelopes: Vec<Envelope>,
    room: Envelope,
    levels: Vec<Option<TakeLevels>>,
}

impl CloseMeter {
    /// `voices` in the order of the close recordings; `takes` in seconds of the room; `mean_powers` of all recordings over the
    /// takes, the room's first.
    pub fn new(voices: &[Voice], takes: &[(f64, f64)], mean_powers: &[f64]) -> Self {
        Self {
            voices: voices.to_vec(),
            takes: takes.to_vec(),
            mean_powers: mean_powers.to_vec(),
            envelopes: voices.iter().map(|v| Envelope::new(v.onset_range())).collect(),
            room: Envelope::new(ROOM_DRUMS),
            running: None,
            levels: vec![None; takes.len()],
            hops: 0,
        }
    }

    /// Takes [`HOP`] samples of every recording, the room's first.
    pub fn hop(&mut self, samples: &[&[f32]]) {
        let at_s = (self.hops * HOP) as f64 / f64::from(crate::dsp::ANALYSIS_RATE_HZ);
        self.hops += 1;
        self.room.push(samples[0]);
        for (envelope, x) in self.envelopes.iter_mut().zip(&samples[1..]) {
            envelope.push(x);
        }
        let now = self.takes.iter().position(|t| at_s >= t.0 && at_s < t.1);
        if self.running.as_ref().map(|r| r.0) != now {
            self.close_take();
            self.running = now.map(|take| (take, LevelMeter::new(&self.mean_powers)));
        }
        if let Some((_, meter)) = &mut self.running {
            meter.hop(samples);
        }
    }

    fn close_take(&mut self) {
        if let Some((take, meter)) = self.running.take() {
            self.levels[take] = meter.finish();
        }
    }

    /// The recordings are over.
    pub fn finish(mut self) -> CloseReading {
        self.close_take();
        let Self { voices, takes, envelopes, room, levels, .. } = self;
        CloseReading { voices, takes, envelopes, room, levels }
    }
}

/// What close recordings say of a take.
#[derive(Clone, Debug, PartialEq)]
pub struct CloseTake {
    /// Bass against drums, and whether the drums were heard by a recorder close to them; absent without a close bass.
    pub bass_to_drums: Option<(BassDrums, bool)>,
    /// Note lengths of the bass; absent without a close bass.
    pub note_lengths: Option<NoteLengths>,
    /// Guitar and piano; absent unless both have a recorder.
    pub comping: Option<Comping>,
}

impl CloseReading {
    fn at(&self, voice: Voice) -> Option<usize> {
        self.voices.iter().position(|v| *v == voice)
    }

    /// Take number `take`; `bars` as found in the room: how many, and where single ones begin and end, s; `lines` of the
    /// recordings upon the room's, absent where there is none.
    pub fn take(
        &self,
        take: usize,
        (bars, spans): (Option<f64>, &[(f64, f64)]),
        lines: &[Option<LagLine>],
    ) -> CloseTake {
        let (start_s, end_s) = self.takes[take];
        let onsets = |envelope: &Envelope, look| onsets::onsets(envelope, start_s, end_s, look);
        let of = |voice, look| self.at(voice).map(|at| onsets(&self.envelopes[at], look));
        // What is heard in the room itself has no line and needs none.
        let sd = |voice| self.at(voice).map_or(Some(0.0), |at| exact(lines, at).filter(|l| l.direct).map(|l| l.sd_s));
        let bass = of(Voice::Bass, onsets::BASS).map(|found| agree::own_hits(&found, agree::LEAST_BASS));
        let drums = of(Voice::Drums, onsets::DRUMS);
        let comping = of(Voice::Guitar, onsets::CHORDS).zip(of(Voice::Piano, onsets::CHORDS));
        CloseTake {
            bass_to_drums: bass.as_ref().map(|bass| {
                let close = drums.is_some();
                let drums = drums.unwrap_or_else(|| onsets(&self.room, onsets::DRUMS_IN_ROOM));
                let found = match sd(Voice::Bass).zip(sd(Voice::Drums)) {
                    Some((bass_s, drums_s)) => agree::bass_to_drums(bass, &drums, close, bass_s.hypot(drums_s)),
                    None => BassDrums::absent(NOT_LAID),
                };
                (found, close)
            }),
            note_lengths: bass
                .as_ref()
                .zip(self.at(Voice::Bass))
                .map(|(bass, at)| agree::note_lengths(&self.envelopes[at], bass)),
            comping: comping.map(|(guitar, piano)| {
                let found = agree::comping(&guitar, &piano, bars, spans);
                let direct = sd(Voice::Guitar).zip(sd(Voice::Piano)).is_some();
                if direct { found } else { found.without_order(NOT_LAID) }
            }),
        }
    }

    /// Loudness that `voices` together have in the room over a span of take number `take` (seconds of the room), LUFS.
    /// `whole_energy`: K-weighted mean square of the recording's own channels summed over the seconds of the take; `band_lufs`: the
    /// whole band's loudness in the span.
    ///
    /// # Not measurable
    /// `no_close_recording` of one of them, `not_laid_exactly`, `too_short`, `silence`, `covered` more than 11 LU under the band.
    pub fn lufs(
        &self,
        take: usize,
        voices: &[Voice],
        span: (f64, f64),
        (whole_energy, band_lufs): (f64, f64),
        lines: &[Option<LagLine>],
    ) -> Measured {
        let players: Option<Vec<usize>> = voices.iter().map(|v| self.at(*v)).collect();
        let Some(players) = players else { return Measured::absent("no_close_recording") };
        // A line that is parallel to the right one will do: long frames hold the reflections too.
        if players.iter().any(|p| exact(lines, *p).is_none()) {
            return Measured::absent(NOT_LAID);
        }
        let Some(levels) = &self.levels[take] else { return Measured::absent("too_short") };
        let start_s = self.takes[take].0;
        let scale = if levels.whole_energy > 0.0 { whole_energy / levels.whole_energy } else { 0.0 };
        let Some((lufs, n)) = levels.lufs(&players, (span.0 - start_s, span.1 - start_s), scale) else {
            return Measured::absent("silence");
        };
        match lufs - band_lufs {
            re_band if re_band < COVERED_LU => Measured::absent("covered"),
            _ => Measured::symmetric(lufs, LEVEL_ERROR_DB[usize::from(voices != [Voice::Bass])], n),
        }
    }
}

/// Known error of a level (95 %), dB, of the bass and of others: holds 465 of 469 levels on 74 mixes with leakage 10 to 25 dB down
/// (`benches/README.md`). The bass is read worse: its low notes excite single modes of the room.
const LEVEL_ERROR_DB: [f64; 2] = [1.5, 1.0];
/// A close recording may lie this far outside of what the mix leaves open, dB.
const AGREE_DB: f64 = 1.0;
/// Softer against the band than this, leakage of players without a recorder of their own is as loud as the player.
const COVERED_LU: f64 = -11.0;
/// A line less certain than this follows nothing, s.
const MOST_LINE_SD_S: f64 = 0.00015;

/// The line of recording `at`, if it is certain.
fn exact(lines: &[Option<LagLine>], at: usize) -> Option<&LagLine> {
    lines.get(at)?.as_ref().filter(|line| line.sd_s <= MOST_LINE_SD_S)
}

/// True unless a level by a close recording lies outside what the mix alone leaves open by more than 1 dB: then
/// somebody without a recorder leaks into it. A mix that says nothing contradicts nothing.
pub fn agrees_with_mix(close: &Measured, mix: &Measured) -> bool {
    let (Some(value), Some(low), Some(high)) = (close.value, mix.low, mix.high) else { return true };
    (low - AGREE_DB..=high + AGREE_DB).contains(&value)
}
