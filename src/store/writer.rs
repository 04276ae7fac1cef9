//! The writer's thread: the only one that writes. Commits at once, readings each second, packing in between.

use super::archive::Archive;
use super::batch::{alive, insert};
use super::disk::{Disk, Look};
use super::handle::{Inbox, Waiting};
use super::opening::Opened;
use super::outbox::{Mail, Outbox, Settled};
use super::pending::Pending;
use super::{Clock, Error, Found, Hook, Names, Opening, Tell, Told, opening, settings};
use crate::engine::event::StoreOutcome;
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::reading::{Slot, Target};
use crate::terms::time::{Mono, Now, Span, Wall};
use std::collections::BTreeMap;
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
    disk: Disk,
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
        disk: Disk,
        settings: &settings::Settings,
        opening: Opening,
        inbox: Arc<Inbox>,
        (mails, told): (Outbox, Vec<Told>),
        found: &Found,
    ) -> Writer {
        let now = (opening.clock)();
        let mut writer = Writer {
            disk,
            folder: settings.folder.clone(),
            clock: opening.clock,
            tell: opening.tell,
            hook: opening.hook,
            inbox,
            names: opening.names,
            probes: BTreeMap::new(),
            batch: Waiting::default(),
            pending: Pending::new(mails),
            archive: Archive::new(settings, found.last),
            failing: None,
            healthy_from: Wall::MIN,
            forced_at: i64::MIN,
            batched_at: now.mono,
        };
        for word in told {
            if let Told::Health(StoreOutcome::Failing(why)) = &word {
                writer.failing = Some(why.clone());
                if found.set_aside.is_some() {
                    writer.healthy_from = now.wall + TOLD_FOR;
                }
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
                self.pending.add(self.disk.known(), at, rows, notices);
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
            Job::Flush { reply } => {
                let _ = reply.send(self.write_batch(true).and_then(|()| self.pay(&TRIES)));
            }
            Job::Close { .. } => {}
            #[cfg(test)]
            Job::GoRound { reply } => {
                while self.tick() < BATCH {}
                let _ = reply.send(Ok(()));
            }
            #[cfg(test)]
            Job::Run { sql, reply } => {
                let ran = self.disk.db().and_then(|db| db.execute_batch(&sql));
                let _ = reply.send(ran.map_err(|e| Error::Database(e.to_string())));
            }
        }
    }

    /// What is due each second; returns how long to wait for orders.
    fn tick(&mut self) -> Duration {
        if self.write_batch(false).is_err() || self.pay(&TRIES[..1]).is_err() {
            return BATCH;
        }
        let now = (self.clock)();
        let step = stepper(self.hook.as_ref());
        let round = self.disk.db().and_then(|db| self.archive.round(db, now, &step));
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
        self.find_disk()?;
        // A disk that is known to refuse is not waited for at every order: the daemon's loop waits for us.
        let tries = if self.failing.is_some() { &tries[..1] } else { tries };
        let mut last = None;
        for wait in tries {
            std::thread::sleep(*wait);
            match self.try_to_write(true, true) {
                Ok(()) => return Ok(()),
                Err(error) => last = Some(error),
            }
        }
        match last {
            Some(error) => Err(Error::Owed(self.fails(&error))),
            None => Ok(()),
        }
    }

    /// One transaction for the readings of a second. `force`: to the disk itself, which else happens once a minute.
    fn write_batch(&mut self, force: bool) -> Result<(), Error> {
        self.batched_at = (self.clock)().mono;
        self.collect();
        self.find_disk()?;
        self.try_to_write(force, false).map_err(|error| Error::Owed(self.fails(&error)))
    }

    /// Takes what was kept since, within the bound of what may wait.
    fn collect(&mut self) {
        let fresh = self.inbox.take();
        self.batch.kept.extend(fresh.kept);
        self.batch.lost = match (self.batch.lost, fresh.lost) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
        self.batch.trim();
    }

    /// One transaction for the readings that wait and, if asked, what memory is ahead by: whatever is older than the moment
    /// that it notes as our last is on the disk with it. `force`: to the disk itself.
    fn try_to_write(&mut self, force: bool, pending: bool) -> rusqlite::Result<()> {
        let now = (self.clock)();
        self.collect();
        let force = force || now.wall.as_ms().saturating_sub(self.forced_at).saturating_abs() >= FORCED;
        let written = self.transact(now, force, pending);
        if written.is_err() {
            // Numbers given out in the failed transaction are void.
            self.probes.clear();
            return written;
        }
        if force {
            self.forced_at = now.wall.as_ms();
        }
        if pending {
            self.pending.written();
        }
        self.batch.kept.clear();
        if let Some((from, to)) = self.batch.lost.take() {
            self.pending.gap(from, to, "the disk refused for too long, and memory was full");
        }
        self.succeeds();
        Ok(())
    }

    fn transact(&mut self, now: Now, force: bool, pending: bool) -> rusqlite::Result<()> {
        let step = stepper(self.hook.as_ref());
        step("begin")?;
        let db = self.disk.db()?;
        // FULL: who was told what must outlive the mains. NORMAL: the mains going may cost the last minute of readings, which
        // opening records as a gap; it spares a memory card 59 of 60 syncs.
        db.execute_batch(if force { "PRAGMA synchronous = FULL" } else { "PRAGMA synchronous = NORMAL" })?;
        let transaction = db.transaction()?;
        if pending {
            self.pending.write(&transaction, &step)?;
        }
        insert(&transaction, &self.batch, &mut self.probes, &self.names)?;
        alive(&transaction, now)?;
        step("commit")?;
        transaction.commit()?;
        step("committed")
    }

    /// Makes sure that there is a file to write into, and looks for it now and then while there is none.
    fn find_disk(&mut self) -> Result<(), Error> {
        match self.disk.look((self.clock)(), self.hook.as_ref()) {
            Look::Open => return Ok(()),
            Look::TakenUp(told) => {
                told.into_iter().for_each(|word| (self.tell)(word));
                return Ok(());
            }
            // Mails that wait would be lost with the house that wrote them.
            Look::Stranger(opened) if self.pending.outbox.is_calm() => self.leave_to(*opened),
            Look::Stranger(_) | Look::Missing => {}
        }
        Err(Error::Owed(self.failing.clone().unwrap_or_default()))
    }

    /// Hands what was read over to a store whose past is not ours, and has everything started anew over it.
    fn leave_to(&mut self, opened: Opened) {
        let handed_over = self.disk.begin(opened).and_then(|()| self.try_to_write(true, false));
        if handed_over.is_ok() {
            self.pending.forget();
            let _ = self.try_to_write(true, true);
            (self.tell)(Told::Older);
        }
        self.disk.leave(handed_over.is_ok());
    }

    fn close(&mut self) -> Result<(), Error> {
        self.write_batch(true)?;
        self.pay(&TRIES)?;
        let closed = self.disk.db().and_then(|db| {
            db.execute("INSERT OR REPLACE INTO meta VALUES('clean', 1)", [])?;
            db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        });
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
