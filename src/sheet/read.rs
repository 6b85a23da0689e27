//! The text of a sheet becomes a [`BandSheet`] and the list of what is wrong with it.

use toml::de::DeTable;

use super::problem::Problem;
use super::sections as section;
use super::table::{Log, Table, unknown_word};
use super::types::BandSheet;

/// Names that other rooms know; an empty list lets every name pass.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Thresholds of findings.
    pub thresholds: Vec<&'static str>,
    /// Measures of the season.
    pub measures: Vec<&'static str>,
}

/// A sheet as it was read.
#[derive(Clone, Debug, Default)]
pub struct ReadSheet {
    /// What it says.
    pub sheet: BandSheet,
    /// What is wrong with it.
    pub problems: Vec<Problem>,
    /// Files that it names, each with what to say if there is no such file.
    pub files: Vec<(String, Problem)>,
}

/// Reads a sheet. What cannot be understood is left out and told; a text that is no TOML at all gives an empty sheet.
pub fn read_sheet(text: &str, known: &Known) -> ReadSheet {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (root, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        let problem = |e: &toml::de::Error| {
            let line = e.message().lines().collect::<Vec<_>>().join("; ");
            let message = format!("this is no TOML, so nothing of the sheet counts: {line}");
            e.span().map_or_else(|| Problem::whole(message.clone()), |s| Problem::at(text, s.start, message.clone()))
        };
        // The first mistake brings others with it.
        let first = errors.iter().min_by_key(|e| e.span().map_or(0, |s| s.start));
        return ReadSheet { problems: first.map(problem).into_iter().collect(), ..ReadSheet::default() };
    }
    let log = Log::new(text);
    let root = Table::open(&log, "", "", root.get_ref(), 0);
    let sheet = BandSheet {
        band: section::band(&root),
        players: section::players(&root),
        amp: section::amps(&root),
        chart: section::charts(&root),
        recording: section::recordings(&root),
        rehearsal: section::rehearsals(&root),
        level: section::level(&root),
        microphone: section::microphone(&root),
        festival: section::festival(&root, &known.measures),
        thresholds: section::thresholds(&root, &known.thresholds),
    };
    doubt_titles(&root, &sheet);
    let files = files(&root, text);
    ReadSheet { sheet, problems: log.finish(), files }
}

/// Titles that look like slips for the title of a chart.
fn doubt_titles(root: &Table, sheet: &BandSheet) {
    let titles: Vec<&str> = sheet.chart.iter().map(|c| c.title.as_str()).collect();
    let doubt = |table: &Table, key: &str| {
        for title in table.texts(key).iter().filter(|t| !t.is_empty() && !titles.contains(&t.as_str())) {
            let near = titles.iter().find(|known| {
                let far = strsim::damerau_levenshtein(&known.to_lowercase(), &title.to_lowercase());
                far <= 1 + known.chars().count() / 6
            });
            if let Some(near) = near {
                table.say(key, format!("no [[chart]] has the title \"{title}\"; did you mean \"{near}\"?"));
            }
        }
    };
    root.tables("recording", "recording", "recording").iter().for_each(|t| doubt(t, "order"));
    root.tables("rehearsal", "rehearsal", "rehearsal").iter().for_each(|t| doubt(t, "order"));
    if let Some(table) = root.table("festival", "festival", "festival") {
        doubt(&table, "charts");
    }
}

fn files(root: &Table, text: &str) -> Vec<(String, Problem)> {
    let mut files = Vec::new();
    let mut note = |table: &Table, key: &str, what: &str| {
        if let Some(file) = table.text(key) {
            let message = format!("there is no {what} '{file}' in the sheet's folder or below it");
            files.push((file, Problem::at(text, table.place(key), message)));
        }
    };
    for table in root.tables("recording", "recording", "recording") {
        note(&table, "file", "recording");
    }
    if let Some(level) = root.table("level", "level", "level") {
        level.tables("reading", "level.reading", "level.reading").iter().for_each(|t| note(t, "file", "recording"));
    }
    files
}

/// Says that `name` of `what` is not known.
pub fn refuse_name(table: &Table, key: &str, what: &str, name: &str, known: &[&str]) {
    table.say(key, unknown_word(what, name, known));
}
