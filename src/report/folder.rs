//! Names of report folders: `<date>_<slug of the file name>`, and what happens when two tapes would take the same one.
//!
//! Conventions: a name holds only `a-z 0-9 - _`, so it is one plain folder inside the out folder on every system. Two
//! tapes with other bytes but the same date and name all get `_` and the first digits of their content hash behind it;
//! which names there are depends only on which tapes there are, not on the order in which they were reviewed.
//! A slug never holds `_`, so a name with a hash is never the plain name of another tape.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::error::ReportError;
use super::write::REPORT_FILE;

/// Longest slug, characters.
const SLUG_CHARS: usize = 60;
/// Digits of the content hash in a name, at least.
const HASH_DIGITS: usize = 8;
/// Stands in for a date that nothing tells.
const UNDATED: &str = "undated";
/// Stands in for a name without a letter or digit that can be written.
const NAMELESS: &str = "tape";
/// Latin letters with marks and their plain forms.
const PLAIN_LETTERS: [(&str, &str); 14] = [
    ("àáâãåāăą", "a"),
    ("çćčĉ", "c"),
    ("ďđð", "d"),
    ("èéêëēėęě", "e"),
    ("ìíîïīįı", "i"),
    ("łľĺ", "l"),
    ("ñńňņ", "n"),
    ("òóôõøōő", "o"),
    ("ŕř", "r"),
    ("śšşș", "s"),
    ("ťţț", "t"),
    ("ùúûūůűų", "u"),
    ("ýÿ", "y"),
    ("źżž", "z"),
];

/// What names a tape's folder.
#[derive(Clone, Copy, Debug)]
pub struct TapeKey<'a> {
    /// Local date and time, ISO 8601; only the date counts.
    pub recorded_at: Option<&'a str>,
    /// File name, with or without folders and extension; both are dropped.
    pub file_name: &'a str,
    /// Content hash, lower-case hex.
    pub content_hash: &'a str,
}

/// A report folder that is there already.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Existing {
    /// Name of the folder inside the out folder.
    pub folder: String,
    /// Content hash of the tape that its report is about.
    pub content_hash: String,
}

/// Which folder each tape gets, and which folders must be renamed first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plan {
    /// One name a tape, in the order of the tapes.
    pub folders: Vec<String>,
    /// Old and new name of folders that are there already.
    pub moves: Vec<(String, String)>,
}

/// ASCII form of a file name without its folders and extension: `a-z 0-9 -`, at most 60 characters, never empty.
pub fn slug(file_name: &str) -> String {
    let name = file_name.rsplit(['/', '\\']).next().unwrap_or(file_name);
    let stem = match name.rsplit_once('.') {
        Some((stem, _)) if !stem.is_empty() => stem,
        _ => name,
    };
    let mut out = String::new();
    for c in stem.chars().flat_map(char::to_lowercase) {
        push_plain(c, &mut out);
    }
    // Cut, then trim, so that a cut name does not end in a dash; everything in it is ASCII.
    out.truncate(SLUG_CHARS);
    let trimmed = out.trim_matches('-');
    if trimmed.is_empty() { NAMELESS.to_owned() } else { trimmed.to_owned() }
}

fn push_plain(c: char, out: &mut String) {
    match c {
        'a'..='z' | '0'..='9' => out.push(c),
        'ä' | 'æ' => out.push_str("ae"),
        'ö' | 'œ' => out.push_str("oe"),
        'ü' => out.push_str("ue"),
        'ß' => out.push_str("ss"),
        // A mark that some systems write behind its letter.
        '\u{300}'..='\u{36f}' => {}
        _ => match PLAIN_LETTERS.iter().find(|(marked, _)| marked.contains(c)) {
            Some((_, plain)) => out.push_str(plain),
            None if out.ends_with('-') => {}
            None => out.push('-'),
        },
    }
}

/// The date in an ISO 8601 date and time, when it is one.
pub fn date_of(recorded_at: Option<&str>) -> Option<jiff::civil::Date> {
    recorded_at?.get(..10)?.parse().ok()
}

/// `<date>_<slug>`, without regard to other tapes.
pub fn plain_name(recorded_at: Option<&str>, file_name: &str) -> String {
    let date = date_of(recorded_at).map_or_else(|| UNDATED.to_owned(), |d| d.to_string());
    format!("{date}_{}", slug(file_name))
}

/// Decides the folders of `tapes` when `existing` are there already. Pure: nothing is touched.
pub fn plan_folders(tapes: &[TapeKey], existing: &[Existing]) -> Plan {
    let plain: Vec<String> = tapes.iter().map(|t| plain_name(t.recorded_at, t.file_name)).collect();
    let mut groups: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (name, tape) in plain.iter().zip(tapes) {
        groups.entry(name).or_default().insert(tape.content_hash);
    }
    let mut moves = Vec::new();
    for (name, hashes) in &mut groups {
        let there: Vec<&Existing> = existing.iter().filter(|e| belongs(&e.folder, name, &e.content_hash)).collect();
        hashes.extend(there.iter().map(|e| e.content_hash.as_str()));
        for e in there {
            let to = name_in_group(name, &e.content_hash, hashes);
            let taken = existing.iter().any(|other| other.folder == to && other.content_hash == e.content_hash);
            if to != e.folder && !taken {
                moves.push((e.folder.clone(), to));
            }
        }
    }
    let name_of = |(name, tape): (&String, &TapeKey)| match groups.get(name.as_str()) {
        Some(hashes) => name_in_group(name, tape.content_hash, hashes),
        None => name.clone(),
    };
    Plan { folders: plain.iter().zip(tapes).map(name_of).collect(), moves }
}

/// True when `folder` is `plain`, or `plain` with the hash of its own tape behind it.
fn belongs(folder: &str, plain: &str, content_hash: &str) -> bool {
    match folder.strip_prefix(plain) {
        Some("") => true,
        Some(rest) => rest
            .strip_prefix('_')
            .is_some_and(|digits| digits.len() >= HASH_DIGITS && safe_hash(content_hash).starts_with(digits)),
        None => false,
    }
}

/// The plain name for a tape alone; else with as many digits of the hash as tell all of `hashes` apart.
fn name_in_group(plain: &str, content_hash: &str, hashes: &BTreeSet<&str>) -> String {
    if hashes.len() <= 1 {
        return plain.to_owned();
    }
    let all: BTreeSet<String> = hashes.iter().map(|h| safe_hash(h)).collect();
    let longest = all.iter().map(String::len).max().unwrap_or(0);
    let first = |h: &str, digits: usize| h.get(..digits.min(h.len())).unwrap_or(h).to_owned();
    let told_apart = |digits: &usize| all.iter().map(|h| first(h, *digits)).collect::<BTreeSet<_>>().len() == all.len();
    let digits = (HASH_DIGITS..=longest).find(told_apart).unwrap_or(longest);
    format!("{plain}_{}", first(&safe_hash(content_hash), digits))
}

/// Hash digits that may stand in a folder name, whatever the string held.
fn safe_hash(content_hash: &str) -> String {
    content_hash.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_lowercase()).collect()
}

/// The little of a report that names its folder.
#[derive(Deserialize)]
struct ReportHead {
    tape: TapeHead,
}

#[derive(Deserialize)]
struct TapeHead {
    content_hash: String,
}

/// Report folders under `out`, by name; folders without a readable report are free to be written over and not listed.
///
/// # Errors
/// [`ReportError::Read`] when `out` is there but cannot be listed.
pub fn existing_folders(out: &Path) -> Result<Vec<Existing>, ReportError> {
    let mut found = Vec::new();
    for dir in report_dirs(out)? {
        let head =
            std::fs::read(dir.join(REPORT_FILE)).ok().and_then(|b| serde_json::from_slice::<ReportHead>(&b).ok());
        if let (Some(head), Some(name)) = (head, dir.file_name().and_then(|n| n.to_str())) {
            found.push(Existing { folder: name.to_owned(), content_hash: head.tape.content_hash });
        }
    }
    Ok(found)
}

/// Folders directly under `out`, by name, hidden ones left out; empty when `out` does not exist.
///
/// # Errors
/// [`ReportError::Read`] when `out` is there but cannot be listed.
pub fn report_dirs(out: &Path) -> Result<Vec<PathBuf>, ReportError> {
    let failed = |source| ReportError::Read { path: out.to_owned(), source };
    let entries = match std::fs::read_dir(out) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(failed(e)),
    };
    let mut dirs = Vec::new();
    for entry in entries {
        let entry = entry.map_err(failed)?;
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        if !hidden && entry.path().is_dir() {
            dirs.push(entry.path());
        }
    }
    dirs.sort();
    Ok(dirs)
}

/// Plans the folders of `tapes` under `out` and renames what must be renamed; the paths are in the order of the tapes.
///
/// # Errors
/// [`ReportError::Read`] or [`ReportError::Write`].
pub fn settle_folders(out: &Path, tapes: &[TapeKey]) -> Result<Vec<PathBuf>, ReportError> {
    let plan = plan_folders(tapes, &existing_folders(out)?);
    for (from, to) in &plan.moves {
        let target = out.join(to);
        if !target.exists() {
            std::fs::rename(out.join(from), &target).map_err(|source| ReportError::Write { path: target, source })?;
        }
    }
    Ok(plan.folders.iter().map(|name| out.join(name)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slug_is_plain_ascii_without_any_way_out_of_the_folder() {
        assert_eq!(slug("Rehearsal 3 (final).WAV"), "rehearsal-3-final");
        assert_eq!(slug("../../etc/Probe Nº5.flac"), "probe-n-5");
        assert_eq!(slug("..\\..\\x.wav"), "x");
        assert_eq!(slug("Übung_Köln-Straße.m4a"), "uebung-koeln-strasse");
        assert_eq!(slug("re\u{301}pe\u{301}tition.mp3"), slug("répétition.mp3"));
        assert_eq!(slug("練習.wav"), "tape");
        assert_eq!(slug(".wav"), "wav");
        assert_eq!(slug(""), "tape");
        assert_eq!(slug(&"a b".repeat(100)).len(), 60);
    }

    #[test]
    fn only_a_real_date_stands_in_front() {
        assert_eq!(plain_name(Some("2026-03-02T15:30:00"), "a.wav"), "2026-03-02_a");
        assert_eq!(plain_name(Some("2026-02-30"), "a.wav"), "undated_a");
        assert_eq!(plain_name(Some("../../x/yy"), "a.wav"), "undated_a");
        assert_eq!(plain_name(None, "a.wav"), "undated_a");
    }

    fn key(hash: &str) -> TapeKey<'_> {
        TapeKey { recorded_at: Some("2026-03-02"), file_name: "rec1.wav", content_hash: hash }
    }

    #[test]
    fn names_depend_on_which_tapes_there_are_and_not_on_their_order() {
        let (a, b) = ("aaaaaaaa11", "bbbbbbbb22");
        assert_eq!(plan_folders(&[key(a)], &[]).folders, ["2026-03-02_rec1"]);
        let both = plan_folders(&[key(a), key(b)], &[]).folders;
        assert_eq!(both, ["2026-03-02_rec1_aaaaaaaa", "2026-03-02_rec1_bbbbbbbb"]);
        // The other was reviewed a week before.
        let there = [Existing { folder: "2026-03-02_rec1".into(), content_hash: a.into() }];
        let later = plan_folders(&[key(b)], &there);
        assert_eq!(later.folders, [both[1].as_str()]);
        assert_eq!(later.moves, [("2026-03-02_rec1".to_owned(), both[0].clone())]);
    }

    #[test]
    fn the_same_tape_again_keeps_its_folder_and_a_lone_one_gets_its_plain_name_back() {
        let there = |folder: &str| [Existing { folder: folder.into(), content_hash: "aaaaaaaa11".into() }];
        assert_eq!(plan_folders(&[key("aaaaaaaa11")], &there("2026-03-02_rec1")).moves, []);
        let lone = plan_folders(&[key("aaaaaaaa11")], &there("2026-03-02_rec1_aaaaaaaa"));
        assert_eq!(lone.folders, ["2026-03-02_rec1"]);
        assert_eq!(lone.moves, [("2026-03-02_rec1_aaaaaaaa".to_owned(), "2026-03-02_rec1".to_owned())]);
    }

    #[test]
    fn hashes_that_begin_alike_get_more_digits() {
        let plan = plan_folders(&[key("aaaaaaaaaa1"), key("aaaaaaaaaa2")], &[]);
        assert_eq!(plan.folders, ["2026-03-02_rec1_aaaaaaaaaa1", "2026-03-02_rec1_aaaaaaaaaa2"]);
    }
}
