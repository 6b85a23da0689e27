//! Writes WAV files block by block: 16 and 24 bit PCM or 32 bit float, with `bext` date and time and `cue `/`adtl` marks.
//!
//! Conventions: samples are `f32`, full scale = 1.0, one slice a channel; PCM code = round(sample * 2^(bits-1)), clipped to
//! the range of the code (no dither here: dither belongs to whoever knows the level). All numbers little endian, chunks
//! padded to even length. Chunk order: `bext`, `fmt `, (`fact`), `data`, (`cue `, `LIST adtl`).
//!
//! Limits: plain RIFF only, so at most 4 GiB; the writer refuses to go beyond.
//!
//! Source: RIFF/WAVE multimedia layout; `bext` as in EBU Tech 3285, version 1 (offsets in the tests).

use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

const BEXT_FIXED_BYTES: usize = 602;
/// Largest chunk area that a 32-bit RIFF size can name, with room for the marks.
const RIFF_MAX_DATA_BYTES: u64 = u32::MAX as u64 - 16 * 1024 * 1024;

/// How one sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WavSample {
    /// 16 bit integer.
    Pcm16,
    /// 24 bit integer.
    Pcm24,
    /// 32 bit float.
    Float32,
}

impl WavSample {
    fn bytes(self) -> u16 {
        match self {
            Self::Pcm16 => 2,
            Self::Pcm24 => 3,
            Self::Float32 => 4,
        }
    }
}

/// The Broadcast Wave facts that a recorder writes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WavDate {
    /// Local date, `yyyy-mm-dd`.
    pub date: String,
    /// Local time, `hh:mm:ss`.
    pub time: String,
    /// What made the file; cut at 32 ASCII characters.
    pub originator: String,
    /// Free text; cut at 256 ASCII characters.
    pub description: String,
}

/// A mark or a marked stretch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WavMark {
    /// Frame that the mark points at.
    pub at_frame: u32,
    /// Length in frames when it is a stretch.
    pub length_frames: Option<u32>,
    /// Text beside the mark.
    pub label: String,
}

/// What the file looks like.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WavSpec {
    /// Number of channels, 1 or more.
    pub channels: u16,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// How a sample is stored.
    pub sample: WavSample,
    /// Date and time, when known.
    pub date: Option<WavDate>,
    /// Marks, in any order.
    pub marks: Vec<WavMark>,
}

/// Why a WAV file cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    /// The operating system refused.
    #[error("{path}: cannot be written: {cause}", path = path.display())]
    Io {
        /// The file, empty when the target is not a file.
        path: PathBuf,
        /// What the system said.
        cause: std::io::Error,
    },
    /// A block had another number of channels than the file.
    #[error("got {got} channels for a file of {wanted}")]
    Channels {
        /// Channels in the block.
        got: usize,
        /// Channels of the file.
        wanted: u16,
    },
    /// The channels of one block differ in length.
    #[error("channels of one block differ in length: {first} and {other} frames")]
    Ragged {
        /// Frames in the first channel.
        first: usize,
        /// Frames in the one that differs.
        other: usize,
    },
    /// NaN or infinity.
    #[error("sample at frame {frame} is not finite")]
    NotFinite {
        /// Frame, counted from the start of the file.
        frame: u64,
    },
    /// Not `yyyy-mm-dd`, or not `hh:mm:ss`.
    #[error("'{got}' is not of the form {form}")]
    Date {
        /// The text given.
        got: String,
        /// The form wanted.
        form: &'static str,
    },
    /// More than a plain WAV file can hold.
    #[error("a plain WAV file ends at 4 GiB; {bytes} bytes of samples were to be written")]
    TooLong {
        /// Bytes of samples.
        bytes: u64,
    },
}

/// Writes to anything that can seek back to complete the sizes; see [`WavFile`] for files.
pub struct WavWriter<W: Write + Seek> {
    out: W,
    spec: WavSpec,
    data_size_at: u64,
    data_bytes: u64,
    frames: u64,
    scratch: Vec<u8>,
}

fn io(cause: std::io::Error) -> WavError {
    WavError::Io { path: PathBuf::new(), cause }
}

fn has_form(text: &str, form: &str) -> bool {
    text.len() == form.len()
        && text
            .bytes()
            .zip(form.bytes())
            .all(|(t, f)| if f.is_ascii_alphabetic() { t.is_ascii_digit() } else { t == f })
}

fn put_text(into: &mut [u8], text: &str) {
    for (slot, byte) in into.iter_mut().zip(text.bytes().filter(u8::is_ascii)) {
        *slot = byte;
    }
}

fn bext(date: &WavDate, spec: &WavSpec) -> Result<Vec<u8>, WavError> {
    for (got, form) in [(&date.date, "yyyy-mm-dd"), (&date.time, "hh:mm:ss")] {
        if !has_form(got, form) {
            return Err(WavError::Date { got: got.clone(), form });
        }
    }
    let mut body = vec![0u8; BEXT_FIXED_BYTES];
    put_text(&mut body[0..256], &date.description);
    put_text(&mut body[256..288], &date.originator);
    put_text(&mut body[320..330], &date.date);
    put_text(&mut body[330..338], &date.time);
    let clock: Vec<u64> = date.time.split(':').filter_map(|p| p.parse().ok()).collect();
    let since_midnight_s = clock.iter().fold(0, |sum, part| sum * 60 + part);
    let reference = since_midnight_s * u64::from(spec.sample_rate_hz);
    body[338..346].copy_from_slice(&reference.to_le_bytes());
    body[346..348].copy_from_slice(&1u16.to_le_bytes());
    let layout = match spec.channels {
        1 => "mono",
        2 => "stereo",
        _ => "multi",
    };
    let bits = spec.sample.bytes() * 8;
    body.extend_from_slice(format!("A=PCM,F={},W={bits},M={layout}\r\n", spec.sample_rate_hz).as_bytes());
    if body.len() % 2 == 1 {
        // Even inside too: some readers forget the pad byte of an odd chunk.
        body.push(0);
    }
    Ok(body)
}

fn chunk(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut out = name.to_vec();
    out.extend_from_slice(&(body.len() as u32).to_le_bytes());
    out.extend_from_slice(body);
    if body.len() % 2 == 1 {
        out.push(0);
    }
    out
}

fn fmt(spec: &WavSpec) -> Vec<u8> {
    let float = spec.sample == WavSample::Float32;
    let frame_bytes = spec.channels * spec.sample.bytes();
    let mut body = Vec::new();
    body.extend_from_slice(&(if float { 3u16 } else { 1 }).to_le_bytes());
    body.extend_from_slice(&spec.channels.to_le_bytes());
    body.extend_from_slice(&spec.sample_rate_hz.to_le_bytes());
    body.extend_from_slice(&(spec.sample_rate_hz * u32::from(frame_bytes)).to_le_bytes());
    body.extend_from_slice(&frame_bytes.to_le_bytes());
    body.extend_from_slice(&(spec.sample.bytes() * 8).to_le_bytes());
    if float {
        body.extend_from_slice(&0u16.to_le_bytes());
    }
    chunk(b"fmt ", &body)
}

fn marks(marks: &[WavMark]) -> Vec<u8> {
    let mut cue = (marks.len() as u32).to_le_bytes().to_vec();
    let mut adtl = b"adtl".to_vec();
    for (mark, id) in marks.iter().zip(1u32..) {
        for word in [id, mark.at_frame] {
            cue.extend_from_slice(&word.to_le_bytes());
        }
        cue.extend_from_slice(b"data");
        for word in [0, 0, mark.at_frame] {
            cue.extend_from_slice(&word.to_le_bytes());
        }
        if !mark.label.is_empty() {
            let body = [&id.to_le_bytes()[..], mark.label.as_bytes(), &[0]].concat();
            adtl.extend_from_slice(&chunk(b"labl", &body));
        }
        if let Some(length) = mark.length_frames {
            let body = [&id.to_le_bytes()[..], &length.to_le_bytes(), b"rgn ", &[0; 8]].concat();
            adtl.extend_from_slice(&chunk(b"ltxt", &body));
        }
    }
    let mut out = chunk(b"cue ", &cue);
    if adtl.len() > 4 {
        out.extend_from_slice(&chunk(b"LIST", &adtl));
    }
    out
}

impl<W: Write + Seek> WavWriter<W> {
    /// Writes everything before the first sample.
    ///
    /// # Errors
    /// [`WavError::Date`] for a date or time of another form, [`WavError::Io`].
    pub fn new(mut out: W, spec: WavSpec) -> Result<Self, WavError> {
        let mut head = b"RIFF\0\0\0\0WAVE".to_vec();
        if let Some(date) = &spec.date {
            head.extend_from_slice(&chunk(b"bext", &bext(date, &spec)?));
        }
        head.extend_from_slice(&fmt(&spec));
        if spec.sample == WavSample::Float32 {
            head.extend_from_slice(&chunk(b"fact", &[0; 4]));
        }
        head.extend_from_slice(b"data\0\0\0\0");
        out.write_all(&head).map_err(io)?;
        let data_size_at = head.len() as u64 - 4;
        Ok(Self { out, spec, data_size_at, data_bytes: 0, frames: 0, scratch: Vec::new() })
    }

    /// Appends a block, one slice a channel.
    ///
    /// # Errors
    /// [`WavError::Channels`], [`WavError::Ragged`], [`WavError::NotFinite`], [`WavError::TooLong`], [`WavError::Io`].
    pub fn write(&mut self, channels: &[&[f32]]) -> Result<(), WavError> {
        if channels.len() != usize::from(self.spec.channels) || channels.is_empty() {
            return Err(WavError::Channels { got: channels.len(), wanted: self.spec.channels });
        }
        let frames = channels[0].len();
        if let Some(other) = channels.iter().map(|c| c.len()).find(|n| *n != frames) {
            return Err(WavError::Ragged { first: frames, other });
        }
        self.scratch.clear();
        for frame in 0..frames {
            for channel in channels {
                let x = channel[frame];
                if !x.is_finite() {
                    return Err(WavError::NotFinite { frame: self.frames + frame as u64 });
                }
                match self.spec.sample {
                    WavSample::Pcm16 => {
                        let code = (x * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i16;
                        self.scratch.extend_from_slice(&code.to_le_bytes());
                    }
                    WavSample::Pcm24 => {
                        let code = (f64::from(x) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32;
                        self.scratch.extend_from_slice(&code.to_le_bytes()[..3]);
                    }
                    WavSample::Float32 => self.scratch.extend_from_slice(&x.to_le_bytes()),
                }
            }
        }
        let bytes = self.data_bytes + self.scratch.len() as u64;
        if bytes > RIFF_MAX_DATA_BYTES {
            return Err(WavError::TooLong { bytes });
        }
        self.out.write_all(&self.scratch).map_err(io)?;
        self.data_bytes = bytes;
        self.frames += frames as u64;
        Ok(())
    }

    /// Writes the marks and completes the sizes; gives the target back.
    ///
    /// # Errors
    /// [`WavError::Io`].
    pub fn finish(mut self) -> Result<W, WavError> {
        let mut tail = if self.data_bytes % 2 == 1 { vec![0] } else { Vec::new() };
        if !self.spec.marks.is_empty() {
            tail.extend_from_slice(&marks(&self.spec.marks));
        }
        self.out.write_all(&tail).map_err(io)?;
        let end = self.data_size_at + 4 + self.data_bytes + tail.len() as u64;
        self.patch(4, (end - 8) as u32)?;
        self.patch(self.data_size_at, self.data_bytes as u32)?;
        if self.spec.sample == WavSample::Float32 {
            self.patch(self.data_size_at - 8, self.frames as u32)?;
        }
        self.out.seek(SeekFrom::Start(end)).map_err(io)?;
        self.out.flush().map_err(io)?;
        Ok(self.out)
    }

    fn patch(&mut self, at: u64, value: u32) -> Result<(), WavError> {
        self.out.seek(SeekFrom::Start(at)).map_err(io)?;
        self.out.write_all(&value.to_le_bytes()).map_err(io)
    }
}

/// A WAV file on disk: written under a temporary name in the same folder, renamed when complete.
pub struct WavFile {
    writer: WavWriter<BufWriter<tempfile::NamedTempFile>>,
    path: PathBuf,
}

impl WavFile {
    /// Opens the temporary file beside `path`.
    ///
    /// # Errors
    /// As [`WavWriter::new`].
    pub fn create(path: &Path, spec: WavSpec) -> Result<Self, WavError> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file = tempfile::Builder::new()
            .prefix(".part-")
            .tempfile_in(folder)
            .map_err(|cause| WavError::Io { path: path.to_owned(), cause })?;
        let writer = WavWriter::new(BufWriter::with_capacity(1 << 20, file), spec)?;
        Ok(Self { writer, path: path.to_owned() })
    }

    /// Appends a block; see [`WavWriter::write`].
    ///
    /// # Errors
    /// As [`WavWriter::write`].
    pub fn write(&mut self, channels: &[&[f32]]) -> Result<(), WavError> {
        let path = &self.path;
        self.writer.write(channels).map_err(|e| named(e, path))
    }

    /// Completes the file and gives it its name.
    ///
    /// # Errors
    /// [`WavError::Io`].
    pub fn finish(self) -> Result<(), WavError> {
        let path = self.path;
        let out = self.writer.finish().map_err(|e| named(e, &path))?;
        let file = out.into_inner().map_err(|e| WavError::Io { path: path.clone(), cause: e.into_error() })?;
        readable_by_others(&file);
        file.persist(&path).map(|_| ()).map_err(|e| WavError::Io { path, cause: e.error })
    }
}

/// Temporary files are private to their maker; a finished tape is an ordinary file.
#[cfg(unix)]
fn readable_by_others(file: &tempfile::NamedTempFile) {
    use std::os::unix::fs::PermissionsExt;
    // Failure leaves a private but complete file, which is still what was asked for.
    let _ = file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644));
}

#[cfg(not(unix))]
fn readable_by_others(_file: &tempfile::NamedTempFile) {}

fn named(error: WavError, path: &Path) -> WavError {
    match error {
        WavError::Io { cause, .. } => WavError::Io { path: path.to_owned(), cause },
        other => other,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn written(spec: WavSpec, blocks: &[&[&[f32]]]) -> Vec<u8> {
        let mut writer = WavWriter::new(Cursor::new(Vec::new()), spec).unwrap();
        for block in blocks {
            writer.write(block).unwrap();
        }
        writer.finish().unwrap().into_inner()
    }

    fn plain(sample: WavSample, channels: u16) -> WavSpec {
        WavSpec { channels, sample_rate_hz: 44_100, sample, date: None, marks: Vec::new() }
    }

    fn word(bytes: &[u8], at: usize) -> u32 {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
    }

    fn find(bytes: &[u8], name: &[u8]) -> usize {
        bytes.windows(name.len()).position(|w| w == name).unwrap()
    }

    const RAMP: [f32; 6] = [0.0, 0.25, -0.5, 0.999, -1.0, 0.000_03];

    /// Read back by an independent reader (hound).
    #[test]
    fn sixteen_and_twenty_four_bits_come_back_as_the_nearest_code() {
        for (sample, scale) in [(WavSample::Pcm16, 32_768f64), (WavSample::Pcm24, 8_388_608.0)] {
            let bytes = written(plain(sample, 2), &[&[&RAMP[..3], &RAMP[3..]], &[&RAMP[..1], &RAMP[..1]]]);
            let mut reader = hound::WavReader::new(Cursor::new(bytes)).unwrap();
            assert_eq!((reader.spec().channels, reader.spec().sample_rate, reader.duration()), (2, 44_100, 4));
            let got: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
            let want = [0, 3, 1, 4, 2, 5, 0, 0].map(|k: usize| (f64::from(RAMP[k]) * scale).round() as i32);
            assert_eq!(got, want);
        }
    }

    #[test]
    fn floats_come_back_bit_for_bit() {
        let bytes = written(plain(WavSample::Float32, 1), &[&[&RAMP]]);
        let mut reader = hound::WavReader::new(Cursor::new(&bytes)).unwrap();
        assert_eq!(reader.spec().sample_format, hound::SampleFormat::Float);
        assert_eq!(reader.samples::<f32>().map(Result::unwrap).collect::<Vec<_>>(), RAMP);
        assert_eq!(word(&bytes, find(&bytes, b"fact") + 8), 6, "the fact chunk counts frames");
    }

    #[test]
    fn beyond_full_scale_is_cut_to_the_last_code() {
        let bytes = written(plain(WavSample::Pcm16, 1), &[&[&[1.0, 7.0, -7.0]]]);
        let got: Vec<i16> =
            hound::WavReader::new(Cursor::new(bytes)).unwrap().samples::<i16>().map(Result::unwrap).collect();
        assert_eq!(got, [32_767, 32_767, -32_768]);
    }

    /// Offsets of EBU Tech 3285: Description 0, Originator 256, OriginationDate 320, OriginationTime 330, TimeReference 338,
    /// Version 346, fixed part 602 bytes.
    #[test]
    fn bext_fields_lie_at_the_published_offsets() {
        let date = WavDate {
            date: "2026-02-03".to_owned(),
            time: "15:35:00".to_owned(),
            originator: "maker".to_owned(),
            description: "what it is".to_owned(),
        };
        let bytes = written(WavSpec { date: Some(date), ..plain(WavSample::Pcm16, 1) }, &[&[&RAMP]]);
        let at = find(&bytes, b"bext");
        assert_eq!(at, 12, "first chunk");
        let body = &bytes[at + 8..];
        assert!(body.starts_with(b"what it is\0"));
        assert!(body[256..].starts_with(b"maker\0"));
        assert_eq!(&body[320..330], b"2026-02-03");
        assert_eq!(&body[330..338], b"15:35:00");
        let reference = u64::from_le_bytes(body[338..346].try_into().unwrap());
        assert_eq!(reference, (15 * 3600 + 35 * 60) * 44_100);
        assert_eq!(u16::from_le_bytes(body[346..348].try_into().unwrap()), 1);
        assert!(body[602..].starts_with(b"A=PCM,F=44100,W=16,M=mono\r\n"));
        assert_eq!(word(&bytes, 4) as usize + 8, bytes.len());
        assert_eq!(hound::WavReader::new(Cursor::new(&bytes)).unwrap().duration(), 6);
    }

    /// RIFF layout: `cue ` = count, then 24 bytes a point; `LIST adtl` with `labl` (id, text, NUL) and `ltxt` (id, length).
    #[test]
    fn marks_are_cue_points_with_labels_and_lengths() {
        let marks = vec![
            WavMark { at_frame: 2, length_frames: None, label: "odd".to_owned() },
            WavMark { at_frame: 4, length_frames: Some(2), label: "head".to_owned() },
        ];
        let bytes = written(WavSpec { marks, ..plain(WavSample::Pcm16, 1) }, &[&[&RAMP]]);
        let cue = find(&bytes, b"cue ");
        assert_eq!((word(&bytes, cue + 4), word(&bytes, cue + 8)), (4 + 2 * 24, 2));
        let second = cue + 12 + 24;
        assert_eq!(
            (word(&bytes, second), &bytes[second + 8..second + 12], word(&bytes, second + 20)),
            (2, &b"data"[..], 4)
        );
        let labl = find(&bytes, b"labl");
        assert_eq!(
            (word(&bytes, labl + 4), word(&bytes, labl + 8), &bytes[labl + 12..labl + 16]),
            (8, 1, &b"odd\0"[..])
        );
        let ltxt = find(&bytes, b"ltxt");
        assert_eq!((word(&bytes, ltxt + 4), word(&bytes, ltxt + 8), word(&bytes, ltxt + 12)), (20, 2, 2));
        let list = find(&bytes, b"LIST");
        assert_eq!(list + 8 + word(&bytes, list + 4) as usize, bytes.len());
        assert_eq!(word(&bytes, 4) as usize + 8, bytes.len());
    }

    #[test]
    fn wrong_shapes_dates_and_numbers_are_refused_by_name() {
        let mut writer = WavWriter::new(Cursor::new(Vec::new()), plain(WavSample::Pcm16, 2)).unwrap();
        assert!(matches!(writer.write(&[&RAMP]), Err(WavError::Channels { got: 1, wanted: 2 })));
        assert!(matches!(writer.write(&[&RAMP, &RAMP[1..]]), Err(WavError::Ragged { first: 6, other: 5 })));
        assert!(matches!(writer.write(&[&[0.0, f32::NAN], &[0.0, 0.0]]), Err(WavError::NotFinite { frame: 1 })));
        let date = WavDate { date: "03.02.2026".to_owned(), time: "15:35:00".to_owned(), ..WavDate::default() };
        let spec = WavSpec { date: Some(date), ..plain(WavSample::Pcm16, 1) };
        assert!(matches!(
            WavWriter::new(Cursor::new(Vec::new()), spec),
            Err(WavError::Date { form: "yyyy-mm-dd", .. })
        ));
    }

    #[test]
    fn a_file_appears_under_its_name_only_when_finished() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        let mut file = WavFile::create(&path, plain(WavSample::Pcm24, 1)).unwrap();
        file.write(&[&RAMP]).unwrap();
        assert!(!path.exists());
        file.finish().unwrap();
        assert_eq!(hound::WavReader::open(&path).unwrap().duration(), 6);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
