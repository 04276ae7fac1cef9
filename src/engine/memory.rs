//! What survives a restart beside incidents and the desk: what dens and probes have learned, and the feed's gaps.
//!
//! Rows are keyed by ids, not indices, so that a changed configuration takes up what still fits and learns the rest anew.

use super::Engine;
use super::den::Memory;
use crate::finding::feed::Feed;
use crate::finding::{Change, Key, Subject};
use crate::incident::Row;
use crate::terms::id::EnclosureIx;
use crate::terms::time::Now;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD_NO_PAD;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// CBOR in base64 in a JSON string: what is learned holds infinities, which JSON cannot say.
fn pack<T: Serialize>(value: &T) -> Option<String> {
    let mut bytes = Vec::new();
    ciborium::into_writer(value, &mut bytes).ok()?;
    Some(format!("\"{}\"", STANDARD_NO_PAD.encode(bytes)))
}

fn unpack<T: DeserializeOwned>(json: &str) -> Option<T> {
    let bytes = STANDARD_NO_PAD.decode(json.trim_matches('"')).ok()?;
    ciborium::from_reader(bytes.as_slice()).ok()
}

impl Engine {
    /// Everything learned, as rows. Incidents and the desk store themselves with every change.
    pub fn snapshot(&self) -> Vec<Row> {
        let all = 0..u16::try_from(self.world.dens.len()).unwrap_or(u16::MAX);
        let mut rows: Vec<Row> = all.flat_map(|ix| self.memory_of(EnclosureIx(ix))).collect();
        for (name, probe) in self.world.stored_probes() {
            rows.push(Row { key: format!("probe/{name}"), json: pack(&probe) });
        }
        for (room, own) in self.world.rooms.iter().zip(&self.world.settings.rooms) {
            rows.push(Row { key: format!("room/{}", own.id), json: pack(&room.air) });
        }
        rows.push(Row { key: "feed".to_owned(), json: pack(&self.world.feed) });
        rows
    }

    /// What the judges of one enclosure know.
    pub(super) fn memory_of(&self, ix: EnclosureIx) -> Option<Row> {
        let (den, own) = self.world.dens.get(ix.index()).zip(self.world.settings.enclosures.get(ix.index()))?;
        Some(Row { key: format!("den/{}", own.id), json: pack(den.memory()) })
    }

    /// Takes up the rows of an earlier run. Returns, in words, what could not be read and is lost.
    pub fn restore(&mut self, rows: &[Row], now: Now) -> Vec<String> {
        let mut lost = Vec::new();
        self.world.now = now;
        self.book.restore(rows, now, &mut lost);
        if !self.desk.restore(rows, now) {
            lost.push("who was told what could not be read: some mails may come twice".to_owned());
        }
        let probes = rows.iter().filter_map(|row| row.key.strip_prefix("probe/").zip(unpack(row.json.as_deref()?)));
        self.world.recall(probes.collect(), now);
        for row in rows {
            let Some(json) = row.json.as_deref() else { continue };
            if let Some(id) = row.key.strip_prefix("den/") {
                let Some(den) = self.world.enclosure(id).and_then(|ix| self.world.dens.get_mut(ix.index())) else {
                    continue;
                };
                match unpack::<Memory>(json) {
                    Some(memory) => den.restore(memory),
                    None => lost.push(format!("what was learned of {id} could not be read: it is learned anew")),
                }
            } else if let Some(id) = row.key.strip_prefix("room/") {
                let at = self.world.settings.rooms.iter().position(|r| r.id == id);
                if let Some((room, air)) = at.and_then(|at| self.world.rooms.get_mut(at)).zip(unpack(json)) {
                    room.air = air;
                }
            } else if row.key == "feed" {
                self.world.feed = unpack::<Feed>(json).unwrap_or_default();
            }
        }
        self.forget_what_nobody_knows(now);
        self.wish_all();
        lost
    }

    /// Judges and the book were stored at different moments, or for another house. What a judge says stands, stands; what no
    /// judge knows any more would stand for ever, and is calm.
    fn forget_what_nobody_knows(&mut self, now: Now) {
        self.world.retell(&mut self.changes);
        let probes: Vec<Key> = self.changes.iter().map(change_key).collect();
        for key in self.book.standing() {
            let of_den = matches!(key.subject, Subject::Enclosure(_)) && !key.cause.blinds();
            let of_edges = key.subject == Subject::Site;
            // A den's own row is stored with each of its changes, so its findings are as the book has them.
            if !of_den && !of_edges && !probes.contains(&key) {
                self.changes.push(Change::Calm(key));
            }
        }
        for change in std::mem::take(&mut self.changes) {
            self.book.change(change, now, &mut self.steps);
        }
        self.stirred = true;
    }
}

fn change_key(change: &Change) -> Key {
    match change {
        Change::Stands(finding) => finding.key,
        Change::Calm(key) => *key,
    }
}
