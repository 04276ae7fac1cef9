//! The handle by which the daemon speaks to the writer's thread.

use super::disk::Disk;
use super::opening::{self, Start};
use super::writer::{Job, Writer};
use super::{Error, Found, MOST_HELD, MOST_JOBS, Mail, Opening, Settled, settings};
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::reading::{Reading, Slot, Target};
use crate::terms::time::Wall;
use std::collections::VecDeque;
use std::future::Future;
use std::pin::Pin;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use tokio::sync::oneshot;

/// The one way to write. Share it in an `Arc`.
pub struct Store {
    jobs: SyncSender<Job>,
    inbox: Arc<Inbox>,
}

/// A reading as it waits: in thousandths of its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Kept {
    pub target: Target,
    pub slot: Slot,
    pub t: i64,
    pub v: i64,
}

/// Readings on their way to the writer: a lock and a push instead of the channel, since they are the many.
#[derive(Default)]
pub(super) struct Inbox(Mutex<Waiting>);

#[derive(Default)]
pub(super) struct Waiting {
    pub kept: VecDeque<Kept>,
    /// Pushed out by newer ones: the span of what is lost.
    pub lost: Option<(i64, i64)>,
}

impl Waiting {
    /// Makes room by giving up the oldest; what is lost becomes a gap.
    pub fn trim(&mut self) {
        while self.kept.len() > MOST_HELD {
            let Some(old) = self.kept.pop_front() else { return };
            let (from, to) = self.lost.unwrap_or((old.t, old.t));
            self.lost = Some((from.min(old.t), to.max(old.t)));
        }
    }
}

impl Inbox {
    pub fn take(&self) -> Waiting {
        std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// What becomes of an order: a future, or [`Reply::wait`] where there is no runtime.
pub struct Reply<T>(Result<oneshot::Receiver<Result<T, Error>>, Option<Error>>);

impl<T> Reply<T> {
    /// Blocks until the writer has answered. Not for async code.
    pub fn wait(self) -> Result<T, Error> {
        match self.0 {
            Ok(receiver) => receiver.blocking_recv().unwrap_or(Err(Error::Closed)),
            Err(why) => Err(why.unwrap_or(Error::Closed)),
        }
    }
}

impl<T> Future for Reply<T> {
    type Output = Result<T, Error>;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Self::Output> {
        match &mut self.0 {
            Ok(receiver) => Pin::new(receiver).poll(context).map(|r| r.unwrap_or(Err(Error::Closed))),
            Err(why) => Poll::Ready(Err(why.take().unwrap_or(Error::Closed))),
        }
    }
}

impl<T> Unpin for Reply<T> {}

impl Store {
    /// Opens or begins the store, checks it, and starts its writer: without a file where the disk refuses one.
    pub fn open(settings: &settings::Settings, opening: Opening) -> Result<(Store, Found), Error> {
        let now = (opening.clock)();
        let Start { db, lock, found, told, mails } = opening::start(&settings.folder, now, opening.hook.as_ref())?;
        let disk = Disk::new(db, lock, settings.folder.clone(), found.site.clone(), now);
        let (jobs, orders) = sync_channel(MOST_JOBS);
        let inbox = Arc::new(Inbox::default());
        let writer = Writer::new(disk, settings, opening, Arc::clone(&inbox), (mails, told), &found);
        std::thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || writer.run(&orders))
            .map_err(|why| Error::Folder(settings.folder.clone(), why))?;
        Ok((Store { jobs, inbox }, found))
    }

    /// Takes a reading for the next batch. Never blocks. What is no number is not kept.
    pub fn keep(&self, reading: &Reading) {
        if !reading.value.is_finite() {
            return;
        }
        // Far beyond every quantity, and small enough that differences of any two fit.
        const MOST: f64 = (1i64 << 59) as f64;
        let v = (reading.value * 1_000.0).round().clamp(-MOST, MOST) as i64;
        let t = reading.at.wall.as_ms();
        let mut waiting = self.inbox.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.kept.push_back(Kept { target: reading.target, slot: reading.slot, t, v });
        waiting.trim();
    }

    /// One transaction: changed rows together with the mails that tell of them. `at` is when the mails enter the outbox.
    /// `Err(Error::Owed)`: kept in memory, due nevertheless, and written as soon as the disk lets us.
    /// A notice whose id the outbox has already is not taken twice.
    pub fn commit(&self, at: Wall, rows: Vec<Row>, notices: Vec<NoticeRow>) -> Reply<()> {
        self.order(|reply| Job::Commit { at, rows, notices, reply })
    }

    /// Up to `at_most` mails whose time has come, urgent ones first.
    pub fn due(&self, at: Wall, at_most: usize) -> Reply<Vec<Mail>> {
        self.order(|reply| Job::Due { at, at_most, reply })
    }

    /// What became of a mail.
    pub fn settle(&self, settled: Settled) -> Reply<()> {
        self.order(|reply| Job::Settle { settled, reply })
    }

    /// From here on readings are missed, and why. A gap of the same reason that is open already goes on.
    pub fn gap_begins(&self, at: Wall, why: &str) -> Reply<()> {
        let why = why.to_owned();
        self.order(|reply| Job::GapBegins { at, why, reply })
    }

    /// Readings come again.
    pub fn gap_ends(&self, at: Wall, why: &str) -> Reply<()> {
        let why = why.to_owned();
        self.order(|reply| Job::GapEnds { at, why, reply })
    }

    /// Replaces the engine's snapshot, whole.
    pub fn save(&self, snapshot: Vec<(String, Vec<u8>)>) -> Reply<()> {
        self.order(|reply| Job::Save { snapshot, reply })
    }

    /// Writes what waits, now.
    pub fn flush(&self) -> Reply<()> {
        self.order(|reply| Job::Flush { reply })
    }

    /// Writes what waits and ends the writer. Everything after it is refused with [`Error::Closed`].
    pub fn close(&self) -> Reply<()> {
        self.order(|reply| Job::Close { reply })
    }

    /// Packs and deletes until nothing is left to do.
    #[cfg(test)]
    pub(super) fn go_round(&self) -> Reply<()> {
        self.order(|reply| Job::GoRound { reply })
    }

    #[cfg(test)]
    pub(super) fn run(&self, sql: &str) -> Reply<()> {
        let sql = sql.to_owned();
        self.order(|reply| Job::Run { sql, reply })
    }

    fn order<T>(&self, job: impl FnOnce(oneshot::Sender<Result<T, Error>>) -> Job) -> Reply<T> {
        let (sender, receiver) = oneshot::channel();
        match self.jobs.try_send(job(sender)) {
            Ok(()) => Reply(Ok(receiver)),
            Err(std::sync::mpsc::TrySendError::Full(_)) => Reply(Err(Some(Error::Behind))),
            Err(std::sync::mpsc::TrySendError::Disconnected(_)) => Reply(Err(Some(Error::Closed))),
        }
    }
}
