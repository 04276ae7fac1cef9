//! The outpost's book on the disk: one file, whole or not at all, of one process.

use super::book::Page;
use std::fmt;
use std::fs::{self, File, TryLockError};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

const FILE: &str = "outpost.json";

/// Why the book cannot be kept.
#[derive(Debug)]
pub enum Error {
    /// Another process has it.
    InUse(PathBuf),
    Folder(PathBuf, std::io::Error),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::InUse(folder) => write!(f, "{} is in use: does another outpost run here?", folder.display()),
            Error::Folder(folder, why) => write!(f, "{} cannot be used: {why}", folder.display()),
        }
    }
}

impl std::error::Error for Error {}

/// The folder of the book, held as long as this value lives.
#[derive(Debug)]
pub struct Shelf {
    path: PathBuf,
    _lock: File,
}

impl Shelf {
    /// Makes the folder where there is none, and takes it. Gives what was written last; `None`: nothing that can be read.
    pub fn open(folder: &Path) -> Result<(Shelf, Option<Page>), Error> {
        let cannot = |why: std::io::Error| Error::Folder(folder.to_owned(), why);
        fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(cannot)?;
        let lock =
            File::options().create(true).truncate(false).write(true).open(folder.join("lock")).map_err(cannot)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(Error::InUse(folder.to_owned())),
            Err(TryLockError::Error(why)) => return Err(cannot(why)),
        }
        let path = folder.join(FILE);
        let page = match fs::read(&path) {
            Ok(bytes) => Page::read(&bytes),
            Err(why) if why.kind() == std::io::ErrorKind::NotFound => None,
            Err(why) => return Err(cannot(why)),
        };
        Ok((Shelf { path, _lock: lock }, page))
    }

    /// Writes the book. A power cut leaves the old one or the new one.
    pub fn write(&self, page: &Page) -> std::io::Result<()> {
        let part = self.path.with_extension("part");
        let mut file = File::options().create(true).truncate(true).write(true).mode(0o600).open(&part)?;
        file.write_all(&page.bytes())?;
        file.sync_all()?;
        fs::rename(&part, &self.path)
    }
}
