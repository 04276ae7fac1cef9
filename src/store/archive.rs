//! From rows of the open hours to packed chunks and summaries, and out again when they are too old. A little at a time.

use super::pack::{self, DAY_MS, HOUR_MS, Packed, Point};
use super::settings::Settings;
use crate::incident::PAST;
use crate::terms::time::{Mono, Now, Span, Wall};
use rusqlite::{Connection, OptionalExtension, Transaction};

/// Bits of a key that name the probe; so many probes may ever have been seen.
const PROBE_BITS: u32 = 20;
pub(super) const MOST_PROBES: i64 = 1 << PROBE_BITS;
/// Rows read for packing, and keys deleted, in one round: a few milliseconds.
const A_ROUND: usize = 20_000;
const DELETED_A_ROUND: i64 = 500;
/// An hour is packed so long after its end: batches still on their way belong to it.
const SETTLES: i64 = 2 * 60_000;
/// A wall clock that has jumped is not believed for so long, since what it calls old would be deleted.
const DOUBT: Span = Span::h(24);
const JUMP: Span = Span::h(1);

pub(super) const fn key(period: i64, probe: i64) -> i64 {
    period << PROBE_BITS | probe
}

/// The period of a key.
pub(super) const fn period(key: i64) -> i64 {
    key >> PROBE_BITS
}

/// Where packing and deleting stand.
pub(super) struct Archive {
    keep_readings: i64,
    keep_summaries: i64,
    /// Every row before this hour has been packed.
    packed_to: i64,
    /// The next probe to pack in the round that is under way.
    cursor: i64,
    last: Option<Now>,
    /// Wall minus monotonic clock when last seen, and since when it has stood so.
    offset: Option<i64>,
    believed_from: Mono,
    /// What is to be said in the log.
    pub said: Option<&'static str>,
    /// The hour for which old chunks were last deleted.
    swept: i64,
}

impl Archive {
    /// `last`: when the store was last written to, as found.
    pub fn new(settings: &Settings, last: Option<Now>) -> Archive {
        Archive {
            last,
            keep_readings: settings.keep_readings.as_ms(),
            keep_summaries: settings.keep_summaries.as_ms(),
            packed_to: i64::MIN,
            cursor: 0,
            offset: None,
            believed_from: Mono::MIN,
            said: None,
            swept: i64::MIN,
        }
    }

    /// One round: `true` when there is more to do at once.
    pub fn round(
        &mut self,
        db: &mut Connection,
        now: Now,
        step: &dyn Fn(&'static str) -> rusqlite::Result<()>,
    ) -> rusqlite::Result<bool> {
        self.watch_clock(now);
        let open_hour = (now.wall.as_ms().saturating_sub(SETTLES)).div_euclid(HOUR_MS);
        if self.packed_to < open_hour {
            step("pack begin")?;
            let transaction = db.transaction()?;
            let next = pack_from(&transaction, self.cursor, open_hour * HOUR_MS, step)?;
            step("pack commit")?;
            transaction.commit()?;
            match next {
                Some(probe) => self.cursor = probe,
                None => (self.cursor, self.packed_to) = (0, open_hour),
            }
            return Ok(true);
        }
        if self.swept < open_hour && now.mono >= self.believed_from {
            step("sweep begin")?;
            let transaction = db.transaction()?;
            let more = self.sweep(&transaction, now)?;
            step("sweep commit")?;
            transaction.commit()?;
            if !more {
                self.swept = open_hour;
            }
            return Ok(more);
        }
        Ok(false)
    }

    fn watch_clock(&mut self, now: Now) {
        let offset = now.wall.as_ms().saturating_sub(now.mono.as_ms());
        // A wall clock that is far from where the store left it is in doubt too. Looked at here and not at opening, since
        // the daemon sets the monotonic clock on by what opening finds.
        let away = self.last.take().map_or(Span::ZERO, |last| now.wall.since(last.wall));
        if away > Span::days(30) || away < Span::ZERO - JUMP {
            self.doubt(now);
        }
        if let Some(before) = self.offset
            && offset.saturating_sub(before).saturating_abs() > JUMP.as_ms()
        {
            self.doubt(now);
            // A clock that went back has opened hours that were packed.
            self.packed_to = i64::MIN;
        }
        self.offset = Some(offset);
    }

    fn doubt(&mut self, now: Now) {
        self.believed_from = now.mono + DOUBT;
        self.said = Some("the wall clock has jumped: nothing that looks old by it is deleted for a day");
    }

    /// Deletes what is older than the keeper wants kept; `true` when there may be more.
    fn sweep(&self, db: &Transaction<'_>, now: Now) -> rusqlite::Result<bool> {
        let before = |keep: i64| now.wall.as_ms().saturating_sub(keep);
        let readings = before(self.keep_readings);
        let summaries = before(self.keep_summaries);
        let mut deleted = 0;
        for (table, oldest) in
            [("chunk", key(readings.div_euclid(HOUR_MS), 0)), ("summary", key(summaries.div_euclid(DAY_MS), 0))]
        {
            deleted += db
                .prepare_cached(&format!(
                    "DELETE FROM {table} WHERE key IN (SELECT key FROM {table} WHERE key < ? LIMIT {DELETED_A_ROUND})"
                ))?
                .execute([oldest])?;
        }
        db.prepare_cached("DELETE FROM gap WHERE until < ?")?.execute([summaries])?;
        // Incidents of the past are named by when they ended: as old as the summaries that show them.
        let oldest = format!("{PAST}{}", Wall::from_ms(summaries).rfc3339());
        deleted += db
            .prepare_cached(&format!(
                "DELETE FROM state WHERE key IN (SELECT key FROM state WHERE key >= ?1 AND key < ?2 LIMIT {DELETED_A_ROUND})"
            ))?
            .execute((PAST, oldest))?;
        deleted += db
            .prepare_cached(
                "DELETE FROM mail WHERE id IN (SELECT id FROM mail WHERE NOT waits AND queued_at < ? LIMIT 50)",
            )?
            .execute([readings])?;
        db.prepare_cached("DELETE FROM mail_to WHERE mail < (SELECT coalesce(min(id), 0) FROM mail)")?.execute([])?;
        Ok(deleted > 0)
    }
}

/// Packs probes from `cursor` on until a round is full; the next cursor, or `None` when all are done.
fn pack_from(
    db: &Transaction<'_>,
    cursor: i64,
    limit: i64,
    step: &dyn Fn(&'static str) -> rusqlite::Result<()>,
) -> rusqlite::Result<Option<i64>> {
    let (mut probe, mut rows) = (cursor, 0);
    while rows < A_ROUND {
        // The least probe that has rows, by the index alone: gone probes cost nothing.
        let next: Option<i64> = db
            .prepare_cached("SELECT probe FROM reading WHERE probe >= ? ORDER BY probe LIMIT 1")?
            .query_row([probe], |r| r.get(0))
            .optional()?;
        let Some(found) = next else { return Ok(None) };
        let points: Vec<Point> = db
            .prepare_cached("SELECT t, v FROM reading WHERE probe = ? AND t < ? ORDER BY t")?
            .query_map((found, limit), |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        rows += points.len() + 1;
        if !points.is_empty() {
            step("pack probe")?;
            archive(db, found, &points)?;
            db.prepare_cached("DELETE FROM reading WHERE probe = ? AND t < ?")?.execute((found, limit))?;
        }
        probe = found + 1;
    }
    Ok(Some(probe))
}

fn archive(db: &Transaction<'_>, probe: i64, points: &[Point]) -> rusqlite::Result<()> {
    for hour in points.chunk_by(|a, b| a.0.div_euclid(HOUR_MS) == b.0.div_euclid(HOUR_MS)) {
        let number = hour[0].0.div_euclid(HOUR_MS);
        let stored = blob(db, "SELECT data FROM chunk WHERE key = ?", key(number, probe))?;
        // A clock set back fills an hour a second time.
        let mut all = stored.and_then(|data| pack::unpack(number * HOUR_MS, &data)).unwrap_or_default();
        let known = all.len();
        all.extend_from_slice(hour);
        all.sort_by_key(|p| p.0);
        db.prepare_cached("INSERT OR REPLACE INTO chunk VALUES(?, ?)")?
            .execute((key(number, probe), pack::pack(number * HOUR_MS, &all)))?;
        summarize(db, probe, number, if known == 0 { hour } else { &all })?;
    }
    Ok(())
}

/// Puts an hour's six summaries into its day.
fn summarize(db: &Transaction<'_>, probe: i64, hour: i64, points: &[Point]) -> rusqlite::Result<()> {
    let day = (hour * HOUR_MS).div_euclid(DAY_MS);
    let fresh = pack::summarize(day * DAY_MS, points);
    let stored = blob(db, "SELECT data FROM summary WHERE key = ?", key(day, probe))?;
    let mut all: Vec<Packed> = stored.and_then(|data| pack::unpack_summaries(&data)).unwrap_or_default();
    all.retain(|s| fresh.iter().all(|f| f.slot != s.slot));
    all.extend(fresh);
    all.sort_by_key(|s| s.slot);
    db.prepare_cached("INSERT OR REPLACE INTO summary VALUES(?, ?)")?
        .execute((key(day, probe), pack::pack_summaries(&all)))?;
    Ok(())
}

fn blob(db: &Transaction<'_>, sql: &str, key: i64) -> rusqlite::Result<Option<Vec<u8>>> {
    db.prepare_cached(sql)?.query_row([key], |r| r.get(0)).optional()
}
