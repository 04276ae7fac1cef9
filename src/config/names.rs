//! The ids that a file gives to things, and finding a thing by its id.

use super::nearest::nearest;
use super::walk::{Table, Value, Walk, shown};
use crate::terms::id::is_id;
use std::collections::BTreeMap;
use std::ops::Range;

/// The ids of one kind of thing, in the order of the file.
#[derive(Debug)]
pub struct Names {
    /// As the sentence calls one: `keeper`, `enclosure`.
    kind: &'static str,
    at: BTreeMap<String, (usize, Range<usize>)>,
}

impl Names {
    pub fn new(kind: &'static str) -> Names {
        Names { kind, at: BTreeMap::new() }
    }

    /// Takes a thing's `id` into the list; a thing without a proper id of its own still counts, nameless.
    pub fn take(&mut self, table: &Table<'_>, index: usize) -> String {
        let Some(value) = table.need("id", &format!("id = \"{}1\"", self.kind)) else { return String::new() };
        let id = value.text().unwrap_or_default();
        self.add(table.walk, &id, &value.span, index);
        id
    }

    /// Adds an id that stands at `span`.
    pub fn add(&mut self, walk: &Walk, id: &str, span: &Range<usize>, index: usize) {
        if !is_id(id) {
            let right = "letters a to z, digits, - _ . and at most 64 of them: it goes into topics and addresses";
            walk.fault(span, format!("\"{}\" cannot be an id", shown(id)), right);
        }
        if let Some((_, first)) = self.at.get(id) {
            let what = format!("two {}s are called \"{}\"", self.kind, shown(id));
            return walk.fault_beside(span, what, "give each an id of its own", first, "the first");
        }
        self.at.insert(id.to_owned(), (index, span.clone()));
    }

    pub fn index(&self, id: &str) -> Option<usize> {
        self.at.get(id).map(|(index, _)| *index)
    }

    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.at.keys().map(String::as_str)
    }

    /// The thing that a value names.
    pub fn find(&self, value: &Value<'_>) -> Option<usize> {
        let id = value.text()?;
        let found = self.index(&id);
        if found.is_none() {
            self.unknown(value.walk, &value.span, &id);
        }
        found
    }

    /// Says that nothing is called this.
    pub fn unknown(&self, walk: &Walk, span: &Range<usize>, id: &str) {
        let right = match nearest(id, self.ids()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None if self.at.is_empty() => format!("the file has no {} yet", self.kind),
            None => format!("there are {}", some(self.ids())),
        };
        walk.missing(span, format!("no {} is called \"{}\"", self.kind, shown(id)), right);
    }
}

/// The first few of a list in words.
fn some<'w>(words: impl Iterator<Item = &'w str>) -> String {
    const MOST: usize = 8;
    let mut words: Vec<_> = words.take(MOST + 1).collect();
    let more = words.len() > MOST;
    words.truncate(MOST);
    words.join(", ") + if more { ", …" } else { "" }
}
