//! Packets of a demuxer become samples on an unbroken time line.
//!
//! Conventions: times are frames at the decoded rate, 0 = first frame of the sound after the encoder's lead-in. Audio is
//! placed by the packet's time stamp: what is missing becomes silence and is listed as a gap. Stamps that leap further
//! than [`LONGEST_FILL_S`] are not believed.

use std::path::Path;

use symphonia::core::codecs::audio::{
    AudioCodecParameters, AudioDecoder, AudioDecoderOptions, CODEC_ID_NULL_AUDIO, well_known::*,
};
use symphonia::core::errors::Error;
use symphonia::core::formats::well_known::FORMAT_ID_MKV;
use symphonia::core::formats::{FormatReader, SeekMode, SeekTo, Track, TrackType};
use symphonia::core::meta::MetadataRevision;
use symphonia::core::packet::Packet;
use symphonia::core::units::{Time, TimeBase};

use super::error::TapeError;
use super::frames::FrameWalker;
use super::ogg::PageMender;
use super::opus::{OpusHead, OpusTrack};

/// Packets in a row that may fail before the tape is given up: about a minute and a half of AAC.
const MAX_FAILED_PACKETS: u32 = 4096;
/// Demuxer errors in a row before the tape is given up.
const MAX_FAILED_READS: u32 = 64;
/// Longest hole that is filled when the container does not declare its length, seconds.
const LONGEST_FILL_S: u64 = 600;
/// Longest silence that is filled into one tape in all, seconds: a header can claim any length, and stamps that suit it.
const LONGEST_FILL_IN_ALL_S: u64 = 3600;
/// A first time stamp later than this is the stream's own clock, not a missing beginning, seconds.
const LATE_START_S: i64 = 60;
/// Attempts to find the way beyond damage in a container, and how much further each looks, seconds.
const MAX_JUMPS: u32 = 40;
const JUMP_S: f64 = 0.5;
/// Silence is handed out in steps of this many frames.
const FILL_STEP: u64 = 8192;

/// Where packets come from.
pub enum Demux {
    /// A container.
    Container(Box<dyn FormatReader>),
    /// A bare stream of frames.
    Bare(Box<FrameWalker>),
}

enum Decoder {
    Symphonia(Box<dyn AudioDecoder>),
    Opus(Box<OpusTrack>),
}

/// What the opener knows about lead-in and length.
#[derive(Clone, Copy, Debug, Default)]
pub struct Edges {
    /// Frames of lead-in to drop, at the decoded rate.
    pub skip: i64,
    /// Frames that remain after the lead-in, when known.
    pub length: Option<u64>,
    /// Cut every packet to the duration that the container gives it.
    pub cut_to_duration: bool,
}

/// One track being decoded.
pub struct PacketReader {
    demux: Demux,
    track_id: u32,
    /// What the container says of the codec.
    pub params: AudioCodecParameters,
    /// Frames that the container declares, lead-in included.
    pub track_frames: Option<u64>,
    decoder: Decoder,
    time_base: Option<TimeBase>,
    /// Rate of the decoded samples.
    pub sample_rate_hz: u32,
    /// Channels of the decoded samples.
    pub channels: usize,
    /// Lead-in and length; set before the first [`PacketReader::read`].
    pub edges: Edges,
    /// Warning codes, in order of appearance.
    pub warnings: Vec<&'static str>,
    /// Sets packets after lost Ogg pages right.
    pub pages: Option<PageMender>,
    planes: Vec<Vec<f32>>,
    /// Time stamp of what lies in `planes`.
    held: Option<i64>,
    /// Where the packet before ended; coarse stamps are believed only when they differ from this by much.
    followed_by: Option<i64>,
    origin: Option<i64>,
    shift: i64,
    position: u64,
    fill_until: u64,
    /// Frames of silence filled in so far.
    filled: u64,
    failed_packets: u32,
    failed_reads: u32,
    /// Length by the container's own clock, where it declares no frames, seconds.
    pub container_s: Option<f64>,
    jumps: u32,
    ended: bool,
}

/// Frames that were appended, and how many of them are filled-in silence.
pub enum Step {
    /// Decoded frames.
    Audio(usize),
    /// Silence in place of what is missing.
    Silence(usize),
    /// No more.
    End,
}

impl PacketReader {
    /// Picks the audio track of a container, makes its decoder and decodes up to the first samples. `mend` may correct
    /// the codec parameters; `codec_hint` names a codec that the demuxer does not know.
    pub fn of_container(
        path: &Path,
        format: Box<dyn FormatReader>,
        codec_hint: Option<&str>,
        mend: impl FnOnce(&mut AudioCodecParameters),
    ) -> Result<Self, TapeError> {
        let track = pick_track(path, &*format)?;
        let mut params = audio_params(&track);
        mend(&mut params);
        let frames = track.num_frames.filter(|n| *n > 0);
        let base = track.time_base;
        let info = format.media_info();
        let matroska = format.format_info().format == FORMAT_ID_MKV;
        let clock = info.time_base.zip(info.duration).filter(|_| matroska);
        let container_s = clock.and_then(|(base, length)| base.calc_duration(length)).map(|t| t.as_secs_f64());
        let mut reader = Self::new(path, Demux::Container(format), track.id, params, base, codec_hint)?;
        // HE-AAC counts frames of the full rate, of which only the core is decoded.
        let core = |n: u64| match reader.params.sample_rate {
            Some(rate) if rate > 0 => (u128::from(n) * u128::from(reader.sample_rate_hz) / u128::from(rate)) as u64,
            _ => n,
        };
        reader.track_frames = frames.map(core);
        reader.container_s = container_s;
        Ok(reader)
    }

    /// Decodes a bare stream up to its first samples.
    pub fn of_stream(path: &Path, walker: FrameWalker) -> Result<Self, TapeError> {
        let params = walker.params();
        let base = params.sample_rate.and_then(TimeBase::try_from_recip);
        let edges = Edges { skip: walker.lead_in(), length: walker.length(), cut_to_duration: false };
        let mut reader = Self::new(path, Demux::Bare(Box::new(walker)), 0, params, base, None)?;
        reader.edges = edges;
        Ok(reader)
    }

    fn new(
        path: &Path,
        demux: Demux,
        track_id: u32,
        params: AudioCodecParameters,
        time_base: Option<TimeBase>,
        codec_hint: Option<&str>,
    ) -> Result<Self, TapeError> {
        let decoder = make_decoder(&params).map_err(|codec| TapeError::UnsupportedCodec {
            path: path.to_owned(),
            codec: codec_hint.filter(|_| params.codec == CODEC_ID_NULL_AUDIO).map_or(codec, str::to_owned),
        })?;
        let mut reader = Self {
            demux,
            track_id,
            params,
            track_frames: None,
            decoder,
            time_base,
            sample_rate_hz: 0,
            channels: 0,
            edges: Edges::default(),
            warnings: Vec::new(),
            pages: None,
            planes: Vec::new(),
            held: None,
            followed_by: None,
            origin: None,
            shift: 0,
            position: 0,
            fill_until: 0,
            failed_packets: 0,
            failed_reads: 0,
            container_s: None,
            filled: 0,
            jumps: 0,
            ended: false,
        };
        reader.fetch();
        if reader.held.is_none() {
            let cause = match reader.warnings.first() {
                Some(&"packets_lost") => "every packet is damaged",
                Some(&"truncated") => "the file ends before the first sample",
                _ => "the track is empty",
            };
            return Err(TapeError::ZeroFrames { path: path.to_owned(), cause: cause.to_owned() });
        }
        Ok(reader)
    }

    /// The newest tags of the container.
    pub fn tags(&mut self) -> Option<MetadataRevision> {
        match &mut self.demux {
            Demux::Container(format) => format.metadata().skip_to_latest().cloned(),
            Demux::Bare(_) => None,
        }
    }

    /// Do the time stamps count frames of the decoded rate?
    pub fn exact_stamps(&self) -> bool {
        self.time_base.is_some_and(|t| t.numer.get() == 1 && t.denom.get() == self.sample_rate_hz)
    }

    /// Frames that an Opus stream asks to drop at its start; `None` for other codecs.
    pub fn opus_pre_skip(&self) -> Option<u16> {
        let head = self.params.extra_data.as_deref().and_then(OpusHead::parse);
        head.filter(|_| self.params.codec == CODEC_ID_OPUS).map(|h| h.pre_skip)
    }

    /// Appends the next frames to `out`, one vector a channel.
    pub fn read(&mut self, out: &mut [Vec<f32>]) -> Step {
        if self.fill_until > self.position {
            return self.fill(out);
        }
        loop {
            if self.held.is_none() {
                self.fetch();
            }
            let Some(at) = self.held else { return self.end() };
            let at = self.placed(at);
            let from = match at - self.position as i64 {
                late if late > self.tolerance() => {
                    if self.start_fill(late as u64) {
                        return self.fill(out);
                    }
                    0
                }
                early if early < 0 && self.position == 0 => early.unsigned_abs() as usize,
                early if early < -self.tolerance() => {
                    self.shift -= early;
                    0
                }
                _ => 0,
            };
            self.held = None;
            let frames = self.append(from, out);
            if frames > 0 {
                return Step::Audio(frames);
            }
            if self.edges.length == Some(self.position) {
                return self.end();
            }
        }
    }

    fn end(&mut self) -> Step {
        self.ended = true;
        self.held = None;
        Step::End
    }

    fn placed(&mut self, at: i64) -> i64 {
        let rate = i64::from(self.sample_rate_hz);
        let exact = self.exact_stamps();
        let origin = *self.origin.get_or_insert(if exact && at <= LATE_START_S * rate { 0 } else { at });
        at.saturating_sub(origin).saturating_sub(self.edges.skip).saturating_add(self.shift)
    }

    fn tolerance(&self) -> i64 {
        if self.exact_stamps() { 0 } else { i64::from(self.sample_rate_hz) / 20 }
    }

    /// Sets up the filling of a hole of `missing` frames, unless the stamp is not to be believed.
    fn start_fill(&mut self, missing: u64) -> bool {
        let rate = u64::from(self.sample_rate_hz);
        let hole = self.edges.length.map_or(LONGEST_FILL_S * rate, |l| l.saturating_sub(self.position));
        if missing > hole.min((LONGEST_FILL_IN_ALL_S * rate).saturating_sub(self.filled)) {
            self.shift -= missing as i64;
            self.warn("time_stamps_leap");
            return false;
        }
        self.fill_until = self.position + missing;
        self.filled += missing;
        self.warn("packets_lost");
        true
    }

    fn fill(&mut self, out: &mut [Vec<f32>]) -> Step {
        let n = (self.fill_until - self.position).min(FILL_STEP) as usize;
        out.iter_mut().for_each(|plane| plane.resize(plane.len() + n, 0.0));
        self.position += n as u64;
        Step::Silence(n)
    }

    /// Appends the decoded planes from frame `from` on, not beyond the known end.
    fn append(&mut self, from: usize, out: &mut [Vec<f32>]) -> usize {
        let decoded = self.planes.first().map_or(0, Vec::len);
        let from = from.min(decoded);
        let left = self.edges.length.map_or(u64::MAX, |l| l.saturating_sub(self.position));
        let frames = (decoded - from).min(usize::try_from(left).unwrap_or(usize::MAX));
        if self.planes.len() != self.channels {
            self.warn("channel_count_changes");
        }
        for (c, plane) in out.iter_mut().enumerate() {
            // A stream that turns mono is heard on every channel; surplus channels are left out.
            match self.planes.get(c).or(self.planes.first().filter(|_| self.planes.len() == 1)) {
                Some(source) => plane.extend_from_slice(&source[from..][..frames]),
                None => plane.resize(plane.len() + frames, 0.0),
            }
        }
        self.position += frames as u64;
        frames
    }

    /// Decodes until there are samples in `planes`, or the end.
    fn fetch(&mut self) {
        while !self.ended && self.held.is_none() {
            let packet = match self.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => {
                    self.ended = !self.jump_damage();
                    continue;
                }
                Err(e) => {
                    self.read_failed(&e);
                    continue;
                }
            };
            self.failed_reads = 0;
            if packet.track_id != self.track_id {
                continue;
            }
            let trimmed = matches!(self.decoder, Decoder::Symphonia(_));
            let lead = if trimmed { packet.trim_start.get() as i64 } else { 0 };
            match self.decode(&packet) {
                Ok(rate) => self.hold(rate, packet.pts.get().saturating_add(lead), packet.dur.get()),
                Err(()) => self.packet_failed(),
            }
        }
    }

    fn next_packet(&mut self) -> Result<Option<Packet>, Error> {
        let walker = match &mut self.demux {
            Demux::Container(format) => {
                return match &mut self.pages {
                    Some(pages) => pages.next_packet(&mut **format, self.track_id),
                    None => format.next_packet(),
                };
            }
            Demux::Bare(walker) => walker,
        };
        let packet = walker.next_packet()?;
        let (holes, ragged) = (walker.holes > 0, walker.ragged_end);
        if holes {
            self.warn("packets_lost");
        }
        if ragged {
            self.warn("truncated");
        }
        Ok(packet)
    }

    fn hold(&mut self, rate: u32, ticks: i64, duration: u64) {
        self.failed_packets = 0;
        if self.planes.first().is_none_or(Vec::is_empty) {
            return;
        }
        if self.sample_rate_hz == 0 {
            self.sample_rate_hz = rate;
            self.channels = self.planes.len();
        } else if rate != self.sample_rate_hz {
            self.warn("sample_rate_changes");
            self.ended = true;
            return;
        }
        if self.edges.cut_to_duration && duration > 0 && self.exact_stamps() {
            let keep = usize::try_from(duration).unwrap_or(usize::MAX);
            self.planes.iter_mut().for_each(|p| p.truncate(keep));
        }
        let stamp = self.frames_of(ticks);
        let at = match self.followed_by {
            Some(end) if !self.exact_stamps() && (stamp - end).abs() <= self.tolerance() => end,
            _ => stamp,
        };
        self.held = Some(at);
        self.followed_by = Some(at.saturating_add(self.planes.first().map_or(0, Vec::len) as i64));
    }

    fn decode(&mut self, packet: &Packet) -> Result<u32, ()> {
        match &mut self.decoder {
            Decoder::Opus(opus) => {
                opus.decode(&packet.data, &mut self.planes).map(|()| super::opus::OPUS_RATE_HZ).map_err(|_| ())
            }
            Decoder::Symphonia(decoder) => match decoder.decode(packet) {
                Ok(buffer) => {
                    let rate = buffer.spec().rate();
                    buffer.copy_to_vecs_planar(&mut self.planes);
                    Ok(rate)
                }
                Err(Error::ResetRequired) => {
                    decoder.reset();
                    Err(())
                }
                Err(_) => Err(()),
            },
        }
    }

    fn packet_failed(&mut self) {
        self.failed_packets += 1;
        self.warn("packets_lost");
        if self.failed_packets >= MAX_FAILED_PACKETS {
            self.warn("decoding_given_up");
            self.ended = true;
        }
    }

    fn read_failed(&mut self, error: &Error) {
        self.failed_reads += 1;
        match error {
            Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                self.warn("truncated");
                self.ended = true;
            }
            Error::ResetRequired if self.next_stream() => {}
            _ => {
                self.warn("packets_lost");
                self.jump_damage();
            }
        }
        if self.failed_reads >= MAX_FAILED_READS {
            self.warn("decoding_given_up");
            self.ended = true;
        }
    }

    /// Inside a Matroska file that goes on beyond the damage: looks for the next cluster, further on each time.
    fn jump_damage(&mut self) -> bool {
        let Some(length_s) = self.container_s else { return false };
        let Demux::Container(format) = &mut self.demux else { return false };
        let rate = f64::from(self.sample_rate_hz.max(1));
        while self.jumps < MAX_JUMPS {
            self.jumps += 1;
            let to_s = self.position as f64 / rate + f64::from(self.jumps) * JUMP_S;
            if to_s >= length_s {
                return false;
            }
            let Some(time) = Time::try_from_secs_f64(to_s) else { return false };
            if format.seek(SeekMode::Coarse, SeekTo::Time { time, track_id: Some(self.track_id) }).is_ok() {
                if let Decoder::Symphonia(decoder) = &mut self.decoder {
                    decoder.reset();
                }
                self.warn("packets_lost");
                return true;
            }
        }
        false
    }

    /// A chained stream begins: goes on with it when it can be decoded.
    fn next_stream(&mut self) -> bool {
        let Demux::Container(format) = &self.demux else { return false };
        let Some(track) = format.default_track(TrackType::Audio).cloned() else { return false };
        let Ok(decoder) = make_decoder(&audio_params(&track)) else { return false };
        self.warn("stream_restarts");
        self.track_id = track.id;
        self.decoder = decoder;
        self.time_base = track.time_base;
        self.shift = self.position as i64 + self.edges.skip + self.origin.unwrap_or(0);
        self.edges.length = None;
        true
    }

    fn frames_of(&self, ticks: i64) -> i64 {
        let Some(base) = self.time_base else { return ticks };
        let scaled = i128::from(ticks) * i128::from(base.numer.get()) * i128::from(self.sample_rate_hz);
        let denom = i128::from(base.denom.get());
        i64::try_from((scaled + denom / 2).div_euclid(denom)).unwrap_or(i64::MAX)
    }

    fn warn(&mut self, code: &'static str) {
        if !self.warnings.contains(&code) {
            self.warnings.push(code);
        }
    }
}

fn pick_track(path: &Path, format: &dyn FormatReader) -> Result<Track, TapeError> {
    format.default_track(TrackType::Audio).or_else(|| format.first_track(TrackType::Audio)).cloned().ok_or_else(|| {
        TapeError::NoAudioTrack { path: path.to_owned(), container: format.format_info().short_name.to_owned() }
    })
}

fn audio_params(track: &Track) -> AudioCodecParameters {
    track.codec_params.as_ref().and_then(|p| p.audio()).cloned().unwrap_or_default()
}

fn make_decoder(params: &AudioCodecParameters) -> Result<Decoder, String> {
    if params.codec == CODEC_ID_OPUS {
        let head = params.extra_data.as_deref().and_then(OpusHead::parse).ok_or("opus (no header)")?;
        return Ok(Decoder::Opus(Box::new(OpusTrack::new(head)?)));
    }
    symphonia::default::get_codecs()
        .make_audio_decoder(params, &AudioDecoderOptions::default())
        .map(Decoder::Symphonia)
        .map_err(|_| codec_name(params))
}

/// Short name of a codec.
pub fn codec_name(params: &AudioCodecParameters) -> String {
    let known = [
        (CODEC_ID_OPUS, "opus"),
        (CODEC_ID_AC3, "ac-3"),
        (CODEC_ID_EAC3, "e-ac-3"),
        (CODEC_ID_AC4, "ac-4"),
        (CODEC_ID_DCA, "dts"),
        (CODEC_ID_TRUEHD, "truehd"),
        (CODEC_ID_SPEEX, "speex"),
        (CODEC_ID_MUSEPACK, "musepack"),
        (CODEC_ID_WMA, "windows media"),
        (CODEC_ID_WAVPACK, "wavpack"),
        (CODEC_ID_MP1, "mp1"),
        (CODEC_ID_NULL_AUDIO, "unknown"),
    ];
    if let Some((_, name)) = known.iter().find(|(id, _)| *id == params.codec) {
        return (*name).to_owned();
    }
    match symphonia::default::get_codecs().get_audio_decoder(params.codec) {
        Some(entry) => entry.codec.info.short_name.to_owned(),
        None => format!("{}", params.codec),
    }
}
