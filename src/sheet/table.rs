//! A table of the sheet, read key by key; what cannot be understood is said with its place and left out.

use std::cell::RefCell;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{known_keys, nearest, unknown_key};
use super::problem::Problem;
use super::quantity::{self, Quantity};

/// Collects the problems of one sheet.
pub struct Log<'t> {
    text: &'t str,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Log<'t> {
    /// For the sheet `text`.
    pub fn new(text: &'t str) -> Self {
        Self { text, problems: RefCell::new(Vec::new()) }
    }

    /// Says something about byte `at`.
    pub fn say(&self, at: usize, message: String) {
        self.problems.borrow_mut().push(Problem::at(self.text, at, message));
    }

    /// All problems in the order of the text.
    pub fn finish(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort();
        // Tables are opened more than once.
        problems.dedup();
        problems
    }
}

/// One table.
#[derive(Clone, Copy)]
pub struct Table<'a> {
    log: &'a Log<'a>,
    table: &'a DeTable<'a>,
    at: usize,
}

impl<'a> Table<'a> {
    /// Opens a table of the given kind, shown to the reader as `shown`; its unknown keys are refused.
    pub fn open(log: &'a Log<'a>, kind: &str, shown: &'static str, table: &'a DeTable<'a>, at: usize) -> Self {
        for (key, _) in table.iter() {
            if !known_keys(kind).contains(&key.get_ref().as_ref()) {
                log.say(key.span().start, unknown_key(key.get_ref(), kind, shown));
            }
        }
        Self { log, table, at }
    }

    fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.iter().find(|(k, _)| k.get_ref() == key).map(|(_, value)| value)
    }

    /// True when the key is there, understood or not.
    pub fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// Where the key's value is, else where the table is.
    pub fn place(&self, key: &str) -> usize {
        self.get(key).map_or(self.at, |v| v.span().start)
    }

    /// Says something about a key, or about the table when the key is not there.
    pub fn say(&self, key: &str, message: String) {
        self.log.say(self.place(key), message);
    }

    fn wrong_kind<T>(&self, key: &str, value: &DeValue, wanted: &str) -> Option<T> {
        self.say(key, format!("{key} is {} where {wanted} is wanted", kind_of(value)));
        None
    }

    /// Text that is not blank.
    pub fn text(&self, key: &str) -> Option<String> {
        let value = self.get(key)?.get_ref();
        let Some(text) = value.as_str() else { return self.wrong_kind(key, value, "text in quotation marks") };
        if text.trim().is_empty() {
            self.say(key, format!("{key} is empty; leave the line out instead"));
            return None;
        }
        Some(text.trim().to_owned())
    }

    /// A number in its range.
    pub fn number(&self, key: &str, quantity: &Quantity) -> Option<f64> {
        let value = self.any_number(key)?;
        quantity.check(key, value).map_err(|message| self.say(key, message)).ok()
    }

    /// Any finite number.
    pub fn any_number(&self, key: &str) -> Option<f64> {
        let value = self.get(key)?.get_ref();
        match number(value) {
            Some(number) if number.is_finite() => Some(number),
            Some(_) => {
                self.say(key, format!("{key} is no finite number"));
                None
            }
            None => self.wrong_kind(key, value, "a number"),
        }
    }

    /// A whole number in a range.
    pub fn whole(&self, key: &str, low: u32, high: u32) -> Option<u32> {
        let value = self.any_number(key)?;
        if value.fract() != 0.0 || value < f64::from(low) || value > f64::from(high) {
            self.say(key, format!("{key} {value} is no whole number from {low} to {high}"));
            return None;
        }
        Some(value as u32)
    }

    /// One of several words.
    pub fn word<T: Copy>(&self, key: &str, words: &[(T, &str)]) -> Option<T> {
        let text = self.text(key)?;
        let found = words.iter().find(|(_, word)| word.eq_ignore_ascii_case(&text));
        if found.is_none() {
            let known: Vec<&str> = words.iter().map(|(_, word)| *word).collect();
            self.say(key, unknown_word(key, &text, &known));
        }
        found.map(|(value, _)| *value)
    }

    /// A time written "m:ss", in seconds.
    pub fn clock(&self, key: &str) -> Option<f64> {
        let value = self.get(key)?.get_ref();
        if number(value).is_some() {
            self.say(
                key,
                format!("{key} is a plain number; write minutes and seconds in quotation marks, as \"0:32\""),
            );
            return None;
        }
        let text = self.text(key)?;
        let read = quantity::clock(&text);
        if read.is_none() {
            self.say(key, format!("{key} \"{text}\" is no time; write minutes and seconds as \"0:32\""));
        }
        read
    }

    /// A date of the calendar, as text or as TOML's own date.
    pub fn date(&self, key: &str) -> Option<String> {
        let text = match self.get(key)?.get_ref() {
            DeValue::Datetime(moment) => {
                let Some(date) = moment.date else {
                    self.say(key, format!("{key} {moment} has no date; write it as 2026-03-14"));
                    return None;
                };
                date.to_string()
            }
            _ => self.text(key)?,
        };
        quantity::date(&text).map_err(|message| self.say(key, message)).ok()
    }

    /// A list of texts; blank ones are kept, they hold a place.
    pub fn texts(&self, key: &str) -> Vec<String> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let Some(items) = value.get_ref().as_array() else {
            return self.wrong_kind(key, value.get_ref(), "a list in square brackets").unwrap_or_default();
        };
        let mut texts = Vec::new();
        for item in items.iter() {
            match item.get_ref().as_str() {
                Some(text) => texts.push(text.trim().to_owned()),
                None => {
                    let message =
                        format!("an item of {key} is {}, not text in quotation marks", kind_of(item.get_ref()));
                    self.log.say(item.span().start, message);
                    return Vec::new();
                }
            }
        }
        texts
    }

    /// A table inside this one.
    pub fn table(&self, key: &str, kind: &str, shown: &'static str) -> Option<Self> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Self::open(self.log, kind, shown, table, value.span().start)),
            DeValue::Array(_) => {
                self.say(key, format!("[[{shown}]] may be there once only; write [{shown}]"));
                None
            }
            other => self.wrong_kind(key, other, &format!("a table [{shown}]")),
        }
    }

    /// The tables of a list.
    pub fn tables(&self, key: &str, kind: &str, shown: &'static str) -> Vec<Self> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let open = |table, at| Self::open(self.log, kind, shown, table, at);
        match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .filter_map(|item| match item.get_ref() {
                    DeValue::Table(table) => Some(open(table, item.span().start)),
                    other => {
                        self.log.say(item.span().start, format!("an item of {key} is {}, not a table", kind_of(other)));
                        None
                    }
                })
                .collect(),
            // One alone, written with single brackets: what is meant is clear.
            DeValue::Table(table) => vec![open(table, value.span().start)],
            other => self.wrong_kind(key, other, &format!("tables [[{shown}]]")).unwrap_or_default(),
        }
    }

    /// A table inside this one whose keys are names that the caller knows.
    pub fn names_table(&self, key: &str) -> Option<Self> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Self { log: self.log, table, at: value.span().start }),
            other => self.wrong_kind(key, other, &format!("a table [{key}]")),
        }
    }

    /// Every key.
    pub fn names(&self) -> Vec<String> {
        self.table.iter().map(|(key, _)| key.get_ref().to_string()).collect()
    }
}

/// "x 'y' is not known; did you mean 'z'?"
pub fn unknown_word(key: &str, word: &str, known: &[&str]) -> String {
    match nearest(word, known) {
        Some(near) => format!("{key} \"{word}\" is not known; did you mean \"{near}\"?"),
        None => format!("{key} \"{word}\" is not known; it can be: {}", known.join(", ")),
    }
}

fn number(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|i| i as f64),
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

fn kind_of(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
