//! Opens one piece: looks at its content, picks the reader, gathers what is known before the samples.

use std::fs::File;
use std::io::Seek;
use std::path::{Path, PathBuf};

use symphonia::core::codecs::audio::{AudioCodecParameters, well_known::CODEC_ID_AAC};
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatOptions, FormatReader, probe::Hint};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::{MetadataOptions, MetadataRevision, StandardTag};

use super::cut;
use super::error::{MAX_CHANNELS, MAX_RATE_HZ, MIN_RATE_HZ, TapeError};
use super::frames::FrameWalker;
use super::mp4::{self, Mp4Facts};
use super::ogg::PageMender;
use super::packets::{Edges, PacketReader, Step, codec_name};
use super::pcm::PcmReader;
use super::riff::{self, WaveCoding, WaveLayout, WaveMark};
use super::sniff::{self, Kind, SNIFF_BYTES};
use super::source::{VirtualFile, read_at};

/// Lead-in of an AAC stream that does not say otherwise: one transform block, the least that any encoder has.
const AAC_LEAD_IN_FRAMES: i64 = 1024;

/// How far a Matroska file may end before its declared length, seconds: lead-in and rounding.
const CLOCK_SLACK_S: f64 = 0.2;

enum Reader {
    Pcm(PcmReader),
    Packets(Box<PacketReader>),
}

/// One opened file.
pub struct Piece {
    /// The file.
    pub path: PathBuf,
    /// Rate of the samples.
    pub sample_rate_hz: u32,
    /// Channels.
    pub channels: usize,
    /// Short name of the codec.
    pub codec: String,
    /// Frames that the container declares.
    pub declared_frames: Option<u64>,
    /// Marks, in frames.
    pub marks: Vec<WaveMark>,
    /// `bext` date and time.
    pub bext: Option<(String, String)>,
    /// Dates in tags, most trusted first.
    pub tag_dates: Vec<String>,
    /// Creation time by the container, seconds since 1970 UTC.
    pub created_unix_s: Option<i64>,
    /// Codes of what is odd before decoding.
    pub warnings: Vec<&'static str>,
    reader: Reader,
    truncated: bool,
}

impl Piece {
    /// Opens `path`.
    pub fn open(path: &Path) -> Result<Self, TapeError> {
        let io = |e| TapeError::io(path, e);
        let mut file = File::open(path).map_err(io)?;
        let facts = file.metadata().map_err(io)?;
        if facts.is_dir() {
            return Err(TapeError::io(path, std::io::ErrorKind::IsADirectory.into()));
        }
        let len = facts.len();
        let mut head = vec![0; SNIFF_BYTES];
        let got = read_at(&mut file, 0, &mut head).map_err(io)?;
        file.rewind().map_err(io)?;
        if got == 0 {
            return Err(TapeError::EmptyFile { path: path.to_owned() });
        }
        let piece = match sniff::sniff(&head[..got]) {
            Some(Kind::Wave) => open_wave(path, file, len),
            Some(Kind::Mp4) => open_mp4(path, file, len),
            Some(Kind::Unsupported(codec)) => {
                Err(TapeError::UnsupportedCodec { path: path.to_owned(), codec: codec.to_owned() })
            }
            Some(kind @ (Kind::Mpeg | Kind::Adts)) => open_stream(path, file, kind),
            Some(Kind::Other) => open_other(path, file, len, head.starts_with(b"OggS")),
            None => Err(TapeError::not_audio(path, describe(&head[..got]))),
        }?;
        piece.checked()
    }

    fn checked(self) -> Result<Self, TapeError> {
        if !(MIN_RATE_HZ..=MAX_RATE_HZ).contains(&self.sample_rate_hz) {
            return Err(TapeError::SampleRateOutOfRange {
                path: self.path,
                got_hz: self.sample_rate_hz,
                min_hz: MIN_RATE_HZ,
                max_hz: MAX_RATE_HZ,
            });
        }
        if !(1..=MAX_CHANNELS).contains(&self.channels) {
            return Err(TapeError::ChannelsOutOfRange { path: self.path, got: self.channels, max: MAX_CHANNELS });
        }
        Ok(self)
    }

    /// Appends the next frames to `out`, one vector a channel.
    pub fn read(&mut self, out: &mut [Vec<f32>]) -> Result<Step, TapeError> {
        match &mut self.reader {
            Reader::Packets(reader) => Ok(reader.read(out)),
            Reader::Pcm(reader) => match reader.read(out).map_err(|e| TapeError::io(&self.path, e))? {
                0 => Ok(Step::End),
                n => Ok(Step::Audio(n)),
            },
        }
    }

    /// Codes of what went wrong while `frames` frames were read to the end.
    pub fn closing_warnings(&self, frames: u64) -> Vec<&'static str> {
        let mut codes = match &self.reader {
            Reader::Packets(reader) => reader.warnings.clone(),
            Reader::Pcm(_) => Vec::new(),
        };
        let length = match &self.reader {
            Reader::Packets(reader) => reader.container_s.map(|s| s - CLOCK_SLACK_S),
            Reader::Pcm(_) => None,
        };
        let seconds = frames as f64 / f64::from(self.sample_rate_hz);
        let short = self.declared_frames.is_some_and(|d| frames < d) || length.is_some_and(|s| seconds < s);
        if self.truncated && !codes.contains(&"truncated") {
            codes.push("truncated");
        } else if short && !codes.contains(&"truncated") {
            codes.push("frames_missing");
        }
        codes
    }
}

/// First bytes in words, for the message.
fn describe(head: &[u8]) -> String {
    let start = &head[..head.len().min(512)];
    if start.iter().all(|b| *b == 0) {
        "it begins with zeros only".to_owned()
    } else if std::str::from_utf8(start).is_ok_and(|t| !t.contains('\0')) {
        "it contains text".to_owned()
    } else {
        "no known signature".to_owned()
    }
}

fn open_wave(path: &Path, mut file: File, len: u64) -> Result<Piece, TapeError> {
    let layout = riff::read_layout(path, &mut file, len)?;
    if layout.data_len == 0 {
        return Err(TapeError::ZeroFrames {
            path: path.to_owned(),
            cause: "the data chunk of the WAVE file is empty".to_owned(),
        });
    }
    let f = &layout.format;
    let mut piece = match f.coding {
        WaveCoding::Int | WaveCoding::Float => {
            let frame_bytes = u64::from(f.channels) * u64::from(f.sample_bytes);
            let reader = Reader::Pcm(PcmReader::new(file, &layout));
            let codec = pcm_name(f.coding, f.sample_bytes);
            let mut piece = Piece::new(path, reader, f.sample_rate_hz, usize::from(f.channels), codec);
            piece.declared_frames = layout.declared_len.map(|n| n / frame_bytes);
            piece
        }
        WaveCoding::Tag(tag) => open_wave_codec(path, file, &layout, tag)?,
    };
    piece.marks = layout.marks.clone();
    piece.tag_dates.extend(info_dates(&layout.info));
    piece.bext = layout.bext;
    piece.truncated |= layout.truncated;
    if layout.rebuilt {
        piece.warnings.push("header_rebuilt");
    }
    Ok(piece)
}

/// Compressed samples in a WAVE file, with a sound header in front.
fn open_wave_codec(path: &Path, file: File, layout: &WaveLayout, tag: u16) -> Result<Piece, TapeError> {
    if matches!(tag, 0x50 | 0x55) {
        let source = VirtualFile::new(Vec::new(), file, layout.data_start, layout.data_len);
        return bare_stream(path, Box::new(source), Kind::Mpeg);
    }
    let source = VirtualFile::new(riff::rebuilt_header(layout), file, layout.data_start, layout.data_len);
    let name = match tag {
        0x0161 | 0x0162 => "windows media".to_owned(),
        0x2000 => "ac-3".to_owned(),
        other => format!("wave format tag 0x{other:04x}"),
    };
    let piece = open_packets(path, Box::new(source), Some(&name), |_| ()).map_err(|e| match e {
        TapeError::NotAudio { path, .. } => TapeError::UnsupportedCodec { path, codec: name.clone() },
        other => other,
    })?;
    Ok(with_length(piece, 0, layout.fact_frames))
}

fn pcm_name(coding: WaveCoding, bytes: u16) -> String {
    match (coding, bytes) {
        (WaveCoding::Float, n) => format!("pcm_f{}le", n * 8),
        (_, 1) => "pcm_u8".to_owned(),
        (_, n) => format!("pcm_s{}le", n * 8),
    }
}

/// Dates of `LIST INFO`: creation, digitisation.
fn info_dates(info: &[(String, String)]) -> impl Iterator<Item = String> + '_ {
    ["ICRD", "IDIT"].iter().flat_map(|k| info.iter().filter(move |(key, _)| key == k).map(|(_, v)| v.clone()))
}

fn open_mp4(path: &Path, mut file: File, len: u64) -> Result<Piece, TapeError> {
    let facts = mp4::read_facts(&mut file, len).map_err(|e| TapeError::io(path, e))?;
    file.rewind().map_err(|e| TapeError::io(path, e))?;
    if !facts.has_index {
        return Err(TapeError::IndexMissing { path: path.to_owned(), len });
    }
    let cut = facts.truncated && facts.index_first;
    let source: Box<dyn MediaSource> =
        if cut { Box::new(VirtualFile::forward_only(file, len)) } else { Box::new(file) };
    let core = facts.aac_config.as_deref().and_then(mp4::plain_lc);
    let mut piece = open_packets(path, source, facts.entry_codec(), |params| {
        if let Some(config) = core.filter(|_| params.codec == CODEC_ID_AAC) {
            params.extra_data = Some(Box::new(config));
        }
    })?;
    piece.truncated |= facts.truncated;
    piece.created_unix_s = facts.created_unix_s;
    let aac = piece.codec == "aac";
    if aac {
        let sbr = facts.aac_config.as_deref().is_some_and(mp4::announces_sbr)
            || [facts.entry_rate_hz, facts.media_scale].contains(&Some(2 * piece.sample_rate_hz));
        piece.codec = if sbr { "he-aac" } else { "aac-lc" }.to_owned();
        if sbr {
            piece.warnings.push("upper_band_missing_he_aac");
        }
    }
    let (skip, length) = mp4_edges(&mut piece, &facts, aac);
    let mut piece = with_length(piece, skip, length);
    if let Reader::Packets(reader) = &mut piece.reader {
        reader.edges.cut_to_duration = true;
    }
    Ok(piece)
}

/// Lead-in and length by the iTunes gapless tag, else the edit list, else the codec's custom.
fn mp4_edges(piece: &mut Piece, facts: &Mp4Facts, aac: bool) -> (i64, Option<u64>) {
    let rate = f64::from(piece.sample_rate_hz);
    let declared = piece.declared_frames;
    let Reader::Packets(reader) = &mut piece.reader else { return (0, None) };
    if let Some((skip, length)) = reader.tags().as_ref().and_then(gapless_tag).filter(|_| aac) {
        return (skip, Some(length));
    }
    let pre_skip = reader.opus_pre_skip();
    let custom = if aac { AAC_LEAD_IN_FRAMES } else { i64::from(pre_skip.unwrap_or(0)) };
    let skip = match facts.edit_start_s {
        // An edit that starts at 0 says that nobody thought of the lead-in.
        Some(s) if s > 0.0 => (s * rate).round() as i64,
        _ => custom,
    };
    let whole = declared.map(|d| d.saturating_sub(skip as u64));
    // The edit's length is as coarse as the movie's clock: trust the sample table unless the edit is clearly shorter.
    let edit = facts.edit_length_s.map(|s| (s * rate).round() as u64);
    let tick = (facts.movie_tick_s * rate).ceil() as u64 + 1;
    let length = match (whole, edit) {
        (Some(w), Some(e)) if e + tick < w => Some(e),
        (Some(w), _) if w > 0 => Some(w),
        _ => None,
    };
    (skip, length)
}

/// "00000000 00000840 000001CA 00000000003F31F6": unused, lead-in, padding, length; hexadecimal.
fn gapless_tag(revision: &MetadataRevision) -> Option<(i64, u64)> {
    let tag = revision.media.tags.iter().find(|t| t.raw.key.ends_with("iTunSMPB"))?;
    let text = tag.raw.value.to_string();
    let mut words = text.split_whitespace().skip(1);
    let skip = i64::from_str_radix(words.next()?, 16).ok()?;
    let length = u64::from_str_radix(words.nth(1)?, 16).ok()?;
    (length > 0 && skip < 1 << 20).then_some((skip, length))
}

fn open_other(path: &Path, file: File, len: u64, ogg: bool) -> Result<Piece, TapeError> {
    let io = |e| TapeError::io(path, e);
    let mended = cut::mended(&file, len).map_err(io)?;
    let pages = if ogg { PageMender::scan(&file).map_err(io)? } else { None };
    let truncated = mended.is_some();
    let source: Box<dyn MediaSource> = match mended {
        Some(mended) => Box::new(mended),
        None => Box::new(file),
    };
    let mut piece = match open_packets(path, source, None, |_| ()) {
        // Some demuxers refuse a file that is shorter than it says, unless they cannot know.
        Err(error @ TapeError::NotAudio { .. }) => {
            let source = VirtualFile::forward_only(File::open(path).map_err(io)?, len);
            let mut piece = open_packets(path, Box::new(source), None, |_| ()).map_err(|_| error)?;
            piece.truncated = true;
            piece
        }
        other => other?,
    };
    piece.truncated |= truncated;
    let Reader::Packets(reader) = &mut piece.reader else { return Ok(piece) };
    let declared = piece.declared_frames;
    reader.pages = pages;
    if let Some(pre_skip) = reader.opus_pre_skip() {
        reader.edges.cut_to_duration = true;
        let length = declared.map(|d| d.saturating_sub(u64::from(pre_skip)));
        return Ok(with_length(piece, i64::from(pre_skip), length));
    }
    let aac = piece.codec == "aac";
    if aac {
        piece.codec = "aac-lc".to_owned();
    }
    Ok(with_length(piece, if aac { AAC_LEAD_IN_FRAMES } else { 0 }, declared))
}

/// MPEG audio or ADTS without a container; tags come from the demuxers, frames from our own walk.
fn open_stream(path: &Path, file: File, kind: Kind) -> Result<Piece, TapeError> {
    let tags = File::open(path).ok().and_then(|f| probe(Box::new(f)).ok());
    let tags = tags.and_then(|mut format| format.metadata().skip_to_latest().map(tag_dates));
    let mut piece = bare_stream(path, Box::new(file), kind)?;
    piece.tag_dates = tags.unwrap_or_default();
    Ok(piece)
}

fn bare_stream(path: &Path, source: Box<dyn MediaSource>, kind: Kind) -> Result<Piece, TapeError> {
    let walker =
        FrameWalker::new(source, kind).ok_or_else(|| TapeError::not_audio(path, "no run of audio frames in it"))?;
    let reader = PacketReader::of_stream(path, walker)?;
    let mut codec = codec_name(&reader.params);
    let mut warnings = Vec::new();
    if kind == Kind::Adts {
        codec = "aac-lc".to_owned();
        // ADTS has no word for spectral band replication; half the rate is its mark.
        if reader.sample_rate_hz <= 24_000 {
            warnings.push("perhaps_upper_band_missing_he_aac");
        }
    }
    let (rate, channels, length) = (reader.sample_rate_hz, reader.channels, reader.edges.length);
    let mut piece = Piece::new(path, Reader::Packets(Box::new(reader)), rate, channels, codec);
    piece.declared_frames = length;
    piece.warnings = warnings;
    Ok(piece)
}

fn probe(source: Box<dyn MediaSource>) -> symphonia::core::errors::Result<Box<dyn FormatReader>> {
    let stream = MediaSourceStream::new(source, Default::default());
    symphonia::default::get_probe().probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
}

fn with_length(mut piece: Piece, skip: i64, length: Option<u64>) -> Piece {
    piece.declared_frames = length;
    if let Reader::Packets(reader) = &mut piece.reader {
        reader.edges = Edges { skip, length, ..reader.edges };
    }
    piece
}

/// Hands the source to the demuxers; the name of the file is no hint.
fn open_packets(
    path: &Path,
    source: Box<dyn MediaSource>,
    codec_hint: Option<&str>,
    mend: impl FnOnce(&mut AudioCodecParameters),
) -> Result<Piece, TapeError> {
    let format = probe(source).map_err(|e| match e {
        Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            TapeError::ZeroFrames { path: path.to_owned(), cause: "the file ends before the first sample".to_owned() }
        }
        e => TapeError::not_audio(path, e.to_string()),
    })?;
    let mut reader = PacketReader::of_container(path, format, codec_hint, mend)?;
    let (rate, channels, codec) = (reader.sample_rate_hz, reader.channels, codec_name(&reader.params));
    let tag_dates = reader.tags().as_ref().map(tag_dates).unwrap_or_default();
    let declared = reader.track_frames;
    let mut piece = Piece::new(path, Reader::Packets(Box::new(reader)), rate, channels, codec);
    piece.declared_frames = declared;
    piece.tag_dates = tag_dates;
    Ok(piece)
}

/// Dates in tags: when it was recorded, else written, released, encoded, else what the comments say.
fn tag_dates(revision: &MetadataRevision) -> Vec<String> {
    let tags = || revision.media.tags.iter().chain(revision.per_track.iter().flat_map(|t| &t.metadata.tags));
    let mut found: Vec<(u8, String)> = tags()
        .filter_map(|t| match t.std.as_ref()? {
            StandardTag::RecordingDate(d) | StandardTag::OriginalRecordingDate(d) => Some((0, d.to_string())),
            StandardTag::DigitizedDate(d) | StandardTag::WrittenDate(d) => Some((1, d.to_string())),
            StandardTag::ReleaseDate(d) | StandardTag::OriginalReleaseDate(d) => Some((2, d.to_string())),
            StandardTag::EncodingDate(d) => Some((3, d.to_string())),
            StandardTag::Comment(d) => Some((4, d.to_string())),
            _ => None,
        })
        .collect();
    found.sort_by_key(|(rank, _)| *rank);
    found.into_iter().map(|(_, d)| d).collect()
}

impl Piece {
    fn new(path: &Path, reader: Reader, sample_rate_hz: u32, channels: usize, codec: String) -> Self {
        Self {
            path: path.to_owned(),
            sample_rate_hz,
            channels,
            codec,
            declared_frames: None,
            marks: Vec::new(),
            bext: None,
            tag_dates: Vec::new(),
            created_unix_s: None,
            warnings: Vec::new(),
            reader,
            truncated: false,
        }
    }
}
