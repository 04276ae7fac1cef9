//! The writer's thread: the only one that writes. Commits at once, readings each second, packing in between.

use super::archive::{Archive, MOST_PROBES};
use super::handle::{Inbox, Kept, Waiting};
use super::outbox::{Mail, Outbox, Settled};
use super::pending::Pending;
use super::{Clock, Error, Hook, Names, Opening, Tell, Told, opening, settings};
use crate::engine::event::StoreOutcome;
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::reading::{Slot, Target};
use crate::terms::time::{Mono, Now, Span, Wall};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::collections::BTreeMap;
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;
use tokio::sync::oneshot::Sender;

/// Between batches of readings.
const BATCH: Duration = Duration::from_secs(1);
/// Between the tries of a commit that the disk refuses; after the last it is owed.
const TRIES: [Duration; 3] = [Duration::ZERO, Duration::from_millis(50), Duration::from_millis(250)];
/// So often the readings of a quiet house are forced to the disk itself, ms.
const FORCED: i64 = 60_000;
/// A store that was set aside stays `Failing` for so long, or nobody would be told.
const TOLD_FOR: Span = Span::min(30);

type Answer<T> = Sender<Result<T, Error>>;

pub(super) enum Job {
    Commit {
        at: Wall,
        rows: Vec<Row>,
        notices: Vec<NoticeRow>,
        reply: Answer<()>,
    },
    Due {
        at: Wall,
        at_most: usize,
        reply: Answer<Vec<Mail>>,
    },
    Settle {
        settled: Settled,
        reply: Answer<()>,
    },
    GapBegins {
        at: Wall,
        why: String,
        reply: Answer<()>,
    },
    GapEnds {
        at: Wall,
        why: String,
        reply: Answer<()>,
    },
    Save {
        snapshot: Vec<(String, Vec<u8>)>,
        reply: Answer<()>,
    },
    Rename {
        before: Waiting,
        names: Names,
        reply: Answer<()>,
    },
    Flush {
        reply: Answer<()>,
    },
    Close {
        reply: Answer<()>,
    },
    /// Packs and deletes until nothing is left to do.
    #[cfg(test)]
    GoRound {
        reply: Answer<()>,
    },
    /// Runs a statement on the writer's own connection.
    #[cfg(test)]
    Run {
        sql: String,
        reply: Answer<()>,
    },
}

pub(super) struct Writer {
    db: Connection,
    /// Held, not used: see `opening::lock`.
    _lock: File,
    folder: PathBuf,
    clock: Clock,
    tell: Tell,
    hook: Option<Hook>,
    inbox: Arc<Inbox>,
    names: Names,
    /// Numbers of probes under the present names; `None`: not to be stored.
    probes: BTreeMap<(Target, Slot), Option<i64>>,
    batch: Waiting,
    pending: Pending,
    archive: Archive,
    failing: Option<String>,
    healthy_from: Wall,
    forced_at: i64,
    batched_at: Mono,
}

impl Writer {
    pub fn new(
        db: Connection,
        lock: File,
        settings: &settings::Settings,
        opening: Opening,
        inbox: Arc<Inbox>,
        (mails, told): (Outbox, Vec<Told>),
        last: Option<Now>,
    ) -> Writer {
        let now = (opening.clock)();
        let mut writer = Writer {
            db,
            _lock: lock,
            folder: settings.folder.clone(),
            clock: opening.clock,
            tell: opening.tell,
            hook: opening.hook,
            inbox,
            names: opening.names,
            probes: BTreeMap::new(),
            batch: Waiting::default(),
            pending: Pending::new(mails),
            archive: Archive::new(settings, last),
            failing: None,
            healthy_from: Wall::MIN,
            forced_at: i64::MIN,
            batched_at: now.mono,
        };
        for word in told {
            if let Told::Health(StoreOutcome::Failing(why)) = &word {
                writer.failing = Some(why.clone());
                writer.healthy_from = now.wall + TOLD_FOR;
            }
            (writer.tell)(word);
        }
        writer
    }

    /// Until the handle closes it or lets go.
    pub fn run(mut self, orders: &Receiver<Job>) {
        let mut wait = BATCH;
        loop {
            match orders.recv_timeout(wait) {
                Ok(Job::Close { reply }) => {
                    let closed = self.close();
                    // Whoever waits for it may open the store anew at once: the lock goes first.
                    drop(self);
                    let _ = reply.send(closed);
                    return;
                }
                Ok(job) => {
                    self.obey(job);
                    // Orders that come without a pause must not keep the readings from the disk.
                    if (self.clock)().mono.since(self.batched_at) < Span::s(1) {
                        continue;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let _ = self.close();
                    return;
                }
            }
            wait = self.tick();
        }
    }

    fn obey(&mut self, job: Job) {
        // A reply that nobody waits for is no fault.
        match job {
            Job::Commit { at, rows, notices, reply } => {
                self.pending.add(&self.db, at, rows, notices);
                for notice in self.pending.outbox.trim() {
                    let why = "the outbox is full: too many mails wait to be sent".to_owned();
                    (self.tell)(Told::Dropped { notice, why });
                }
                let _ = reply.send(self.pay(&TRIES));
            }
            Job::Due { at, at_most, reply } => {
                let _ = reply.send(Ok(self.pending.outbox.due(at, at_most)));
            }
            Job::Settle { settled, reply } => {
                self.pending.outbox.settle(settled);
                let _ = reply.send(self.pay(&TRIES));
            }
            Job::GapBegins { at, why, reply } => {
                self.pending.gap_begins(at, why);
                let _ = reply.send(self.pay(&TRIES));
            }
            Job::GapEnds { at, why, reply } => {
                self.pending.gap_ends(at, why);
                let _ = reply.send(self.pay(&TRIES));
            }
            Job::Save { snapshot, reply } => {
                self.pending.snapshot(snapshot);
                let _ = reply.send(self.pay(&TRIES));
            }
            Job::Rename { before, names, reply } => {
                let written = self.write_batch(before, false);
                self.names = names;
                self.probes.clear();
                let _ = reply.send(written);
            }
            Job::Flush { reply } => {
                let batch = self.inbox.take();
                let _ = reply.send(self.write_batch(batch, true).and_then(|()| self.pay(&TRIES)));
            }
            Job::Close { .. } => {}
            #[cfg(test)]
            Job::GoRound { reply } => {
                while self.tick() < BATCH {}
                let _ = reply.send(Ok(()));
            }
            #[cfg(test)]
            Job::Run { sql, reply } => {
                let ran = self.db.execute_batch(&sql).map_err(|e| Error::Database(e.to_string()));
                let _ = reply.send(ran);
            }
        }
    }

    /// What is due each second; returns how long to wait for orders.
    fn tick(&mut self) -> Duration {
        let batch = self.inbox.take();
        let written = self.write_batch(batch, false);
        if written.is_err() || self.pay(&TRIES[..1]).is_err() {
            return BATCH;
        }
        let now = (self.clock)();
        let step = stepper(self.hook.as_ref());
        let round = self.archive.round(&mut self.db, now, &step);
        if let Some(words) = self.archive.said.take() {
            (self.tell)(Told::Log(words.to_owned()));
        }
        match round {
            Ok(true) => Duration::from_millis(1),
            Ok(false) => BATCH,
            Err(error) => {
                self.fails(&error);
                BATCH
            }
        }
    }

    /// Writes what memory is ahead by; each of `tries` is how long to wait before that try.
    fn pay(&mut self, tries: &[Duration]) -> Result<(), Error> {
        if self.pending.is_empty() {
            return Ok(());
        }
        // A disk that is known to refuse is not waited for at every order: the daemon's loop waits for us.
        let tries = if self.failing.is_some() { &tries[..1] } else { tries };
        let mut last = None;
        for wait in tries {
            std::thread::sleep(*wait);
            match self.try_to_pay() {
                Ok(()) => {
                    self.pending.written();
                    self.succeeds();
                    return Ok(());
                }
                Err(error) => last = Some(error),
            }
        }
        match last {
            Some(error) => Err(Error::Owed(self.fails(&error))),
            None => Ok(()),
        }
    }

    fn try_to_pay(&mut self) -> rusqlite::Result<()> {
        let step = stepper(self.hook.as_ref());
        step("begin")?;
        // FULL: who was told what must outlive the mains.
        self.db.execute_batch("PRAGMA synchronous = FULL")?;
        let transaction = self.db.transaction()?;
        self.pending.write(&transaction, &step)?;
        alive(&transaction, (self.clock)())?;
        step("commit")?;
        transaction.commit()?;
        step("committed")
    }

    /// One transaction for the readings of a second. `force`: to the disk itself, which else happens once a minute.
    fn write_batch(&mut self, batch: Waiting, force: bool) -> Result<(), Error> {
        let now = (self.clock)();
        self.batched_at = now.mono;
        self.batch.kept.extend(batch.kept);
        self.batch.lost = match (self.batch.lost, batch.lost) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
        self.batch.trim();
        let force = force || now.wall.as_ms().saturating_sub(self.forced_at).saturating_abs() >= FORCED;
        match self.try_to_write_batch(now, force) {
            Ok(()) => {
                if force {
                    self.forced_at = now.wall.as_ms();
                }
                self.batch.kept.clear();
                if let Some((from, to)) = self.batch.lost.take() {
                    self.pending.gap(from, to, "the disk refused for too long, and memory was full");
                }
                self.succeeds();
                Ok(())
            }
            Err(error) => {
                // Numbers given out in the failed transaction are void.
                self.probes.clear();
                Err(Error::Owed(self.fails(&error)))
            }
        }
    }

    fn try_to_write_batch(&mut self, now: Now, force: bool) -> rusqlite::Result<()> {
        let step = stepper(self.hook.as_ref());
        step("batch begin")?;
        // NORMAL: the mains going may cost the last minute of readings, which opening records as a gap; it spares a
        // memory card 59 of 60 syncs.
        self.db.execute_batch(if force { "PRAGMA synchronous = FULL" } else { "PRAGMA synchronous = NORMAL" })?;
        let transaction = self.db.transaction()?;
        {
            let mut insert = transaction.prepare_cached("INSERT OR REPLACE INTO reading VALUES(?, ?, ?)")?;
            for Kept { target, slot, t, v } in &self.batch.kept {
                let probe = match self.probes.get(&(*target, *slot)) {
                    Some(probe) => *probe,
                    None => {
                        let probe = number(&transaction, self.names.of(*target, *slot))?;
                        self.probes.insert((*target, *slot), probe);
                        probe
                    }
                };
                if let Some(probe) = probe {
                    insert.execute((probe, t, v))?;
                }
            }
        }
        alive(&transaction, now)?;
        step("batch commit")?;
        transaction.commit()
    }

    fn close(&mut self) -> Result<(), Error> {
        let batch = self.inbox.take();
        self.write_batch(batch, true)?;
        self.pay(&TRIES)?;
        let closed = self
            .db
            .execute("INSERT OR REPLACE INTO meta VALUES('clean', 1)", [])
            .and_then(|_| self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())));
        closed.map_err(|error| Error::Database(opening::words(&self.folder, &error)))
    }

    fn fails(&mut self, error: &rusqlite::Error) -> String {
        let words = opening::words(&self.folder, error);
        if self.failing.as_ref() != Some(&words) {
            self.failing = Some(words.clone());
            (self.tell)(Told::Health(StoreOutcome::Failing(words.clone())));
        }
        words
    }

    fn succeeds(&mut self) {
        if self.failing.is_some() && (self.clock)().wall >= self.healthy_from {
            self.failing = None;
            (self.tell)(Told::Health(StoreOutcome::Healthy));
        }
    }
}

/// What asks the hook before each step.
fn stepper(hook: Option<&Hook>) -> impl Fn(&'static str) -> rusqlite::Result<()> + use<> {
    let hook = hook.cloned();
    move |name| hook.as_ref().map_or(Ok(()), |hook| hook(name))
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
fn alive(db: &Transaction<'_>, now: Now) -> rusqlite::Result<()> {
    let mut put = db.prepare_cached("INSERT OR REPLACE INTO meta VALUES(?, ?)")?;
    put.execute(("last_mono", now.mono.as_ms()))?;
    put.execute(("last_wall", now.wall.as_ms()))?;
    Ok(())
}
