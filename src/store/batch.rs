//! Readings of a batch into rows, the numbers of their probes, and the moment at which we were last alive.

use super::Names;
use super::archive::MOST_PROBES;
use super::handle::{Kept, Waiting};
use crate::reading::{Slot, Target};
use crate::terms::time::Now;
use rusqlite::{OptionalExtension, Transaction};
use std::collections::BTreeMap;

/// Inserts the readings of a batch, and numbers the probes that are new.
pub(super) fn insert(
    db: &Transaction<'_>,
    batch: &Waiting,
    probes: &mut BTreeMap<(Target, Slot), Option<i64>>,
    names: &Names,
) -> rusqlite::Result<()> {
    let mut rows = Vec::with_capacity(batch.kept.len());
    for Kept { target, slot, t, v } in &batch.kept {
        let probe = match probes.get(&(*target, *slot)) {
            Some(probe) => *probe,
            None => {
                let probe = number(db, names.of(*target, *slot))?;
                probes.insert((*target, *slot), probe);
                probe
            }
        };
        rows.extend(probe.map(|probe| (probe, *t, *v)));
    }
    // In the order of the table a row costs SQLite a third. Stable: of one moment the later reading stays.
    rows.sort_by_key(|(probe, t, _)| (*probe, *t));
    let mut insert = db.prepare_cached("INSERT OR REPLACE INTO reading VALUES(?, ?, ?)")?;
    for row in rows {
        insert.execute(row)?;
    }
    Ok(())
}

/// A probe's number, given out when it is first heard; `None` when it has no name or there are too many.
fn number(db: &Transaction<'_>, name: Option<String>) -> rusqlite::Result<Option<i64>> {
    let Some(name) = name else { return Ok(None) };
    let known =
        db.prepare_cached("SELECT id FROM probe WHERE name = ?")?.query_row([&name], |r| r.get(0)).optional()?;
    if let Some(id) = known {
        return Ok(Some(id));
    }
    db.prepare_cached("INSERT INTO probe(name) VALUES(?)")?.execute([&name])?;
    let id = db.last_insert_rowid();
    Ok((id < MOST_PROBES).then_some(id))
}

/// When we were last alive, in the same transaction as what was last written: what follows it is a gap.
pub(super) fn alive(db: &Transaction<'_>, now: Now) -> rusqlite::Result<()> {
    let mut put = db.prepare_cached("INSERT OR REPLACE INTO meta VALUES(?, ?)")?;
    put.execute(("last_mono", now.mono.as_ms()))?;
    put.execute(("last_wall", now.wall.as_ms()))?;
    Ok(())
}
