//! The response of a microphone in a plain text file.
//!
//! Conventions: a line is `frequency_hz dB`, parted by blanks, tabs, commas or semicolons; `#` and `*` begin a remark, and what
//! follows the two numbers (a phase, say) is left out.

use std::path::Path;

use super::find::bounded;

/// Responses beyond this are slips of the pen, dB.
const MOST_DB: f64 = 60.0;
/// A measured response has a few hundred lines.
const MOST_LINES: usize = 10_000;

/// What is wrong with a curve.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// A line that is not two numbers.
    #[error("line {line}: expected a frequency in Hz and a level in dB, found '{found}'")]
    NotTwoNumbers {
        /// Line, from 1.
        line: usize,
        /// Its text.
        found: String,
    },
    /// A frequency that is none.
    #[error("line {line}: frequency {got_hz} Hz is outside 1 to 100000; is it in kHz?")]
    FrequencyOutOfRange {
        /// Line, from 1.
        line: usize,
        /// As written.
        got_hz: f64,
    },
    /// A level that no microphone has.
    #[error("line {line}: {got_db} dB is beyond {MOST_DB} dB either way")]
    LevelOutOfRange {
        /// Line, from 1.
        line: usize,
        /// As written.
        got_db: f64,
    },
    /// Frequencies that do not rise.
    #[error("line {line}: {got_hz} Hz does not lie above the line before; frequencies must rise")]
    NotRising {
        /// Line, from 1.
        line: usize,
        /// As written.
        got_hz: f64,
    },
    /// Far more lines than any response has.
    #[error("more than {MOST_LINES} lines with a frequency and a level")]
    TooManyLines,
    /// Nothing to draw a line through.
    #[error("fewer than two lines with a frequency and a level")]
    TooFewLines,
}

/// Reads the text of a curve: frequencies in Hz, rising, and dB.
///
/// # Errors
/// [`CurveError`], with the line.
pub fn read_curve(text: &str) -> Result<Vec<(f64, f64)>, CurveError> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (line, whole) in (1..).zip(text.trim_start_matches('\u{feff}').lines()) {
        let content = whole.split(['#', '*']).next().unwrap_or("").trim();
        if content.is_empty() {
            continue;
        }
        let fields = content.split(|c: char| c.is_whitespace() || c == ',' || c == ';').filter(|f| !f.is_empty());
        let numbers: Vec<f64> = fields.map_while(|f| f.parse().ok().filter(|x: &f64| x.is_finite())).collect();
        let [hz, db, ..] = numbers[..] else {
            return Err(CurveError::NotTwoNumbers { line, found: content.chars().take(60).collect() });
        };
        if !(1.0..=100_000.0).contains(&hz) {
            return Err(CurveError::FrequencyOutOfRange { line, got_hz: hz });
        }
        if db.abs() > MOST_DB {
            return Err(CurveError::LevelOutOfRange { line, got_db: db });
        }
        if points.last().is_some_and(|p| p.0 >= hz) {
            return Err(CurveError::NotRising { line, got_hz: hz });
        }
        points.push((hz, db));
    }
    match points.len() {
        0 | 1 => Err(CurveError::TooFewLines),
        n if n > MOST_LINES => Err(CurveError::TooManyLines),
        _ => Ok(points),
    }
}

/// Reads the file of a curve.
///
/// # Errors
/// What is wrong with the file or its text, in words.
pub fn read_curve_file(path: &Path) -> Result<Vec<(f64, f64)>, String> {
    bounded(path).and_then(|text| read_curve(&text).map_err(|e| e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_is_read_in_the_usual_spellings() {
        let text = "\u{feff}# measured\n20, -3.5\n1000\t0 # half\n* loud\n\n16000; 2.25 0.1\n";
        assert_eq!(read_curve(text).unwrap(), [(20.0, -3.5), (1000.0, 0.0), (16_000.0, 2.25)]);
    }

    #[test]
    fn slips_are_named_with_their_line() {
        let line = |text: &str| read_curve(text).unwrap_err().to_string();
        assert!(line("20 1\nbass 3").starts_with("line 2: expected a frequency"));
        assert!(line("20 1\n40 loud").starts_with("line 2: expected"));
        assert!(line("0.02 1\n40 2").contains("is it in kHz?"));
        assert!(line("20 1\n# x\n20 2").starts_with("line 3: 20 Hz does not lie above"));
        assert!(line("20 99\n30 1").starts_with("line 1: 99 dB is beyond 60 dB"));
        assert!(line("# nothing").starts_with("fewer than two"));
        assert!(line("20 1\n").starts_with("fewer than two"));
        assert!(line("20 NaN\n30 1").starts_with("line 1: expected"));
        let long: String = (0..MOST_LINES + 1).map(|i| format!("{} 0\n", 20 + i)).collect();
        assert!(line(&long).starts_with("more than 10000 lines"));
    }
}
