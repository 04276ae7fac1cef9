//! Opening: the lock, the schema and its migrations, the check of integrity, and setting a damaged file aside.

use super::outbox::{Entry, Outbox};
use super::reader::recipients;
use super::{Error, FILE, Found, Hook, Mail, Told};
use crate::engine::event::StoreOutcome;
use crate::incident::Row;
use crate::terms::time::{Mono, Now, Wall};
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension};
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

/// `PRAGMA application_id`: says whose file it is ("Warm" in ASCII).
const APPLICATION: i64 = 0x5761_726d;

/// One step a version; a step, once released, is never edited. The database's `user_version` counts those done.
const MIGRATIONS: &[&str] = &["
    CREATE TABLE meta(key TEXT PRIMARY KEY, value) WITHOUT ROWID;
    CREATE TABLE probe(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    -- Of the hours that are open. t: ms since 1970, v: thousandths of the quantity's unit.
    CREATE TABLE reading(probe INTEGER, t INTEGER, v INTEGER NOT NULL, PRIMARY KEY(probe, t)) WITHOUT ROWID;
    -- Closed hours, packed (pack.rs). key: hour since 1970 << 20 | probe, so that new ones are appended.
    CREATE TABLE chunk(key INTEGER PRIMARY KEY, data BLOB NOT NULL);
    -- Ten minutes each, packed by day. key: day since 1970 << 20 | probe.
    CREATE TABLE summary(key INTEGER PRIMARY KEY, data BLOB NOT NULL);
    CREATE TABLE state(key TEXT PRIMARY KEY, json TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE snapshot(key TEXT PRIMARY KEY, data BLOB NOT NULL);
    CREATE TABLE mail(
        id INTEGER PRIMARY KEY, notice TEXT NOT NULL UNIQUE, json TEXT NOT NULL, waits INTEGER NOT NULL,
        queued_at INTEGER NOT NULL, attempts INTEGER NOT NULL, next INTEGER NOT NULL);
    CREATE INDEX mail_waits ON mail(id) WHERE waits;
    CREATE TABLE mail_to(
        mail INTEGER, place INTEGER, keeper TEXT NOT NULL, address TEXT NOT NULL, fate TEXT NOT NULL,
        words TEXT NOT NULL, PRIMARY KEY(mail, place)) WITHOUT ROWID;
    CREATE TABLE gap(id INTEGER PRIMARY KEY, since INTEGER NOT NULL, until INTEGER, why TEXT NOT NULL);
"];

/// An open file, not yet begun to be written: see [`note`].
pub(super) struct Opened {
    pub db: Connection,
    pub found: Found,
    pub mails: Outbox,
}

/// What the writer starts with.
pub(super) struct Start {
    /// `None`: the store cannot be opened now, which has been told.
    pub db: Option<Connection>,
    /// Held as long as the store is open.
    pub lock: Option<File>,
    pub found: Found,
    pub told: Vec<Told>,
    pub mails: Outbox,
}

/// Opens the store, or starts without it where only the disk is to blame: a house is watched all the same.
pub(super) fn start(folder: &Path, now: Now, hook: Option<&Hook>) -> Result<Start, Error> {
    let mut told = Vec::new();
    let lock = match lock(folder) {
        Ok(lock) => Ok(lock),
        // Whoever may not write here may still see that another Warmside does.
        Err(why) if why.may_pass() => match held(folder) {
            Err(in_use) => return Err(in_use),
            Ok(lock) => Err((lock, why)),
        },
        Err(why) => return Err(why),
    };
    let (lock, why) = match lock {
        Ok(lock) => match open(folder, now, None, hook, &mut told) {
            Ok(Opened { mut db, found, mails }) => {
                // A disk that takes nothing more is told, and what is to be written waits in memory.
                if let Err(error) = note(&mut db, &found, now) {
                    told.push(Told::Health(StoreOutcome::Failing(words(folder, &error))));
                }
                return Ok(Start { db: Some(db), lock: Some(lock), found, told, mails });
            }
            Err(why) if why.may_pass() => (Some(lock), why),
            Err(why) => return Err(why),
        },
        Err(without) => without,
    };
    told.clear();
    let (mut found, mails) = read_only(folder, &mut told).unwrap_or_else(|| (nothing(now), Outbox::empty()));
    found.locked = lock.is_some();
    let words =
        format!("{why}. Watching goes on in memory, and a restart before that is mended forgets what came since");
    told.insert(0, Told::Health(StoreOutcome::Failing(words)));
    Ok(Start { db: None, lock, found, told, mails })
}

/// Opens the file and looks into it. `site`: of the house that a fresh store is for; `None`: it is made.
pub(super) fn open(
    folder: &Path,
    now: Now,
    site: Option<&str>,
    hook: Option<&Hook>,
    told: &mut Vec<Told>,
) -> Result<Opened, Error> {
    let path = folder.join(FILE);
    let refuse = |e: rusqlite::Error| Error::Database(words(folder, &e));
    let (db, set_aside) = match begin(&path) {
        Ok(db) => (db, None),
        Err(Fault::Other(error)) => return Err(error),
        Err(Fault::Refused(error)) => return Err(refuse(error)),
        Err(Fault::Damaged(why)) => {
            let aside = set_aside(&path, &format!("damaged-{}", stamp(now.wall)))?.unwrap_or_else(|| path.clone());
            let db = begin(&path).map_err(|fault| match fault {
                Fault::Other(error) => error,
                Fault::Refused(error) => refuse(error),
                Fault::Damaged(why) => Error::Database(format!("a fresh store is damaged at once ({why}): the disk?")),
            })?;
            (db, Some((aside, why)))
        }
    };
    if let Some(hook) = hook {
        hook("opened").map_err(refuse)?;
    }
    if let Some((aside, why)) = &set_aside {
        told.push(Told::Health(StoreOutcome::Failing(format!(
            "the store was damaged ({why}) and is now {}; a fresh one was begun, so learned behaviour and open \
             incidents start anew; check the disk",
            aside.display()
        ))));
    }
    let (found, mails) = look(&db, set_aside.map(|(aside, _)| aside), site, told).map_err(refuse)?;
    Ok(Opened { db, found, mails })
}

/// What can be read of a store that cannot be written: who was told what, and under which site.
fn read_only(folder: &Path, told: &mut Vec<Told>) -> Option<(Found, Outbox)> {
    let path = folder.join(FILE);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    let mut read = |address: PathBuf| {
        let db = Connection::open_with_flags(address, flags).ok()?;
        let version: i64 = db.query_row("PRAGMA user_version", [], |r| r.get(0)).ok()?;
        let known = version == MIGRATIONS.len() as i64;
        look(&db, None, None, told).ok().filter(|_| known)
    };
    read(path.clone()).or_else(|| {
        // Where SQLite cannot lay its own files beside it. Without a log nobody has written, nothing is missed by that.
        let log = fs::metadata(folder.join(format!("{FILE}-wal"))).map_or(0, |log| log.len());
        let plain = path.to_str().filter(|path| log == 0 && !path.contains(['?', '#', '%']))?;
        read(PathBuf::from(format!("file:{plain}?immutable=1")))
    })
}

/// What is known of a house whose store cannot even be read.
fn nothing(now: Now) -> Found {
    let mut bytes = [0; 16];
    if getrandom::fill(&mut bytes).is_err() {
        // No randomness: the moment is as good as nothing else.
        bytes = (now.wall.as_ms() as u128).to_be_bytes();
    }
    let site = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    Found { site, last: None, clean: true, locked: false, rows: Vec::new(), snapshot: Vec::new(), set_aside: None }
}

fn make_folder(folder: &Path) -> Result<(), Error> {
    use std::os::unix::fs::DirBuilderExt;
    if folder.is_dir() {
        return Ok(());
    }
    // Mail addresses and habits of the house are nobody else's business.
    fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(|why| Error::Folder(folder.to_owned(), why))
}

/// A lock of its own and not SQLite's, which would shut our own readers out. The system drops it if we are killed.
pub(super) fn lock(folder: &Path) -> Result<File, Error> {
    make_folder(folder)?;
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(folder.join("lock"))
        .map_err(|why| Error::Folder(folder.to_owned(), why))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(Error::InUse(folder.to_owned())),
        Err(TryLockError::Error(why)) => Err(Error::Folder(folder.to_owned(), why)),
    }
}

/// The same where nothing can be written; `None`: it cannot be told whether anybody holds it.
fn held(folder: &Path) -> Result<Option<File>, Error> {
    let Ok(file) = File::open(folder.join("lock")) else { return Ok(None) };
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Err(Error::InUse(folder.to_owned())),
        Err(TryLockError::Error(_)) => Ok(None),
    }
}

pub(super) enum Fault {
    Damaged(String),
    Refused(rusqlite::Error),
    Other(Error),
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Fault {
        if damaged(&error) { Fault::Damaged(error.to_string()) } else { Fault::Refused(error) }
    }
}

pub(super) fn damaged(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

fn begin(path: &Path) -> Result<Connection, Fault> {
    use std::os::unix::fs::OpenOptionsExt;
    // SQLite gives its other files the mode of this one.
    if let Err(why) = File::options().create(true).truncate(false).write(true).mode(0o600).open(path) {
        return Err(Fault::Other(Error::Folder(path.to_owned(), why)));
    }
    let mut db = Connection::open(path)?;
    db.busy_timeout(std::time::Duration::from_secs(2))?;
    db.set_prepared_statement_cache_capacity(64);
    // Before journal_mode: the first write to a file that is not ours must not happen.
    let found = version(&db, path)?;
    check(&db)?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    migrate(&mut db, found, MIGRATIONS)?;
    Ok(db)
}

/// The schema of a file that is ours, and not newer than we are; 0: it is empty.
pub(super) fn version(db: &Connection, path: &Path) -> Result<i64, Fault> {
    let found: i64 = db.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    let known = MIGRATIONS.len() as i64;
    if found > known {
        return Err(Fault::Other(Error::Newer(found, known)));
    }
    let application: i64 = db.query_row("PRAGMA application_id", [], |r| r.get(0))?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?;
    if tables > 0 && application != APPLICATION {
        return Err(Fault::Other(Error::Foreign(path.to_owned())));
    }
    Ok(found)
}

/// SQLite's own check, of every page: a damaged page is found now and not when an incident needs it.
pub(super) fn check(db: &Connection) -> Result<(), Fault> {
    let verdict: String = db.query_row("PRAGMA quick_check(1)", [], |r| r.get(0))?;
    if verdict == "ok" { Ok(()) } else { Err(Fault::Damaged(verdict)) }
}

/// Carries out those of `steps` that are missing where `found` were done, each whole or not at all.
pub(super) fn migrate(db: &mut Connection, found: i64, steps: &[&str]) -> Result<(), Fault> {
    for (done, step) in steps.iter().enumerate().skip(found.max(0) as usize) {
        let step_transaction = db.transaction()?;
        step_transaction.execute_batch(step)?;
        step_transaction.pragma_update(None, "application_id", APPLICATION)?;
        step_transaction.pragma_update(None, "user_version", done as i64 + 1)?;
        step_transaction.commit()?;
    }
    Ok(())
}

/// A moment as a part of a file's name.
pub(super) fn stamp(at: Wall) -> String {
    at.rfc3339().chars().filter(char::is_ascii_alphanumeric).collect()
}

/// Renames the file and SQLite's two beside it, so that nothing of them is lost and nothing of them is read again. The new
/// name; `None` where there was no file.
pub(super) fn set_aside(path: &Path, why: &str) -> Result<Option<PathBuf>, Error> {
    let name = |extra: &str, aside: bool| -> PathBuf {
        let mut name = path.as_os_str().to_owned();
        if aside {
            name.push(format!(".{why}"));
        }
        name.push(extra);
        PathBuf::from(name)
    };
    let mut aside = None;
    for extra in ["-wal", "-shm", ""] {
        aside = match fs::rename(name(extra, false), name(extra, true)) {
            Ok(()) => Some(name(extra, true)),
            Err(why) if why.kind() == std::io::ErrorKind::NotFound => None,
            Err(why) => return Err(Error::Folder(path.to_owned(), why)),
        };
    }
    Ok(aside)
}

fn look(
    db: &Connection,
    set_aside: Option<PathBuf>,
    for_site: Option<&str>,
    told: &mut Vec<Told>,
) -> rusqlite::Result<(Found, Outbox)> {
    let number = |key: &str| -> rusqlite::Result<Option<i64>> {
        db.query_row("SELECT value FROM meta WHERE key = ?", [key], |r| r.get(0)).optional()
    };
    let last = match (number("last_mono")?, number("last_wall")?) {
        (Some(mono), Some(wall)) => Some(Now { mono: Mono::from_ms(mono), wall: Wall::from_ms(wall) }),
        _ => None,
    };
    let clean = number("clean")? == Some(1);
    let site = site(db, for_site)?;
    if super::copy::is_copy(db)? {
        let words = "this store is a copy that was laid here by hand: what was tied on the page did not come back with it. \
                     `warmside restore` does it all";
        told.push(Told::Log(words.to_owned()));
    }
    let rows = db
        .prepare("SELECT key, json FROM state WHERE NOT key GLOB 'past/*' ORDER BY key")?
        .query_map([], |r| Ok(Row { key: r.get(0)?, json: Some(r.get(1)?) }))?
        .collect::<rusqlite::Result<_>>()?;
    let snapshot = db
        .prepare("SELECT key, data FROM snapshot ORDER BY key")?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    Ok((Found { site, last, clean, locked: true, rows, snapshot, set_aside }, mails(db, told)?))
}

/// Notes that a process has begun at `now`, and the time since the last one as a gap.
pub(super) fn note(db: &mut Connection, found: &Found, now: Now) -> rusqlite::Result<()> {
    let transaction = db.transaction()?;
    transaction.execute("INSERT OR REPLACE INTO meta VALUES('clean', 0)", [])?;
    if let Some(last) = found.last {
        // What was open when the last process ended, ended with it: the daemon says anew what it misses.
        transaction.execute("UPDATE gap SET until = max(since, ?) WHERE until IS NULL", [last.wall.as_ms()])?;
        if now.wall > last.wall {
            let why = if found.clean { "not running" } else { "not running; it did not end in good order" };
            let span = (last.wall.as_ms(), now.wall.as_ms(), why);
            transaction.execute("INSERT INTO gap(since, until, why) VALUES(?, ?, ?)", span)?;
        }
    }
    transaction.commit()
}

/// The random part of this store's Message-IDs, made when it is begun, unless the house has one already.
fn site(db: &Connection, known: Option<&str>) -> rusqlite::Result<String> {
    let stored = db.query_row("SELECT value FROM meta WHERE key = 'site'", [], |r| r.get(0)).optional()?;
    if let Some(site) = stored {
        return Ok(site);
    }
    // SQLite seeds its randomness from the system's.
    let made = || db.query_row("SELECT lower(hex(randomblob(16)))", [], |r| r.get(0));
    let site = known.map_or_else(made, |known| Ok(known.to_owned()))?;
    db.execute("INSERT INTO meta VALUES('site', ?)", [&site])?;
    Ok(site)
}

fn mails(db: &Connection, told: &mut Vec<Told>) -> rusqlite::Result<Outbox> {
    let next_row = db.query_row("SELECT coalesce(max(id), 0) + 1 FROM mail", [], |r| r.get(0))?;
    let mut outbox = Outbox { next_row, ..Outbox::empty() };
    let mut mails = db.prepare("SELECT id, json, queued_at, attempts, next FROM mail WHERE waits ORDER BY id")?;
    let mut found = mails.query([])?;
    while let Some(row) = found.next()? {
        let id: i64 = row.get(0)?;
        let json: String = row.get(1)?;
        // One mail of another version's form is no reason to have no store.
        let notice = match serde_json::from_str(&json) {
            Ok(notice) => notice,
            Err(why) => {
                told.push(Told::Log(format!("mail {id} of the outbox cannot be read and is not sent: {why}")));
                continue;
            }
        };
        let to = recipients(db, id)?;
        let mail = Mail {
            notice,
            queued_at: Wall::from_ms(row.get(2)?),
            attempts: row.get(3)?,
            next: Wall::from_ms(row.get(4)?),
            to,
        };
        outbox.entries.insert(id, Entry { mail, dirty: false });
    }
    Ok(outbox)
}

/// SQLite's refusal in words that an operator can act on.
pub(super) fn words(folder: &Path, error: &rusqlite::Error) -> String {
    let folder = folder.display();
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => format!("the disk that holds {folder} is full: free some space"),
        Some(ErrorCode::ReadOnly) => {
            format!("{folder} cannot be written: mount it for writing, or mend its permissions")
        }
        Some(ErrorCode::SystemIoFailure) => {
            format!("the disk that holds {folder} fails ({error}): look at its cable, card and log")
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            format!(
                "the store in {folder} is damaged ({error}): restart Warmside, which sets it aside and begins a fresh one"
            )
        }
        Some(ErrorCode::CannotOpen) => {
            format!("the store in {folder} cannot be opened: look at its permissions and disk")
        }
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            format!("another program holds the store in {folder}: end it")
        }
        _ => format!("the store in {folder} refuses: {error}"),
    }
}
