//! Suppression that always ends by itself: hands in an enclosure, or an alarm shelved by a keeper (IEC 62682).

use super::Step;
use super::book::Book;
use crate::finding::Finding;
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};

const LONGEST_HANDS_IN: Span = Span::h(12);
const LONGEST_SHELF: Span = Span::days(60);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Suppressed by design: somebody works in the enclosure.
    HandsIn,
    Shelved,
}

/// One enclosure's shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shelf {
    pub kind: Kind,
    pub by: String,
    pub since: Now,
    pub until: Mono,
    /// What was found meanwhile and still stands.
    pub held: Vec<Finding>,
}

impl Book {
    /// Somebody works in an enclosure for a while (at most 12 h). `false`: no such enclosure, or no length.
    pub fn hands_in(&mut self, ix: EnclosureIx, by: &str, length: Span, now: Now) -> bool {
        self.suppress(ix, Kind::HandsIn, by, length.min(LONGEST_HANDS_IN), now)
    }

    /// A keeper shelves an enclosure until then (at most 60 days). `false`: no such enclosure, or that time is over.
    pub fn shelve(&mut self, ix: EnclosureIx, by: &str, until: Wall, now: Now) -> bool {
        self.suppress(ix, Kind::Shelved, by, until.since(now.wall).min(LONGEST_SHELF), now)
    }

    fn suppress(&mut self, ix: EnclosureIx, kind: Kind, by: &str, length: Span, now: Now) -> bool {
        if length <= Span::ZERO || self.house.get(ix).is_none() {
            return false;
        }
        let until = now.mono + length;
        let held = self.shelves.remove(&ix).map(|s| s.held).unwrap_or_default();
        self.shelves.insert(ix, Shelf { kind, by: by.to_owned(), since: now, until, held });
        self.record_shelf(ix, now, by, if kind == Kind::HandsIn { "hands in" } else { "shelved" });
        self.touch_shelf(ix);
        true
    }

    /// Ends a shelf or hands-in early. `false`: there is none.
    pub fn unshelve(&mut self, ix: EnclosureIx, by: &str, now: Now, out: &mut Vec<Step>) -> bool {
        let Some(shelf) = self.shelves.remove(&ix) else { return false };
        self.touch_shelf(ix);
        self.record_shelf(ix, now, by, "unshelved");
        for finding in shelf.held {
            self.stands(finding, now, out);
        }
        true
    }

    fn record_shelf(&mut self, ix: EnclosureIx, now: Now, by: &str, what: &str) {
        for incident in self.incidents.iter_mut().filter(|i| i.is_open() && i.members().contains(&ix)) {
            incident.record(now, by, what);
            self.changed.insert(format!("incident/{}", incident.id));
        }
    }

    pub(super) fn resume(&mut self, ix: EnclosureIx, now: Now, out: &mut Vec<Step>) {
        let Some(shelf) = self.shelves.remove(&ix) else { return };
        self.touch_shelf(ix);
        self.record_shelf(ix, now, "warmside", "watched again: its time was over");
        let incident = self.open().find(|i| i.members().contains(&ix)).map(|i| i.id.clone());
        out.push(Step::Resumed { enclosure: ix, kind: shelf.kind, by: shelf.by, incident, held: shelf.held.len() });
        for finding in shelf.held {
            self.stands(finding, now, out);
        }
    }

    pub(super) fn touch_shelf(&mut self, ix: EnclosureIx) {
        self.changed.insert(format!("shelf/{}", self.house.id(ix)));
    }
}
