//! The Unix socket by which commands ask and tell a running daemon: one JSON object a line, there and back.
//!
//! It lies in the store's folder, mode 0600; besides, only its owner and root are answered. Whatever comes in is
//! bounded in length, number and time, and what cannot be read is answered in words.

pub mod client;
pub mod server;

use crate::engine::event::Command;
use crate::engine::view::View;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Name of the socket inside the store's folder.
pub const SOCKET: &str = "control.sock";
/// Bytes of one request.
pub const LONGEST_REQUEST: usize = 64 << 10;
/// Bytes of one reply: a view of thousands of probes.
pub const LONGEST_REPLY: usize = 64 << 20;
/// Connections at the same time, where the system lets us have as many.
pub const MOST_GUESTS: usize = 32;
/// Requests that may wait for the loop.
pub const MOST_WAITING: usize = 64;
/// How long a guest may say nothing, or not take its reply.
pub const PATIENCE: Duration = Duration::from_secs(30);
/// How long a reply may take; a backup copies the whole store.
pub const LONGEST_WORK: Duration = Duration::from_secs(600);

/// What can be asked of a running daemon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Request {
    /// What it knows now.
    View,
    /// A keeper's word.
    Order { command: Command },
    /// A copy of the store into this file, an absolute path.
    Backup { file: PathBuf },
}

/// What it says to that.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reply {
    pub done: bool,
    /// For whoever asked; without secrets.
    pub words: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub view: Option<Box<View>>,
}

impl Reply {
    pub fn done(words: impl Into<String>) -> Reply {
        Reply { done: true, words: words.into(), view: None }
    }
    pub fn refused(words: impl Into<String>) -> Reply {
        Reply { done: false, words: words.into(), view: None }
    }
}

/// Where the socket of a store is.
pub fn socket(folder: &Path) -> PathBuf {
    folder.join(SOCKET)
}

/// Why there is no conversation.
#[derive(Debug)]
pub enum Error {
    /// Nobody listens there.
    NobodyThere(PathBuf),
    /// The socket is not ours to use.
    NotOurs(PathBuf),
    /// The path is longer than a socket's may be.
    TooLong(PathBuf),
    Io(PathBuf, std::io::Error),
    /// It answered, but not as we understand it.
    Strange(String),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::NobodyThere(path) => write!(
                f,
                "no running Warmside answers at {}: is `warmside watch` running with this configuration?",
                path.display()
            ),
            Error::NotOurs(path) => {
                write!(f, "{} belongs to another user: ask as that user, or as root", path.display())
            }
            Error::TooLong(path) => write!(
                f,
                "{} is longer than the 107 bytes that the path of a socket may have: name a shorter [store] folder",
                path.display()
            ),
            Error::Io(path, why) => write!(f, "{}: {why}", path.display()),
            Error::Strange(why) => {
                write!(f, "the running Warmside answers strangely ({why}): is it of the same version?")
            }
        }
    }
}

impl std::error::Error for Error {}

impl Error {
    fn of(path: &Path, why: std::io::Error) -> Error {
        use std::io::ErrorKind as Kind;
        match why.kind() {
            Kind::NotFound | Kind::ConnectionRefused => Error::NobodyThere(path.to_owned()),
            Kind::PermissionDenied => Error::NotOurs(path.to_owned()),
            Kind::InvalidInput => Error::TooLong(path.to_owned()),
            _ => Error::Io(path.to_owned(), why),
        }
    }
}
