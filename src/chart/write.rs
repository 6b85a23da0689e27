//! Pictures become PNG files.
//!
//! Conventions: a picture is written to a temporary name beside its place and then renamed, so that a reader never sees
//! half a file. Same picture, same bytes.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::canvas::Picture;
use super::error::ChartError;
use super::festival::{FestivalPicture, draw_festival};
use super::season::{SeasonPicture, draw_season};
use super::sheet::{SheetPicture, lay_out_sheet, sheet_file};
use super::{
    BALANCE_FILE, FESTIVAL_FILE, LAYERS_FILE, LOUDNESS_FILE, PAGE_FILE, SEASON_PICTURE_FILE, TIME_FILE, TUNING_FILE,
    draw_balance, draw_layers, draw_loudness, draw_page, draw_time, draw_tuning,
};
use crate::report::{Curves, Report};

/// Inches in a metre, for the resolution stored in the file.
const INCHES_PER_METRE: f64 = 39.370_078_74;

/// Makes one picture of a report.
type Draw = fn(&Report, &Curves) -> Result<Picture, ChartError>;

const DRAWN: [(&str, Draw); 6] = [
    (PAGE_FILE, draw_page),
    (LOUDNESS_FILE, draw_loudness),
    (BALANCE_FILE, |report, _| draw_balance(report)),
    (TUNING_FILE, draw_tuning),
    (TIME_FILE, draw_time),
    (LAYERS_FILE, |report, _| draw_layers(report)),
];

/// Draws the [`PICTURES`](super::PICTURES) into `dir` (which must exist), beside each other; returns their paths.
///
/// # Errors
/// [`ChartError::Write`] and [`ChartError::Encode`] with the file; pictures that could be written stay.
pub fn write_all(report: &Report, curves: &Curves, dir: &Path) -> Result<Vec<PathBuf>, ChartError> {
    DRAWN.par_iter().map(|(name, draw)| write_picture(&draw(report, curves)?, dir, name)).collect()
}

/// Draws the pictures that name the takes (page and loudness) into `dir` again, with a note of what they were made from.
///
/// # Errors
/// As [`write_all`].
pub fn write_named(report: &Report, curves: &Curves, dir: &Path, made_from: Option<&str>) -> Result<(), ChartError> {
    // The page last: its note stands for both.
    write_marked(&draw_loudness(report, curves)?, dir, LOUDNESS_FILE, made_from)?;
    write_marked(&draw_page(report, curves)?, dir, PAGE_FILE, made_from)?;
    Ok(())
}

/// Draws season.png into `dir`; returns its path.
///
/// # Errors
/// As [`write_all`].
pub fn write_season(season: &SeasonPicture, dir: &Path) -> Result<PathBuf, ChartError> {
    write_picture(&draw_season(season)?, dir, SEASON_PICTURE_FILE)
}

/// Draws festival.png into `dir`; returns its path.
///
/// # Errors
/// As [`write_all`].
pub fn write_festival(festival: &FestivalPicture, dir: &Path) -> Result<PathBuf, ChartError> {
    write_picture(&draw_festival(festival)?, dir, FESTIVAL_FILE)
}

/// Draws a player's sheet into `dir`, with a note of what it was made from; returns its path.
///
/// # Errors
/// As [`write_all`].
pub fn write_sheet(
    sheet: &SheetPicture,
    report: &Report,
    curves: &Curves,
    dir: &Path,
    made_from: &str,
) -> Result<PathBuf, ChartError> {
    let drawn = lay_out_sheet(sheet, report, curves)?;
    write_marked(&drawn.picture, dir, &sheet_file(&sheet.player), Some(made_from))
}

/// Keyword of the note that tells what a picture was made from.
const MADE_FROM: &str = "made from";

/// What the picture at `path` was made from; `None` when it is not there or does not tell.
pub fn made_from(path: &Path) -> Option<String> {
    let reader = png::Decoder::new(std::io::BufReader::new(File::open(path).ok()?)).read_info().ok()?;
    let notes = &reader.info().uncompressed_latin1_text;
    notes.iter().find(|note| note.keyword == MADE_FROM).map(|note| note.text.clone())
}

fn write_picture(picture: &Picture, dir: &Path, name: &str) -> Result<PathBuf, ChartError> {
    write_marked(picture, dir, name, None)
}

fn write_marked(picture: &Picture, dir: &Path, name: &str, made_from: Option<&str>) -> Result<PathBuf, ChartError> {
    let path = dir.join(name);
    let part = dir.join(format!(".{name}.part"));
    let written = File::create(&part)
        .map_err(|source| ChartError::Write { path: path.clone(), source })
        .and_then(|file| encode(picture, file, &path, made_from))
        .and_then(|()| fs::rename(&part, &path).map_err(|source| ChartError::Write { path: path.clone(), source }));
    if let Err(error) = written {
        // The first error is the one to tell; a part file that cannot be removed adds nothing.
        let _ = fs::remove_file(&part);
        return Err(error);
    }
    Ok(path)
}

fn encode(picture: &Picture, file: File, path: &Path, made_from: Option<&str>) -> Result<(), ChartError> {
    let packing = |source| match source {
        png::EncodingError::IoError(source) => ChartError::Write { path: path.to_owned(), source },
        source => ChartError::Encode { path: path.to_owned(), source },
    };
    let mut out = BufWriter::new(file);
    let mut encoder = png::Encoder::new(&mut out, picture.width, picture.height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    encoder.set_filter(png::FilterType::Up);
    let per_metre = (f64::from(picture.dpi) * INCHES_PER_METRE).round() as u32;
    encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }));
    if let Some(note) = made_from {
        encoder.add_text_chunk(MADE_FROM.to_owned(), note.to_owned()).map_err(packing)?;
    }
    let mut writer = encoder.write_header().map_err(packing)?;
    writer.write_image_data(&picture.rgb).map_err(packing)?;
    writer.finish().map_err(packing)?;
    out.flush().map_err(|source| ChartError::Write { path: path.to_owned(), source })
}
