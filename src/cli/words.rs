//! The words of messages: lower case, no full stop, file first, cause last.

use std::path::Path;

use crate::pipeline::{ReviewOutcome, TapeOutcome};
use crate::units::seconds_to_clock;

/// One line about one tape.
pub fn tape_line(name: &str, outcome: &TapeOutcome) -> String {
    match outcome {
        TapeOutcome::Reviewed(facts) => {
            let mut parts = vec![seconds_to_clock(facts.duration_s), counted(facts.takes, "take")];
            parts.extend(facts.playing_percent.map(|p| format!("{p:.0} % playing")));
            parts.extend(facts.integrated_lufs.map(|l| format!("{l:.1} LUFS")));
            parts.extend(facts.low_end_excess_db.map(|d| format!("low end {d:+.1} dB")));
            let notes: String = facts.notes.iter().map(|note| format!("\n{name}: {note}")).collect();
            format!("{name}: {} -> {}{notes}", parts.join(", "), facts.page.display())
        }
        TapeOutcome::Unchanged { folder } => format!("{name}: unchanged, kept {}", folder.display()),
        TapeOutcome::Failed { message, hint } => {
            let message = if message.contains(name) { message.clone() } else { format!("{name}: {message}") };
            hint.as_ref().map_or_else(|| message.clone(), |hint| format!("{message}\n\nhint: {hint}\n"))
        }
        TapeOutcome::Heard => format!("{name}: heard"),
        TapeOutcome::Stopped => format!("{name}: stopped before the end, nothing written"),
    }
}

/// The last lines of a review.
pub fn summary(outcome: &ReviewOutcome, out: &Path) -> Vec<String> {
    let mut parts = vec![format!("{} reviewed", counted(outcome.reviewed, "tape"))];
    if outcome.unchanged > 0 {
        parts.push(format!("{} unchanged", outcome.unchanged));
    }
    if outcome.failed > 0 {
        parts.push(format!("{} not measured", outcome.failed));
    }
    let mut lines = outcome.warnings.clone();
    lines.push(parts.join(", "));
    if outcome.interrupted {
        lines.push("stopped on request; the next run goes on from here".to_owned());
    }
    match &outcome.season_picture {
        Some(picture) => lines.push(format!("reports: {}; season: {}", out.display(), picture.display())),
        None => lines.push(format!("reports: {}", out.display())),
    }
    lines
}

/// An error on stderr, with what to do about it when we know.
pub fn print_error(message: &str, hint: Option<&str>) {
    say(message);
    if let Some(hint) = hint {
        say(&format!("\nhint: {hint}"));
    }
}

/// A line or more on stderr.
pub fn say(text: &str) {
    eprintln!("{}", harmless(text));
}

/// A text whose names cannot command the terminal: control characters other than the line's end, and those that turn the direction of
/// writing (Unicode standard annex 9), are spelt out.
pub fn harmless(text: &str) -> String {
    let commands = |c: char| {
        c != '\n' && c.is_control()
            || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let spelt = |c: char| if commands(c) { c.escape_unicode().to_string() } else { c.to_string() };
    text.chars().map(spelt).collect()
}

/// "1 tape", "2 tapes".
pub fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

/// At most `width` characters, with an ellipsis in the middle when cut.
pub fn shortened(text: &str, width: usize) -> String {
    let characters: Vec<char> = text.chars().collect();
    if characters.len() <= width {
        return text.to_owned();
    }
    let tail = width / 2;
    let head = width - tail - 1;
    let start: String = characters[..head].iter().collect();
    let end: String = characters[characters.len() - tail..].iter().collect();
    format!("{start}…{end}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_keeps_its_start_and_its_end() {
        assert_eq!(shortened("rehearsal-2026-03-12-afternoon.flac", 20), "rehearsal…rnoon.flac");
        assert_eq!(shortened("short.wav", 20), "short.wav");
    }

    #[test]
    fn a_name_cannot_command_the_terminal() {
        // An escape sequence that clears the screen (ECMA-48), a bell, a turned end of a name; letters of all scripts stay.
        assert_eq!(harmless("a\u{1b}[2J\u{7}b\u{202e}vaw.c 楽é\n"), "a\\u{1b}[2J\\u{7}b\\u{202e}vaw.c 楽é\n");
    }

    #[test]
    fn a_failure_names_the_file_once() {
        let failed = TapeOutcome::Failed { message: "x.wav: not audio".into(), hint: None };
        assert_eq!(tape_line("x.wav", &failed), "x.wav: not audio");
    }
}
