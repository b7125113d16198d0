//! Reads a table of untyped values key by key and keeps every fault, instead of stopping at the
//! first.

use std::cell::RefCell;
use std::fmt::Display;
use std::str::FromStr;

use serde_json::{Map, Value};

use super::fault::{Fault, is_line_break, turns_text};

/// The faults found so far, shared by the tables of one plan.
pub(super) type Found = RefCell<Vec<Fault>>;

/// How much a text may hold.
#[derive(Clone, Copy)]
pub(super) enum Room {
    /// One line of at most 200 characters: it may end up in a letter's header.
    Line,
    /// At most 4000 characters, line breaks allowed.
    Paragraph,
}

/// A table being read; [`Table::close`] reports the keys that nobody asked for.
pub(super) struct Table<'a> {
    path: String,
    left: Map<String, Value>,
    asked: Vec<&'static str>,
    /// It is no table, which is told already: that it then lacks every key need not be.
    broken: bool,
    found: &'a Found,
}

impl<'a> Table<'a> {
    pub(super) fn new(path: String, value: Value, found: &'a Found) -> Self {
        let (left, broken) = match value {
            Value::Object(entries) => (entries, false),
            other => {
                let fault = Fault::new(&path, shown(&other), "must be a table of keys and values");
                found.borrow_mut().push(fault);
                (Map::new(), true)
            }
        };
        Table { path, left, asked: Vec::new(), broken, found }
    }

    /// Reports every key that was not asked for: a slip of the pen must not lose what it names.
    pub(super) fn close(self) {
        for (key, value) in &self.left {
            let near = self
                .asked
                .iter()
                .map(|asked| (strsim::damerau_levenshtein(asked, key), asked))
                .filter(|(distance, asked)| *distance <= 2.max(asked.len() / 3))
                .min();
            let mend = match near {
                Some((_, asked)) => format!("is no key of a plan; did you mean `{asked}`?"),
                None => format!("is no key of a plan; the keys here: {}", self.asked.join(", ")),
            };
            self.fault(key, shown(value), mend);
        }
    }

    pub(super) fn fault(&self, key: &str, value: impl Into<String>, mend: impl Into<String>) {
        self.found.borrow_mut().push(Fault::new(&self.key(key), value, mend));
    }

    fn key(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// The value of a key, taken out; JSON's `null` counts as absent.
    fn take(&mut self, key: &'static str) -> Option<Value> {
        self.asked.push(key);
        self.left.remove(key).filter(|value| !value.is_null())
    }

    pub(super) fn table(&mut self, key: &'static str) -> Option<Table<'a>> {
        let value = self.take(key)?;
        Some(Table::new(self.key(key), value, self.found))
    }

    /// The tables of a list, each with its path counted from 1; none where the key is absent.
    /// `None` after a fault: no list, or too many entries.
    pub(super) fn tables(&mut self, key: &'static str, most: usize) -> Option<Vec<Table<'a>>> {
        let list = match self.take(key) {
            None if self.broken => return None,
            None => return Some(Vec::new()),
            Some(Value::Array(list)) => list,
            Some(other) => {
                let mend =
                    format!("must be a list: one [[{key}]] in TOML, one {{…}} in JSON, each");
                self.fault(key, shown(&other), mend);
                return None;
            }
        };
        if list.len() > most {
            let mend = format!("has {} entries; at most {most} are taken", list.len());
            self.fault(key, "", mend);
            return None;
        }
        let path = self.key(key);
        let numbered = list.into_iter().enumerate();
        let table = |(at, value)| Table::new(format!("{path}[{}]", at + 1), value, self.found);
        Some(numbered.map(table).collect())
    }

    /// A text without control characters, trimmed; an empty one counts as absent.
    pub(super) fn text(&mut self, key: &'static str, room: Room) -> Option<String> {
        let text = match self.take(key)? {
            Value::String(text) => text,
            other => {
                self.fault(key, shown(&other), "must be a text in quotation marks");
                return None;
            }
        };
        let text: String = text.chars().filter(|c| !turns_text(*c)).collect();
        let text = text.trim();
        let (most, breaks) = match room {
            Room::Line => (200, false),
            Room::Paragraph => (4000, true),
        };
        let forbidden = |c: char| {
            (c.is_control() || is_line_break(c)) && !(breaks && matches!(c, '\n' | '\r' | '\t'))
        };
        let length = text.chars().count();
        if length > most {
            self.fault(key, text, format!("has {length} characters; shorten it to {most}"));
        } else if text.contains(forbidden) {
            self.fault(key, text, "holds a line break or control character; take it out");
        } else if !text.is_empty() {
            return Some(text.to_owned());
        }
        None
    }

    /// A line of text that is read as a `T`.
    pub(super) fn parsed<T>(&mut self, key: &'static str) -> Option<T>
    where
        T: FromStr,
        T::Err: Display,
    {
        self.read(key, |text| text.parse().map_err(|error: T::Err| error.to_string()))
    }

    /// A line of text, read by `read`, whose error is the mend.
    pub(super) fn read<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&str) -> Result<T, String>,
    ) -> Option<T> {
        let text = self.text(key, Room::Line)?;
        read(&text).map_err(|mend| self.fault(key, text.as_str(), mend)).ok()
    }

    /// What `read` makes of a key that must be there; its absence is a fault with this mend.
    pub(super) fn required<T>(
        &mut self,
        key: &'static str,
        mend: &str,
        read: impl FnOnce(&mut Self) -> Option<T>,
    ) -> Option<T> {
        let faults_before = self.found.borrow().len();
        let value = read(self);
        if value.is_none() && !self.broken && self.found.borrow().len() == faults_before {
            self.fault(key, "", mend);
        }
        value
    }

    /// A number from `least` to `most`, with its unit for the mend.
    pub(super) fn number(
        &mut self,
        key: &'static str,
        least: f64,
        most: f64,
        unit: &str,
    ) -> Option<f64> {
        let value = self.take(key)?;
        match value.as_f64() {
            Some(number) if (least..=most).contains(&number) => Some(number),
            _ => {
                let mend = format!("must be a number from {least} to {most} ({unit})");
                self.fault(key, shown(&value), mend);
                None
            }
        }
    }

    pub(super) fn whole(&mut self, key: &'static str, most: u32, unit: &str) -> Option<u32> {
        let value = self.take(key)?;
        match value.as_u64().and_then(|number| u32::try_from(number).ok()) {
            Some(number) if number <= most => Some(number),
            _ => {
                let mend = format!("must be a whole number from 0 to {most} ({unit})");
                self.fault(key, shown(&value), mend);
                None
            }
        }
    }

    pub(super) fn yes_or_no(&mut self, key: &'static str) -> Option<bool> {
        match self.take(key)? {
            Value::Bool(answer) => Some(answer),
            other => {
                self.fault(key, shown(&other), "must be true or false, without quotation marks");
                None
            }
        }
    }

    /// One of the named choices.
    pub(super) fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&str, T)],
    ) -> Option<T> {
        self.read(key, |text| {
            let chosen = choices.iter().find(|(name, _)| *name == text).map(|(_, choice)| *choice);
            chosen.ok_or_else(|| {
                let names: Vec<_> = choices.iter().map(|(name, _)| *name).collect();
                format!("must be one of: {}", names.join(", "))
            })
        })
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Array(_) => "[…]".to_owned(),
        Value::Object(_) => "{…}".to_owned(),
        other => other.to_string(),
    }
}
