//! What must not be forgotten: readings, engine state and outgoing mails in one file with one writer.
//!
//! [`Store::open`] starts the writer's thread and returns what was found ([`Found`]). From then on:
//!
//! - [`Store::keep`] takes a reading (never blocks, written within a second),
//! - [`Store::commit`] writes changed rows together with the mails that tell of them, in one transaction,
//! - [`Store::due`] and [`Store::settle`] are the outbox: what to send now, and what became of it,
//! - [`Store::gap_begins`], [`Store::gap_ends`], [`Store::save`], [`Store::flush`], [`Store::close`],
//! - [`reader::Reader`] is the read side: its own read-only connection, short reads, `backup`; [`copy::Backup`] puts one back.
//!
//! Where the file cannot be opened at the start, the writer starts without it, reads what can be read, keeps what is new in
//! memory within the same bounds, and takes the file up when it can (`disk.rs`). Refused are only a store that is in use,
//! newer, or not ours.
//!
//! A [`Reply`] is a future; where there is no runtime, [`Reply::wait`] blocks for it. When the disk refuses, a commit
//! is tried a bounded number of times, then kept in memory, where `due` finds its mails all the same: silence would be
//! worse than a mail that is no row yet. It is written with the next commit that the disk lets pass. What the daemon
//! must know comes by the `tell` function of [`Opening`]: see [`Told`].

mod archive;
mod batch;
pub mod copy;
mod disk;
mod handle;
mod names;
mod opening;
mod outbox;
pub mod pack;
mod pending;
pub mod reader;
pub mod settings;
mod writer;

#[cfg(test)]
mod tests;

pub use handle::{Reply, Store};
pub use names::Names;
pub use outbox::{Fate, Mail, Recipient, Settled};

use crate::engine::event::StoreOutcome;
use crate::incident::Row;
use crate::terms::time::Now;
use std::fmt;
use std::io::ErrorKind;
use std::path::PathBuf;
use std::sync::Arc;

/// Name of the database inside the store's folder.
pub const FILE: &str = "warmside.db";
/// Orders that may wait for the writer before [`Error::Behind`].
pub const MOST_JOBS: usize = 4_096;
/// Readings that may wait in memory while the disk is slow or refuses; then the oldest go, and a gap says so.
pub const MOST_HELD: usize = 500_000;
/// Mails that may wait to be sent; then digests go first, saying so.
pub const MOST_MAILS: usize = 500;

/// What an operator can do about it is in the words.
#[derive(Debug)]
pub enum Error {
    /// The folder cannot be made or written.
    Folder(PathBuf, std::io::Error),
    /// Another Warmside has this store open.
    InUse(PathBuf),
    /// A database of something else.
    Foreign(PathBuf),
    /// Written by a newer Warmside; (found, newest that is known here).
    Newer(i64, i64),
    /// SQLite's refusal, in words.
    Database(String),
    /// Not on the disk yet, and kept in memory: the reason. Its mails are due all the same.
    Owed(String),
    /// The writer has fallen [`MOST_JOBS`] orders behind; this one was not taken.
    Behind,
    /// The store was closed.
    Closed,
}

impl Error {
    /// Whether only the disk is to blame, so that it is worth looking again.
    fn may_pass(&self) -> bool {
        matches!(self, Error::Folder(..) | Error::Database(_))
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Folder(path, why) => {
                let todo = match why.kind() {
                    ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "free some space on its disk",
                    ErrorKind::ReadOnlyFilesystem => "mount its disk for writing",
                    _ => "check that it exists and is ours",
                };
                write!(f, "the store's folder {} cannot be used: {why}; {todo}", path.display())
            }
            Error::Foreign(path) => {
                write!(f, "{} is a database, but not of Warmside: name another [store] folder", path.display())
            }
            Error::InUse(path) => {
                write!(
                    f,
                    "{} is in use by another Warmside; stop that one or name another [store] folder",
                    path.display()
                )
            }
            Error::Newer(found, known) => write!(
                f,
                "the store has schema {found}, and this Warmside knows {known} at most: run the newer Warmside, \
                 or name another [store] folder; nothing was changed"
            ),
            Error::Database(why) | Error::Owed(why) => f.write_str(why),
            Error::Behind => f.write_str("the store is too far behind: the disk is too slow or stands still"),
            Error::Closed => f.write_str("the store is closed"),
        }
    }
}

impl std::error::Error for Error {}

/// What the writer has to say without having been asked.
#[derive(Clone, Debug, PartialEq)]
pub enum Told {
    /// Failing, or healthy again: for `Event::Store`.
    Health(StoreOutcome),
    /// The outbox was full and this notice's mail was given up: for `Event::Post` as refused.
    Dropped { notice: String, why: String },
    /// The store that could not be read at the start can be opened, and holds open incidents and mails of its own. What
    /// was read since is in it; everything is to be started anew over it.
    Older,
    /// For the log.
    Log(String),
}

pub type Clock = Arc<dyn Fn() -> Now + Send + Sync>;
pub type Tell = Box<dyn Fn(Told) + Send>;
/// Called before each step of the writer with its name; an error makes that step fail. For tests and the simulator.
pub type Hook = Arc<dyn Fn(&'static str) -> rusqlite::Result<()> + Send + Sync>;

/// What [`Store::open`] needs besides the settings.
pub struct Opening {
    pub names: Names,
    /// For the hours that close, for what has become too old, and for when we were last alive.
    pub clock: Clock,
    /// Called by the writer's thread; must not block.
    pub tell: Tell,
    pub hook: Option<Hook>,
}

/// What was in the store when it was opened.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Random, made once for each store: goes into Message-IDs so that a rebuilt store repeats none.
    pub site: String,
    /// When this store was last written to; the time since is stored as a gap.
    pub last: Option<Now>,
    /// Whether the last writer closed it in good order.
    pub clean: bool,
    /// Whether the store is ours alone by its lock; not so only where its folder cannot be used.
    pub locked: bool,
    pub rows: Vec<Row>,
    pub snapshot: Vec<(String, Vec<u8>)>,
    /// Where a damaged file was put; the store is a fresh one then.
    pub set_aside: Option<PathBuf>,
}
