//! What of the book outlives the process: its rows, what is taken back from them, and what is remembered no more.

use super::book::Book;
use super::{Incident, PAST, Row, id, stored};
use crate::terms::time::{Now, Span};

/// How long an ended incident is kept in memory, for the weekly letter.
const REMEMBERED: Span = Span::days(8);
const MOST_REMEMBERED: usize = 2_000;

impl Book {
    pub(super) fn forget(&mut self, now: Now) {
        let old = |i: &Incident| i.ended.is_some_and(|e| now.mono.since(e.mono) > REMEMBERED);
        while let Some(at) = self.incidents.iter().position(old) {
            self.file_away(at);
        }
        while self.incidents.len() > MOST_REMEMBERED {
            match self.incidents.iter().position(|i| !i.is_open()) {
                Some(at) => self.file_away(at),
                None => break,
            };
        }
    }

    /// Its row moves among those that nobody takes back: named by when it ended, so that the store can let them age.
    fn file_away(&mut self, at: usize) {
        let incident = self.incidents.remove(at);
        if let (Some(ended), Some(json)) = (incident.ended, stored::incident(&incident, &self.house)) {
            let key = format!("{PAST}{}/{}", ended.wall.rfc3339(), incident.id);
            self.filed.push(Row { key, json: Some(json) });
        }
        self.touch(&incident.id);
    }

    /// The rows that have changed since the last call. Incidents that ended long ago are rows under [`PAST`] from then on:
    /// the history.
    pub fn rows(&mut self) -> Vec<Row> {
        let keys = std::mem::take(&mut self.changed);
        let mut rows = std::mem::take(&mut self.filed);
        rows.extend(keys.into_iter().map(|key| {
            let json = self.row(&key);
            Row { key, json }
        }));
        rows
    }

    fn row(&self, key: &str) -> Option<String> {
        if let Some(id) = key.strip_prefix("incident/") {
            return self.get(id).and_then(|i| stored::incident(i, &self.house));
        }
        if let Some(id) = key.strip_prefix("shelf/") {
            return self
                .house
                .find(id)
                .and_then(|ix| self.shelves.get(&ix))
                .and_then(|s| stored::shelf(s, &self.house));
        }
        Some(format!("{{\"next\":{}}}", self.next))
    }

    /// Takes back what [`Book::rows`] gave, in any order. What cannot be read is left out and named in `lost`;
    /// a shelf that cannot be read is no shelf.
    pub fn restore(&mut self, rows: &[Row], now: Now, lost: &mut Vec<String>) {
        for row in rows {
            let Some(json) = &row.json else { continue };
            let taken = if row.key.starts_with("incident/") {
                stored::read_incident(json, &self.house, now).map(|i| self.incidents.push(i)).is_some()
            } else if let Some(id) = row.key.strip_prefix("shelf/") {
                let shelf = self.house.find(id).zip(stored::read_shelf(json, &self.house));
                shelf.map(|(ix, shelf)| self.shelves.insert(ix, shelf)).is_some()
            } else if row.key == "book" {
                stored::read_next(json).map(|next| self.next = self.next.max(next)).is_some()
            } else {
                true
            };
            if !taken {
                lost.push(row.key.clone());
            }
        }
        self.incidents.sort_by(|a, b| (id::number(&a.id), &a.id).cmp(&(id::number(&b.id), &b.id)));
        let highest = self.incidents.iter().filter_map(|i| id::number(&i.id)).max();
        self.next = self.next.max(highest.map_or(0, |n| n.saturating_add(1)));
        self.forget(now);
    }
}
