//! Who stood close to whom: the recordings, and channels of recordings, that are heard beside a recording of the room.
//!
//! Conventions: a tape that is itself close to a player, as the sheet says, has no company of its own; channels of a multichannel
//! recorder lie on that recorder's own clock.

use std::sync::atomic::AtomicBool;

use super::beside::{self, Beside, Room, Source, Unheard};
use super::company::{Alignments, CloseBass, close_to};
use super::recognise;
use super::tape_job::Heard;
use crate::measure::close::Voice;
use crate::measure::together::Alignment;
use crate::measure::tuning;
use crate::passages::{Passage, PassageKind};
use crate::report::CloseRecording;
use crate::sheet::{Player, TapeSheet};

/// Word of a channel that hears the room.
const ROOM: &str = "room";
/// Close recordings of one tape, at most.
const MOST: usize = 6;

/// What the recordings close to players say of one tape.
pub struct Company {
    /// The recordings, in the order of the reading.
    pub recordings: Vec<CloseRecording>,
    /// Onsets and levels.
    pub beside: Beside,
    /// Tuning of the bass, take by take.
    pub bass: Option<CloseBass>,
}

/// Channels of a recording that hear the room, from 0; empty when the sheet names none, or for a recording without named channels.
pub fn room_channels(sheet: Option<&TapeSheet>) -> Vec<usize> {
    channels_of(sheet, ROOM)
}

fn channels_of(sheet: Option<&TapeSheet>, word: &str) -> Vec<usize> {
    let named = sheet.and_then(|s| s.recording.as_ref()).map_or(&[][..], |r| &r.channels);
    named.iter().enumerate().filter(|(_, name)| *name == word).map(|(at, _)| at).collect()
}

fn voice(player: Player) -> Voice {
    match player {
        Player::Bass => Voice::Bass,
        Player::Guitar => Voice::Guitar,
        Player::Piano => Voice::Piano,
        Player::Drums => Voice::Drums,
        Player::Horns => Voice::Horns,
    }
}

/// Hears what stood close to the players of tape `own`: `Ok(None)` when nothing did.
///
/// # Errors
/// In words, when a recording could not be read a second time.
pub fn company(
    own: usize,
    heard: &[Heard],
    alignments: &Alignments,
    stop: &AtomicBool,
) -> Result<Option<Company>, String> {
    let tape = &heard[own];
    let takes = Passage::spans(&tape.readings.passages, PassageKind::Take);
    if close_to(&tape.job).is_some() || tape.alone.is_some() || takes.is_empty() {
        return Ok(None);
    }
    let found = sources(own, heard, alignments);
    if found.is_empty() {
        return Ok(None);
    }
    let room = Room { looked: tape.looked, channels: room_channels(tape.job.sheet), takes };
    let sources: Vec<Source> = found.iter().map(|f| f.0.clone()).collect();
    match beside::listen(&room, &sources, stop) {
        Ok(heard_beside) => {
            let recordings = found.iter().map(|f| f.1.clone()).collect();
            let bass = close_bass(tape, heard, alignments, (&found, &heard_beside), own);
            Ok(Some(Company { recordings, beside: heard_beside, bass }))
        }
        // The review is about to end; nothing is written.
        Err(Unheard::Stopped) => Ok(None),
        Err(Unheard::Tape(error)) => {
            Err(format!("{error}; recordings close to players are not used for {}", tape.info.file_name))
        }
    }
}

/// A source, what the report says of it, and the tape that it is of.
type Found<'a> = (Source<'a>, CloseRecording, usize);

fn sources<'a>(own: usize, heard: &[Heard<'a>], alignments: &Alignments) -> Vec<Found<'a>> {
    let mut found: Vec<Found> = Vec::new();
    for (at, tape) in heard.iter().enumerate() {
        let line = match alignments[own].get(at).and_then(Option::as_ref) {
            Some(Ok(alignment)) => line_of(alignment),
            None if at == own => (0.0, 1.0),
            _ => continue,
        };
        let recording = tape.job.sheet.and_then(|s| s.recording.as_ref());
        for player in Player::ALL {
            let channels = channels_of(tape.job.sheet, player.word());
            let said = recording.is_some_and(|r| r.channels.is_empty() && r.close_to == Some(player));
            let whole = at != own
                && (said || tape.alone.and_then(recognise::player) == Some(player) && !declared(heard, player));
            let taken = found.iter().any(|f| f.0.voice == voice(player)) || found.len() == MOST;
            if taken || (channels.iter().all(|c| *c >= usize::from(tape.info.channels)) && !whole) {
                continue;
            }
            let facts = CloseRecording {
                player: player.word().to_owned(),
                file_name: tape.info.file_name.clone(),
                channels: channels.iter().map(|c| *c as u16 + 1).collect(),
            };
            let keep_tuning = player == Player::Bass && !channels.is_empty();
            found.push((Source { voice: voice(player), looked: tape.looked, channels, line, keep_tuning }, facts, at));
        }
    }
    found
}

/// True when the sheet names a recording, or a channel of one, close to a player: then what is only recognised is not needed.
fn declared(heard: &[Heard], player: Player) -> bool {
    let names =
        |tape: &Heard| tape.job.sheet.and_then(|s| s.recording.as_ref()).is_some_and(|r| r.close_to == Some(player));
    heard.iter().any(|tape| names(tape) || !channels_of(tape.job.sheet, player.word()).is_empty())
}

/// Where the other tape is at this one's start, and its seconds a second of this one.
fn line_of(alignment: &Alignment) -> (f64, f64) {
    (alignment.there(0.0), alignment.there(1.0) - alignment.there(0.0))
}

/// Tuning of the bass by the first recording close to it.
fn close_bass(
    tape: &Heard,
    heard: &[Heard],
    alignments: &Alignments,
    (found, beside): (&[Found], &Beside),
    own: usize,
) -> Option<CloseBass> {
    let place = found.iter().position(|f| f.0.voice == Voice::Bass)?;
    let (source, _, at) = &found[place];
    let reading = match (&beside.tunings[place], source.keep_tuning) {
        (Some(reading), _) => reading,
        (None, false) => &heard[*at].readings.tuning,
        (None, true) => return None,
    };
    let alignment = alignments[own].get(*at).and_then(Option::as_ref).and_then(|a| a.as_ref().ok());
    Some(CloseBass::new(tape, reading, alignment, &heard[*at].info.file_name))
}

impl CloseBass {
    fn new(tape: &Heard, reading: &tuning::TuningReading, alignment: Option<&Alignment>, file_name: &str) -> Self {
        let there = |s: f64| alignment.map_or(s, |a| a.there(s));
        let spans = |kind| -> Vec<(f64, f64)> {
            Passage::spans(&tape.readings.passages, kind)
                .into_iter()
                .map(|(start, end)| (there(start), there(end)))
                .collect()
        };
        let strings = tape.job.sheet.and_then(|s| s.players.bass.strings);
        let offsets = tuning::close_bass(reading, &spans(PassageKind::Take), &spans(PassageKind::Tuning), strings);
        let shift = alignment.map_or(0.0, Alignment::pitch_cents);
        let offsets = offsets.into_iter().map(|m| super::company::moved(m, shift)).collect();
        Self { file_name: file_name.to_owned(), offsets }
    }
}
