//! Golden pictures: a quarter of the size, compared pixel by pixel.
//!
//! Kind: stored output of our own code; detects change, proves no truth. Threshold: no channel of any pixel of the reduced
//! picture may differ by more than 8 of 255, which is room for the last bit of floating-point text coverage and for nothing
//! that a reader could see: one digit changed on the page moves a pixel by more than 30. On failure three panels (stored,
//! drawn, difference) are written to the target's temporary folder. `LEDGERLINE_ACCEPT_PICTURES=1` stores what was drawn
//! and fails by design: look at the pictures, then commit them with a reason.

use std::path::{Path, PathBuf};

use ledgerline::chart::{
    Picture, draw_balance, draw_festival, draw_layers, draw_loudness, draw_page, draw_season, draw_time, draw_tuning,
    lay_out_sheet,
};

use crate::mock;

const REDUCTION: usize = 4;
const LARGEST_DIFFERENCE: u8 = 8;
const ACCEPT: &str = "LEDGERLINE_ACCEPT_PICTURES";
const LARGEST_FILE_BYTES: u64 = 300_000;

#[derive(Clone, PartialEq)]
struct Small {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

/// Mean over squares of `REDUCTION` pixels; what is left over at the right and below is dropped.
fn reduce(p: &Picture) -> Small {
    let (width, height) = (p.width as usize / REDUCTION, p.height as usize / REDUCTION);
    let mut rgb = Vec::with_capacity(3 * width * height);
    for y in 0..height {
        for x in 0..width {
            for channel in 0..3 {
                let sum: usize = (0..REDUCTION * REDUCTION)
                    .map(|i| (y * REDUCTION + i / REDUCTION, x * REDUCTION + i % REDUCTION))
                    .map(|(yy, xx)| p.rgb[3 * (yy * p.width as usize + xx) + channel] as usize)
                    .sum();
                rgb.push((sum / (REDUCTION * REDUCTION)) as u8);
            }
        }
    }
    Small { width, height, rgb }
}

fn stored_path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(format!("{name}.png"))
}

fn write_png(path: &Path, s: &Small) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    let file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut encoder = png::Encoder::new(file, s.width as u32, s.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_compression(png::Compression::Best);
    encoder.set_filter(png::FilterType::Paeth);
    encoder.write_header().unwrap().write_image_data(&s.rgb).unwrap();
}

fn read_png(path: &Path) -> Small {
    let file = std::fs::File::open(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut reader = png::Decoder::new(std::io::BufReader::new(file)).read_info().unwrap();
    let mut rgb = vec![0; reader.output_buffer_size()];
    let info = reader.next_frame(&mut rgb).unwrap();
    rgb.truncate(info.buffer_size());
    Small { width: info.width as usize, height: info.height as usize, rgb }
}

/// Largest difference of a channel; 255 when the sizes differ.
fn largest_difference(a: &Small, b: &Small) -> u8 {
    if (a.width, a.height) != (b.width, b.height) {
        return u8::MAX;
    }
    a.rgb.iter().zip(&b.rgb).map(|(x, y)| x.abs_diff(*y)).max().unwrap_or(0)
}

/// Stored, drawn and difference side by side.
fn three_panels(stored: &Small, drawn: &Small) -> Small {
    let (width, height) = (stored.width.max(drawn.width), stored.height.max(drawn.height));
    let at = |s: &Small, x: usize, y: usize, c: usize| {
        if x < s.width && y < s.height { s.rgb[3 * (y * s.width + x) + c] } else { 128 }
    };
    let mut rgb = Vec::with_capacity(9 * width * height);
    for y in 0..height {
        for x in 0..3 * width {
            for c in 0..3 {
                let (panel, x) = (x / width, x % width);
                let (a, b) = (at(stored, x, y, c), at(drawn, x, y, c));
                rgb.push([a, b, 255 - a.abs_diff(b)][panel]);
            }
        }
    }
    Small { width: 3 * width, height, rgb }
}

fn assert_as_stored(name: &str, picture: &Picture) {
    let drawn = reduce(picture);
    let path = stored_path(name);
    if std::env::var_os(ACCEPT).is_some() {
        write_png(&path, &drawn);
        panic!("{name}: stored anew because {ACCEPT} is set; look at it, then run again without");
    }
    let stored = read_png(&path);
    let difference = largest_difference(&stored, &drawn);
    if difference > LARGEST_DIFFERENCE {
        let panels = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("golden_{name}.png"));
        write_png(&panels, &three_panels(&stored, &drawn));
        panic!("{name}: differs by up to {difference} of 255; stored, drawn, difference: {}", panels.display());
    }
}

#[test]
fn page_of_a_plausible_rehearsal_is_as_stored() {
    let (mut report, curves) = mock::tuned();
    let (timed, _) = mock::timed();
    for (take, with) in report.takes.iter_mut().zip(timed.takes) {
        (take.tempo, take.feel, take.time_detail) = (with.tempo, with.feel, with.time_detail);
    }
    assert_as_stored("page", &draw_page(&report, &curves).unwrap());
}

#[test]
fn page_of_an_empty_tape_is_as_stored() {
    let (report, curves) = mock::empty(10.0);
    assert_as_stored("page_empty", &draw_page(&report, &curves).unwrap());
}

#[test]
fn page_of_ten_hours_is_as_stored() {
    let (report, curves) = mock::extreme();
    assert_as_stored("page_extreme", &draw_page(&report, &curves).unwrap());
}

#[test]
fn loudness_is_as_stored() {
    let (report, curves) = mock::plausible();
    assert_as_stored("loudness", &draw_loudness(&report, &curves).unwrap());
}

#[test]
fn tuning_is_as_stored() {
    let (report, curves) = mock::tuned();
    assert_as_stored("tuning", &draw_tuning(&report, &curves).unwrap());
}

#[test]
fn time_is_as_stored() {
    let (report, curves) = mock::timed();
    assert_as_stored("time", &draw_time(&report, &curves).unwrap());
}

#[test]
fn layers_are_as_stored() {
    assert_as_stored("layers", &draw_layers(&mock::layered().0).unwrap());
}

#[test]
fn balance_is_as_stored() {
    assert_as_stored("balance", &draw_balance(&mock::plausible().0).unwrap());
}

#[test]
fn season_is_as_stored() {
    assert_as_stored("season", &draw_season(&mock::season()).unwrap());
}

#[test]
fn festival_is_as_stored() {
    assert_as_stored("festival", &draw_festival(&mock::festival()).unwrap());
}

#[test]
fn sheet_of_the_bass_is_as_stored() {
    let (report, curves) = mock::tuned();
    assert_as_stored("player_bass", &lay_out_sheet(&mock::sheet("bass"), &report, &curves).unwrap().picture);
}

#[test]
fn sheet_of_the_piano_is_as_stored() {
    let (report, curves) = mock::layered();
    assert_as_stored("player_piano", &lay_out_sheet(&mock::sheet("piano"), &report, &curves).unwrap().picture);
}

#[test]
fn sheet_of_the_drums_is_as_stored() {
    let (report, curves) = mock::timed();
    assert_as_stored("player_drums", &lay_out_sheet(&mock::sheet("drums"), &report, &curves).unwrap().picture);
}

#[test]
fn one_digit_changed_on_the_page_is_seen() {
    let (mut report, curves) = mock::plausible();
    let before = reduce(&draw_page(&report, &curves).unwrap());
    report.takes[4].loudness.integrated_lufs.value = Some(-18.4);
    let after = reduce(&draw_page(&report, &curves).unwrap());
    let difference = largest_difference(&before, &after);
    assert!(difference > 30, "{difference}");
}

#[test]
fn stored_pictures_are_small() {
    let dir = stored_path("page");
    for entry in std::fs::read_dir(dir.parent().unwrap()).unwrap().map(Result::unwrap) {
        let size = entry.metadata().unwrap().len();
        assert!(size < LARGEST_FILE_BYTES, "{}: {size} bytes", entry.path().display());
    }
}
