//! `ledgerline compare`: what changed between two sides, and whether it is more than noise.

use std::path::Path;

use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, words};
use crate::pipeline::{self, Compared, ComparedRow};
use crate::season::compare::Verdict;
use crate::stats::Measured;

/// Prints the comparison on stdout; the exit code.
pub fn run(first: &str, second: &str, out: &Path, json: bool) -> u8 {
    match pipeline::compare(first, second, out) {
        Ok(compared) if json => match serde_json::to_string_pretty(&compared) {
            Ok(text) => {
                println!("{text}");
                EXIT_ALL_MEASURED
            }
            Err(error) => {
                words::print_error(&error.to_string(), None);
                EXIT_NOTHING_DONE
            }
        },
        Ok(compared) => {
            table(&compared).iter().for_each(|line| println!("{}", words::harmless(line)));
            EXIT_ALL_MEASURED
        }
        Err(error) => {
            words::print_error(&error.to_string(), error.hint());
            EXIT_NOTHING_DONE
        }
    }
}

fn table(compared: &Compared) -> Vec<String> {
    let mut lines = vec![
        format!("A: {}", compared.first),
        format!("B: {}", compared.second),
        String::new(),
        format!("{:36} {:>9} {:>9} {:>9}  {:19} more than noise?", "", "A", "B", "B - A", "95 % interval"),
    ];
    lines.extend(compared.rows.iter().map(line));
    lines.push(String::new());
    lines.push(compared.bass_tone.clone());
    lines.extend(pipeline::knob_words(&compared.knob));
    lines
}

fn line(row: &ComparedRow) -> String {
    let value = |m: &Measured| m.value.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
    let d = &row.difference;
    let interval = match (d.low, d.high) {
        (Some(low), Some(high)) => format!("{low:+.2} to {high:+.2}"),
        _ => String::new(),
    };
    let said = match row.verdict {
        Verdict::Higher => "yes, higher".to_owned(),
        Verdict::Lower => "yes, lower".to_owned(),
        Verdict::Noise => "no".to_owned(),
        Verdict::NotCompared => {
            format!("not compared: {}", d.reason.as_deref().unwrap_or("nothing measured").replace('_', " "))
        }
    };
    let title: String = format!("{}, {}", row.title, row.unit).chars().take(36).collect();
    let change = d.value.map_or_else(|| "-".to_owned(), |v| format!("{v:+.2}"));
    format!("{title:36} {:>9} {:>9} {change:>9}  {interval:19} {said}", value(&row.first), value(&row.second))
        .trim_end()
        .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_says_how_much_and_whether_it_counts() {
        let row = ComparedRow {
            measure: "low_end_excess_db".into(),
            title: "low end against the target".into(),
            unit: "dB".into(),
            first: Measured::symmetric(1.0, 0.5, 60),
            second: Measured::symmetric(4.0, 0.5, 60),
            difference: Measured::new(3.0, 2.29, 3.71, 60),
            verdict: Verdict::Higher,
        };
        let said = line(&row);
        assert!(said.contains("+3.00") && said.contains("+2.29 to +3.71") && said.ends_with("yes, higher"), "{said}");
        let none = ComparedRow { difference: Measured::absent("other_recorder"), verdict: Verdict::NotCompared, ..row };
        assert!(line(&none).ends_with("not compared: other recorder"));
    }
}
