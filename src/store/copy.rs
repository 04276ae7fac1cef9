//! A copy of a house in one file, made while it is watched, and put back in place of what is there.
//!
//! Beside the store lies what was tied on the page. A copy carries it in a row of its own, which no store in use has, so
//! that nobody has to remember a second file.

use super::opening::{self, Fault};
use super::{Error, FILE};
use crate::config::tied;
use crate::terms::time::Wall;
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, chown};
use std::path::{Path, PathBuf};

/// The row of `meta` with the text of [`tied::FILE`], or NULL where there was no such file.
const TIED: &str = "copy of tied.toml";

/// Copies the whole store of an open connection as it is at this moment. The file appears when it is whole.
pub(super) fn make(db: &Connection, folder: &Path, to: &Path) -> Result<(), Error> {
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let refuse = |why: std::io::Error| Error::Folder(to.to_owned(), why);
    match fs::remove_file(&part) {
        Err(why) if why.kind() != ErrorKind::NotFound => return Err(refuse(why)),
        _ => {}
    }
    // Before the store: a tie that is made meanwhile is missing, and one whose readings are missing would look dead.
    let tied = match fs::read_to_string(folder.join(tied::FILE)) {
        Err(why) if why.kind() == ErrorKind::NotFound => None,
        read => Some(read.map_err(|why| Error::Folder(folder.join(tied::FILE), why))?),
    };
    let copied = db
        .execute("VACUUM INTO ?", [part.to_string_lossy()])
        .and_then(|_| Connection::open(&part)?.execute("INSERT OR REPLACE INTO meta VALUES(?, ?)", (TIED, tied)));
    copied.map_err(|e| Error::Database(format!("no backup at {}: {e}", to.display())))?;
    File::open(&part).and_then(|f| f.sync_all()).map_err(refuse)?;
    fs::rename(&part, to).map_err(refuse)
}

/// Whether an open store is a copy that was laid there by hand.
pub(super) fn is_copy(db: &Connection) -> rusqlite::Result<bool> {
    db.query_row("SELECT EXISTS(SELECT * FROM meta WHERE key = ?)", [TIED], |r| r.get(0))
}

/// A file that was made by [`make`], looked through and found whole.
#[derive(Debug)]
pub struct Backup {
    file: PathBuf,
    /// What was tied on the page: the text of its file, or `Some(None)` where there was none. `None`: the copy does not
    /// say, and what is there stays.
    tied: Option<Option<String>>,
    /// Up to when its house was watched.
    pub last: Option<Wall>,
}

impl Backup {
    /// Looks through a file. Nothing is written.
    pub fn open(file: &Path) -> Result<Backup, Error> {
        let refuse = |why: String| Error::Database(format!("{} cannot be restored: {why}", file.display()));
        File::open(file).map_err(|why| refuse(why.to_string()))?;
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(file, flags).map_err(|why| refuse(why.to_string()))?;
        let look = || -> Result<Backup, Fault> {
            let version = opening::version(&db, file)?;
            if version == 0 {
                return Err(Fault::Damaged("it holds no store".to_owned()));
            }
            opening::check(&db)?;
            let of = |key: &str| db.query_row("SELECT value FROM meta WHERE key = ?", [key], |r| r.get(0)).optional();
            let last = db.query_row("SELECT value FROM meta WHERE key = 'last_wall'", [], |r| r.get(0)).optional()?;
            Ok(Backup { file: file.to_owned(), tied: of(TIED)?, last: last.map(Wall::from_ms) })
        };
        look().map_err(|fault| match fault {
            Fault::Other(error) => error,
            Fault::Refused(why) => refuse(why.to_string()),
            Fault::Damaged(why) => refuse(format!("it is damaged ({why})")),
        })
    }

    /// The text of what was tied on the page.
    pub fn tied(&self) -> Option<&str> {
        self.tied.as_ref()?.as_deref()
    }

    /// Puts the copy into a store's folder. What was there is set aside; its new name is returned.
    pub fn restore(&self, folder: &Path, at: Wall) -> Result<Option<PathBuf>, Error> {
        let refuse = |why: std::io::Error| Error::Folder(folder.to_owned(), why);
        let owner = owner(folder).map_err(refuse)?;
        let lock = opening::lock(folder)?;
        let (path, new) = (folder.join(FILE), folder.join(format!("{FILE}.new")));
        self.prepare(&new)?;
        let stamp = format!("before-restore-{}", opening::stamp(at));
        let aside = opening::set_aside(&path, &stamp)?;
        if let Some(tied) = &self.tied {
            let there = folder.join(tied::FILE);
            opening::set_aside(&there, &stamp)?;
            if let Some(text) = tied {
                write(&there, text.as_bytes()).map_err(refuse)?;
            }
        }
        fs::rename(&new, &path).map_err(refuse)?;
        File::open(folder).and_then(|f| f.sync_all()).map_err(refuse)?;
        drop(lock);
        for made in [folder.to_owned(), path, folder.join(tied::FILE), folder.join("lock")] {
            give(&made, owner).map_err(refuse)?;
        }
        Ok(aside)
    }

    /// The store as it will be, beside the one that is there.
    fn prepare(&self, new: &Path) -> Result<(), Error> {
        let refuse = |why: String| Error::Database(format!("{} cannot be written: {why}", new.display()));
        File::open(&self.file).and_then(|from| write(new, from)).map_err(|why| refuse(why.to_string()))?;
        let renew = |db: &mut Connection| -> rusqlite::Result<()> {
            let change = db.transaction()?;
            change.execute("DELETE FROM meta WHERE key = ?", [TIED])?;
            // Incidents are numbered on from here, as they were the first time: under the same random part a mail would
            // carry the Message-ID of another one that had been sent since the copy, and be thrown away as the same.
            change.execute("UPDATE meta SET value = lower(hex(randomblob(16))) WHERE key = 'site'", [])?;
            change.commit()?;
            db.pragma_update(None, "synchronous", "FULL")
        };
        Connection::open(new).and_then(|mut db| renew(&mut db)).map_err(|why| refuse(why.to_string()))?;
        File::open(new).and_then(|f| f.sync_all()).map_err(|why| refuse(why.to_string()))
    }
}

fn write(path: &Path, mut from: impl Read) -> std::io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(path)?;
    std::io::copy(&mut from, &mut file)?;
    file.sync_all()
}

/// Whose a folder is, or will be: root restores for an account without rights.
fn owner(folder: &Path) -> std::io::Result<(u32, u32)> {
    let there = folder.ancestors().find(|path| path.is_dir()).unwrap_or(Path::new("."));
    let meta = fs::metadata(there)?;
    Ok((meta.uid(), meta.gid()))
}

fn give(path: &Path, (user, group): (u32, u32)) -> std::io::Result<()> {
    match fs::metadata(path) {
        Err(why) if why.kind() == ErrorKind::NotFound => Ok(()),
        Ok(meta) if (meta.uid(), meta.gid()) == (user, group) => Ok(()),
        Ok(_) => chown(path, Some(user), Some(group)),
        Err(why) => Err(why),
    }
}
