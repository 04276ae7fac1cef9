//! The file under the writer: open, or missing and looked for again, since a house is watched with or without its store.

use super::opening::{self, Opened};
use super::{Hook, Told};
use crate::terms::time::{Mono, Now, Span};
use rusqlite::{Connection, ffi};
use std::fs::File;
use std::path::PathBuf;

/// Between two looks at a store that cannot be opened.
const LOOKED_FOR: Span = Span::s(10);

/// The open file, or what is needed to open it later.
pub(super) struct Disk {
    db: Option<Connection>,
    /// Held, not used: see `opening::lock`.
    lock: Option<File>,
    folder: PathBuf,
    /// What this house's Message-IDs are made of.
    site: String,
    /// When the writer began: until then nobody listened.
    started: Now,
    next_look: Mono,
}

/// What a look at the file came to.
pub(super) enum Look {
    Open,
    /// It has just been opened and is this house's, or a fresh one.
    TakenUp(Vec<Told>),
    /// It can be opened, and holds a past that could not be read at the start: another site, incidents of its own.
    Stranger(Box<Opened>),
    Missing,
}

impl Disk {
    pub fn new(db: Option<Connection>, lock: Option<File>, folder: PathBuf, site: String, started: Now) -> Disk {
        Disk { db, lock, folder, site, started, next_look: started.mono + LOOKED_FOR }
    }

    pub fn known(&self) -> Option<&Connection> {
        self.db.as_ref()
    }

    pub fn db(&mut self) -> rusqlite::Result<&mut Connection> {
        let missing = || rusqlite::Error::SqliteFailure(ffi::Error::new(ffi::SQLITE_CANTOPEN), None);
        self.db.as_mut().ok_or_else(missing)
    }

    /// Opens the file if it is missing and time for a look.
    pub fn look(&mut self, now: Now, hook: Option<&Hook>) -> Look {
        if self.db.is_some() {
            return Look::Open;
        }
        if now.mono < self.next_look {
            return Look::Missing;
        }
        self.next_look = now.mono + LOOKED_FOR;
        if self.lock.is_none() {
            self.lock = opening::lock(&self.folder).ok();
        }
        let mut told = Vec::new();
        let opened = match &self.lock {
            Some(_) => opening::open(&self.folder, now, Some(&self.site), hook, &mut told),
            None => return Look::Missing,
        };
        match opened {
            Ok(opened) if opened.found.site == self.site => match self.begin(opened) {
                Ok(()) => Look::TakenUp(told),
                Err(_) => Look::Missing,
            },
            Ok(opened) => Look::Stranger(Box::new(opened)),
            Err(_) => Look::Missing,
        }
    }

    /// Writes into this file from now on.
    pub fn begin(&mut self, opened: Opened) -> rusqlite::Result<()> {
        let mut db = opened.db;
        opening::note(&mut db, &opened.found, self.started)?;
        self.db = Some(db);
        Ok(())
    }

    /// Lets go of the file, `for_good` or until the next look.
    pub fn leave(&mut self, for_good: bool) {
        self.db = None;
        if for_good {
            self.next_look = Mono::MAX;
        }
    }
}
