//! The read side: a read-only connection of its own for pages, reports and backups. Reads are short and block no writer.

use super::archive::key;
use super::pack::{self, DAY_MS, HOUR_MS, Point};
use super::{Error, FILE, Fate, Recipient, opening};
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::terms::time::Wall;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Transaction};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Pages of the file that a reader keeps in memory, KiB. SQLite's own 2,000 for every thread that ever read one would be what a house takes
/// most memory for: an allocator keeps what a thread had. The system has these pages in its own cache.
const CACHE_KIB: i64 = 256;

/// One day of a probe.
const A_DAY: &str = "SELECT data FROM summary WHERE key = ?";

/// One for each thread that reads; blocks for milliseconds, so call it from `spawn_blocking`.
pub struct Reader {
    db: Connection,
    folder: PathBuf,
}

/// Ten minutes of a probe, in the unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    pub from: Wall,
    pub readings: u32,
    pub min: f64,
    pub mean: f64,
    pub max: f64,
}

/// When readings were missed, and why. `until`: `None` while it lasts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gap {
    pub since: Wall,
    pub until: Option<Wall>,
    pub why: String,
}

/// One line of what a mail says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Headline {
    pub number: i64,
    pub queued_at: Wall,
    pub subject: String,
    /// The notice as one line of JSON.
    pub json: String,
}

/// A mail as the page shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    pub notice: NoticeRow,
    pub queued_at: Wall,
    pub attempts: u32,
    /// When it is tried next, if it still waits.
    pub next: Option<Wall>,
    pub to: Vec<Recipient>,
}

impl Reader {
    pub fn open(folder: &Path) -> Result<Reader, Error> {
        let refuse = |e: rusqlite::Error| Error::Database(opening::words(folder, &e));
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(folder.join(FILE), flags).map_err(refuse)?;
        db.busy_timeout(std::time::Duration::from_secs(2)).map_err(refuse)?;
        // Negative: in KiB and not in pages (SQLite, PRAGMA cache_size).
        db.pragma_update(None, "cache_size", -CACHE_KIB).map_err(refuse)?;
        Ok(Reader { db, folder: folder.to_owned() })
    }

    fn read<T>(&self, read: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>) -> Result<T, Error> {
        // One transaction, so that an hour that is being packed is seen as rows or as a chunk, never both or neither.
        self.db
            .unchecked_transaction()
            .and_then(|transaction| read(&transaction))
            .map_err(|e| Error::Database(opening::words(&self.folder, &e)))
    }

    /// Names of all probes that were ever stored, in order.
    pub fn probes(&self) -> Result<Vec<String>, Error> {
        self.read(|db| {
            db.prepare_cached("SELECT name FROM probe ORDER BY name")?.query_map([], |r| r.get(0))?.collect()
        })
    }

    /// Readings of a probe from `from` (inclusive) to `to` (exclusive), in order; at most the first `at_most`.
    pub fn readings(&self, probe: &str, from: Wall, to: Wall, at_most: usize) -> Result<Vec<(Wall, f64)>, Error> {
        let (from, to) = (from.as_ms(), to.as_ms());
        let points = self.read(|db| {
            let Some(probe) = id(db, probe)? else { return Ok(Vec::new()) };
            points(db, probe, from, to, at_most)
        })?;
        Ok(points.into_iter().map(|(t, v)| (Wall::from_ms(t), v as f64 / 1_000.0)).collect())
    }

    /// Summaries of every ten minutes that begin from `from` (inclusive) to `to` (exclusive), in order.
    pub fn summaries(&self, probe: &str, from: Wall, to: Wall) -> Result<Vec<Summary>, Error> {
        let (from, to) = (from.as_ms(), to.as_ms());
        self.read(|db| {
            let Some(probe) = id(db, probe)? else { return Ok(Vec::new()) };
            let mut found = BTreeMap::new();
            let mut stored = db.prepare_cached(A_DAY)?;
            for day in existing(db, "summary", from.div_euclid(DAY_MS), to.div_euclid(DAY_MS))? {
                let Some(data) = stored.query_row([key(day, probe)], |r| r.get::<_, Vec<u8>>(0)).optional()? else {
                    continue;
                };
                add_summaries(&mut found, day, &pack::unpack_summaries(&data).unwrap_or_default());
            }
            // The open hours have none yet: of their rows, day by day.
            let open = rows(db, probe, i64::MIN, i64::MAX, usize::MAX)?;
            for day in open.chunk_by(|a, b| a.0.div_euclid(DAY_MS) == b.0.div_euclid(DAY_MS)) {
                let number = day[0].0.div_euclid(DAY_MS);
                add_summaries(&mut found, number, &pack::summarize(number * DAY_MS, day));
            }
            Ok(found.into_values().filter(|s: &Summary| (from..to).contains(&s.from.as_ms())).collect())
        })
    }

    /// How often a day of summaries has been looked for.
    #[cfg(test)]
    pub fn looked_for_summaries(&self) -> i32 {
        self.db.prepare_cached(A_DAY).unwrap().get_status(rusqlite::StatementStatus::Run)
    }

    /// What was missed between two instants, in order.
    pub fn gaps(&self, from: Wall, to: Wall) -> Result<Vec<Gap>, Error> {
        self.read(|db| {
            db.prepare_cached(
                "SELECT since, until, why FROM gap WHERE since < ?2 AND (until IS NULL OR until > ?1) ORDER BY since, id",
            )?
            .query_map((from.as_ms(), to.as_ms()), |r| {
                let until: Option<i64> = r.get(1)?;
                Ok(Gap { since: Wall::from_ms(r.get(0)?), until: until.map(Wall::from_ms), why: r.get(2)? })
            })?
            .collect()
        })
    }

    /// Rows of engine state whose key begins so, in order.
    pub fn rows(&self, prefix: &str) -> Result<Vec<Row>, Error> {
        self.read(|db| {
            db.prepare_cached(
                "SELECT key, json FROM state WHERE key >= ?1 AND substr(key, 1, length(?1)) = ?1 ORDER BY key",
            )?
            .query_map([prefix], |r| Ok(Row { key: r.get(0)?, json: Some(r.get(1)?) }))?
            .collect()
        })
    }

    /// The newest rows of engine state before a key, whose key begins and ends so; newest first.
    pub fn newest_rows(&self, prefix: &str, before: &str, ending: &str, at_most: usize) -> Result<Vec<Row>, Error> {
        self.read(|db| {
            db.prepare_cached(
                "SELECT key, json FROM state WHERE key >= ?1 AND key < ?2 AND substr(key, 1, length(?1)) = ?1
                 AND (?3 = '' OR substr(key, -length(?3)) = ?3) ORDER BY key DESC LIMIT ?4",
            )?
            .query_map((prefix, before, ending, i64::try_from(at_most).unwrap_or(i64::MAX)), |r| {
                Ok(Row { key: r.get(0)?, json: Some(r.get(1)?) })
            })?
            .collect()
        })
    }

    /// The newest marks of the ledger whose words begin so; newest first.
    pub fn marks(&self, beginning: &str, at_most: usize) -> Result<Vec<Row>, Error> {
        self.read(|db| {
            db.prepare_cached(
                "SELECT key, json FROM state WHERE key >= 'mark/' AND key < 'mark0'
                 AND substr(json ->> '$.what', 1, length(?1)) = ?1 ORDER BY key DESC LIMIT ?2",
            )?
            .query_map((beginning, i64::try_from(at_most).unwrap_or(i64::MAX)), |r| {
                Ok(Row { key: r.get(0)?, json: Some(r.get(1)?) })
            })?
            .collect()
        })
    }

    /// What mails say in one line, newest first: the number of each in the store, when it was queued, its subject and its
    /// notice as JSON. Only those above a number, so that whoever remembers the rest reads a mail once.
    pub fn headlines(&self, above: i64, at_most: u32) -> Result<Vec<Headline>, Error> {
        self.read(|db| {
            db.prepare_cached(
                "SELECT id, queued_at, json ->> '$.subject', json ->> '$.json' FROM mail WHERE id > ?1
                 ORDER BY id DESC LIMIT ?2",
            )?
            .query_map((above, at_most), |r| {
                Ok(Headline {
                    number: r.get(0)?,
                    queued_at: Wall::from_ms(r.get(1)?),
                    subject: r.get::<_, Option<String>>(2)?.unwrap_or_default(),
                    json: r.get::<_, Option<String>>(3)?.unwrap_or_default(),
                })
            })?
            .collect()
        })
    }

    /// The last mails, newest first.
    pub fn mails(&self, at_most: u32) -> Result<Vec<Sent>, Error> {
        self.mails_where("1", "", at_most)
    }

    /// The mail of one notice.
    pub fn mail(&self, notice: &str) -> Result<Option<Sent>, Error> {
        Ok(self.mails_where("notice = ?1", notice, 1)?.pop())
    }

    fn mails_where(&self, condition: &str, value: &str, at_most: u32) -> Result<Vec<Sent>, Error> {
        self.read(|db| {
            let sql = format!(
                "SELECT id, json, queued_at, attempts, next, waits FROM mail WHERE {condition} AND ?1 = ?1
                 ORDER BY id DESC LIMIT ?2"
            );
            let found: Vec<(i64, String, i64, u32, i64, bool)> = db
                .prepare_cached(&sql)?
                .query_map((value, at_most), |r| {
                    Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?))
                })?
                .collect::<rusqlite::Result<_>>()?;
            let mut mails = Vec::new();
            for (id, json, queued_at, attempts, next, waits) in found {
                // A row of an older form that no longer reads is no reason to show none.
                let Ok(notice) = serde_json::from_str(&json) else { continue };
                mails.push(Sent {
                    notice,
                    queued_at: Wall::from_ms(queued_at),
                    attempts,
                    next: waits.then(|| Wall::from_ms(next)),
                    to: recipients(db, id)?,
                });
            }
            Ok(mails)
        })
    }

    /// A copy of the whole store as it is at this moment, while the writer goes on, with what was tied on the page.
    pub fn backup(&self, to: &Path) -> Result<(), Error> {
        super::copy::make(&self.db, &self.folder, to)
    }
}

pub(super) fn recipients(db: &Connection, mail: i64) -> rusqlite::Result<Vec<Recipient>> {
    db.prepare_cached("SELECT keeper, address, fate, words FROM mail_to WHERE mail = ? ORDER BY place")?
        .query_map([mail], |r| {
            let fate: String = r.get(2)?;
            Ok(Recipient {
                keeper: r.get(0)?,
                address: r.get(1)?,
                fate: Fate::from_word(&fate).unwrap_or(Fate::Waiting),
                words: r.get(3)?,
            })
        })?
        .collect()
}

fn id(db: &Transaction<'_>, probe: &str) -> rusqlite::Result<Option<i64>> {
    db.prepare_cached("SELECT id FROM probe WHERE name = ?")?.query_row([probe], |r| r.get(0)).optional()
}

/// The first and the last key of a table. Both in one SELECT would read the whole table: SQLite goes straight to one end only.
pub(super) fn ends(table: &str) -> String {
    format!("SELECT (SELECT min(key) FROM {table}), (SELECT max(key) FROM {table})")
}

/// The periods of a table between two that can have anything: a span of centuries costs what is stored.
fn existing(db: &Transaction<'_>, table: &str, from: i64, to: i64) -> rusqlite::Result<std::ops::RangeInclusive<i64>> {
    let (least, most): (Option<i64>, Option<i64>) =
        db.prepare_cached(&ends(table))?.query_row([], |r| Ok((r.get(0)?, r.get(1)?)))?;
    Ok(match (least, most) {
        (Some(least), Some(most)) => from.max(super::archive::period(least))..=to.min(super::archive::period(most)),
        _ => std::ops::RangeInclusive::new(1, 0),
    })
}

fn points(db: &Transaction<'_>, probe: i64, from: i64, to: i64, at_most: usize) -> rusqlite::Result<Vec<Point>> {
    let mut found = Vec::new();
    let mut stored = db.prepare_cached("SELECT data FROM chunk WHERE key = ?")?;
    for hour in existing(db, "chunk", from.div_euclid(HOUR_MS), to.div_euclid(HOUR_MS))? {
        if found.len() >= at_most {
            break;
        }
        if let Some(data) = stored.query_row([key(hour, probe)], |r| r.get::<_, Vec<u8>>(0)).optional()? {
            let points = pack::unpack(hour * HOUR_MS, &data).unwrap_or_default();
            found.extend(points.into_iter().filter(|p| (from..to).contains(&p.0)));
        }
    }
    // Rows are younger than chunks but for a clock that was set back: sorting mends that.
    found.extend(rows(db, probe, from, to, at_most)?);
    found.sort_by_key(|p| p.0);
    found.truncate(at_most);
    Ok(found)
}

fn rows(db: &Transaction<'_>, probe: i64, from: i64, to: i64, at_most: usize) -> rusqlite::Result<Vec<Point>> {
    db.prepare_cached("SELECT t, v FROM reading WHERE probe = ? AND t >= ? AND t < ? ORDER BY t LIMIT ?")?
        .query_map((probe, from, to, i64::try_from(at_most).unwrap_or(i64::MAX)), |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect()
}

/// Of ten minutes that come twice the later one stands.
fn add_summaries(found: &mut BTreeMap<Wall, Summary>, day: i64, packed: &[pack::Packed]) {
    let amount = |v: i64| v as f64 / 1_000.0;
    for s in packed {
        let from = Wall::from_ms(day * DAY_MS + i64::from(s.slot) * pack::SUMMARY_MS);
        let fresh = Summary { from, readings: s.n, min: amount(s.min), mean: amount(s.mean), max: amount(s.max) };
        found.insert(from, fresh);
    }
}
