//! Joins the files into which a recorder cut one long recording.
//!
//! Conventions: files of one folder and one extension whose names differ in a running number only. They are one tape
//! when every piece but the last is full: as large as a file system or header allows (2 or 4 GB), or of one round
//! length. Two ordinary takes, 01.wav and 02.wav, are neither.
//! Limits: a recorder that cuts at odd sizes is not recognised; its pieces are reviewed one by one.

use std::path::{Path, PathBuf};

use super::Piece;
use super::contain::contain;

/// Sizes at which recorders begin a new file, bytes.
const LIMITS_BYTES: [u64; 4] = [2_000_000_000, 1 << 31, 4_000_000_000, 1 << 32];
/// How far below a limit a full piece may stay.
const LIMIT_SLACK: f64 = 0.015;
/// Shortest piece that counts as cut by the clock, seconds.
const SHORTEST_ROUND_S: f64 = 300.0;
/// Pieces cut by the clock are multiples of this, seconds.
const ROUND_STEP_S: f64 = 60.0;
/// How far a length may be from round, seconds.
const ROUND_SLACK_S: f64 = 0.5;
/// Largest difference between the end of one piece and the `bext` time of the next, seconds.
const SEAM_SLACK_S: f64 = 3.0;

/// Groups sorted paths: neighbours that are one recording come out together.
pub fn join(paths: Vec<PathBuf>) -> Vec<Vec<PathBuf>> {
    let mut groups: Vec<Vec<PathBuf>> = Vec::new();
    for path in paths {
        match groups.iter_mut().rev().find(|g| g.last().is_some_and(|last| follows(last, &path, g.len()))) {
            Some(group) => group.push(path),
            None => groups.push(vec![path]),
        }
    }
    groups.into_iter().flat_map(confirm).collect()
}

/// Does `next` carry the running number after `last`? A first piece may have no number of its own.
fn follows(last: &Path, next: &Path, length: usize) -> bool {
    if last.parent() != next.parent() || last.extension() != next.extension() {
        return false;
    }
    let (Some(a), Some(b)) = (last.file_stem().and_then(|s| s.to_str()), next.file_stem().and_then(|s| s.to_str()))
    else {
        return false;
    };
    let ((prefix_a, run_a), (prefix_b, run_b)) = (numbered(a), numbered(b));
    if prefix_a == prefix_b && run_a.is_some() && run_a.and_then(|n| n.checked_add(1)) == run_b {
        return true;
    }
    let bare = prefix_b.strip_prefix(a).is_some_and(|rest| matches!(rest, "-" | "_" | " "));
    length == 1 && bare && matches!(run_b, Some(1 | 2))
}

/// Stem without its trailing number, and the number.
fn numbered(stem: &str) -> (&str, Option<u64>) {
    let digits = stem.bytes().rev().take_while(u8::is_ascii_digit).count().min(9);
    let (prefix, number) = stem.split_at(stem.len() - digits);
    (prefix, number.parse().ok())
}

/// What the header of a piece says.
struct Facts {
    bytes: u64,
    format: (u32, usize, String),
    seconds: Option<f64>,
    starts_at_s: Option<f64>,
}

fn facts(path: &Path) -> Option<Facts> {
    let piece = contain(|| Piece::open(path)).ok()?.ok()?;
    let seconds = piece.declared_frames.map(|n| n as f64 / f64::from(piece.sample_rate_hz));
    let clock = piece.bext.as_ref().and_then(|(d, t)| super::date::from_bext(d, t));
    let clock = clock.and_then(|d| d.parse::<jiff::civil::DateTime>().ok());
    let starts_at_s = clock.and_then(|d| jiff::tz::Offset::UTC.to_timestamp(d).ok()).map(|t| t.as_second() as f64);
    let bytes = std::fs::metadata(path).ok()?.len();
    Some(Facts { bytes, format: (piece.sample_rate_hz, piece.channels, piece.codec), seconds, starts_at_s })
}

/// Cuts a group of running numbers where the piece before is not full.
fn confirm(group: Vec<PathBuf>) -> Vec<Vec<PathBuf>> {
    if group.len() == 1 {
        return vec![group];
    }
    let known: Vec<Option<Facts>> = group.iter().map(|p| facts(p)).collect();
    let mut out: Vec<Vec<PathBuf>> = Vec::new();
    let mut first: Option<&Facts> = None;
    for (i, path) in group.into_iter().enumerate() {
        let joins =
            i > 0 && matches!((first, &known[i - 1], &known[i]), (Some(f), Some(a), Some(b)) if continues(f, a, b));
        match out.last_mut() {
            Some(tape) if joins => tape.push(path),
            _ => {
                out.push(vec![path]);
                first = known[i].as_ref();
            }
        }
    }
    out
}

/// Is `a` full, and does `b` go on where it ends?
fn continues(first: &Facts, a: &Facts, b: &Facts) -> bool {
    let full_size = LIMITS_BYTES
        .iter()
        .any(|&limit| a.bytes <= limit + (1 << 20) && a.bytes as f64 >= limit as f64 * (1.0 - LIMIT_SLACK));
    let no_longer = matches!((first.seconds, b.seconds), (Some(f), Some(s)) if s <= f + ROUND_SLACK_S);
    let full_time = no_longer && round(a.seconds) && same(a.seconds, first.seconds);
    let seam = match (a.starts_at_s, a.seconds, b.starts_at_s) {
        (Some(start), Some(length), Some(next)) => (start + length - next).abs() <= SEAM_SLACK_S,
        _ => true,
    };
    a.format == b.format && seam && (full_size || full_time)
}

fn round(seconds: Option<f64>) -> bool {
    seconds.is_some_and(|s| {
        s >= SHORTEST_ROUND_S - ROUND_SLACK_S && (s - (s / ROUND_STEP_S).round() * ROUND_STEP_S).abs() <= ROUND_SLACK_S
    })
}

fn same(a: Option<f64>, b: Option<f64>) -> bool {
    matches!((a, b), (Some(a), Some(b)) if (a - b).abs() <= ROUND_SLACK_S)
}
