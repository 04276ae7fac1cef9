//! What is not on the disk yet, and the one transaction that writes it: rows, mails, gaps and the snapshot together.

use super::outbox::Outbox;
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::terms::time::Wall;
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::collections::BTreeMap;

/// Gaps that may wait for the disk: a link that flaps for days while the disk refuses must not fill the memory.
const MOST_GAPS: usize = 10_000;

/// Memory is ahead of the disk by this much. Empty in the steady state.
pub(super) struct Pending {
    rows: BTreeMap<String, Option<String>>,
    pub outbox: Outbox,
    gaps: Vec<Gap>,
    snapshot: Option<Vec<(String, Vec<u8>)>>,
}

enum Gap {
    Begins { at: Wall, why: String },
    Ends { at: Wall, why: String },
    Whole { since: i64, until: i64, why: &'static str },
}

impl Pending {
    pub fn new(outbox: Outbox) -> Pending {
        Pending { rows: BTreeMap::new(), outbox, gaps: Vec::new(), snapshot: None }
    }

    /// Leaves only the gaps: rows and mails belong to a past that is not this store's.
    pub fn forget(&mut self) {
        (self.rows, self.outbox, self.snapshot) = (BTreeMap::new(), Outbox::empty(), None);
    }

    /// Takes a commit. A notice that the outbox ever had is not taken again; where the disk cannot say, it is taken.
    pub fn add(&mut self, db: Option<&Connection>, at: Wall, rows: Vec<Row>, notices: Vec<NoticeRow>) {
        self.rows.extend(rows.into_iter().map(|row| (row.key, row.json)));
        for notice in notices {
            let known = db.map(|db| {
                db.prepare_cached("SELECT 1 FROM mail WHERE notice = ?")
                    .and_then(|mut s| s.query_row([&notice.id], |_| Ok(())).optional())
            });
            if !matches!(known, Some(Ok(Some(())))) {
                self.outbox.add(notice, at);
            }
        }
    }

    pub fn gap_begins(&mut self, at: Wall, why: String) {
        self.push_gap(Gap::Begins { at, why });
    }

    pub fn gap_ends(&mut self, at: Wall, why: String) {
        self.push_gap(Gap::Ends { at, why });
    }

    pub fn gap(&mut self, since: i64, until: i64, why: &'static str) {
        self.push_gap(Gap::Whole { since, until, why });
    }

    fn push_gap(&mut self, gap: Gap) {
        if self.gaps.len() >= MOST_GAPS {
            self.gaps.remove(0);
        }
        self.gaps.push(gap);
    }

    pub fn snapshot(&mut self, snapshot: Vec<(String, Vec<u8>)>) {
        self.snapshot = Some(snapshot);
    }

    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
            && self.gaps.is_empty()
            && self.snapshot.is_none()
            && self.outbox.entries.values().all(|e| !e.dirty)
    }

    /// Writes all of it into a transaction that the caller commits; `step` is asked before each statement.
    pub fn write(
        &self,
        db: &Transaction<'_>,
        step: &dyn Fn(&'static str) -> rusqlite::Result<()>,
    ) -> rusqlite::Result<()> {
        for (key, json) in &self.rows {
            step("state row")?;
            match json {
                Some(json) => db.prepare_cached("INSERT OR REPLACE INTO state VALUES(?, ?)")?.execute((key, json))?,
                None => db.prepare_cached("DELETE FROM state WHERE key = ?")?.execute([key])?,
            };
        }
        self.write_mails(db, step)?;
        for gap in &self.gaps {
            step("gap")?;
            match gap {
                Gap::Begins { at, why } => db
                    .prepare_cached(
                        "INSERT INTO gap(since, why) SELECT ?1, ?2
                         WHERE NOT EXISTS(SELECT 1 FROM gap WHERE until IS NULL AND why = ?2)",
                    )?
                    .execute((at.as_ms(), why))?,
                Gap::Ends { at, why } => db
                    .prepare_cached("UPDATE gap SET until = max(since, ?) WHERE until IS NULL AND why = ?")?
                    .execute((at.as_ms(), why))?,
                Gap::Whole { since, until, why } => db
                    .prepare_cached("INSERT INTO gap(since, until, why) VALUES(?, ?, ?)")?
                    .execute((since, until, why))?,
            };
        }
        if let Some(snapshot) = &self.snapshot {
            step("snapshot")?;
            db.execute("DELETE FROM snapshot", [])?;
            for (key, data) in snapshot {
                step("snapshot part")?;
                db.prepare_cached("INSERT OR REPLACE INTO snapshot VALUES(?, ?)")?.execute((key, data))?;
            }
        }
        Ok(())
    }

    fn write_mails(
        &self,
        db: &Transaction<'_>,
        step: &dyn Fn(&'static str) -> rusqlite::Result<()>,
    ) -> rusqlite::Result<()> {
        for (row, entry) in self.outbox.entries.iter().filter(|(_, e)| e.dirty) {
            let mail = &entry.mail;
            step("mail")?;
            let json = serde_json::to_string(&mail.notice)
                .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
            db.prepare_cached(
                "INSERT INTO mail(id, notice, json, waits, queued_at, attempts, next) VALUES(?, ?, ?, ?, ?, ?, ?)
                 ON CONFLICT(id) DO UPDATE SET
                     waits = excluded.waits, attempts = excluded.attempts, next = excluded.next
                 ON CONFLICT(notice) DO NOTHING",
            )?
            .execute((
                row,
                &mail.notice.id,
                json,
                mail.waits(),
                mail.queued_at.as_ms(),
                mail.attempts,
                mail.next.as_ms(),
            ))?;
            for (place, to) in mail.to.iter().enumerate() {
                step("recipient")?;
                db.prepare_cached("INSERT OR REPLACE INTO mail_to VALUES(?, ?, ?, ?, ?, ?)")?.execute((
                    row,
                    place as i64,
                    &to.keeper,
                    &to.address,
                    to.fate.word(),
                    &to.words,
                ))?;
            }
        }
        Ok(())
    }

    /// The transaction is on the disk.
    pub fn written(&mut self) {
        self.rows.clear();
        self.gaps.clear();
        self.snapshot = None;
        self.outbox.written();
    }
}
