//! When was it recorded: `bext`, tags, a date in the file or folder name, the file's time.
//!
//! Conventions: dates are civil ("2026-03-12" or "2026-03-12T15:30:00"), as the recorder's clock showed them; a zone in
//! a tag is dropped. Limits: neither a file's time nor an MPEG-4 creation time says where on earth it was taken; their
//! UTC date is used and the source [`DateSource::FileTime`] marks it as uncertain.

use std::path::Path;

use jiff::civil::Date;

use super::{DateSource, Piece};

/// Years that a recording can bear.
const YEARS: std::ops::RangeInclusive<i16> = 1990..=2099;
/// Folders above the file whose names are looked at.
const FOLDERS_UP: usize = 3;

/// The date of a piece and where it comes from.
pub fn recorded_at(piece: &Piece) -> Option<(String, DateSource)> {
    let bext = piece.bext.as_ref().and_then(|(d, t)| from_bext(d, t));
    bext.map(|d| (d, DateSource::Bext))
        .or_else(|| piece.tag_dates.iter().find_map(|t| find_in_text(t)).map(|d| (d, DateSource::Tags)))
        .or_else(|| from_path(&piece.path).map(|d| (d, DateSource::Name)))
        .or_else(|| piece.created_unix_s.and_then(utc_date).map(|d| (d, DateSource::FileTime)))
        .or_else(|| modified(&piece.path).map(|d| (d, DateSource::FileTime)))
}

/// Date and time of a `bext` chunk; recorders disagree on the separators.
pub fn from_bext(date: &str, time: &str) -> Option<String> {
    let d = numbers(date);
    let date = match d.as_slice() {
        [(y, 4), (m, _), (d, _)] => valid(*y, *m, *d)?,
        _ => return None,
    };
    let t = numbers(time);
    Some(match t.as_slice() {
        [(h, _), (m, _), (s, _)] if *h < 24 && *m < 60 && *s < 60 => format!("{date}T{h:02}:{m:02}:{s:02}"),
        _ => date.to_string(),
    })
}

/// A date in the name of the file, or of one of the folders above it, nearest first.
pub fn from_path(path: &Path) -> Option<String> {
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned());
    let folders = path.ancestors().skip(1).take(FOLDERS_UP);
    let folders = folders.filter_map(|f| f.file_name().map(|n| n.to_string_lossy().into_owned()));
    stem.into_iter().chain(folders).find_map(|name| find_in_name(&name))
}

/// A date in free text (a tag): year first only, since nobody says which comes first otherwise.
pub fn find_in_text(text: &str) -> Option<String> {
    dated(text, &[year_first, eight_digits])
}

/// A date in a name: also day.month.year, and year-month-day in six digits before a separator.
pub fn find_in_name(name: &str) -> Option<String> {
    dated(name, &[year_first, eight_digits, year_last, six_digits])
}

/// Runs of digits with their byte positions; a reader sees all runs and the index of the first.
struct Runs<'a> {
    text: &'a str,
    runs: Vec<(usize, &'a str)>,
}

type Reader = fn(&Runs, usize) -> Option<(Date, usize)>;

fn dated(text: &str, readers: &[Reader]) -> Option<String> {
    let runs = Runs::new(text);
    readers.iter().find_map(|reader| {
        (0..runs.runs.len()).find_map(|i| {
            let (date, next) = reader(&runs, i)?;
            Some(match runs.time(next) {
                Some((h, m, s)) => format!("{date}T{h:02}:{m:02}:{s:02}"),
                None => date.to_string(),
            })
        })
    })
}

impl<'a> Runs<'a> {
    fn new(text: &'a str) -> Self {
        let bytes = text.as_bytes();
        let mut runs = Vec::new();
        let mut at = 0;
        while at < bytes.len() {
            let end = (at..bytes.len()).find(|&i| !bytes[i].is_ascii_digit()).unwrap_or(bytes.len());
            if end > at {
                runs.push((at, &text[at..end]));
            }
            at = end.max(at + 1);
        }
        Self { text, runs }
    }

    /// The number of run `i` when it has between `low` and `high` digits.
    fn number(&self, i: usize, low: usize, high: usize) -> Option<i16> {
        let (_, digits) = self.runs.get(i)?;
        (low..=high).contains(&digits.len()).then(|| digits.parse().ok())?
    }

    /// The text between run `i` and the next.
    fn between(&self, i: usize) -> Option<&str> {
        let ((a, digits), (b, _)) = (self.runs.get(i)?, self.runs.get(i + 1)?);
        self.text.get(a + digits.len()..*b)
    }

    /// The one separator that joins runs `i`, `i + 1`, `i + 2`.
    fn separator(&self, i: usize) -> Option<&str> {
        let (first, second) = (self.between(i)?, self.between(i + 1)?);
        (first == second && matches!(first, "-" | "_" | "." | "/" | ":" | " ")).then_some(first)
    }

    /// A time of day right after a date whose last run is `i - 1`: six digits, or three pairs.
    fn time(&self, i: usize) -> Option<(i16, i16, i16)> {
        if !matches!(self.between(i.checked_sub(1)?)?, "T" | "t" | "_" | "-" | " " | ", ") {
            return None;
        }
        let (h, m, s) = match self.runs.get(i)?.1 {
            six if six.len() == 6 => (six[..2].parse().ok()?, six[2..4].parse().ok()?, six[4..].parse().ok()?),
            _ => {
                self.separator(i)?;
                (self.number(i, 2, 2)?, self.number(i + 1, 2, 2)?, self.number(i + 2, 2, 2)?)
            }
        };
        (h < 24 && m < 60 && s < 60).then_some((h, m, s))
    }
}

/// 2026-03-12 with any one separator.
fn year_first(r: &Runs, i: usize) -> Option<(Date, usize)> {
    r.separator(i)?;
    Some((valid(r.number(i, 4, 4)?, r.number(i + 1, 1, 2)?, r.number(i + 2, 1, 2)?)?, i + 3))
}

/// 20260312, or 20260312153000 with the time.
fn eight_digits(r: &Runs, i: usize) -> Option<(Date, usize)> {
    let (_, d) = r.runs.get(i)?;
    if d.len() != 8 && d.len() != 14 {
        return None;
    }
    Some((valid(d[..4].parse().ok()?, d[4..6].parse().ok()?, d[6..8].parse().ok()?)?, i + 1))
}

/// 12.03.2026 is day first by custom; with other separators only where one number cannot be a month.
fn year_last(r: &Runs, i: usize) -> Option<(Date, usize)> {
    let separator = r.separator(i)?;
    let (a, b, year) = (r.number(i, 1, 2)?, r.number(i + 1, 1, 2)?, r.number(i + 2, 4, 4)?);
    let day_first = separator == "." || a > 12 || a == b;
    let month_first = separator != "." && b > 12;
    let date = match (day_first, month_first) {
        (true, false) => valid(year, b, a),
        (false, true) => valid(year, a, b),
        _ => None,
    };
    Some((date?, i + 3))
}

/// 260312_0001: six digits at the start of a word, a separator after them.
fn six_digits(r: &Runs, i: usize) -> Option<(Date, usize)> {
    let (at, d) = r.runs.get(i)?;
    let before = r.text[..*at].chars().next_back();
    let after = r.text[at + d.len()..].chars().next();
    if d.len() != 6 || before.is_some_and(char::is_alphanumeric) || !matches!(after, Some('_' | '-')) {
        return None;
    }
    Some((valid(2000 + d[..2].parse::<i16>().ok()?, d[2..4].parse().ok()?, d[4..].parse().ok()?)?, i + 1))
}

fn valid(year: i16, month: i16, day: i16) -> Option<Date> {
    let date = Date::new(year, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    YEARS.contains(&year).then_some(date)
}

fn numbers(text: &str) -> Vec<(i16, usize)> {
    Runs::new(text).runs.iter().filter_map(|(_, d)| Some((d.parse().ok()?, d.len()))).collect()
}

fn utc_date(unix_s: i64) -> Option<String> {
    let date = jiff::tz::Offset::UTC.to_datetime(jiff::Timestamp::from_second(unix_s).ok()?).date();
    YEARS.contains(&date.year()).then(|| date.to_string())
}

fn modified(path: &Path) -> Option<String> {
    let time = std::fs::metadata(path).ok()?.modified().ok()?;
    let seconds = time.duration_since(std::time::UNIX_EPOCH).ok()?.as_secs();
    utc_date(i64::try_from(seconds).ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_recorders_and_people_give_their_date() {
        for (name, date) in [
            ("2026-03-12 jazz band", "2026-03-12"),
            ("rehearsal_20260312", "2026-03-12"),
            ("2026_03_12", "2026-03-12"),
            ("Probe 12.03.2026", "2026-03-12"),
            ("3-25-2026", "2026-03-25"),
            ("260312_0001", "2026-03-12"),
            ("20260312_153000", "2026-03-12T15:30:00"),
            ("2026-03-12T15-30-05", "2026-03-12T15:30:05"),
            ("20260312153000", "2026-03-12"),
        ] {
            assert_eq!(find_in_name(name).as_deref(), Some(date), "{name}");
        }
    }

    #[test]
    fn numbers_that_are_no_date_give_none() {
        for name in [
            "take 12",
            "03-04-2026",
            "260312",
            "take260312_1",
            "20261312",
            "2026-02-30",
            "153000_02",
            "REC001_02",
            "120 bpm",
        ] {
            assert_eq!(find_in_name(name), None, "{name}");
        }
    }

    #[test]
    fn bext_dates_are_read_with_any_separator_and_refused_when_unset() {
        assert_eq!(from_bext("2026-03-12", "15-30-00").as_deref(), Some("2026-03-12T15:30:00"));
        assert_eq!(from_bext("2026:03:12", "15:30:00").as_deref(), Some("2026-03-12T15:30:00"));
        assert_eq!(from_bext("2026-03-12", "").as_deref(), Some("2026-03-12"));
        assert_eq!(from_bext("0000-00-00", "00:00:00"), None);
        assert_eq!(from_bext("", ""), None);
    }

    #[test]
    fn the_nearest_folder_gives_the_date_when_the_file_name_has_none() {
        let path = Path::new("season/2026-03-12/tapes/take1.wav");
        assert_eq!(from_path(path).as_deref(), Some("2026-03-12"));
    }
}
