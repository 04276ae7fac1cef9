//! Walks the spanned tree of a file: every key is asked for by name, what nobody asked for is an unknown key.

use super::fault::Fault;
use super::nearest::nearest;
use std::cell::RefCell;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

type Span = Range<usize>;

/// Collects what is wrong while the tables are walked.
#[derive(Debug, Default)]
pub struct Walk {
    faults: RefCell<Vec<Fault>>,
}

impl Walk {
    fn push(&self, span: &Span, warning: bool, absence: bool, what: String, right: String) {
        let right = (!right.is_empty()).then_some(right);
        self.faults.borrow_mut().push(Fault { span: span.clone(), warning, absence, what, right, also: None });
    }
    /// Something is wrong here; `right` says what would not be (empty: nothing to add).
    pub fn fault(&self, span: &Span, what: impl Into<String>, right: impl Into<String>) {
        self.push(span, false, false, what.into(), right.into());
    }
    /// Something that ought to be in the file is not.
    pub fn missing(&self, span: &Span, what: impl Into<String>, right: impl Into<String>) {
        self.push(span, false, true, what.into(), right.into());
    }
    /// Told, and obeyed all the same.
    pub fn doubt(&self, span: &Span, what: impl Into<String>, right: impl Into<String>) {
        self.push(span, true, true, what.into(), right.into());
    }
    /// As [`Walk::fault`], with another place that belongs to it.
    pub fn fault_beside(&self, span: &Span, what: impl Into<String>, right: &str, also: &Span, label: &str) {
        self.fault(span, what, right);
        if let Some(fault) = self.faults.borrow_mut().last_mut() {
            fault.also = Some((also.clone(), label.to_owned()));
        }
    }
    pub fn into_faults(self) -> Vec<Fault> {
        self.faults.into_inner()
    }
}

/// A table of the file, or one that is not there (then every key of it is absent).
#[derive(Debug)]
pub struct Table<'a> {
    pub walk: &'a Walk,
    map: Option<&'a DeTable<'a>>,
    /// Its header, or the inline table.
    pub span: Span,
    /// As a keeper would call it: `[site]`, `[[link]]`.
    pub name: String,
    asked: RefCell<Vec<&'static str>>,
}

/// A value and its key.
#[derive(Clone, Debug)]
pub struct Value<'a> {
    pub walk: &'a Walk,
    pub key: String,
    pub key_span: Span,
    pub span: Span,
    pub value: &'a DeValue<'a>,
}

impl<'a> Table<'a> {
    pub fn root(walk: &'a Walk, map: &'a DeTable<'a>) -> Table<'a> {
        Table { walk, map: Some(map), span: 0..0, name: "the file".into(), asked: RefCell::default() }
    }

    pub fn is_there(&self) -> bool {
        self.map.is_some()
    }

    /// The value of a key. Asking makes the key known.
    pub fn get(&self, key: &'static str) -> Option<Value<'a>> {
        self.asked.borrow_mut().push(key);
        let (key, value) = self.map?.get_key_value(key)?;
        Some(self.value(key, value))
    }

    fn value(&self, key: &'a Spanned<toml::de::DeString<'a>>, value: &'a Spanned<DeValue<'a>>) -> Value<'a> {
        Value {
            walk: self.walk,
            key: key.get_ref().clone().into_owned(),
            key_span: key.span(),
            span: value.span(),
            value: value.get_ref(),
        }
    }

    /// The value of a key that must be there.
    pub fn need(&self, key: &'static str, example: &str) -> Option<Value<'a>> {
        let value = self.get(key);
        if value.is_none() && self.is_there() {
            self.walk.missing(&self.span, format!("{} has no `{key}`", self.name), format!("add `{example}`"));
        }
        value
    }

    /// A sub-table; where it is not there, an absent one.
    pub fn table(&self, key: &'static str, name: &str) -> Table<'a> {
        match self.get(key) {
            Some(value) => value.table(name),
            None => Table::absent(self.walk, name),
        }
    }

    fn absent(walk: &'a Walk, name: &str) -> Table<'a> {
        Table { walk, map: None, span: 0..0, name: name.to_owned(), asked: RefCell::default() }
    }

    /// The tables of `[[key]]`.
    pub fn tables(&self, key: &'static str, name: &str) -> Vec<Table<'a>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        match value.value {
            DeValue::Array(_) => value.list().iter().map(|v| v.table(name)).filter(Table::is_there).collect(),
            DeValue::Table(_) => {
                let right = format!("there may be several: write {name} in double brackets");
                self.walk.fault(&value.span, format!("`[{key}]` is not a list of tables"), right);
                Vec::new()
            }
            _ => {
                value.wrong_type(&format!("tables as {name}"));
                Vec::new()
            }
        }
    }

    /// Every key and value in the order of the file, for tables whose keys are the keeper's own words.
    pub fn entries(&self) -> Vec<Value<'a>> {
        let mut all: Vec<_> = self.map.into_iter().flatten().map(|(k, v)| self.value(k, v)).collect();
        all.sort_by_key(|v| v.key_span.start);
        all
    }

    /// Says which keys nobody asked for. Call it when everything has been asked.
    pub fn finish(&self) {
        let asked = self.asked.borrow();
        for entry in self.entries().iter().filter(|e| !asked.contains(&e.key.as_str())) {
            let right = match nearest(&entry.key, asked.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => {
                    let mut known = asked.clone();
                    known.sort_unstable();
                    known.dedup();
                    format!("known here: {}", known.join(", "))
                }
            };
            self.walk.fault(&entry.key_span, format!("{} knows no key `{}`", self.name, shown(&entry.key)), right);
        }
    }
}

impl<'a> Value<'a> {
    pub fn wrong_type(&self, wanted: &str) {
        let found = match self.value {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        self.walk.fault(&self.span, format!("`{}` is {found}", shown(&self.key)), format!("it wants {wanted}"));
    }

    /// Says that the value is wrong.
    pub fn fault(&self, what: impl Into<String>, right: impl Into<String>) {
        self.walk.fault(&self.span, what, right);
    }

    /// Text. A bare date or time is taken as the text that it is.
    pub fn text(&self) -> Option<String> {
        match self.value {
            DeValue::String(text) => Some(text.clone().into_owned()),
            DeValue::Datetime(when) => Some(when.to_string()),
            _ => {
                self.wrong_type("a text in quotes");
                None
            }
        }
    }

    /// Text that is a whole line of its own: not empty, without control characters, bounded.
    pub fn line(&self) -> Option<String> {
        const LONGEST: usize = 500;
        let text = self.text()?;
        let fault = match () {
            () if text.trim().is_empty() => "is empty",
            () if text.chars().any(char::is_control) => "holds a line break or another control character",
            () if text.len() > LONGEST => "is longer than 500 bytes",
            () => return Some(text),
        };
        self.fault(format!("`{}` {fault}", shown(&self.key)), "write one line of text");
        None
    }

    /// A finite number.
    pub fn number(&self) -> Option<f64> {
        let number = match self.value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|n| n as f64),
            DeValue::Float(f) => f.as_str().parse::<f64>().ok().filter(|n| n.is_finite()),
            _ => {
                self.wrong_type("a number");
                return None;
            }
        };
        if number.is_none() {
            self.fault(format!("`{}` is no number to reckon with", shown(&self.key)), "write a plain number, as 29.5");
        }
        number
    }

    /// A whole number within bounds, both included.
    pub fn whole(&self, least: i64, most: i64) -> Option<i64> {
        let number = match self.value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok(),
            _ => {
                self.wrong_type("a whole number");
                return None;
            }
        };
        let within = number.filter(|n| (least..=most).contains(n));
        if within.is_none() {
            self.fault(format!("`{}` is out of range", shown(&self.key)), format!("from {least} to {most}"));
        }
        within
    }

    pub fn flag(&self) -> Option<bool> {
        let DeValue::Boolean(flag) = self.value else {
            self.wrong_type("true or false");
            return None;
        };
        Some(*flag)
    }

    /// The items of a list; each carries the key of the list.
    pub fn list(&self) -> Vec<Value<'a>> {
        let DeValue::Array(items) = self.value else {
            self.wrong_type("a list in brackets");
            return Vec::new();
        };
        let item = |item: &'a Spanned<DeValue<'a>>| Value {
            walk: self.walk,
            key: self.key.clone(),
            key_span: self.key_span.clone(),
            span: item.span(),
            value: item.get_ref(),
        };
        items.iter().map(item).collect()
    }

    /// A table; where it is none, an absent one (and a fault).
    pub fn table(&self, name: &str) -> Table<'a> {
        match self.value {
            DeValue::Table(map) => Table {
                walk: self.walk,
                map: Some(map),
                span: self.span.clone(),
                name: name.to_owned(),
                asked: RefCell::default(),
            },
            _ => {
                self.wrong_type("a table");
                Table::absent(self.walk, name)
            }
        }
    }

    /// A text that is one of a few words.
    pub fn word<T: Copy>(&self, words: &[(&str, T)]) -> Option<T> {
        let text = self.text()?;
        let found = words.iter().find(|(word, _)| *word == text).map(|(_, t)| *t);
        if found.is_none() {
            let right = match nearest(&text, words.iter().map(|(word, _)| *word)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("one of {}", words.iter().map(|(w, _)| *w).collect::<Vec<_>>().join(", ")),
            };
            self.fault(format!("`{}` cannot be \"{}\"", shown(&self.key), shown(&text)), right);
        }
        found
    }

    /// Reads the text with `read`, which says what would be right where it is wrong.
    pub fn read<T>(&self, what: &str, read: impl FnOnce(&str) -> Result<T, String>) -> Option<T> {
        let text = self.text()?;
        match read(&text) {
            Ok(read) => Some(read),
            Err(right) => {
                self.fault(format!("\"{}\" is no {what}", shown(&text)), right);
                None
            }
        }
    }
}

/// A keeper's words in our sentence: no control characters, not endlessly long.
pub fn shown(text: &str) -> String {
    const MOST: usize = 60;
    let mut out: String = text.chars().take(MOST).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if text.chars().nth(MOST).is_some() {
        out.push('…');
    }
    out
}
